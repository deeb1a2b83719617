"""Who may do what in a logbook, and the trail of what was changed."""

from __future__ import annotations

import hashlib
import ipaddress
import secrets
import time
from dataclasses import dataclass

from ovenwright.catalogue.people import People
from ovenwright.domain.people import NAME, Account, Change, Pass, Role, Session, TrailState
from ovenwright.errors import UnknownName, UsageError
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow import passwords

PER_NAME = (4, 300.0)
PER_ADDRESS = (19, 300.0)
"""How many failures in a row are free, and the longest wait after more, seconds."""
_LONGEST_TEXT = 500
_SEEN_EVERY_NS = 60 * 10**9
_HOUR_NS = 3600 * 10**9


@dataclass(frozen=True, slots=True)
class Life:
    """How long a session lasts: without use, and at most."""

    idle_ns: int
    longest_ns: int


LIVES = {
    Role.VIEWER: Life(24 * _HOUR_NS, 30 * 24 * _HOUR_NS),
    Role.OPERATOR: Life(_HOUR_NS, 12 * _HOUR_NS),
    Role.ENGINEER: Life(_HOUR_NS, 12 * _HOUR_NS),
}
"""A wall screen only looks, so it may stay signed in for weeks; who can change things, a shift."""


@dataclass(frozen=True, slots=True)
class By:
    """Who makes a change, and from where."""

    name: str
    role: Role
    place: str = ""


@dataclass(frozen=True, slots=True)
class Attempt:
    """What came of an attempt with a password: an account, or how long to wait, or neither."""

    account: Account | None = None
    wait_s: float = 0.0


def open_people(logbook: Logbook) -> People:
    """Return the people of a logbook; nothing is made before something is kept."""
    return People(f"sqlite:///{logbook.folder / 'people.sqlite'}")


def note(people: People, by: By, what: str, subject: str, *, why: str = "") -> Change:
    """Add a line to the audit trail; long texts are cut."""
    return people.note(
        Change(
            number=0,
            at_ns=time.time_ns(),
            who=by.name,
            role=by.role.title,
            what=_short(what),
            subject=_short(subject),
            why=_short(why),
            place=_short(by.place),
        )
    )


# accounts ---------------------------------------------------------------------------------


def add_account(
    people: People,
    by: By,
    name: str,
    *,
    role: str,
    password: str,
    full_name: str = "",
    own: bool = False,
    why: str = "",
) -> Account:
    """Give somebody an account; the first one must be an engineer's.

    Parameters
    ----------
    own : the password was chosen by the person it belongs to, and so need not be changed

    Raises
    ------
    UsageError : if name, role or password won't do, or the name was ever given
    """
    name = known_form(name)
    wanted = _role(role)
    first = not people.has_accounts()
    if first and wanted is not Role.ENGINEER:
        raise UsageError(
            "the first account is an engineer's, who manages the others",
            where="role",
            remedy="choose the role engineer",
        )
    account = Account(
        name=name,
        full_name=_short(full_name) or name,
        role=wanted,
        enabled=True,
        created_ns=time.time_ns(),
        secret=passwords.hashed(password, name=name),
        must_change=not own,
    )
    people.add_account(account, first=first)
    note(people, by, f"added an account with the role {wanted.title}", name, why=why)
    return account


def change_account(
    people: People,
    by: By,
    name: str,
    *,
    role: str | None = None,
    enabled: bool | None = None,
    full_name: str | None = None,
    why: str = "",
) -> Account:
    """Change what a person may do, or whether at all.

    Raises
    ------
    UnknownName : if there is no such account
    UsageError : if nobody would be left to manage the accounts
    """
    before, after = people.change_account(
        known_form(name),
        role=None if role is None else _role(role),
        enabled=enabled,
        full_name=None if full_name is None else _short(full_name) or name,
    )
    told = [
        f"{title} from {was} to {now}"
        for title, was, now in (
            ("role", before.role.title, after.role.title),
            ("use", _use(before), _use(after)),
            ("full name", before.full_name, after.full_name),
        )
        if was != now
    ]
    if told:
        note(people, by, f"changed an account: {', '.join(told)}", after.name, why=why)
    return after


def set_password(
    people: People, by: By, name: str, password: str, *, own: bool, why: str = ""
) -> Account:
    """Give an account a new password and end its sessions.

    Raises
    ------
    UnknownName : if there is no such account
    UsageError : if the password won't do
    """
    name = known_form(name)
    account = people.account(name)
    if account is None:
        raise UnknownName("account", name)
    if own and passwords.fits(password, account.secret):
        raise UsageError(
            "that is the password already in use", where="password", remedy="choose another"
        )
    secret = passwords.hashed(password, name=name)
    _, after = people.change_account(name, secret=secret, must_change=not own)
    note(people, by, "set a new password", name, why=why)
    return after


def known_form(name: str) -> str:
    """Return a name as accounts keep it.

    Raises
    ------
    UsageError : if nobody could have that name
    """
    plain = name.strip().lower()
    if not NAME.fullmatch(plain):
        raise UsageError(
            f"{name[:60]!r} can't be the name of an account",
            where="name",
            remedy="use 2 to 40 letters a to z, digits, dots and hyphens, a letter or digit first",
        )
    return plain


def _role(title: str) -> Role:
    try:
        return Role.titled(title)
    except ValueError as cause:
        raise UnknownName("role", title, known=("viewer", "operator", "engineer")) from cause


def _use(account: Account) -> str:
    return "in use" if account.enabled else "out of use"


def _short(text: str) -> str:
    plain = " ".join(text.encode("utf-8", "replace").decode("utf-8").replace("\0", " ").split())
    return plain if len(plain) <= _LONGEST_TEXT else plain[: _LONGEST_TEXT - 1] + "…"


# signing in -------------------------------------------------------------------------------


def attempt(people: People, name: str, password: str, *, place: str) -> Attempt:
    """Check a password, unless too many failed lately under this name or from this place.

    A name nobody has costs the same work and gets the same answer as a wrong password.

    Parameters
    ----------
    place : the address the attempt comes from
    """
    plain = name.strip().lower()[:40]
    keys = {f"name {_key(plain)}": PER_NAME, f"place {_neighbours(place)}": PER_ADDRESS}
    wait_s = people.charge(keys, time.time_ns())
    if wait_s > 0:
        return Attempt(wait_s=wait_s)
    account = people.account(plain) if NAME.fullmatch(plain) else None
    usable = account is not None and account.enabled
    right = passwords.fits(password, account.secret if account is not None and usable else "")
    if not right or account is None:
        return Attempt()
    people.forgive(*keys)
    if passwords.is_old(account.secret):
        people.change_account(account.name, secret=passwords.hashed(password, name=account.name))
    return Attempt(account)


def sign_in(people: People, name: str, password: str, *, place: str) -> Attempt:
    """Check a password as :func:`attempt` does, and keep in the trail what came of it.

    A name that nobody has is not repeated there: people type their password in its place by
    mistake. A line is kept all the same, so that the time taken does not tell who has an account.
    """
    came = attempt(people, name, password, place=place)
    if came.account is not None:
        note(
            people, By(came.account.name, came.account.role, place), "signed in", came.account.name
        )
    elif not came.wait_s:
        plain = name.strip().lower()
        known = NAME.fullmatch(plain) is not None and people.account(plain) is not None
        subject = plain if known else "a name nobody has"
        note(people, By("nobody signed in", Role.NOBODY, place), "was refused to sign in", subject)
    return came


def begin_session(people: People, account: Account, *, instead_of: str = "") -> str:
    """Begin a session and return what its cookie holds; only a hash of it is kept.

    Parameters
    ----------
    instead_of : what the cookie held before, whose session ends
    """
    held, now = secrets.token_urlsafe(32), time.time_ns()
    people.add_session(
        Session(_key(held), account.name, now, now),
        instead_of=_key(instead_of) if instead_of else "",
    )
    return held


def account_of_session(people: People, held: str) -> Account | None:
    """Return whose session a cookie stands for; None where it is unknown or its time is over."""
    found = people.session(_key(held))
    if found is None:
        return None
    session, account = found
    now, life = time.time_ns(), LIVES[account.role]
    if now - session.seen_ns > life.idle_ns or now - session.created_ns > life.longest_ns:
        people.end_session(session.key)
        return None
    if now - session.seen_ns > _SEEN_EVERY_NS:
        people.seen(session.key, now)
    return account


def end_session(people: People, held: str) -> None:
    """End the session a cookie stands for."""
    people.end_session(_key(held))


# passes of scripts ------------------------------------------------------------------------


def make_pass(
    people: People, by: By, name: str, *, role: str, label: str, why: str = ""
) -> tuple[Pass, str]:
    """Make a bearer token for a script; the token itself is returned once and never kept.

    It never may do more than its account.

    Raises
    ------
    UnknownName : if there is no such account or role
    """
    name = known_form(name)
    if people.account(name) is None:
        raise UnknownName("account", name)
    held = secrets.token_urlsafe(32)
    one = Pass(
        id=secrets.token_hex(4),
        key=_key(held),
        name=name,
        role=_role(role),
        label=_short(label),
        created_ns=time.time_ns(),
    )
    people.add_pass(one)
    note(
        people,
        by,
        f"made a token with the role {role}",
        f"{name}, token {one.id}",
        why=why or label,
    )
    return one, held


def account_of_pass(people: People, held: str) -> tuple[Account, Role] | None:
    """Return whose token this is and what it may do; None where it is unknown or out of use."""
    found = people.pass_of(_key(held))
    if found is None:
        return None
    one, account = found
    now = time.time_ns()
    if now - one.used_ns > _SEEN_EVERY_NS:
        people.pass_used(one.id, now)
    return account, min(one.role, account.role)


def revoke_pass(people: People, by: By, pass_id: str, *, why: str = "") -> Pass:
    """Put a token out of use.

    Raises
    ------
    UnknownName : if there is none of that id
    """
    one = people.revoke_pass(pass_id)
    note(people, by, "revoked a token", f"{one.name}, token {one.id}", why=why)
    return one


def _neighbours(place: str) -> str:
    """Return what attempts from a place are counted under: whoever has an IPv6 address has many."""
    try:
        address = ipaddress.ip_address(place.partition("%")[0])
    except ValueError:
        return place[:100]
    if address.version == 4 or address.is_loopback:
        return str(address)
    return str(ipaddress.ip_network((address, 64), strict=False))


def _key(held: str) -> str:
    return hashlib.sha256(held.encode("utf-8", "surrogatepass")).hexdigest()


# the command line -------------------------------------------------------------------------


def at_this_machine(user: str) -> By:
    """Return who works on the logbook's files directly: a user of the operating system.

    Whoever may write to the folder may do everything to it; the name is the system's word alone.
    """
    return By(f"{_short(user)[:60] or 'somebody'} at this machine", Role.ENGINEER, "command line")


@dataclass(frozen=True, slots=True)
class Proof:
    """What proving the trail found; ``known_head`` tells whether a hash kept elsewhere is in it."""

    state: TrailState
    known_head: bool = True

    @property
    def intact(self) -> bool:
        """Whether all is as it was written, and nothing is cut off that was there once."""
        return self.state.intact and self.known_head


def prove_trail(people: People, *, head: str = "") -> Proof:
    """Prove the whole trail; with ``head``, the last hash somebody wrote down, its length too."""
    state = people.check_trail()
    wanted = head.strip().lower()
    return Proof(state, not wanted or any(c.hash == wanted for c in people.trail()))
