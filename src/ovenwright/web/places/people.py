"""People and records: accounts, one's own password, the trail of changes, signatures."""

from __future__ import annotations

from typing import Annotated, Self
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Path, Query
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from ovenwright.domain.people import LONGEST_PASSWORD, NAME, SHORTEST_PASSWORD, Meaning, Role
from ovenwright.errors import OvenwrightError, UsageError
from ovenwright.web.answers import status_of, told_trouble
from ovenwright.web.api.audit import find
from ovenwright.web.api.people import prove
from ovenwright.web.api.signatures import give, signed_here
from ovenwright.web.door import Engineer, Operator, Viewer, by, who_is
from ovenwright.web.entering import enter
from ovenwright.web.moments import moment
from ovenwright.web.pages import show
from ovenwright.web.refs import run_ref
from ovenwright.web.sessions import came_of, keeper_of, sign_in, sign_out
from ovenwright.web.site import Site, TheSite
from ovenwright.workflow import people as keeping
from ovenwright.workflow.signing import Signed, records

router = APIRouter(include_in_schema=False)

A_PAGE = 50
SIGNATURES_SHOWN = 50
ROLES = ("viewer", "operator", "engineer")
DEEDS = {
    "added": "The account is there. Tell the person its name and password; it is changed when they sign in.",
    "changed": "The account was changed.",
    "reset": "The new password is set; it is changed at the next sign-in.",
    "own": "Your new password is set. Your other sessions were ended.",
    "revoked": "The token no longer works.",
}

Name = Annotated[str, Path(pattern=f"^{NAME.pattern}$")]
Line = Annotated[str, Form(max_length=500)]
Word = Annotated[str, Form(max_length=LONGEST_PASSWORD)]
Text = Annotated[str, Query(max_length=200)]


# signing in and out -----------------------------------------------------------------------


def onward(address: str) -> str:
    """Return where to go after signing in: a page of this server, never another one."""
    here = address.startswith("/") and not address.startswith(("//", "/\\", "/sign-"))
    return address if here and all(c.isprintable() for c in address) else "/"


@router.get("/sign-in")
def ask(request: Request, next: Text = "/") -> Response:  # noqa: A002 - it stands in the address
    """Show where to sign in; without accounts there is nothing to sign in to."""
    if not keeper_of(request).has_accounts():
        return RedirectResponse("/people", 303)
    if who_is(request).signed_in:
        return RedirectResponse(onward(next), 303)
    return show(request, "sign_in.html.j2", onward=onward(next), trouble="")


@router.post("/sign-in")
def enter_here(
    request: Request,
    name: Line = "",
    password: Word = "",
    next: Line = "/",  # noqa: A002
) -> Response:
    """Begin a session, or say why not."""
    try:
        account = enter(request, name, password)
    except HTTPException as no:
        return show(
            request,
            "sign_in.html.j2",
            status=no.status_code,
            headers=no.headers,
            onward=onward(next),
            trouble=no.detail,
        )
    answer = RedirectResponse(onward(next), 303)
    sign_in(request, answer, account)
    return answer


@router.post("/sign-out")
def leave(request: Request, _: Viewer) -> Response:
    """End this session."""
    answer = RedirectResponse("/sign-in", 303)
    sign_out(request, answer)
    return answer


@router.get("/password")
def ask_password(request: Request, _: Viewer) -> Response:
    """Show where to choose a new password of one's own."""
    if not who_is(request).signed_in:
        return RedirectResponse("/people", 303)
    return _password_page(request)


def _password_page(request: Request, trouble: str = "", status: int = 200) -> HTMLResponse:
    return show(
        request,
        "password.html.j2",
        place="people",
        status=status,
        trouble=trouble,
        must=came_of(request).must_change,
        shortest=SHORTEST_PASSWORD,
    )


@router.post("/password")
def change_own(
    request: Request,
    site: TheSite,
    _: Viewer,
    *,
    current: Word = "",
    new: Word = "",
    again: Word = "",
) -> Response:
    """Set a new password of one's own."""
    try:
        if new != again:
            raise UsageError("the two new passwords differ", remedy="type the same one twice")
        account = prove(request, current)
        changed = keeping.set_password(site.tools.people, by(request), account.name, new, own=True)
    except HTTPException as no:
        words = "the current password is not right" if no.status_code == 403 else str(no.detail)
        return _password_page(request, words, no.status_code)
    except OvenwrightError as trouble:
        return _password_page(request, _words(trouble), status_of(trouble))
    answer = RedirectResponse("/people?did=own", 303)
    sign_in(request, answer, changed)
    return answer


# the page itself --------------------------------------------------------------------------


@router.get("/people")
def people(
    request: Request,
    site: TheSite,
    _: Viewer,
    *,
    who: Text = "",
    text: Text = "",
    since: Text = "",
    until: Text = "",
    page: Annotated[int, Query(ge=1, le=10**6)] = 1,
    did: Text = "",
) -> Response:
    """Show accounts, trail and signatures."""
    return _page(
        request,
        site,
        wish={"who": who, "text": text, "since": since, "until": until},
        page=page,
        done=DEEDS.get(did, ""),
    )


def _page(
    request: Request,
    site: Site,
    *,
    wish: dict[str, str] | None = None,
    page: int = 1,
    done: str = "",
    trouble: OvenwrightError | None = None,
    given: dict[str, str] | None = None,
    token: tuple[str, str] | None = None,
) -> HTMLResponse:
    wish = wish or dict.fromkeys(("who", "text", "since", "until"), "")
    book, zone = site.tools.people, site.tools.settings.zone
    who = who_is(request)
    try:
        lines = find(site, **wish, limit=A_PAGE + 1, offset=(page - 1) * A_PAGE)
    except UsageError as wrong:
        lines, trouble = (), wrong
    asked = {k: v for k, v in wish.items() if v}
    signed = signed_here(request)[:SIGNATURES_SHOWN]
    manages = who.role >= Role.ENGINEER
    return show(
        request,
        "people.html.j2",
        place="people",
        status=200 if trouble is None else status_of(trouble),
        begun=keeper_of(request).has_accounts(),
        manages=manages,
        accounts=[(a, moment(a.created_ns, zone)) for a in book.accounts()] if manages else [],
        passes=[
            (p, moment(p.created_ns, zone), moment(p.used_ns, zone) if p.used_ns else None)
            for p in (book.passes() if manages else ())
        ],
        roles=ROLES,
        shortest=SHORTEST_PASSWORD,
        lines=[(c, moment(c.at_ns, zone)) for c in lines[:A_PAGE]],
        newer=_address(asked, page - 1) if page > 1 else "",
        older=_address(asked, page + 1) if len(lines) > A_PAGE else "",
        table=f"/api/audit/csv?{urlencode(asked)}" if asked else "/api/audit/csv",
        wish=wish,
        proof=book.check_trail(),
        signed=_timed(site, signed),
        done=done,
        trouble=None if trouble is None else told_trouble(site, trouble.facts()),
        given=dict.fromkeys(("name", "full_name", "role", "why"), "") | (given or {}),
        again=given is not None,
        made=token,
    )


def _address(asked: dict[str, str], page: int) -> str:
    return f"/people?{urlencode(asked | {'page': str(page)})}#trail"


def _timed(site: Site, signed: tuple[Signed, ...]) -> list[tuple[Signed, object]]:
    zone = site.tools.settings.zone
    return [(s, moment(s.signature.at_ns, zone)) for s in signed]


def _words(trouble: OvenwrightError) -> str:
    return f"{trouble.what}; {trouble.remedy}" if trouble.remedy else trouble.what


class _Deed:
    """What is done to accounts; what stood in its way is told on the page instead of raised."""

    trouble: OvenwrightError | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _: object, cause: BaseException | None, __: object) -> bool:
        if isinstance(cause, OvenwrightError):
            self.trouble = cause
        return self.trouble is not None

    def answer(self, request: Request, site: Site, did: str, part: str) -> Response:
        """Return the page that says it was done, or why not."""
        if self.trouble is not None:
            return _page(request, site, trouble=self.trouble)
        return RedirectResponse(f"/people?did={did}#{part}", 303)


@router.post("/people/accounts")
def add(
    request: Request,
    site: TheSite,
    _: Engineer,
    *,
    name: Line = "",
    full_name: Line = "",
    role: Line = "",
    password: Word = "",
    again: Word = "",
    why: Line = "",
) -> Response:
    """Give somebody an account; whoever makes the first is signed in with it."""
    first = not keeper_of(request).has_accounts()
    given = {"name": name, "full_name": full_name, "role": role, "why": why}
    with _Deed() as deed:
        if password != again:
            raise UsageError("the two passwords differ", remedy="type the same one twice")
        made = keeping.add_account(
            site.tools.people,
            by(request),
            name,
            role=role,
            password=password,
            full_name=full_name,
            own=first,
            why=why,
        )
    if deed.trouble is not None:
        return _page(request, site, trouble=deed.trouble, given=given)
    keeper_of(request).account_made()
    answer = RedirectResponse("/people" if first else "/people?did=added", 303)
    if first:
        sign_in(request, answer, made)
    return answer


@router.post("/people/accounts/{name}")
def change(
    request: Request,
    name: Name,
    site: TheSite,
    _: Engineer,
    *,
    role: Line = "",
    use: Line = "",
    full_name: Line = "",
    why: Line = "",
) -> Response:
    """Change an account; what is left empty stays."""
    with _Deed() as deed:
        keeping.change_account(
            site.tools.people,
            by(request),
            name,
            role=role or None,
            enabled={"in": True, "out": False}.get(use),
            full_name=full_name or None,
            why=why,
        )
    return deed.answer(request, site, "changed", "accounts")


@router.post("/people/accounts/{name}/password")
def reset(
    request: Request,
    name: Name,
    site: TheSite,
    _: Engineer,
    *,
    password: Word = "",
    why: Line = "",
) -> Response:
    """Give somebody a new password, which they change when they sign in."""
    with _Deed() as deed:
        keeping.set_password(site.tools.people, by(request), name, password, own=False, why=why)
    return deed.answer(request, site, "reset", "accounts")


@router.post("/people/tokens")
def make_token(
    request: Request,
    site: TheSite,
    _: Engineer,
    *,
    name: Line = "",
    role: Line = "",
    label: Line = "",
) -> Response:
    """Make a token for a script and show it, this once."""
    with _Deed() as deed:
        one, held = keeping.make_pass(site.tools.people, by(request), name, role=role, label=label)
    if deed.trouble is not None:
        return _page(request, site, trouble=deed.trouble)
    return _page(request, site, token=(one.id, held))


@router.post("/people/tokens/{token_id}/revoke")
def revoke(
    request: Request,
    token_id: Annotated[str, Path(pattern="^[0-9a-f]{8}$")],
    site: TheSite,
    _: Engineer,
) -> Response:
    """Put a token out of use."""
    keeping.revoke_pass(site.tools.people, by(request), token_id)
    return RedirectResponse("/people?did=revoked#tokens", 303)


# signing a result -------------------------------------------------------------------------


@router.get("/runs/{run_id}/sign")
def ask_signature(request: Request, run_id: str, site: TheSite, _: Viewer) -> HTMLResponse:
    """Show the signatures under a run's judgements, and where to give one."""
    return _sign_page(request, run_ref(run_id, site.tools.logbook), site)


def _sign_page(
    request: Request,
    run_id: str,
    site: Site,
    *,
    trouble: str = "",
    status: int = 200,
    given: dict[str, str] | None = None,
) -> HTMLResponse:
    who, book = who_is(request), site.tools.logbook
    facts, unread = book.facts(run_id), ""
    try:
        found = records(book, run_id)
    except OvenwrightError as cause:
        found, unread = (), _words(cause)
    return show(
        request,
        "sign.html.j2",
        place="result",
        status=status,
        run=facts,
        judgements=found[::-1],
        unread=unread,
        signed=_timed(site, signed_here(request, run_id)),
        meanings=[m for m in Meaning if who.role >= m.needs],
        may=who.signed_in and who.role >= Role.OPERATOR,
        may_judge=who.role >= Role.OPERATOR,
        trouble=trouble,
        given=dict.fromkeys(("meaning", "judgement", "why"), "") | (given or {}),
    )


@router.post("/runs/{run_id}/sign")
def sign_here(
    request: Request,
    run_id: str,
    site: TheSite,
    _: Operator,
    *,
    meaning: Line = "",
    judgement: Line = "",
    password: Word = "",
    why: Line = "",
) -> Response:
    """Sign a judgement of a run."""
    known = run_ref(run_id, site.tools.logbook)
    given = {"meaning": meaning, "judgement": judgement, "why": why}
    try:
        if meaning not in set(Meaning):
            raise UsageError("the signature says nothing yet", remedy="choose what it means")
        give(
            request,
            site,
            known,
            meaning=Meaning(meaning),
            password=password,
            why=why,
            judgement=judgement,
        )
    except HTTPException as no:
        words = "that is not your password" if no.status_code == 403 else str(no.detail)
        return _sign_page(request, known, site, trouble=words, status=no.status_code, given=given)
    except OvenwrightError as trouble:
        return _sign_page(
            request, known, site, trouble=_words(trouble), status=status_of(trouble), given=given
        )
    return RedirectResponse(f"/runs/{known}/sign", 303)
