"""Patterns with named fields, as a plan's author writes them, to regular expressions."""

from __future__ import annotations

import re

from ovenwright.domain.sources.lines import FIELDS
from ovenwright.errors import UsageError

# every part has an end: noise of any length is looked through in time that grows with the length
_NUMBER = r"[+-]?(?:\d{1,20}(?:[.]\d{0,20})?|[.]\d{1,20})(?:[eE][+-]?\d{1,4})?"
_WORDS = r"[A-Za-z.+-]{1,12}(?:/[A-Za-z]{1,2})?"
_GROUPS = {
    "channel": r"[^\s=:;,|<>{}\[\]()\"']{1,100}",
    "value": rf"(?:{_NUMBER}|{_WORDS}|)",
    "unit": r"\s*(?:°\s*[CFK]|deg\s?[CFK]|℃|℉|[CFK]|mV|[Oo]hms?|Ω|Ω)?(?![A-Za-z])",
    "module": r"[^\s=:;,|<>{}\[\]()\"']{1,100}",
    "time": r"[0-9][0-9T:.,/ +Z-]{0,40}[0-9Z]|[0-9]",
    "sequence": r"\d{1,19}",
    "lost": r"\d{1,19}",
    "battery": _NUMBER,
    "signal": _NUMBER,
    "reference": _NUMBER,
}


def line_pattern(text: str, *, decimal: str = ".") -> re.Pattern[str]:
    """Return the regular expression a pattern stands for.

    Parameters
    ----------
    text : a pattern with fields in braces, or a regular expression between slashes
    decimal : decimal mark of the numbers

    Raises
    ------
    UsageError : if it can't be read
    """
    if len(text) > 2 and text.startswith("/") and text.endswith("/"):
        expression = text[1:-1]
    else:
        parts: list[str] = []
        for piece in re.split(r"(\{[^{}]*\})", text):
            if piece.startswith("{") and piece.endswith("}"):
                name = piece[1:-1]
                if name not in _GROUPS:
                    raise UsageError(
                        f"{name!r} is no field of a line", where=text,
                        remedy=f"fields: {', '.join(FIELDS)}",
                    )  # fmt: skip
                group = _GROUPS[name].replace("[.]", f"[.{decimal}]")
                parts.append(f"(?P<{name}>{group})")
            else:
                parts.append(r"\s+".join(re.escape(p) for p in re.split(r"\s+", piece)))
        expression = "".join(parts)
    try:
        return re.compile(expression)
    except (re.error, OverflowError, RecursionError) as cause:
        raise UsageError(f"the pattern can't be read: {cause}", where=text) from cause
