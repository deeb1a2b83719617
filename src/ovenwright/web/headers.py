"""Headers every answer carries, as plain ASGI so that nothing is buffered."""

from __future__ import annotations

from fastapi import FastAPI
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; media-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
ALWAYS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    # under no-referrer browsers hide from our own forms' requests which page sent them
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
_YEAR_S = 365 * 24 * 3600


class Headers:
    """Adds :data:`ALWAYS`, and keeps answers out of caches unless they carry a content hash."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on and add headers to its answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        built = scope["path"].startswith("/static/built/")
        secure = scope["scheme"] == "https"

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                found = MutableHeaders(scope=message)
                for name, value in ALWAYS.items():
                    found.setdefault(name, value)
                if secure:
                    found.setdefault("strict-transport-security", f"max-age={_YEAR_S}")
                found.setdefault(
                    "cache-control", "public, max-age=31536000, immutable" if built else "no-store"
                )
            await send(message)

        await self.app(scope, receive, sending)


def install(app: FastAPI) -> None:
    """Give an app its guard, and outside of it the headers, which refusals carry too."""
    from ovenwright.web.guard import Guard
    from ovenwright.web.origins import Hosts
    from ovenwright.web.sessions import Doorkeeper
    from ovenwright.workflow.signing import Proofs

    app.state.hosts = Hosts()
    app.state.keeper = Doorkeeper(app.state.site)
    app.state.proofs = Proofs(app.state.site.tools.logbook)
    app.add_middleware(Guard)
    app.add_middleware(Headers)
