"""Sign a judgement of a run, and tell whether what was signed is still what it was."""

from __future__ import annotations

import hashlib
import json
import time
from dataclasses import dataclass

from ovenwright.catalogue.people import People
from ovenwright.domain.people import Meaning, Role, Signature
from ovenwright.errors import OvenwrightError, UnknownName, UsageError
from ovenwright.reporting.signed_facts import SignedLine
from ovenwright.storage.durable import trouble_from
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.sealed import SUFFIX, verify_run
from ovenwright.workflow.people import By, attempt


@dataclass(frozen=True, slots=True)
class Record:
    """One judgement as it lies in the logbook; ``name`` is that of its file without its ending."""

    name: str
    sha256: str
    judged: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature, and what does not hold any more of what it signs; nothing where all does."""

    signature: Signature
    broken: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why nothing was signed: the password is wrong, or it is too early for another attempt."""

    wait_s: float = 0.0


def records(logbook: Logbook, run_id: str) -> tuple[Record, ...]:
    """Return the judgements of a run as they lie in the logbook, oldest first.

    Raises
    ------
    StorageTrouble : if one can't be read
    """
    logbook.judgements(run_id)  # refuses what was altered, before anybody signs it
    folder = logbook.judgements_dir / run_id
    found = []
    for path in sorted(p for p in folder.glob("*.json") if not p.name.startswith(".")):
        try:
            content = path.read_bytes()
        except OSError as cause:
            raise trouble_from(cause, path) from cause
        facts = json.loads(content)
        found.append(
            Record(
                path.stem,
                hashlib.sha256(content).hexdigest(),
                str(facts.get("judged", "")),
                str(facts.get("judgement", {}).get("verdict", "")),
            )
        )
    return tuple(found)


def sign(
    people: People,
    logbook: Logbook,
    by: By,
    run_id: str,
    *,
    password: str,
    meaning: Meaning,
    why: str = "",
    judgement: str = "",
) -> Signature | Refused:
    """Sign one judgement of a run; the signer's password is asked for each time.

    Parameters
    ----------
    run_id : the run's whole id
    judgement : name of the judgement's record; left out, the last one

    Raises
    ------
    UsageError : if the run was not judged, or the signer's role may not say this
    UnknownName : if there is no such run, judgement or account
    StorageTrouble : if run or judgement are not what was sealed
    """
    if by.role < meaning.needs:
        raise UsageError(
            f"{meaning.value!r} needs the role {meaning.needs.title}",
            where="meaning",
            remedy="ask somebody with that role to sign",
        )
    checked = logbook.verify(run_id).facts
    found = records(logbook, run_id)
    if not found:
        raise UsageError(
            "this run was not judged, so there is no result to sign",
            where=run_id,
            remedy="judge it first",
        )
    chosen = found[-1]
    if judgement:
        named = {r.name: r for r in found}
        if judgement not in named:
            raise UnknownName("judgement", judgement, known=list(named))
        chosen = named[judgement]
    came = attempt(people, by.name, password, place=by.place)
    if came.account is None:
        return Refused(came.wait_s)
    return people.sign(
        Signature(
            number=0,
            at_ns=time.time_ns(),
            name=came.account.name,
            full_name=came.account.full_name,
            role=Role(min(by.role, came.account.role)).title,
            meaning=meaning.value,
            why=" ".join(why.split())[:500],
            run_id=run_id,
            run_digest=checked.digest,
            judgement=chosen.name,
            judgement_sha256=chosen.sha256,
            verdict=chosen.verdict,
        ),
        what=f"signed a result as {meaning.value}",
        subject=run_id,
    )


class Proofs:
    """Tells whether signed things are what they were; a file is read again only when it changed."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._digests: dict[str, tuple[tuple[int, int], str]] = {}

    def check(self, signature: Signature) -> Signed:
        """Return a signature with what broke it, if anything did."""
        try:
            digest = self._digest(signature.run_id)
        except (OvenwrightError, OSError) as trouble:
            words = trouble.what if isinstance(trouble, OvenwrightError) else "it can't be read"
            return Signed(signature, f"the run is not what was signed: {words}")
        if digest != signature.run_digest:
            return Signed(signature, "the run is not the one that was signed: its digest differs")
        path = self._logbook.judgements_dir / signature.run_id / f"{signature.judgement}.json"
        try:
            content = path.read_bytes()
        except OSError:
            return Signed(signature, "the judgement that was signed can't be found")
        if hashlib.sha256(content).hexdigest() != signature.judgement_sha256:
            return Signed(signature, "the judgement was changed after it was signed")
        return Signed(signature)

    def _digest(self, run_id: str) -> str:
        path = self._logbook.runs_dir / f"{run_id}{SUFFIX}"
        stat = path.stat()
        now = (stat.st_mtime_ns, stat.st_size)
        kept = self._digests.get(run_id)
        if kept is None or kept[0] != now:
            kept = (now, verify_run(path).facts.digest)
            self._digests[run_id] = kept
        return kept[1]


def signatures_of(
    people: People, logbook: Logbook, run_id: str = "", *, proofs: Proofs | None = None
) -> tuple[Signed, ...]:
    """Return the signatures under one run, or all, with whether each still holds.

    Raises
    ------
    StorageTrouble : if the record of people can't be read
    """
    proofs = proofs or Proofs(logbook)
    return tuple(proofs.check(s) for s in people.signatures(run_id))


def lines_for_report(
    people: People,
    logbook: Logbook,
    run_id: str,
    *,
    plan_toml: str,
    proofs: Proofs | None = None,
) -> tuple[SignedLine, ...]:
    """Return the signatures under a run as a report under a plan shows them.

    Parameters
    ----------
    plan_toml : the plan the report tells the result under; what was signed under another says so

    Raises
    ------
    StorageTrouble : if the record of people can't be read
    """
    told = f"{hashlib.sha256(plan_toml.encode()).hexdigest()[:16]}.toml"
    return tuple(
        SignedLine(s.signature, s.broken, here=_plan_signed(logbook, s.signature) in {"", told})
        for s in signatures_of(people, logbook, run_id, proofs=proofs)
    )


def _plan_signed(logbook: Logbook, signature: Signature) -> str:
    """Return the name of the plan a signed judgement was made under, "" where it can't be told."""
    path = logbook.judgements_dir / signature.run_id / f"{signature.judgement}.json"
    try:
        facts = json.loads(path.read_bytes())
    except (OSError, ValueError):  # the signature shows as broken then
        return ""
    return str(facts.get("plan", "")) if isinstance(facts, dict) else ""
