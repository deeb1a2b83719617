"""Prose that names °C and kelvin, said in °F: notes, cautions and alarms are worded once, in °C."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any, TypeVar

T = TypeVar("T")

_NUMBER = r"(?<![\w.,/])[-+\N{MINUS SIGN}]?\d+(?:\.\d+)?"
_GAP = "[ \N{NO-BREAK SPACE}]"
_TEMPERATURE = re.compile(
    rf"(?P<off>±{_GAP}?)?(?P<low>{_NUMBER})(?:(?P<to>{_GAP}to{_GAP}|–)(?P<high>\d+(?:\.\d+)?))?"
    rf"(?P<gap>{_GAP})°C(?P<per>/(?:min|s)\b)?"
)
_DIFFERENCE = re.compile(
    rf"(?P<low>{_NUMBER})(?:(?P<to>{_GAP}to{_GAP}|–)(?P<high>\d+(?:\.\d+)?))?"
    rf"(?P<gap>{_GAP})K(?P<per>/(?:min|s)\b)?(?![\w²³(/·-])"
)
_HEARD = re.compile(r'( (?:aria-label|alt)=")([^"]*)')
_WHOLE_FROM = 20.0
_SKIPPED = re.compile(  # an option's text is what is sent, unless it has a value of its own
    r"(<(script|style|textarea|pre|code|option(?![^>]*\svalue=))\b.*?</\2\s*>|<[^>]*>)", re.DOTALL
)
_VERBATIM = {"id", "run_id", "digest", "kind", "role"}


def in_fahrenheit(text: str) -> str:
    """Return prose with its temperatures in °F and its differences of temperatures as °F.

    Digits are kept as far as the text had them; a whole number gets a decimal where it needs one.
    Text already in °F stays as it is.
    """
    if "°C" in text:
        text = _TEMPERATURE.sub(_said_temperature, text)
    if "K" in text:
        text = _DIFFERENCE.sub(_said_difference, text)
    return text


def page_in_fahrenheit(page: str) -> str:
    """Return a page of HTML with what people read or hear in °F; fields and code are left alone."""
    if "°C" not in page and " K" not in page:
        return page
    parts = _SKIPPED.split(page)
    # split gives text, whole match, name of the element, text, …
    return "".join(
        in_fahrenheit(part) if i % 3 == 0 else _HEARD.sub(_said_aloud, part)
        for i, part in enumerate(parts)
        if i % 3 != 2 and part
    )


def _said_aloud(found: re.Match[str]) -> str:
    return found[1] + in_fahrenheit(found[2])


def all_in_fahrenheit(thing: T) -> T:
    """Return facts of a report with every text in them in °F; ids and digests are left alone."""
    return _all(thing)  # type: ignore[no-any-return]


def _all(thing: Any) -> Any:
    if isinstance(thing, Enum):
        return thing
    if isinstance(thing, str):
        return in_fahrenheit(thing)
    if isinstance(thing, tuple):
        return tuple(_all(one) for one in thing)
    if is_dataclass(thing) and not isinstance(thing, type):
        changed = {}
        for field in fields(thing):
            if field.name in _VERBATIM:
                continue
            old = getattr(thing, field.name)
            new = _all(old)
            if new is not old:
                changed[field.name] = new
        return replace(thing, **changed) if changed else thing
    return thing


def _said_temperature(found: re.Match[str]) -> str:
    step = found["off"] is not None or found["per"] is not None
    return _said(found, offset=0.0 if step else 32.0, lead=found["off"] or "")


def _said_difference(found: re.Match[str]) -> str:
    return _said(found, offset=0.0)


def _said(found: re.Match[str], *, offset: float, lead: str = "") -> str:
    numbers = [_number(found[name], offset) for name in ("low", "high") if found[name]]
    return f"{lead}{(found['to'] or '').join(numbers)}{found['gap']}°F{found['per'] or ''}"


def _number(text: str, offset: float) -> str:
    value = float(text.replace("\N{MINUS SIGN}", "-")) * 1.8 + offset
    decimals = len(text.partition(".")[2])
    if decimals == 0 and (offset or abs(value) < _WHOLE_FROM) and abs(value - round(value)) > 1e-9:
        decimals = 1
    said = f"{value:{'+' if text[0] == '+' else ''}.{decimals}f}"
    return said.replace("-", "\N{MINUS SIGN}") if "\N{MINUS SIGN}" in text else said
