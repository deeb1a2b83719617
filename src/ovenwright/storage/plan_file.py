"""Plan files: read with every fault at its line, written back as TOML, described as JSON Schema."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomli_w
from pydantic import ValidationError

from ovenwright.domain.plan import Plan, Requirement
from ovenwright.errors import Fault, PlanFaults, StorageTrouble, UsageError
from ovenwright.storage.plan_checks import cross_faults
from ovenwright.storage.plan_draft import draft_of, plan_of, read_strictly
from ovenwright.storage.plan_faults import model_faults, place_words
from ovenwright.storage.toml_places import key_lines, line_of

RequirementCheck = Callable[[Requirement, Plan], Sequence[Fault]]
"""Finds the faults of one requirement's measure; paths count from the requirement."""

_LIMIT_BYTES = 4_000_000
_MEASURE_KEYS = frozenset({"measure", "parameters", "at_least", "at_most"})


def read_plan(path: Path | str, *, check_requirement: RequirementCheck | None = None) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path : a TOML file, UTF-8
    check_requirement : finds faults in measure names and parameters; left out, these are not
        checked

    Raises
    ------
    PlanFaults : with every fault in the file, each at its line with a remedy
    UsageError : if there is no such file
    StorageTrouble : if the disk won't give it
    """
    path = Path(path)
    return parse_plan(read_plan_text(path), file=str(path), check_requirement=check_requirement)


def parse_plan(
    text: str, *, file: str = "", check_requirement: RequirementCheck | None = None
) -> Plan:
    """Read a plan from TOML text; see :func:`read_plan`."""
    text = text.removeprefix("\ufeff")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as trouble:
        raise PlanFaults([_syntax_fault(str(trouble), text)], file=file) from trouble
    data = _dates_as_text(data)
    faults: list[Fault] = []
    plan: Plan | None = None
    try:
        plan = read_strictly(Plan, data)
    except ValidationError as trouble:
        faults += model_faults(data, trouble.errors(include_url=False))
    draft = draft_of(data)
    faults += cross_faults(draft)
    if check_requirement is not None:
        whole = plan if plan is not None else plan_of(draft)
        if whole is not None:
            known = {f.path for f in faults}
            found = _measure_faults(draft.requirements, whole, check_requirement, plan is None)
            faults += [f for f in found if f.path not in known]
    if plan is None and not faults:
        faults.append(Fault((), "the plan can't be read", "compare it with a fresh preset"))
    if faults or plan is None:
        raise PlanFaults(_located(faults, text, data), file=file)
    return plan


def write_plan(plan: Plan) -> str:
    """Return a plan as TOML text that reads back as the same plan; defaults are left out."""
    facts = plan.model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    return tomli_w.dumps({"format": plan.format} | facts)


def plan_json_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a plan file's content."""
    schema = Plan.model_json_schema(mode="validation")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema"} | schema


def read_plan_text(path: Path) -> str:
    """Return a plan file's text, faults and all; raises as :func:`read_plan` for the file itself."""
    try:
        if path.is_dir():
            raise UsageError(
                "a folder, not a plan file", where=str(path), remedy="name the .toml file in it"
            )
        if not path.exists():
            raise UsageError(
                "there is no such plan file",
                where=str(path),
                remedy="check the name, or write one with: ovenwright plan new",
            )
        if path.stat().st_size > _LIMIT_BYTES:
            raise UsageError(
                f"{path.stat().st_size:,} bytes are no plan",
                where=str(path),
                remedy="readings are brought in with: ovenwright import",
            )
        raw = path.read_bytes()
    except OSError as trouble:
        raise StorageTrouble(
            f"the plan file can't be read ({trouble.strerror or trouble})",
            where=str(path),
            remedy="check the disk and the file's permissions",
        ) from trouble
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        line = raw.count(b"\n", 0, trouble.start) + 1
        wide = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
        fault = Fault(
            (),
            "the file is UTF-16 text" if wide else f"byte {raw[trouble.start]:#04x} is not UTF-8",
            "save it as UTF-8 (in an editor: Save as, encoding UTF-8)",
            line=1 if wide else line,
        )
        raise PlanFaults([fault], file=str(path)) from trouble


def _dates_as_text(value: Any) -> Any:
    """Turn dates, which TOML lets stand without quotes, into the text the plan keeps."""
    if isinstance(value, dict):
        return {k: _dates_as_text(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_dates_as_text(v) for v in value]
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    return value


def _measure_faults(
    requirements: Iterable[tuple[int, Requirement]],
    plan: Plan,
    check: RequirementCheck,
    stand_in: bool,
) -> list[Fault]:
    return [
        replace(fault, path=("requirements", i, *fault.path))
        for i, wish in requirements
        for fault in check(wish, plan)
        # a plan that stands in for a faulty one can answer for the measure, not for channels
        if not stand_in or (fault.path and fault.path[0] in _MEASURE_KEYS)
    ]


def _located(faults: Iterable[Fault], text: str, data: object) -> list[Fault]:
    lines: Mapping[tuple[str | int, ...], int] = key_lines(text)
    found = (
        replace(f, line=f.line or line_of(lines, f.path), place=place_words(f.path, data))
        for f in faults
    )
    return sorted(dict.fromkeys(found), key=lambda f: (f.line, [str(p) for p in f.path]))


_SYNTAX_REMEDIES: tuple[tuple[str, str], ...] = (
    (
        r"overwrite a value|Cannot declare|Cannot mutate|Duplicate|multiple times",
        "a key or table is there twice: keep one, or use [[…]] for lists of tables",
    ),
    (
        r"Invalid value|Expected newline or end of document",
        "texts need quotes, numbers a point (0.5, not 0,5), lists a closing ]",
    ),
    (
        r"initial character for a key",
        "a key or table can't start like that; a table in { } must stay on one line",
    ),
    (r"Unclosed array", "close the list with ]"),
    (r"Unclosed inline table|inline table", "close the table with } on the same line"),
    (r"Unterminated|Illegal character", "close the text with the quote it began with"),
    (r"Expected '=' after a key", "write key = value, one to a line"),
    (r"Unescaped|escape", "write \\\\ for a backslash, or use 'single quotes'"),
)


def _syntax_fault(trouble: str, text: str) -> Fault:
    """Word a syntax error; the standard reader stops at the first, so there is only one."""
    place = re.search(r"\(at line (\d+), column (\d+)\)", trouble)
    line = int(place[1]) if place else max(1, len(text.rstrip().splitlines()))
    what = re.sub(r"\s*\(at [^)]*\)\s*$", "", trouble)
    lines = text.splitlines()
    shown = lines[line - 1].strip() if line <= len(lines) else ""
    shown = f" in: {shown[:50]}" if shown else ""
    remedy = next(
        (words for pattern, words in _SYNTAX_REMEDIES if re.search(pattern, what)),
        "compare the line with a fresh preset: ovenwright plan new",
    )
    return Fault((), f"not valid TOML: {what[:1].lower() + what[1:]}{shown}", remedy, line=line)
