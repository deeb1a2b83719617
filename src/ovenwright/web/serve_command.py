"""Serve: the logbook in a browser, on this machine or, with accounts, for others."""

from __future__ import annotations

import argparse
import contextlib
import ipaddress
import json
import socket
import ssl
import sys
import threading
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.catalogue.people import People

_WARNING = """ovenwright: WARNING: shared without encryption. Whoever can listen on this network can
read passwords and results, and act as somebody else. Give --tls-cert and --tls-key."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("--port", type=int, default=8717, help="port to listen on (default: 8717)")
    parser.add_argument("--no-open", action="store_true", help="open no browser")
    parser.add_argument(
        "--share",
        metavar="HOST",
        help="let other machines in: this machine's address on the network, or 0.0.0.0 for all its "
        "addresses; needs accounts (default: this machine alone)",
    )
    parser.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="NAME",
        help="a further name by which browsers may call this server; may be repeated",
    )
    parser.add_argument("--tls-cert", type=Path, metavar="FILE", help="certificate, PEM")
    parser.add_argument("--tls-key", type=Path, metavar="FILE", help="its private key, PEM")


def listen(host: str, port: int) -> socket.socket:
    """Return a listening socket.

    Raises
    ------
    UsageError : if the port is taken or can't be used
    """
    if not 0 <= port <= 65535:
        raise UsageError(f"{port} is no port", where="--port", remedy="give 1 to 65535")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    found = socket.socket(family, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((host, port))
        found.listen(128)  # whoever comes while the pages still load waits instead of failing
    except OSError as cause:
        found.close()
        raise UsageError(
            f"port {port} can't be used on {host}: {cause.strerror}",
            where="--share" if isinstance(cause, socket.gaierror) else "--port",
            remedy="another server may hold it; give another one, or 0 for any free one",
        ) from cause
    return found


def check_sharing(people: People) -> None:
    """Refuse to be shared while nobody could be told from anybody else.

    Raises
    ------
    UsageError : if there is no account in use
    """
    if not any(a.enabled for a in people.accounts()):
        raise UsageError(
            "nobody has an account, so anybody on the network could do anything",
            where="--share",
            remedy="make one first: ovenwright people add NAME --role engineer --own",
        )


def check_tls(cert: Path | None, key: Path | None) -> bool:
    """Tell whether to encrypt, once certificate and key have proved to fit.

    Raises
    ------
    UsageError : if one is missing or they don't fit
    """
    if cert is None and key is None:
        return False
    if cert is None or key is None:
        raise UsageError(
            "encryption needs both a certificate and its key",
            where="--tls-cert" if cert is None else "--tls-key",
            remedy="give both files",
        )
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password=_no_password)
    except (OSError, ValueError) as cause:  # an SSLError is an OSError
        raise UsageError(
            f"certificate and key can't be used: {cause.__class__.__name__}, "
            f"{getattr(cause, 'reason', None) or getattr(cause, 'strerror', None) or cause}",
            where=f"{cert}, {key}",
            remedy="give PEM files that belong together, the key without a password",
        ) from cause
    return True


def _no_password() -> str:
    raise ValueError("the key asks for a password")


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Serve until told to stop."""
    import uvicorn

    from ovenwright.compose import build
    from ovenwright.web import patience
    from ovenwright.web.app import create_app
    from ovenwright.web.origins import Hosts, shared_hosts
    from ovenwright.web.site import Site

    tools = build(settings)
    secure = check_tls(args.tls_cert, args.tls_key)
    host = (args.share or "127.0.0.1").strip("[]")
    if args.share:
        check_sharing(tools.people)
    alone = _is_loopback(host)
    sock = listen(host, args.port)
    port = sock.getsockname()[1]
    app = create_app(Site(tools, shared=not alone))
    own = Hosts(Hosts().names | {n.lower() for n in args.name})
    app.state.hosts = own if alone else shared_hosts(host, tuple(args.name))
    told = f"[{host}]" if ":" in host else host
    address = f"{'https' if secure else 'http'}://{told}:{port}/"
    if not alone and not secure:
        print(_WARNING, file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps({"event": "serving", "url": address}), flush=True)
    else:
        print(f"Ovenwright serves {settings.logbook} at {address} (end it with Ctrl+C)", flush=True)
    if not args.no_open and sys.stdout.isatty():
        threading.Timer(0.8, webbrowser.open, (address,)).start()
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            log_level="warning",
            server_header=False,
            date_header=True,
            proxy_headers=False,  # anybody could write them, and so be from anywhere
            ssl_certfile=str(args.tls_cert) if secure else None,
            ssl_keyfile=str(args.tls_key) if secure else None,
            **patience.options(),
        )
    )
    with contextlib.suppress(KeyboardInterrupt):
        server.run(sockets=[sock])
    return 0


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
