"""See what would be brought in, beside the first rows, before anything is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ovenwright.errors import OvenwrightError, PlanFaults
from ovenwright.storage.readings import AT_THE_DOOR, Bounds, Choices, FileFound, FirstRows, weigh
from ovenwright.storage.readings.reading import read_file_shown
from ovenwright.workflow.bringing_in import Brought, bring_in


@dataclass(frozen=True, slots=True)
class Previewed:
    """What was concluded so far.

    ``brought`` is None when nothing could be concluded; ``trouble`` then says why. It may also tell
    that the plan and the file do not fit while the file itself was understood.
    """

    rows: tuple[FirstRows, ...]
    brought: Brought | None
    trouble: OvenwrightError | None


def preview(
    files: Sequence[Path],
    choices: Choices,
    *,
    plan_file: Path | None = None,
    usual_zone: str = "",
    rows: int = 12,
    bounds: Bounds = AT_THE_DOOR,
) -> Previewed:
    """Conclude from files without keeping anything; whatever is wrong is told, not raised.

    Parameters
    ----------
    files : at least one, none of which is trusted
    choices : what a person decided so far
    plan_file : the plan whose channels are matched
    usual_zone : as for :func:`ovenwright.workflow.bringing_in.bring_in`
    rows : how many first rows of each file are shown
    bounds : what a file may be at most
    """
    shown: dict[Path, FirstRows] = {}

    def read(path: Path, how: Choices) -> FileFound:
        return read_file_shown(path, how, lambda top: shown.__setitem__(path, top), rows=rows)

    def conclude(plan: Path | None) -> Brought:
        return bring_in(
            files, choices, logbook=None, plan_file=plan, usual_zone=usual_zone, reader=read
        )

    brought: Brought | None = None
    trouble: OvenwrightError | None = None
    try:
        for path in files:
            weigh(path, bounds)
        brought = conclude(plan_file)
    except OvenwrightError as first:
        trouble = first
        if plan_file is not None:
            try:
                brought = conclude(None)
            except OvenwrightError as second:
                trouble = second if not isinstance(first, PlanFaults) else first
    return Previewed(tuple(shown[p] for p in files if p in shown), brought, trouble)
