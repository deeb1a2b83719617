"""Write the reports of a judged run, in the formats asked for."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from ovenwright.errors import StorageTrouble
from ovenwright.reporting.facts import Occasion, tell
from ovenwright.reporting.render import Form, render
from ovenwright.reporting.signed_facts import SignedLine, with_signatures
from ovenwright.reporting.words import Shown
from ovenwright.workflow.judging import Judged

ALL_FORMS = (Form.HTML, Form.PDF, Form.XLSX)


def shown_for(judged: Judged, *, show_unit: str, zone: str) -> Shown:
    """Return how people see it: their own zone, else the plan's site, else the run's."""
    return Shown(
        fahrenheit=show_unit == "F",
        time_zone=zone or judged.plan.site.time_zone or judged.run.time_zone or "UTC",
    )


def write_reports(
    judged: Judged,
    folder: Path,
    *,
    shown: Shown,
    forms: Iterable[Form] = ALL_FORMS,
    signed: Sequence[SignedLine] = (),
) -> tuple[Path, ...]:
    """Write the reports and return their paths; each file is complete or not there at all."""
    document = tell(
        judged.verdict, judged.run, judged.plan, shown, Occasion(made_ns=time.time_ns())
    )
    document = with_signatures(document, signed, shown)
    written = []
    for form in forms:
        path = folder / f"{judged.run.id}.{form.value}"
        write_whole(path, render(form, document, judged.verdict, shown))
        written.append(path)
    return tuple(written)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place and move it there, so that no half file is ever seen."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as cause:
        beside.unlink(missing_ok=True)
        raise StorageTrouble(
            f"the file can't be written: {cause.strerror or cause}",
            where=str(path),
            remedy="free space or choose another folder with -o",
        ) from cause
