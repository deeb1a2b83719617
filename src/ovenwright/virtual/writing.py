"""Write a recording as delimited text, in the many ways instruments and offices do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ovenwright.errors import UnknownName
from ovenwright.virtual.instrument import NO_READING, OVER_RANGE
from ovenwright.virtual.recording import Recording

_UNITS: dict[str, tuple[float, float]] = {
    "°C": (1.0, 0.0),
    "°F": (1.8, 32.0),
    "K": (1.0, 273.15),
}
_UNIT_PLACES = ("header", "row", "none")


@dataclass(frozen=True, slots=True)
class TextStyle:
    """How a table is written.

    ``time`` is one of :data:`TIMES`. ``units`` says where the unit stands: in the header, in a row
    of its own, or nowhere. ``missing`` and ``over_range`` are the instrument's marks. ``decimals``
    None follows each channel's resolution. ``battery`` adds a column that is no temperature,
    ``reference`` one of the reference junction for each module.
    """

    delimiter: str = ","
    decimal: str = "."
    unit: str = "°C"
    units: str = "header"
    time: str = "elapsed seconds"
    banner: tuple[str, ...] = ()
    missing: str = ""
    over_range: str = "OL"
    decimals: int | None = None
    newline: str = "\n"
    encoding: str = "utf-8"
    index: bool = False
    battery: bool = False
    reference: bool = False

    def __post_init__(self) -> None:
        for kind, name, known in (
            ("unit", self.unit, tuple(_UNITS)),
            ("place of the unit", self.units, _UNIT_PLACES),
            ("way of writing time", self.time, tuple(TIMES)),
        ):
            if name not in known:
                raise UnknownName(kind, name, known=known)


def _elapsed_hms(seconds: float, _: datetime, style: TextStyle) -> list[str]:
    whole = round(seconds * 10)
    hours, rest = divmod(whole, 36_000)
    minutes, tenths = divmod(rest, 600)
    text = f"{hours}:{minutes:02d}:{tenths // 10:02d}"
    return [text + (f"{style.decimal}{tenths % 10}" if tenths % 10 else "")]


def _number(value: float, decimals: int, style: TextStyle) -> str:
    return f"{value:.{decimals}f}".replace(".", style.decimal)


# name: headings, then the cells for (elapsed seconds, local time, style)
TIMES: dict[str, tuple[tuple[str, ...], Callable[[float, datetime, TextStyle], list[str]]]] = {
    "elapsed seconds": (("Time (s)",), lambda s, _, st: [_number(s, 1, st)]),
    "elapsed minutes": (("Time (min)",), lambda s, _, st: [_number(s / 60.0, 4, st)]),
    "elapsed h:mm:ss": (("Elapsed",), _elapsed_hms),
    "iso": (("Time",), lambda _, at, __: [at.isoformat(timespec="seconds")]),
    "utc": (
        ("Time (UTC)",),
        lambda _, at, __: [f"{at.astimezone(ZoneInfo('UTC')):%Y-%m-%dT%H:%M:%SZ}"],
    ),
    "local": (("Timestamp",), lambda _, at, __: [f"{at:%Y-%m-%d %H:%M:%S}"]),
    "clock": (("Clock",), lambda _, at, __: [f"{at:%H:%M:%S}"]),
    "day-first date and clock": (
        ("Date", "Time"),
        lambda _, at, __: [f"{at:%d.%m.%Y}", f"{at:%H:%M:%S}"],
    ),
    "month-first with am/pm": (
        ("Date/Time",),
        lambda _, at, __: [f"{at:%m/%d/%Y %I:%M:%S %p}"],
    ),
}

STYLES: dict[str, TextStyle] = {
    "plain comma": TextStyle(),
    "comma iso": TextStyle(time="iso", units="none", missing="NaN"),
    "semicolon plant": TextStyle(
        delimiter=";",
        decimal=",",
        units="row",
        time="day-first date and clock",
        banner=("Ostrel Bakehouse", "Gateway 2, slot A", "Oven 3; belt loaded", ""),
        missing="---",
        over_range="OPEN",
        newline="\r\n",
        encoding="cp1252",
        battery=True,
        reference=True,
    ),
    "tab fahrenheit": TextStyle(
        delimiter="\t",
        unit="°F",
        time="elapsed h:mm:ss",
        missing="9.9E37",
        over_range="9.9E37",
        decimals=1,
        index=True,
        encoding="utf-16",
    ),
    "pipe clock": TextStyle(
        delimiter="|", time="clock", units="none", missing="-9999", over_range="9999"
    ),
    "am pm": TextStyle(time="month-first with am/pm", unit="°F", decimals=2, encoding="utf-8-sig"),
    "semicolon minutes": TextStyle(
        delimiter=";", decimal=",", time="elapsed minutes", encoding="latin-1", decimals=2
    ),
}


def style(name: str) -> TextStyle:
    """Return a ready style.

    Raises
    ------
    UnknownName : if there is none of that name
    """
    if name not in STYLES:
        raise UnknownName("text style", name, known=tuple(STYLES))
    return STYLES[name]


def as_text(recording: Recording, how: TextStyle) -> str:
    """Return the readings of a recording as one delimited text."""
    factor, offset = _UNITS[how.unit]
    headings, cells = TIMES[how.time]
    columns = [*recording.names]
    marked = [f"{n} ({how.unit})" if how.units == "header" else n for n in columns]
    junctions = [f"reference {m}" for m in recording.modules] if how.reference else []
    extra = [f"{j} ({how.unit})" if how.units == "header" else j for j in junctions]
    battery = ["Battery (V)" if how.units == "header" else "Battery"] if how.battery else []
    head = [*(["No."] if how.index else []), *headings, *marked, *extra, *battery]
    lines = [*how.banner, how.delimiter.join(head)]
    if how.units == "row":
        blank = [""] * (len(headings) + how.index)
        units = [how.unit] * (len(columns) + len(junctions))
        lines.append(how.delimiter.join([*blank, *units, *(["V"] if how.battery else [])]))
    decimals = [
        _decimals(c.resolution_k) if how.decimals is None else how.decimals
        for c in recording.channels
    ]
    start = datetime.fromisoformat(recording.scenario.start).astimezone(
        ZoneInfo(recording.scenario.time_zone)
    )
    # wall clocks move by real seconds, so step in UTC and look at the local clock after
    start_utc = start.astimezone(ZoneInfo("UTC"))
    for i, seconds in enumerate(recording.time_s.tolist()):
        at = (start_utc + timedelta(seconds=seconds)).astimezone(start.tzinfo)
        row = [str(i + 1)] if how.index else []
        row += cells(seconds, at, how)
        for j, places in enumerate(decimals):
            mark = int(recording.mark[i, j])
            if mark == NO_READING:
                row.append(how.missing)
            elif mark == OVER_RANGE:
                row.append(how.over_range)
            else:
                value = float(recording.reading_c[i, j]) * factor + offset
                row.append(_number(value, places, how))
        if how.reference:
            row += [_number(float(v) * factor + offset, 2, how) for v in recording.reference_c[i]]
        if how.battery:
            row.append(_number(3.61 - 2e-5 * seconds, 2, how))
        lines.append(how.delimiter.join(row))
    return how.newline.join(lines) + how.newline


def as_bytes(recording: Recording, how: TextStyle) -> bytes:
    """Return the same text in the style's encoding, as a file would hold it."""
    return as_text(recording, how).encode(how.encoding)


def _decimals(resolution_k: float) -> int:
    """Decimals that show a resolution; four where there is none."""
    for places in range(4):
        if (
            resolution_k > 0
            and abs(resolution_k * 10**places - round(resolution_k * 10**places)) < 1e-9
        ):
            return places
    return 4
