"""Lines of text to readings and notices, as a plan's mapping says."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ovenwright.domain.live import Notice, NoticeKind, Reading
from ovenwright.domain.run import NS, Quality
from ovenwright.domain.sources.lines import FIELDS, TextMapping
from ovenwright.errors import UsageError
from ovenwright.physics.units import to_celsius
from ovenwright.wire.counting import CountWatch
from ovenwright.wire.line_patterns import line_pattern
from ovenwright.wire.reading_words import decode_count, decode_number, decode_time, decode_unit
from ovenwright.wire.time_patterns import decode_patterned_time, zone_of

_OPEN_WORDS = frozenset({"oc", "o/c", "burnout", "----.-", "ovl", "ovr", "ovf", "+ovf", "inf"})
_MISSING_WORDS = frozenset({"err", "error", "fault", "fail", "*", "****", "?", "---.-", "#n/a"})
_USUAL_MARKS = dict.fromkeys(_OPEN_WORDS, Quality.OVERFLOW) | dict.fromkeys(
    _MISSING_WORDS, Quality.MISSING
)
_TOLD_EVERY_NS = 60 * NS


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one line said."""

    readings: tuple[Reading, ...] = ()
    notices: tuple[Notice, ...] = ()


@dataclass(slots=True)
class _Line:
    """What holds for every reading of one line."""

    time: str | None = None
    module: str = ""
    reference: str | None = None
    fields: dict[str, str] = field(default_factory=dict)


class TextReader:
    """Reads one instrument's lines; remembers headings, counts and what was told already.

    Parameters
    ----------
    mapping : how readings stand in a line
    channels : from the instrument's key to the plan's channel name

    Raises
    ------
    UsageError : if the mapping can't be used; the same faults as ``mapping.faults()``
    """

    def __init__(self, mapping: TextMapping, channels: Mapping[str, str]) -> None:
        faults = mapping.faults()
        if faults:
            path, what, remedy = faults[0]
            raise UsageError(what, where=".".join(str(p) for p in path), remedy=remedy)
        self.mapping = mapping
        self.channels = dict(channels)
        self._item = line_pattern(mapping.item, decimal=mapping.decimal) if mapping.item else None
        self._words = _USUAL_MARKS | {w.strip().casefold(): b for w, b in _marks(mapping)}
        self._numbers = {n: b for w, b in _marks(mapping) if (n := _as_number(w)) is not None}
        self._line = line_pattern(mapping.line, decimal=mapping.decimal) if mapping.line else None
        self._columns: tuple[str, ...] | None = mapping.columns or None
        self._separator = mapping.separator
        self._watches: dict[str, CountWatch] = {}
        self._lost_before: dict[str, int] = {}
        self._told: dict[tuple[NoticeKind, str], tuple[float, int]] = {}
        self._elapsed_from: tuple[int, float] | None = None
        self._zone = zone_of(mapping.time_zone) if "%" in mapping.time_form else None

    @property
    def awaits_headings(self) -> bool:
        """Whether a line of headings is still to come."""
        return self._item is None and self._columns is None

    def begin_anew(self) -> None:
        """Forget the headings: the text begins again."""
        if self.mapping.header:
            self._columns = None
            self._separator = self.mapping.separator
        self._elapsed_from = None

    def decode(self, line: str, *, received_ns: int, late: bool = False) -> Decoded:
        """Return what a line says.

        Parameters
        ----------
        line : one line without its end
        received_ns : when it came, UTC
        late : whether it comes from the instrument's own store

        Returns
        -------
        readings in the order of the line, and notices: what can't be decoded is a REFUSED notice
        """
        mapping = self.mapping
        text = line.strip("\r\n\0").lstrip("\ufeff")
        if not text.strip() or (mapping.comment and text.lstrip().startswith(mapping.comment)):
            return Decoded()
        if len(text) > mapping.longest_line:
            return self._refused(f"a line of {len(text)} letters", received_ns)
        if self._item is not None:
            return self._by_pattern(text, received_ns, late=late)
        return self._by_columns(text, received_ns, late=late)

    # patterns -----------------------------------------------------------------------------

    def _by_pattern(self, text: str, received_ns: int, *, late: bool) -> Decoded:
        assert self._item is not None  # noqa: S101
        head = _Line(module=self.mapping.module)
        start = 0
        if self._line is not None:
            found = self._line.match(text)
            if found is None:
                return self._refused(f"a line that does not fit: {_shown(text)}", received_ns)
            head.fields = {k: v for k, v in found.groupdict().items() if v is not None}
            start = found.end()
        items: list[dict[str, str]] = []
        for match in self._item.finditer(text, start):
            parts = {k: v for k, v in match.groupdict().items() if v is not None}
            if match.group() and (parts.get("value", "").strip() or "channel" in parts):
                items.append(parts)
        if not items and not head.fields:
            return self._refused(f"no reading in: {_shown(text)}", received_ns)
        shared = dict(head.fields)
        if len(items) == 1:
            shared = {k: v for k, v in items[0].items() if k not in {"channel", "value", "unit"}} | shared  # fmt: skip
        single = "channel" not in self._item.groupindex and "channel" not in shared
        found_values = [
            (
                item.get("channel", shared.get("channel", str(i + 1) if single else "")),
                item.get("value", ""),
                item.get("unit", shared.get("unit", "")),
                item.get("reference", shared.get("reference")),
            )
            for i, item in enumerate(items)
        ]
        return self._gather(found_values, shared, received_ns, late=late)

    # columns ------------------------------------------------------------------------------

    def _by_columns(self, text: str, received_ns: int, *, late: bool) -> Decoded:
        if self._columns is None:
            return self._headings(text, received_ns)
        cells = self.cells(text)
        if len(cells) < len(self._columns) or len(cells) > len(self._columns) + 1:
            if tuple(_folded(c) for c in cells) == self._columns:
                return Decoded()
            return self._refused(
                f"{len(cells)} cells where {len(self._columns)} are expected: {_shown(text)}",
                received_ns,
            )
        if self.mapping.header and tuple(_folded(c) for c in cells) == self._columns:
            return Decoded()  # the headings once more, as some programs write at each start
        shared: dict[str, str] = {}
        found: list[tuple[str, str, str, str | None]] = []
        for column, cell in zip(self._columns, cells, strict=False):
            if column in FIELDS:
                shared[column] = cell
            elif column:
                found.append((column, cell, "", None))
        values = [(c, v, u, shared.get("reference")) for c, v, u, _ in found]
        return self._gather(values, shared, received_ns, late=late)

    def _headings(self, text: str, received_ns: int) -> Decoded:
        """Take a line as the headings where it names a channel of the plan."""
        cells = tuple(_folded(c) for c in self.cells(text))
        module = self.mapping.module
        if any(c in self.channels or f"{module}/{c}" in self.channels for c in cells):
            self._columns = cells
            return Decoded()
        self._separator = self.mapping.separator
        return self._refused(f"no heading of the plan's channels in: {_shown(text)}", received_ns)

    def cells(self, text: str) -> list[str]:
        """Return the cells of a line, without white space and quotes around them."""
        if not self._separator:
            self._separator = _separator_of(text, self.mapping.decimal)
        cells = text.split() if self._separator == " " else text.split(self._separator)
        return [c.strip().strip('"').strip() for c in cells]

    # readings -----------------------------------------------------------------------------

    def _gather(
        self,
        found: Sequence[tuple[str, str, str, str | None]],
        shared: Mapping[str, str],
        received_ns: int,
        *,
        late: bool,
    ) -> Decoded:
        notices: list[Notice] = []
        module = shared.get("module", "").strip() or self.mapping.module
        time_ns, quality = received_ns, Quality.GOOD
        if shared.get("time"):
            stamped = self._time_of(shared["time"], received_ns)
            if stamped is None:
                return self._refused(f"a time that can't be read: {_shown(shared['time'])}", received_ns)  # fmt: skip
            time_ns, doubtful = stamped
            if doubtful:
                quality |= Quality.RESTAMPED
            if not late:
                self._tell_clock(notices, module, (time_ns - received_ns) / NS, received_ns)
        sequence = decode_count(shared["sequence"]) if shared.get("sequence") else None
        if sequence is not None:
            self._tell_count(notices, module, sequence, received_ns)
        self._tell_health(notices, module, shared, received_ns)
        readings: list[Reading] = []
        for key, value_text, unit_text, reference_text in found:
            number = self._number(value_text)
            unit = decode_unit(unit_text) if unit_text.strip() else self.mapping.unit
            if number is None or unit is None:
                notices += self._refused(f"no reading in: {_shown(f'{key} {value_text}{unit_text}')}", received_ns, module).notices  # fmt: skip
                continue
            value, bits = number
            full = f"{module}/{key}" if module else key
            name = self.channels.get(full, self.channels.get(key) if not module or module == self.mapping.module else None)  # fmt: skip
            readings.append(
                Reading(
                    channel=name if name is not None else full,
                    time_ns=time_ns,
                    received_ns=received_ns,
                    value=value,
                    unit=unit,
                    quality=quality | bits,
                    reference_c=self._reference(reference_text),
                    module=module,
                    sequence=sequence,
                    late=late,
                    known=name is not None,
                )
            )
        return Decoded(tuple(readings), tuple(notices))

    def _number(self, text: str) -> tuple[float, Quality] | None:
        word = text.strip().strip('"').strip()
        folded = word.casefold()
        if (bit := self._words.get(folded)) is not None:
            return math.nan, bit
        if self.mapping.decimal == "," and word.count(",") == 1 and "." not in word:
            word = word.replace(",", ".")
        number = decode_number(word)
        if number is not None and (bit := self._numbers.get(number[0])) is not None:
            return math.nan, bit
        return number

    def _reference(self, text: str | None) -> float:
        if text is None:
            return math.nan
        number = self._number(text)
        if number is None or not math.isfinite(number[0]):
            return math.nan
        return float(to_celsius(number[0], self.mapping.reference_unit))

    def _time_of(self, text: str, received_ns: int) -> tuple[int, bool] | None:
        form = self.mapping.time_form
        word = text.strip()
        if form == "elapsed":
            return self._elapsed(word, received_ns)
        if "%" in form:
            return decode_patterned_time(word, form, self._zone, received_ns)
        return decode_time(word, form, self.mapping.time_zone)

    def _elapsed(self, word: str, received_ns: int) -> tuple[int, bool] | None:
        number = self._number(word)
        if number is None or not math.isfinite(number[0]) or not 0 <= number[0] <= 1e9:
            return None
        if self._elapsed_from is None or number[0] < self._elapsed_from[1]:
            start_ns = received_ns - round(number[0] * NS)
        else:
            start_ns = self._elapsed_from[0]
        self._elapsed_from = (start_ns, number[0])
        return start_ns + round(number[0] * NS), False

    # notices ------------------------------------------------------------------------------

    def _refused(self, text: str, received_ns: int, module: str = "") -> Decoded:
        if not self._due(NoticeKind.REFUSED, module + text[:12], 0.0, received_ns):
            return Decoded()
        return Decoded(notices=(Notice(NoticeKind.REFUSED, received_ns, text, module),))

    def _due(self, kind: NoticeKind, module: str, value: float, received_ns: int) -> bool:
        """Whether to tell it: when it changed or was not told for a minute."""
        before = self._told.get((kind, module))
        if len(self._told) > 4096:
            self._told.clear()
        if before is not None and before[0] == value and 0 <= received_ns - before[1] < _TOLD_EVERY_NS:  # fmt: skip
            return False
        self._told[(kind, module)] = (value, received_ns)
        return True

    def _tell_clock(
        self, notices: list[Notice], module: str, ahead_s: float, received_ns: int
    ) -> None:
        if self._due(NoticeKind.CLOCK, module, float(round(ahead_s)), received_ns):
            notices.append(
                Notice(NoticeKind.CLOCK, received_ns, "its clock beside ours", module, ahead_s)
            )

    def _tell_count(
        self, notices: list[Notice], module: str, number: int, received_ns: int
    ) -> None:
        if module not in self._watches and len(self._watches) > 4096:
            self._watches.clear()
        watch = self._watches.setdefault(module, CountWatch(self.mapping.sequence_modulus))
        said = watch.note(number)
        if said.anew:
            notices.append(
                Notice(
                    NoticeKind.REBOOTED, received_ns, f"its count began anew at {number}", module
                )
            )
        elif said.lost:
            notices.append(
                Notice(NoticeKind.LOSS, received_ns, f"its count left out {said.lost} before {number}",
                       module, float(said.lost))
            )  # fmt: skip

    def _tell_health(
        self, notices: list[Notice], module: str, shared: Mapping[str, str], received_ns: int
    ) -> None:
        for key, kind in (("battery", NoticeKind.BATTERY), ("signal", NoticeKind.SIGNAL)):
            number = self._number(shared[key]) if shared.get(key) else None
            if number is None or not math.isfinite(number[0]):
                continue
            value = number[0] / self.mapping.battery_full if key == "battery" else number[0]
            if self._due(kind, module, value, received_ns):
                notices.append(
                    Notice(kind, received_ns, f"{key} {shared[key].strip()}", module, value)
                )
        lost = decode_count(shared["lost"]) if shared.get("lost") else None
        if lost is not None:
            before = self._lost_before.get(module, lost)
            if len(self._lost_before) < 4096:
                self._lost_before[module] = lost
            if lost > before:
                notices.append(Notice(NoticeKind.LOSS, received_ns,
                                      "readings the instrument says were lost", module, float(lost - before)))  # fmt: skip


def _separator_of(text: str, decimal: str) -> str:
    for mark in ("\t", ";", ",", "|"):
        if mark in text and mark != decimal:
            return mark
    return " "


def _folded(cell: str) -> str:
    """Return a heading as it is looked up: a field of its own where it is one, else as written."""
    lower = cell.strip().casefold()
    if lower in {"timestamp", "date_time", "datetime", "date time"}:
        return "time"
    return lower if lower in FIELDS else cell.strip()


def _marks(mapping: TextMapping) -> list[tuple[str, Quality]]:
    """Return what the plan says stands for no reading."""
    missing = [(w, Quality.MISSING) for w in mapping.missing]
    return missing + [(w, Quality.OVERFLOW) for w in mapping.overflow]


def _as_number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _shown(text: str) -> str:
    plain = "".join(c if c.isprintable() else "·" for c in text[:60])
    return repr(plain + ("…" if len(text) > 60 else ""))
