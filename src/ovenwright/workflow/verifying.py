"""Prove that what the logbook keeps is what was kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from ovenwright.errors import StorageTrouble
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.sealed import verify_run


@dataclass(frozen=True, slots=True)
class Verified:
    """What verifying one run found; ``trouble`` is empty where it is intact."""

    ref: str
    path: str = ""
    run_id: str = ""
    digest: str = ""
    sealed_ns: int = 0
    software: str = ""
    samples: int = 0
    judgements: int = 0
    originals: int = 0
    trouble: str = ""
    remarks: tuple[str, ...] = field(default=())

    @property
    def intact(self) -> bool:
        """Whether everything is as it was sealed."""
        return not self.trouble


def verify_runs(
    logbook: Logbook, refs: Sequence[str], *, content_only: bool = False
) -> tuple[Verified, ...]:
    """Prove runs unaltered, with their judgements and originals; all of the logbook's for none.

    Raises
    ------
    UnknownName, UsageError : if a reference fits no run or several
    """
    wanted = list(refs) or list(logbook.run_ids())
    return tuple(_verified(logbook, ref, content_only=content_only) for ref in wanted)


def _verified(logbook: Logbook, ref: str, *, content_only: bool) -> Verified:
    path = logbook.path_of(ref)
    try:
        facts = verify_run(path, content_only=content_only).facts
    except StorageTrouble as trouble:
        return Verified(ref, str(path), run_id=path.stem, trouble=str(trouble))
    found = Verified(
        ref,
        str(path),
        run_id=facts.id,
        digest=facts.digest,
        sealed_ns=facts.sealed_ns,
        software=facts.software,
        samples=facts.samples,
    )
    if path.parent != logbook.runs_dir:
        return found
    try:
        judgements = logbook.judgements(facts.id)
    except StorageTrouble as trouble:
        return replace(found, trouble=str(trouble))
    kept, missing = 0, []
    tool = facts.instrument
    for name, sha256 in zip(tool.origin, tool.origin_sha256, strict=False):
        if not logbook.original(sha256, name).is_file():
            missing.append(f"the original file {name} is not in the logbook")
            continue
        try:
            logbook.check_original(sha256, name)
        except StorageTrouble as trouble:
            return replace(found, trouble=str(trouble))
        kept += 1
    cited = [j for j in judgements if j.get("run_digest") != facts.digest]
    if cited:
        missing.append(f"{len(cited)} judgement(s) cite another digest than this run's")
    return replace(found, judgements=len(judgements), originals=kept, remarks=tuple(missing))
