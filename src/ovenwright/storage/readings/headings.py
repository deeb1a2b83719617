"""What a heading says: name, unit, and whether the column can be a temperature at all."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto

TEMPERATURE_UNITS = ("degC", "degF", "K")

_TEMPERATURE = re.compile(
    # the last few are what is left of a degree sign after a wrong encoding
    r"^(?:(?:deg(?:rees?|s)?|Â°|°|º|˚|grad|\ufffd|ï¿½|\?)[\s._]*(celsius|fahrenheit|kelvin|[cfk])\.?"
    r"|(celsius|fahrenheit|kelvin)|([℃℉])|([cfk]))$",
    re.IGNORECASE,
)
# as an instrument on the bench or a balance prints them; the case matters in a few
_OTHER_UNITS = frozenset(
    [
        "%",
        "%rh",
        "rh%",
        "%r.h.",
        "rf%",
        "v",
        "mv",
        "µv",
        "uv",
        "kv",
        "volt",
        "volts",
        "a",
        "ma",
        "ka",
        "amp",
        "w",
        "kw",
        "mw",
        "kwh",
        "wh",
        "va",
        "ω",
        "ohm",
        "ohms",
        "kω",
        "kohm",
        "mohm",
        "pa",
        "hpa",
        "kpa",
        "mpa",
        "bar",
        "mbar",
        "psi",
        "psig",
        "mmhg",
        "inhg",
        "inh2o",
        "atm",
        "torr",
        "m",
        "mm",
        "cm",
        "km",
        "in",
        "inch",
        "ft",
        "m/s",
        "m/min",
        "ft/min",
        "mm/s",
        "km/h",
        "fpm",
        "hz",
        "khz",
        "rpm",
        "1/min",
        "kg",
        "g",
        "mg",
        "lb",
        "lbs",
        "oz",
        "t",
        "l",
        "ml",
        "l/min",
        "l/h",
        "m3/h",
        "m³/h",
        "m3",
        "m³",
        "kg/h",
        "g/kg",
        "g/m3",
        "g/m³",
        "ppm",
        "ppb",
        "vol%",
        "%vol",
        "lux",
        "lx",
        "db",
        "dbm",
        "j",
        "kj",
        "mj",
        "kj/kg",
        "w/m2",
        "w/m²",
        "w/m2k",
        "n",
        "nm",
        "count",
        "counts",
        "cnt",
        "digits",
        "bool",
        "0/1",
        "on/off",
        "bit",
        "raw",
        "pcs",
        "k/min",
        "k/s",
        "°c/min",
        "°c/s",
        "°f/min",
        "c/min",
        "f/min",
        "%o2",
        "%co2",
        "ph",
    ]
)
_TIME_UNITS = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sek": "s", "sekunden": "s",
    "min": "min", "mins": "min", "minute": "min", "minutes": "min", "minuten": "min",
    "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "std": "h", "stunden": "h",
    "ms": "ms", "msec": "ms", "millisecond": "ms", "milliseconds": "ms", "d": "d", "day": "d",
    "days": "d", "us": "us", "µs": "us", "ns": "ns",
    "h:mm:ss": "h:mm:ss", "hh:mm:ss": "h:mm:ss", "h:m:s": "h:mm:ss", "hms": "h:mm:ss",
    "mm:ss": "mm:ss", "m:ss": "mm:ss", "min:s": "mm:ss", "min:sec": "mm:ss", "m:s": "mm:ss",
    "hh:mm": "h:mm", "h:mm": "h:mm", "h:min": "h:mm", "h:m": "h:mm",
}  # fmt: skip
_TIME_WORDS = re.compile(
    r"(?:^|[\W_\d])(time|times|timestamp|datetime|date|clock|elapsed|duration|seconds?|secs?|"
    r"minutes?|mins?|hours?|zeit|uhrzeit|datum|dauer|zeitstempel|heure|hora|fecha|"
    r"tiempo|tempo|ora|orario|tid|klokkeslett|aika|pvm|kello|czas|godzina|laiks|datums|"
    r"laikas|aeg|ts|utc|epoch|unix)(?:$|[\W_\d])",
    re.IGNORECASE,
)
_TIME_JOINED = re.compile(
    r"^(time|date|zeit|datum|uhr|elapsed)[a-z]*$|(time|zeit|datum|date|stamp)$", re.IGNORECASE
)
_DATE_WORDS = re.compile(r"date|datum|fecha|data$|pvm|tag$|day", re.IGNORECASE)
_ELAPSED_WORDS = re.compile(
    r"elaps|durat|dauer|relat|since|run\s*time|laufzeit|verstr", re.IGNORECASE
)
_CLOCK_WORDS = re.compile(r"clock|uhrzeit|time of day|local|heure|hora|klok|kello", re.IGNORECASE)
_NOT_TEMPERATURE = re.compile(
    r"(?:^|[\W_\d])(rh|r\.h|humidity|humid|hum|feuchte|feuchtigkeit|hygro|moisture|batt|battery|"
    r"batterie|bat|vbat|volt|volts|voltage|spannung|amps?|current|strom|power|watt|energy|"
    r"pressure|druck|press|vacuum|speed|belt|drehzahl|rpm|geschwindigkeit|band|flow|fan|status|"
    r"state|flags?|alarms?|alarme|error code|code|quality|valid|no|nr|num|number|index|idx|id|"
    r"scan|scans|record|rec|row|seq|sequence|sample|samples|cycle|lfd|count|counter|event|events|"
    r"ereignis|comment|comments|note|notes|remark|remarks|bemerkung|operator|batch|lot|charge|"
    r"product|recipe|user|site|unit|units|rssi|snr|signal|marker|door|digital|relay|output|out|"
    r"pwm|duty|weight|mass|gewicht|kg|co2|o2|lux|light|ph|lat|lon|latitude|longitude|altitude|"
    r"delta|diff|difference|dt|slope|rate|resistance|ohm|millivolts?|mv|emf|firmware|serial|"
    r"checksum|crc|f0|fo|pu|lethality|log)(?:$|[\W_\d])|^#$|^%$|^Δ|^f_?0|humidity|feuchte|"
    r"battery|voltage|pressure",
    re.IGNORECASE,
)
_TEMPERATURE_WORDS = re.compile(
    r"(?:^|[\W_])(t|tc|temp|temps|temperature|temperatures|temperatur|température|temperatura|"
    r"thermocouple|thermo|probe|couple|pt100|pt1000|rtd|air|core|kern|luft|crumb|crust|surface|"
    r"ambient|zone|oven|ofen|product|chamber|shroud|cjc|cold junction|reference junction)"
    r"(?:$|[\W_\d])",
    re.IGNORECASE,
)
_REFERENCE_JUNCTION = re.compile(
    r"(?:^|[\W_])(cjc|cj|cold[\W_]*junction|ref(?:erence)?[\W_]*junction|vergleichsstelle|"
    r"isothermal|terminal)(?:$|[\W_\d])",
    re.IGNORECASE,
)
_DIFFERENCE = re.compile(
    r"^\s*[ΔΔ∆]|(?:^|[\W_])(delta|diff|difference|spread)(?:$|[\W_\d])", re.IGNORECASE
)
_SENSOR_TYPES = re.compile(
    r"^(?:type|tc|typ|thermocouple|te)?[\s\-:]*[BEJKNRST]$|^(pt|ni)\s?\d+$|^rtd$|^ntc$",
    re.IGNORECASE,
)
_BRACKETED = re.compile(r"^(?P<name>.*?)[\s_,:]*[(\[{<](?P<inside>[^()\[\]{}<>]*)[)\]}>]\s*$")
_TRAILING = re.compile(
    r"^(?P<name>.*?)(?:\s*[,/|;:]\s*|[\s_]+)(?P<inside>(?:°|º|deg)[\s_]?[cfk]|[℃℉]|celsius|"
    r"fahrenheit|kelvin|%\s?rh|%|volts?|[mµ]?v|[mk]?pa|m?bar|psi|m/min|m/s|rpm|hz|kg|ma|ohms?|Ω|ppm|"
    r"sec|secs|seconds|min|mins|minutes|hours|hrs?|ms|msec|s|h)$",
    re.IGNORECASE,
)
_GLUED = re.compile(r"^(?P<name>.*\S)(?P<inside>[°º]\s?[cfk]|[℃℉])$", re.IGNORECASE)
_LETTER = re.compile(r"^(?P<name>.+?)(?:_|,\s*|\s+/\s*|\s+)(?P<inside>[cfkCFK])$")
_TEMP_LETTER = re.compile(r"^(?P<name>.*\btemp(?:erature|\.)?)\s+(?P<inside>[CFK])$", re.IGNORECASE)


_YEAR_FIRST = re.compile(r"\b(?:yy|jj)[-/. ]mm?[-/. ](?:dd?|tt?)\b", re.IGNORECASE)


class HeadingKind(Enum):
    """What a column can be, as far as its heading says."""

    TEMPERATURE = auto()
    OPEN = auto()
    OTHER = auto()


@dataclass(frozen=True, slots=True)
class Heading:
    """One heading, understood.

    ``unit`` is one of :data:`TEMPERATURE_UNITS` or ""; ``other_unit`` a unit of something else;
    ``time_unit`` a unit of time. ``named`` is True where the name itself speaks of temperature.
    """

    text: str
    name: str
    kind: HeadingKind
    unit: str = ""
    other_unit: str = ""
    time_unit: str = ""
    named: bool = False
    time_word: bool = False
    date_word: bool = False
    elapsed_word: bool = False
    clock_word: bool = False
    day_first: bool | None = None
    year_first: bool = False
    reference_junction: bool = False
    why: str = ""


def temperature_unit(text: str) -> str:
    """Return degC, degF or K where ``text`` names one of them, else ""."""
    match = _TEMPERATURE.match(text.strip().strip("()[]"))
    if not match:
        return ""
    word = next(g for g in match.groups() if g).lower()
    return {"c": "degC", "℃": "degC", "f": "degF", "℉": "degF", "k": "K"}[word[0]]


def time_unit(text: str) -> str:
    """Return the unit of time that ``text`` names, else ""."""
    return _TIME_UNITS.get(text.strip().strip("()[]").lower(), "")


def is_other_unit(text: str) -> bool:
    """Say whether ``text`` is a unit of something that is no temperature."""
    return text.strip().strip("()[]").strip().lower() in _OTHER_UNITS


def is_unit_cell(text: str) -> bool:
    """Say whether a cell under a heading is a unit of any kind."""
    return bool(temperature_unit(text) or time_unit(text) or is_other_unit(text))


def is_sensor_cell(text: str) -> bool:
    """Say whether a cell under a heading names a sensor type."""
    return bool(_SENSOR_TYPES.match(text.strip()))


def read_headings(texts: Sequence[str], unit_cells: Sequence[str] | None = None) -> list[Heading]:
    """Read all headings of a file together; siblings decide what a lone letter means.

    Parameters
    ----------
    texts : headings as they stand, one a column
    unit_cells : the row of units below them, where there is one
    """
    units = list(unit_cells) if unit_cells is not None else [""] * len(texts)
    letters_are_names = _letters_are_names(texts)
    suffix = _shared_suffix(texts)
    found = [
        _read(re.sub(r"\s+", " ", text).strip(), unit.strip(), letters_are_names, suffix, i)
        for i, (text, unit) in enumerate(zip(texts, units, strict=True))
    ]
    return _with_own_names(found)


def _letters_are_names(texts: Sequence[str]) -> bool:
    """Say whether brackets such as (A) (B) (C) number the sensors and are no units."""
    inside = [m["inside"].strip() for t in texts if (m := _BRACKETED.match(t.strip()))]
    letters = {i for i in inside if len(i) == 1 and i.isalpha()}
    return len(letters) > 1 and any(not is_unit_cell(i) for i in letters)


def _shared_suffix(texts: Sequence[str]) -> str:
    """Return c, f or k where headings end in _c, _f or _k, and no other letter does so.

    With no more than a space before it, the letter has to come at least twice: one "Sensor C" is a
    name.
    """
    ends = Counter(m[1].lower() for t in texts if (m := re.search(r"(?:_|, ?|/ ?)([A-Za-z])$", t)))
    spaced = Counter(m[1].lower() for t in texts if (m := re.search(r"\s([A-Za-z])$", t)))
    ends += Counter({e: n for e, n in spaced.items() if n >= 2 or e not in "cfk"})
    hot = {e for e in ends if e in "cfk"}
    others = {e for e in ends if e not in "cfks"}
    return hot.pop() if len(hot) == 1 and not others else ""


def _split(text: str, letters_are_names: bool, suffix: str) -> tuple[str, str]:
    """Return the name and the unit inside a heading."""
    for pattern in (_BRACKETED, _GLUED, _TRAILING):
        match = pattern.match(text)
        if not match:
            continue
        inside = match["inside"].strip()
        lone = len(inside) == 1 and inside.isupper()
        if lone and pattern is _BRACKETED and letters_are_names:
            continue
        if is_unit_cell(inside):
            return match["name"].strip(" _,:/|;-") or text, inside
    match = _TEMP_LETTER.match(text)
    if match:
        return match["name"], match["inside"]
    match = _LETTER.match(text)
    if match and suffix and match["inside"].lower() == suffix:
        return match["name"].strip(), match["inside"]
    return text, ""


def _read(text: str, unit_cell: str, letters_are_names: bool, suffix: str, index: int) -> Heading:
    name, inside = _split(text, letters_are_names, suffix)
    said = unit_cell if unit_cell and is_unit_cell(unit_cell) else inside
    strange = unit_cell if unit_cell and not is_unit_cell(unit_cell) else ""
    unit = temperature_unit(said) if said else ""
    clock = time_unit(said) if said else ""
    other = said if said and is_other_unit(said) and not unit else strange
    if clock and other:
        other = ""
    difference = bool(_DIFFERENCE.search(name))
    junction = bool(_REFERENCE_JUNCTION.search(name))
    time_word = bool(clock or _TIME_WORDS.search(name) or _TIME_JOINED.search(name))
    if unit and difference:
        kind, why = HeadingKind.OTHER, "a difference of temperatures, not a temperature"
    elif unit:
        kind, why = HeadingKind.TEMPERATURE, f"the heading says {said}"
    elif other:
        kind, why = HeadingKind.OTHER, f"its unit is {other}"
    elif clock:
        kind, why = HeadingKind.OTHER, f"its unit of time is {said}"
    elif _NOT_TEMPERATURE.search(name) and not junction and not _looks_probe(name):
        kind, why = HeadingKind.OTHER, "its name speaks of something else"
    else:
        kind, why = HeadingKind.OPEN, ""
    return Heading(
        text=text,
        name=name or f"column {index + 1}",
        kind=kind,
        unit=unit if kind is HeadingKind.TEMPERATURE else "",
        other_unit=other,
        time_unit=clock,
        named=bool(_TEMPERATURE_WORDS.search(name)) and kind is not HeadingKind.OTHER,
        time_word=time_word,
        date_word=bool(_DATE_WORDS.search(name)),
        elapsed_word=bool(_ELAPSED_WORDS.search(text)),
        clock_word=bool(_CLOCK_WORDS.search(text)),
        day_first=_day_order(f"{text} {unit_cell}"),
        year_first=bool(_YEAR_FIRST.search(f"{text} {unit_cell}")),
        reference_junction=junction,
        why=why,
    )


def _day_order(text: str) -> bool | None:
    """Return whether a pattern such as (dd/mm/yyyy) puts the day first, None without one."""
    order = re.search(
        r"(d{1,2})[-/. ](m{1,2})[-/. ]y|(m{1,2})[-/. ](d{1,2})[-/. ]y", text, re.IGNORECASE
    )
    return bool(order[1]) if order else None


def _looks_probe(name: str) -> bool:
    """Say whether a name such as "Temp no 3" is a numbered temperature after all."""
    return bool(
        re.search(
            r"(?:^|[\W_])(temp\w*|tc|thermocouple|probe|core|air)(?:$|[\W_\d])", name, re.IGNORECASE
        )
    ) and not re.search(r"humid|batt|volt|status|alarm|rate|slope|mv|emf|flag", name, re.IGNORECASE)


def _with_own_names(found: Sequence[Heading]) -> list[Heading]:
    """Tell columns of the same name apart, by the whole heading if that does, else by number."""
    names = Counter(h.name for h in found)
    texts = Counter(h.text for h in found)
    seen: Counter[str] = Counter()
    told: list[Heading] = []
    taken: set[str] = set()
    for h in found:
        name = h.name
        if names[name] > 1 and texts[h.text] == 1:
            name = h.text
        seen[name] += 1
        candidate = name if seen[name] == 1 else f"{name} #{seen[name]}"
        while candidate in taken:
            seen[name] += 1
            candidate = f"{name} #{seen[name]}"
        taken.add(candidate)
        told.append(h if candidate == h.name else _renamed(h, candidate))
    return told


def _renamed(heading: Heading, name: str) -> Heading:
    return replace(heading, name=name)
