"""Signatures under results, and whether each still holds."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request

from ovenwright.domain.people import LONGEST_PASSWORD, Meaning
from ovenwright.errors import UsageError
from ovenwright.web.answers import TROUBLES
from ovenwright.web.door import Operator, Viewer, by, who_is
from ovenwright.web.entering import refused
from ovenwright.web.moments import utc_text
from ovenwright.web.refs import run_ref
from ovenwright.web.site import Site, TheSite, site_of
from ovenwright.workflow.signing import Proofs, Refused, Signed, sign, signatures_of

router = APIRouter(prefix="/api", tags=["signatures"], responses=TROUBLES)

RunId = Annotated[str, Path(max_length=140)]


class SignatureFacts(BaseModel):
    """One signature: who, what it means, what it is under, and what no longer holds of that."""

    number: int
    time: str
    name: str
    full_name: str
    role: str
    meaning: str
    why: str
    run: str
    run_digest: str
    judgement: str
    judgement_sha256: str
    verdict: str
    holds: bool
    broken: str


class ToSign(BaseModel):
    """A signature to be given: what it means, and the signer's password once more.

    ``judgement`` is the name of the judgement's record; left out, the last one is signed.
    """

    model_config = ConfigDict(extra="forbid")

    meaning: Meaning
    password: Annotated[str, Field(max_length=LONGEST_PASSWORD)]
    why: Annotated[str, Field(max_length=500)] = ""
    judgement: Annotated[str, Field(max_length=60)] = ""


def proofs_of(request: Request) -> Proofs:
    """Return what remembers which files were proved already."""
    found: Proofs = request.app.state.proofs
    return found


def signed_here(request: Request, run_id: str = "") -> tuple[Signed, ...]:
    """Return the signatures under one run, or all, with whether each still holds."""
    tools = site_of(request).tools
    return signatures_of(tools.people, tools.logbook, run_id, proofs=proofs_of(request))


def give(
    request: Request,
    site: Site,
    run_id: str,
    *,
    meaning: Meaning,
    password: str,
    why: str = "",
    judgement: str = "",
) -> Signed:
    """Sign for whoever asks.

    Raises
    ------
    HTTPException : 403 if the password is wrong, 429 if too many attempts failed lately
    UsageError, UnknownName, StorageTrouble : as :func:`workflow.signing.sign`
    """
    if not who_is(request).signed_in:
        raise UsageError(
            "only somebody with an account can sign",
            remedy="make accounts first, under People and records",
        )
    tools = site.tools
    one = sign(
        tools.people,
        tools.logbook,
        by(request),
        run_ref(run_id, tools.logbook),
        password=password,
        meaning=meaning,
        why=why,
        judgement=judgement,
    )
    if isinstance(one, Refused):
        raise refused(one.wait_s, status=403)
    return proofs_of(request).check(one)


@router.get("/signatures")
def signatures(request: Request, _: Viewer) -> list[SignatureFacts]:
    """List all signatures, the newest first."""
    return [_facts(s) for s in signed_here(request)]


@router.get("/runs/{run_id}/signatures")
def under_run(request: Request, run_id: RunId, site: TheSite, _: Viewer) -> list[SignatureFacts]:
    """List the signatures under the judgements of one run, the newest first."""
    return [_facts(s) for s in signed_here(request, run_ref(run_id, site.tools.logbook))]


@router.post("/runs/{run_id}/signatures", status_code=201)
def add(
    request: Request, run_id: RunId, body: ToSign, site: TheSite, _: Operator
) -> SignatureFacts:
    """Sign a judgement of a run; the password is asked for each time."""
    return _facts(
        give(
            request,
            site,
            run_id,
            meaning=body.meaning,
            password=body.password,
            why=body.why,
            judgement=body.judgement,
        )
    )


def _facts(signed: Signed) -> SignatureFacts:
    one = signed.signature
    return SignatureFacts(
        number=one.number,
        time=utc_text(one.at_ns),
        name=one.name,
        full_name=one.full_name,
        role=one.role,
        meaning=one.meaning,
        why=one.why,
        run=one.run_id,
        run_digest=one.run_digest,
        judgement=one.judgement,
        judgement_sha256=one.judgement_sha256,
        verdict=one.verdict,
        holds=not signed.broken,
        broken=signed.broken,
    )
