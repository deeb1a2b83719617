"""People: accounts and roles, the trail of what they changed, the signatures they gave.

Nothing here knows a clock or a database: times come in as nanoseconds since 1970 UTC.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

NAME = re.compile(r"[a-z0-9][a-z0-9._-]{1,39}")
"""What a person signs in with; never given to anybody else later."""
SHORTEST_PASSWORD = 12
LONGEST_PASSWORD = 256
_DIFFERENT = 5


class Role(IntEnum):
    """What a person may do; each role may do what those below it may."""

    NOBODY = 0
    VIEWER = 1
    OPERATOR = 2
    ENGINEER = 3

    @property
    def title(self) -> str:
        """The role's name as people read it."""
        return self.name.lower()

    @classmethod
    def titled(cls, title: str) -> Role:
        """Return the role of that title; ``ValueError`` if a person can't have it."""
        found = {r.title: r for r in cls if r is not cls.NOBODY}.get(title)
        if found is None:
            raise ValueError(f"{title!r} is no role")
        return found


class Meaning(StrEnum):
    """What a signature says.

    Source: 21 CFR 11.50 (a)(3) asks that a signature carries its meaning, such as review,
    approval, responsibility or authorship.
    """

    CARRIED_OUT = "carried out"
    REVIEWED = "reviewed"
    APPROVED = "approved"
    DECLINED = "declined"

    @property
    def needs(self) -> Role:
        """The role that may say so."""
        return Role.ENGINEER if self in {Meaning.APPROVED, Meaning.DECLINED} else Role.OPERATOR


@dataclass(frozen=True, slots=True)
class Account:
    """One person who may sign in. ``secret`` is the hash of the password, never the password."""

    name: str
    full_name: str
    role: Role
    enabled: bool
    created_ns: int
    secret: str = ""
    must_change: bool = False


@dataclass(frozen=True, slots=True)
class Session:
    """One browser that somebody signed in with; ``key`` is the hash of what its cookie holds."""

    key: str
    name: str
    created_ns: int
    seen_ns: int


@dataclass(frozen=True, slots=True)
class Pass:
    """A bearer token of a script; ``key`` is the hash of the token."""

    id: str
    key: str
    name: str
    role: Role
    label: str
    created_ns: int
    used_ns: int = 0
    revoked: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """One line of the audit trail: who changed what, when, why, and from where.

    ``previous`` is the hash of the line before it; that way no line can be taken out, put in or
    altered without every later hash telling.
    """

    number: int
    at_ns: int
    who: str
    role: str
    what: str
    subject: str
    why: str
    place: str
    previous: str = ""
    hash: str = ""


@dataclass(frozen=True, slots=True)
class Signature:
    """A signature under one judgement of one run, by whoever entered the password again."""

    number: int
    at_ns: int
    name: str
    full_name: str
    role: str
    meaning: str
    why: str
    run_id: str
    run_digest: str
    judgement: str  # name of the judgement's record
    judgement_sha256: str  # over the bytes of that record
    verdict: str
    hash: str = ""


@dataclass(frozen=True, slots=True)
class TrailState:
    """What proving the trail found; ``broken_at`` is the first line that does not fit, or 0."""

    lines: int
    head: str
    broken_at: int = 0
    trouble: str = ""

    @property
    def intact(self) -> bool:
        """Whether every line is as it was written."""
        return not self.trouble


def _digest(words: Sequence[str]) -> str:
    # each field carries its length, so that no two lists of fields read alike
    found = hashlib.sha256()
    for word in words:
        content = word.encode("utf-8", "surrogatepass")
        found.update(b"%d:" % len(content) + content)
    return found.hexdigest()


def change_hash(change: Change) -> str:
    """SHA-256 over all fields of a line of the trail but the hash itself, as 64 hex digits."""
    return _digest(
        (
            str(change.number),
            str(change.at_ns),
            change.who,
            change.role,
            change.what,
            change.subject,
            change.why,
            change.place,
            change.previous,
        )
    )


def signature_hash(signature: Signature) -> str:
    """SHA-256 over all fields of a signature but the hash itself, as 64 hex digits."""
    return _digest(
        (
            str(signature.number),
            str(signature.at_ns),
            signature.name,
            signature.full_name,
            signature.role,
            signature.meaning,
            signature.why,
            signature.run_id,
            signature.run_digest,
            signature.judgement,
            signature.judgement_sha256,
            signature.verdict,
        )
    )


def check_trail(changes: Iterable[Change]) -> TrailState:
    """Prove that a trail is as it was written, from its first line to its last.

    Lines cut off at the end leave no trace in what remains: keep the head's hash elsewhere, such
    as on a printed page, to prove that too.

    Parameters
    ----------
    changes : all lines, in the order of their numbers
    """
    head, count = "", 0
    for count, change in enumerate(changes, start=1):
        if change.number != count:
            return TrailState(count - 1, head, count, f"line {count} is missing")
        if change.previous != head:
            return TrailState(
                count - 1, head, count, f"line {count} does not follow the one before"
            )
        if change_hash(change) != change.hash:
            return TrailState(count - 1, head, count, f"line {count} was altered")
        head = change.hash
    return TrailState(count, head)


def wait_after(failures: int, *, free: int, longest_s: float) -> float:
    """Seconds to wait after so many failed attempts in a row: none at first, then doubling.

    Parameters
    ----------
    failures : failed attempts in a row
    free : how many of them cost nothing
    longest_s : the wait never grows beyond this
    """
    over = failures - free - 1
    return 0.0 if over < 0 else min(float(2 ** min(over, 30)), longest_s)


def plain_password(text: str) -> str:
    """Return a password as it is hashed: the same keys give the same bytes on every keyboard.

    Source: NIST SP 800-63B, section on memorised secrets (normalise Unicode before hashing).
    """
    return unicodedata.normalize("NFKC", text)


def password_fault(text: str, name: str) -> str:
    """Return what is wrong with a new password, or nothing.

    Length counts, kinds of characters do not. Source: NIST SP 800-63B (no composition rules,
    nothing made of the service's or the user's name).
    """
    plain = plain_password(text)
    if len(plain) < SHORTEST_PASSWORD:
        return f"a password has at least {SHORTEST_PASSWORD} characters; several words do well"
    if len(plain) > LONGEST_PASSWORD:
        return f"a password has at most {LONGEST_PASSWORD} characters"
    if len(set(plain.casefold())) < _DIFFERENT:
        return f"a password has at least {_DIFFERENT} different characters"
    folded = plain.casefold()
    if name.casefold() in folded or "ovenwright" in folded:
        return "a password does not hold the person's name or this program's"
    return ""
