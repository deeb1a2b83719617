"""What a SCPI instrument tells of how it is set: its scan list, what it measures, its units."""

from __future__ import annotations

import re

from ovenwright.errors import OutOfRange
from ovenwright.wire.reading_words import decode_unit

MOST_CHANNELS = 1_000
"""Channels of the longest scan list that is read."""
_MOST_LETTERS = 65_536

_BLOCK = re.compile(r"#([1-9])")
_LIST = re.compile(r'"?\(\s*@\s*(.*?)\s*\)"?', re.DOTALL)
_NUMBER = re.compile(r"\d{1,9}")
_SPAN = re.compile(r"(\d{1,9})\s*:\s*(\d{1,9})")
_QUOTED = re.compile(r'"((?:[^"]|"")*)"|\'((?:[^\']|\'\')*)\'')
_WORD = re.compile(r"[A-Za-z]{3,16}")

# the four letters a name begins with decide, long or short (SCPI 1999, volume 1, section 6.2.1)
_MEASURED = {
    "TEMP": "temperature",
    "VOLT": "voltage",
    "RES": "resistance",
    "FRES": "resistance",
    "CURR": "current",
}


def decode_channel_list(answer: str) -> tuple[str, ...]:
    """Return the channels of a scan list, one by one.

    Parameters
    ----------
    answer : such as ``(@101,103:105)``, as it is or in a block of counted bytes

    Raises
    ------
    OutOfRange : if it is no list of channels, or one of more than `MOST_CHANNELS`

    Source: SCPI 1999, volume 1, section 8.3.2 (channel lists), IEEE 488.2 (blocks ``#`` digit length;
    both from memory).
    """
    if len(answer) > _MOST_LETTERS:
        raise OutOfRange("scan list", got=f"{len(answer)} letters", expected=f"≤ {_MOST_LETTERS}")
    text = answer.strip()
    block = _BLOCK.match(text)
    if block is not None:
        text = text[2 + int(block[1]) :].strip()
    found = _LIST.fullmatch(text)
    if found is None:
        raise OutOfRange("scan list", got=_shown(answer), expected="such as (@101,103:105)")
    out: list[str] = []
    for part in (p.strip() for p in found[1].split(",")):
        span = _SPAN.fullmatch(part)
        if span is not None:
            first, last = int(span[1]), int(span[2])
            step = 1 if last >= first else -1
            many = range(first, last + step, step)
            if len(out) + len(many) <= MOST_CHANNELS:
                out += map(str, many)
        elif part and len(part) <= 32 and part.isprintable():
            many = range(1)
            out.append(part)
        elif part or found[1]:
            raise OutOfRange("scan list", got=_shown(answer), expected="such as (@101,103:105)")
        else:
            return ()
        if len(out) > MOST_CHANNELS or len(many) > MOST_CHANNELS:
            raise OutOfRange("scan list", got="more channels", expected=f"≤ {MOST_CHANNELS}")
    return tuple(out)


def decode_measured(answer: str) -> tuple[str, ...]:
    """Return what an instrument says it measures: one word for each function it names.

    Parameters
    ----------
    answer : texts in quotes between commas, such as ``"TEMP TC,T","VOLT:DC 1.0E-1,1.0E-7"``, or one
        text without quotes

    Returns
    -------
    "temperature", "voltage", "resistance", "current", or "" for anything else

    Source: SCPI 1999, volume 2, CONFigure? and [SENSe]:FUNCtion? (from memory).
    """
    text = answer.strip()[:_MOST_LETTERS]
    quoted = [a or b for a, b in _QUOTED.findall(text)][:MOST_CHANNELS]
    return tuple(_measured(one) for one in (quoted or [text]) if one.strip())


def _measured(text: str) -> str:
    """Return what one function is; ``SENS:`` and a colon may stand before it."""
    for part in re.split(r"[:\s]+", text.strip().lstrip(":"))[:3]:
        found = _WORD.match(part)
        if found is None:
            return ""
        word = found[0].upper()
        if word in ("SENS", "SENSE", "FUNC", "FUNCTION"):
            continue
        return next((v for k, v in _MEASURED.items() if word.startswith(k)), "")
    return ""


def decode_temperature_units(answer: str) -> tuple[str, ...]:
    """Return the units an instrument gives temperatures in: one, or one for each channel.

    Parameters
    ----------
    answer : such as ``C`` or ``CEL,FAR``

    Raises
    ------
    OutOfRange : if one of them is no unit of temperature

    Source: SCPI 1999, volume 2, UNIT:TEMPerature (C, CEL, F, FAR, K; from memory).
    """
    words = [w.strip().strip('"') for w in answer.strip()[:_MOST_LETTERS].split(",")]
    units = ["degF" if w.upper() == "FAR" else decode_unit(w) for w in words[:MOST_CHANNELS]]
    known = tuple(u for u in units if u in ("degC", "degF", "K"))
    if len(known) != len(words):
        raise OutOfRange("unit", got=_shown(answer), expected="C, CEL, F, FAR or K")
    return known


def _shown(text: str) -> str:
    plain = "".join(c if c.isprintable() else "·" for c in text[:60])
    return repr(plain + ("…" if len(text) > 60 else ""))
