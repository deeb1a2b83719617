"""Read kinetics and time-temperature tables: the package's own, and a file of the user's."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from difflib import get_close_matches
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from ovenwright.domain.kinetics import (
    Basis,
    DValue,
    DwellRow,
    DwellTable,
    Evidence,
    Kinetics,
    Model,
    ReferenceLibrary,
)
from ovenwright.errors import OutOfRange, UsageError

_OWN = ("kinetics.toml", "dwell_tables.toml")
_MINUTE_S = 60.0
E = TypeVar("E", bound=StrEnum)

_KINETICS_KEYS = frozenset(
    {
        "agent", "matrix", "model", "organism", "surrogate", "source", "evidence", "note",
        "caution", "reference_c", "z_k", "z_standard_k", "d_s", "d_min", "delta_s", "delta_min",
        "p", "k0_per_s", "activation_j_mol", "asymptote", "asymptote_unit", "target",
        "target_unit", "target_s", "target_min", "valid_c", "d_values_s", "d_values_min",
    }
)  # fmt: skip
_TABLE_KEYS = frozenset(
    {
        "title", "agent", "log_reduction", "basis", "temperature_unit", "rows", "rows_min",
        "source", "evidence", "organism", "note", "caution",
    }
)  # fmt: skip


def read_reference_library(extra: Path | None = None) -> ReferenceLibrary:
    """Return the package's kinetics and tables, and those of the user's own file.

    Parameters
    ----------
    extra : a TOML file of the same form, with ``[kinetics.NAME]`` and ``[table.NAME]``

    Raises
    ------
    UsageError : if the file can't be read or holds faults; every fault is named with its key. A
        name that the package already uses is a fault: a verdict must not change under its name.
    """
    kinetics: dict[str, Kinetics] = {}
    tables: dict[str, DwellTable] = {}
    data = files("ovenwright").joinpath("data")
    for name in _OWN:
        text = data.joinpath(name).read_text(encoding="utf-8")
        _take(parse_reference_data(text, file=name), kinetics, tables, name)
    if extra is not None:
        try:
            text = extra.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as cause:
            raise UsageError(
                f"the kinetics file can't be read: {cause}",
                where=str(extra),
                remedy="name a UTF-8 TOML file that exists",
            ) from cause
        _take(parse_reference_data(text, file=str(extra)), kinetics, tables, str(extra))
    return ReferenceLibrary(kinetics=kinetics, tables=tables)


def parse_reference_data(text: str, *, file: str = "") -> ReferenceLibrary:
    """Return what one text of TOML holds.

    Raises
    ------
    UsageError : with every fault of the text, each with its key and what would do
    """
    try:
        root = tomllib.loads(text)
    except tomllib.TOMLDecodeError as cause:
        raise UsageError(
            f"this is no TOML: {cause}", where=file, remedy="mend the line named"
        ) from cause
    faults = _Faults()
    for key in root:
        if key not in {"kinetics", "table"}:
            faults.add(key, "is not known here", "use [kinetics.NAME] or [table.NAME]")
    kinetics = _entries(root, "kinetics", _read_kinetics, faults)
    tables = _entries(root, "table", _read_table, faults)
    if faults.lines:
        count = f"{len(faults.lines)} fault" + ("s" if len(faults.lines) != 1 else "")
        raise UsageError(f"{count}:\n  " + "\n  ".join(faults.lines), where=file)
    return ReferenceLibrary(kinetics=kinetics, tables=tables)


def _take(
    found: ReferenceLibrary,
    kinetics: dict[str, Kinetics],
    tables: dict[str, DwellTable],
    file: str,
) -> None:
    taken = [f"kinetics.{k}" for k in found.kinetics if k in kinetics]
    taken += [f"table.{k}" for k in found.tables if k in tables]
    if taken:
        raise UsageError(
            f"{', '.join(taken)}: that name is taken by the package's own data",
            where=file,
            remedy="give yours another name",
        )
    kinetics.update(found.kinetics)
    tables.update(found.tables)


class _Faults:
    """Collects what is wrong, key by key."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, path: str, what: str, remedy: str) -> None:
        self.lines.append(f"{path} {what}; {remedy}")


class _Entry:
    """One table of the file, read key by key; faults are collected, not raised."""

    def __init__(
        self, path: str, raw: Mapping[str, Any], known: frozenset[str], faults: _Faults
    ) -> None:
        self.path = path
        self.raw = raw
        self.faults = faults
        self._at_start = len(faults.lines)
        for key in raw:
            if key not in known:
                near = get_close_matches(key, known, n=1, cutoff=0.6)
                hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(sorted(known))}"
                self.fault(key, "is not known here", hint)

    @property
    def sound(self) -> bool:
        return len(self.faults.lines) == self._at_start

    def fault(self, key: str, what: str, remedy: str) -> None:
        self.faults.add(f"{self.path}.{key}" if key else self.path, what, remedy)

    def text(self, key: str, *, needed: bool = False) -> str:
        value = self.raw.get(key)
        if value is None:
            if needed:
                self.fault(key, "is missing", "add it in quotes")
            return ""
        if not isinstance(value, str) or (needed and not value.strip()):
            self.fault(key, f"is {value!r}", "expected text in quotes")
            return ""
        return value

    def number(self, key: str, factor: float = 1.0) -> float | None:
        value = self.raw.get(key)
        return None if value is None else self._finite(key, value, factor)

    def seconds(self, stem: str) -> float | None:
        """Read ``stem_s`` or ``stem_min``, not both."""
        if f"{stem}_s" in self.raw and f"{stem}_min" in self.raw:
            self.fault(stem, "is given twice", f"keep {stem}_s or {stem}_min")
            return None
        in_seconds = self.number(f"{stem}_s")
        return in_seconds if in_seconds is not None else self.number(f"{stem}_min", _MINUTE_S)

    def flag(self, key: str, *, default: bool = False) -> bool:
        value = self.raw.get(key, default)
        if not isinstance(value, bool):
            self.fault(key, f"is {value!r}", "expected true or false")
            return default
        return value

    def choice(self, key: str, kind: type[E], default: E) -> E:
        value = self.raw.get(key)
        if value is None:
            self.fault(key, "is missing", f"expected one of {', '.join(kind)}")
            return default
        try:
            return kind(value)
        except ValueError:
            self.fault(key, f"is {value!r}", f"expected one of {', '.join(kind)}")
            return default

    def number_rows(
        self, key: str, lengths: Sequence[int], shape: str
    ) -> tuple[tuple[float, ...], ...]:
        """Read a list of short lists of numbers."""
        value = self.raw.get(key, [])
        if not isinstance(value, list):
            self.fault(key, f"is {value!r}", f"expected a list of {shape}")
            return ()
        rows: list[tuple[float, ...]] = []
        for i, row in enumerate(value):
            if not isinstance(row, list) or len(row) not in lengths:
                self.fault(f"{key}[{i}]", f"is {row!r}", f"expected {shape}")
                continue
            cells = [self._finite(f"{key}[{i}]", cell) for cell in row]
            if None not in cells:
                rows.append(tuple(c for c in cells if c is not None))
        return tuple(rows)

    def pair(self, key: str) -> tuple[float, float]:
        """Read two numbers, low and high."""
        value = self.raw.get(key)
        if not isinstance(value, list) or len(value) != 2:
            what = "is missing" if value is None else f"is {value!r}"
            self.fault(key, what, "expected [low, high]")
            return (0.0, 0.0)
        low, high = (self._finite(key, cell) for cell in value)
        return (low or 0.0, high or 0.0)

    def _finite(self, key: str, value: object, factor: float = 1.0) -> float | None:
        # bool is an int to Python, never a number to an author
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            self.fault(key, f"is {value!r}", "expected a finite number")
            return None
        return float(value) * factor


T = TypeVar("T")


def _entries(
    root: Mapping[str, Any],
    section: str,
    read: Callable[[str, str, Mapping[str, Any], _Faults], T | None],
    faults: _Faults,
) -> dict[str, T]:
    group = root.get(section, {})
    if not isinstance(group, dict):
        faults.add(section, f"is {group!r}", f"expected tables such as [{section}.NAME]")
        return {}
    found: dict[str, T] = {}
    for name, raw in group.items():
        path = f"{section}.{name}"
        if not isinstance(raw, dict):
            faults.add(path, f"is {raw!r}", f"expected a table [{path}]")
            continue
        entry = read(name, path, raw, faults)
        if entry is not None:
            found[name] = entry
    return found


def _read_kinetics(
    name: str, path: str, raw: Mapping[str, Any], faults: _Faults
) -> Kinetics | None:
    entry = _Entry(path, raw, _KINETICS_KEYS, faults)
    in_minutes = "d_values_min" in raw
    factor = _MINUTE_S if in_minutes else 1.0
    d_rows = entry.number_rows(
        "d_values_min" if in_minutes else "d_values_s",
        (2, 3),
        "[temperature, D] or [temperature, D, standard deviation]",
    )
    target_time = entry.seconds("target")
    values: dict[str, Any] = {
        "agent": entry.text("agent", needed=True),
        "matrix": entry.text("matrix"),
        "model": entry.choice("model", Model, Model.BIGELOW),
        "source": entry.text("source", needed=True),
        "evidence": entry.choice("evidence", Evidence, Evidence.MEMORY),
        "valid_c": entry.pair("valid_c"),
        "d_s": entry.seconds("d"),
        "reference_c": entry.number("reference_c"),
        "z_k": entry.number("z_k"),
        "z_standard_k": entry.number("z_standard_k"),
        "delta_s": entry.seconds("delta"),
        "p": entry.number("p"),
        "k0_per_s": entry.number("k0_per_s"),
        "activation_j_mol": entry.number("activation_j_mol"),
        "asymptote": entry.number("asymptote"),
        "asymptote_unit": entry.text("asymptote_unit"),
        "target": entry.number("target") if target_time is None else target_time,
        "target_unit": entry.text("target_unit") if target_time is None else "s",
        "organism": entry.flag("organism"),
        "surrogate": entry.flag("surrogate"),
        "d_values": tuple(
            DValue(row[0], row[1] * factor, row[2] * factor if len(row) == 3 else None)
            for row in d_rows
        ),
        "note": entry.text("note"),
        "caution": entry.text("caution"),
    }
    if not entry.sound:
        return None
    try:
        return Kinetics(id=name, **values)
    except OutOfRange as cause:
        entry.fault(cause.name, f"is {cause.got}", f"expected {cause.expected}")
        return None


def _read_table(name: str, path: str, raw: Mapping[str, Any], faults: _Faults) -> DwellTable | None:
    entry = _Entry(path, raw, _TABLE_KEYS, faults)
    unit = entry.text("temperature_unit", needed=True)
    if unit and unit not in {"C", "F"}:
        entry.fault("temperature_unit", f"is {unit!r}", 'expected "C" or "F"')
    if "rows" in raw and "rows_min" in raw:
        entry.fault("rows", "are given twice", "keep rows (seconds) or rows_min (minutes)")
    in_minutes = "rows_min" in raw
    key, factor = ("rows_min", _MINUTE_S) if in_minutes else ("rows", 1.0)
    pairs = entry.number_rows(key, (2,), "[temperature, time]")
    values: dict[str, Any] = {
        "title": entry.text("title", needed=True),
        "log_reduction": entry.number("log_reduction"),
        "rows": tuple(
            DwellRow((temp - 32.0) / 1.8 if unit == "F" else temp, time * factor)
            for temp, time in pairs
        ),
        "source": entry.text("source", needed=True),
        "evidence": entry.choice("evidence", Evidence, Evidence.MEMORY),
        "basis": entry.choice("basis", Basis, Basis.PRODUCT),
        "agent": entry.text("agent"),
        "organism": entry.flag("organism", default=True),
        "note": entry.text("note"),
        "caution": entry.text("caution"),
    }
    if not entry.sound:
        return None
    try:
        return DwellTable(id=name, **values)
    except OutOfRange as cause:
        entry.fault(cause.name, f"is {cause.got}", f"expected {cause.expected}")
        return None
