"""Accounts, sessions and tokens."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from ovenwright.domain.people import LONGEST_PASSWORD, NAME, Account, Pass
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Engineer, Viewer, by, token_of
from ovenwright.web.entering import enter, refused
from ovenwright.web.moments import utc_text
from ovenwright.web.sessions import came_of, keeper_of, sign_in, sign_out
from ovenwright.web.site import TheSite
from ovenwright.workflow import people as keeping

router = APIRouter(prefix="/api", tags=["people"], responses=TROUBLES)

RoleName = Literal["viewer", "operator", "engineer"]
Name = Annotated[str, Path(pattern=f"^{NAME.pattern}$")]
Word = Annotated[str, Field(max_length=LONGEST_PASSWORD)]
Why = Annotated[str, Field(max_length=500)]


class Body(BaseModel):
    """Refuses keys it does not know."""

    model_config = ConfigDict(extra="forbid")


class FormToken(BaseModel):
    """What scripts of our own pages send back as ``x-form-token``."""

    token: str


class Me(BaseModel):
    """Who asks, and what they may do."""

    name: str
    role: Literal["nobody", "viewer", "operator", "engineer"]
    signed_in: bool
    must_change_password: bool
    form_token: str


class SignIn(Body):
    """Name and password."""

    name: Annotated[str, Field(max_length=100)]
    password: Word


class NewPassword(Body):
    """A password of one's own, and the one it takes the place of."""

    current: Word
    new: Word


class AccountFacts(BaseModel):
    """One person who may sign in."""

    name: str
    full_name: str
    role: RoleName
    enabled: bool
    must_change_password: bool
    created: str


class NewAccount(Body):
    """An account to be made; with ``own`` the password is the person's own already."""

    name: Annotated[str, Field(max_length=60)]
    full_name: Annotated[str, Field(max_length=200)] = ""
    role: RoleName
    password: Word
    own: bool = False
    why: Why = ""


class AccountChange(Body):
    """What is to change; what is left out stays."""

    role: RoleName | None = None
    enabled: bool | None = None
    full_name: Annotated[str, Field(max_length=200)] | None = None
    why: Why = ""


class Reset(Body):
    """A password for somebody else, who has to change it when signing in."""

    password: Word
    why: Why = ""


class TokenFacts(BaseModel):
    """One token of a script; the token itself was shown once, when it was made."""

    id: str
    name: str
    role: RoleName
    label: str
    created: str
    used: str
    revoked: bool


class NewToken(Body):
    """A token to be made; it never may do more than its account."""

    name: Annotated[str, Field(max_length=60)]
    role: RoleName
    label: Annotated[str, Field(max_length=200)] = ""
    why: Why = ""


class MadeToken(TokenFacts):
    """A token, with the word that scripts send: ``Authorization: Bearer …``."""

    token: str


def _account(one: Account) -> AccountFacts:
    return AccountFacts(
        name=one.name,
        full_name=one.full_name,
        role=one.role.title,
        enabled=one.enabled,
        must_change_password=one.must_change,
        created=utc_text(one.created_ns),
    )


def _token(one: Pass) -> TokenFacts:
    return TokenFacts(
        id=one.id,
        name=one.name,
        role=one.role.title,
        label=one.label,
        created=utc_text(one.created_ns),
        used=utc_text(one.used_ns) if one.used_ns else "",
        revoked=one.revoked,
    )


@router.get("/form-token")
def form_token(request: Request) -> FormToken:
    """Give the token that requests of our own pages carry, anew."""
    return FormToken(token=token_of(request))


@router.get("/me")
def me(request: Request, who: Viewer) -> Me:
    """Say who asks and what they may do."""
    return Me(
        name=who.name,
        role=who.role.title,
        signed_in=who.signed_in,
        must_change_password=came_of(request).must_change,
        form_token=token_of(request),
    )


@router.post("/sign-in")
def enter_here(request: Request, response: Response, body: SignIn) -> Me:
    """Begin a session; its cookie comes with the answer."""
    came = sign_in(request, response, enter(request, body.name, body.password))
    return Me(
        name=came.who.name,
        role=came.who.role.title,
        signed_in=True,
        must_change_password=came.must_change,
        form_token=keeper_of(request).token(came),
    )


@router.post("/sign-out", status_code=204)
def leave(request: Request, response: Response, _: Viewer) -> None:
    """End this session."""
    sign_out(request, response)


@router.post("/me/password", status_code=204)
def change_own(
    request: Request, response: Response, body: NewPassword, site: TheSite, _: Viewer
) -> None:
    """Choose a new password; all other sessions of the account end."""
    account = prove(request, body.current)
    people = site.tools.people
    changed = keeping.set_password(people, by(request), account.name, body.new, own=True)
    if came_of(request).way == "cookie":
        sign_in(request, response, changed)


def prove(request: Request, password: str) -> Account:
    """Return the account of whoever asks, once they gave their password again.

    Raises
    ------
    HTTPException : 403 if it is wrong, 429 if too many attempts failed lately
    UnknownName : if there are no accounts
    """
    who = by(request)
    people = request.app.state.site.tools.people
    came = keeping.attempt(people, who.name, password, place=who.place)
    if came.account is None:
        raise refused(came.wait_s, status=403)
    return came.account


@router.get("/people")
def accounts(site: TheSite, _: Engineer) -> list[AccountFacts]:
    """List all accounts."""
    return [_account(a) for a in site.tools.people.accounts()]


@router.post("/people", status_code=201)
def add(request: Request, body: NewAccount, site: TheSite, _: Engineer) -> AccountFacts:
    """Give somebody an account; the first must be an engineer's, and from then on all sign in."""
    made = keeping.add_account(
        site.tools.people,
        by(request),
        body.name,
        role=body.role,
        password=body.password,
        full_name=body.full_name,
        own=body.own,
        why=body.why,
    )
    keeper_of(request).account_made()
    return _account(made)


@router.patch("/people/{name}")
def change(
    request: Request, name: Name, body: AccountChange, site: TheSite, _: Engineer
) -> AccountFacts:
    """Change somebody's role or name, or put the account out of use."""
    return _account(
        keeping.change_account(
            site.tools.people,
            by(request),
            name,
            role=body.role,
            enabled=body.enabled,
            full_name=body.full_name,
            why=body.why,
        )
    )


@router.post("/people/{name}/password")
def reset(request: Request, name: Name, body: Reset, site: TheSite, _: Engineer) -> AccountFacts:
    """Give somebody a new password, to be changed when signing in; their sessions end."""
    return _account(
        keeping.set_password(
            site.tools.people, by(request), name, body.password, own=False, why=body.why
        )
    )


@router.get("/tokens")
def tokens(site: TheSite, _: Engineer) -> list[TokenFacts]:
    """List the tokens of scripts, the newest first."""
    return [_token(t) for t in site.tools.people.passes()]


@router.post("/tokens", status_code=201)
def make_token(request: Request, body: NewToken, site: TheSite, _: Engineer) -> MadeToken:
    """Make a token for a script; this answer is the only one that shows it."""
    one, held = keeping.make_pass(
        site.tools.people, by(request), body.name, role=body.role, label=body.label, why=body.why
    )
    return MadeToken(token=held, **_token(one).model_dump())


@router.delete("/tokens/{token_id}")
def revoke(
    request: Request,
    token_id: Annotated[str, Path(pattern="^[0-9a-f]{8}$")],
    site: TheSite,
    _: Engineer,
) -> TokenFacts:
    """Put a token out of use."""
    return _token(keeping.revoke_pass(site.tools.people, by(request), token_id))
