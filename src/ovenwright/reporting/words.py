"""Numbers as people read them. The only place where anything is rounded.

Uncertainties are shown with two figures, values to the same decimal (JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from ovenwright.domain.results import Unit
from ovenwright.domain.run import NS
from ovenwright.reporting.document import Cell, Tone

DASH = "–"
MINUS = "−"
MOST_LOG = 20
"""Log reductions beyond this are shown as such: no population is that large, and D values were
extrapolated far to get there."""


_KEYED = re.compile(r"(kinetics|table) [\w.-]+: ")


def decimals_for(
    standard_uncertainty: float, *, least: int = 0, most: int = 6, figures: int = 2
) -> int:
    """Return how many decimals show ``figures`` figures of an uncertainty.

    ``least`` and ``most`` bound the answer; an uncertainty of 0 or NaN gives ``least`` plus 1.
    """
    if not standard_uncertainty > 0 or not math.isfinite(standard_uncertainty):
        return min(most, least + 1)
    exponent = math.floor(math.log10(standard_uncertainty))
    return max(least, min(most, figures - 1 - exponent))


def plain(value: float, decimals: int) -> str:
    """Return ``value`` with fixed decimals, a real minus sign, and a dash for no number."""
    if not math.isfinite(value):
        return DASH
    text = f"{value:.{decimals}f}"
    if text.startswith("-"):
        text = text[1:] if float(text) == 0 else MINUS + text[1:]
    return text


def limit_decimals(value: float) -> int:
    """Return how many decimals a limit needs to be shown as it was written, three at most."""
    for decimals in range(4):
        if math.isclose(round(value, decimals), value, rel_tol=0, abs_tol=1e-9):
            return decimals
    return 3


def counted(number: int) -> str:
    """Return a count with its thousands set apart, so that no mark is taken for a decimal one."""
    return f"{number:,}".replace(",", "\N{NO-BREAK SPACE}")


def sentence(text: str) -> str:
    """Return words as a sentence: a capital first, a stop last."""
    head = text[:1].upper() + text[1:]
    return head if head.endswith((".", "!", "?")) else f"{head}."


def basis_words(basis: str) -> str:
    """Return what a result rests on as people read it: without the plan's key for it."""
    found = _KEYED.match(basis)
    if found is None:
        return basis
    lead = "kinetics of" if found[1] == "kinetics" else "the table"
    return f"{lead} {basis[found.end() :]}"


def clock(seconds: float) -> str:
    """Return seconds as ``m:ss`` or ``h:mm:ss``."""
    if not math.isfinite(seconds):
        return DASH
    sign = MINUS if seconds < -0.5 else ""
    whole = round(abs(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{sign}{hours}:{minutes:02d}:{secs:02d}" if hours else f"{sign}{minutes}:{secs:02d}"


def probability(p: float) -> str:
    """Return a probability in per cent, never rounded to a certainty it does not have."""
    if not math.isfinite(p):
        return DASH
    if p > 0.999:
        return "> 99.9 %"
    if p < 0.001:
        return "< 0.1 %"
    return f"{100 * p:.1f} %"


@dataclass(frozen=True, slots=True)
class Shown:
    """The unit people want to see, and everything said in it."""

    fahrenheit: bool = False
    time_zone: str = "UTC"

    @property
    def temperature_unit(self) -> str:
        """The unit's sign."""
        return "°F" if self.fahrenheit else "°C"

    @property
    def degree(self) -> str:
        """The sign of a difference of temperatures."""
        return "°F" if self.fahrenheit else "K"

    def temperature(self, value_c: float) -> float:
        """Return a temperature on the scale in the shown unit."""
        return value_c * 1.8 + 32.0 if self.fahrenheit else value_c

    def difference(self, value_k: float) -> float:
        """Return a difference of temperatures in the shown unit."""
        return value_k * 1.8 if self.fahrenheit else value_k

    def unit(self, unit: Unit) -> str:
        """Return the sign of a measure's unit."""
        degree = self.degree
        return {
            Unit.CELSIUS: self.temperature_unit,
            Unit.KELVIN: degree,
            Unit.SECOND: "min",
            Unit.KELVIN_PER_MINUTE: f"{degree}/min",
            Unit.LOG10: "log",
            Unit.ONE: "",
            Unit.WATT_PER_M2_K: "W/(m²·K)",
            Unit.WATT_PER_M2: "W/m²",
            Unit.KILOJOULE_PER_KG: "kJ/kg",
            Unit.PASTEURISATION_UNIT: "PU",
        }[unit]

    def number(self, value: float, unit: Unit) -> float:
        """Return a measure's value in the shown unit."""
        if unit is Unit.CELSIUS:
            return self.temperature(value)
        if unit in {Unit.KELVIN, Unit.KELVIN_PER_MINUTE}:
            return self.difference(value)
        if unit is Unit.SECOND:
            return value / 60.0
        return value

    def spread(self, value: float, unit: Unit) -> float:
        """Return an uncertainty in the shown unit: always a difference."""
        return self.number(value, Unit.KELVIN if unit is Unit.CELSIUS else unit)

    def decimals(self, standard_uncertainty: float, unit: Unit) -> int:
        """Return the decimals that a value of this unit and uncertainty is shown with."""
        usual = {Unit.CELSIUS: 1, Unit.KELVIN: 1, Unit.SECOND: 2, Unit.ONE: 3}.get(unit, 1)
        if not standard_uncertainty > 0 or not math.isfinite(standard_uncertainty):
            return usual
        return decimals_for(self.spread(standard_uncertainty, unit), least=0, most=4)

    def measure(
        self, value: float, unit: Unit, decimals: int, *, tone: Tone = Tone.PLAIN, sign: bool = True
    ) -> Cell:
        """Return a value as a cell, with its unit's sign unless ``sign`` is False."""
        number = self.number(value, unit)
        if not math.isfinite(number):
            return Cell(DASH, tone=Tone.QUIET)
        if unit is Unit.LOG10 and number > MOST_LOG:
            return Cell(f"> {MOST_LOG:g}" + (" log" if sign else ""), tone=tone)
        tail = f" {self.unit(unit)}" if sign and self.unit(unit) else ""
        return Cell(plain(number, decimals) + tail, number, decimals, tone)

    def uncertainty(self, value: float, unit: Unit, decimals: int) -> Cell:
        """Return an uncertainty as a cell, without its unit."""
        number = self.spread(value, unit)
        if not math.isfinite(number) or (unit is Unit.LOG10 and number > MOST_LOG):
            return Cell(DASH, tone=Tone.QUIET)
        return Cell(plain(number, decimals), number, decimals)

    def celsius(self, value_c: float, decimals: int = 1) -> Cell:
        """Return a temperature as a cell without its unit (the column says it)."""
        return self.measure(value_c, Unit.CELSIUS, decimals, sign=False)

    def kelvin(self, value_k: float, decimals: int = 2) -> Cell:
        """Return a difference as a cell without its unit."""
        return self.measure(value_k, Unit.KELVIN, decimals, sign=False)

    def moment(self, time_ns: int, *, absolute: bool) -> str:
        """Return a moment as local date and time with its offset, or as elapsed time."""
        if not absolute:
            return f"{clock(time_ns / NS)} elapsed"
        local = datetime.fromtimestamp(time_ns // NS, UTC).astimezone(ZoneInfo(self.time_zone))
        return local.strftime("%Y-%m-%d %H:%M:%S %Z")


def minutes_cell(seconds: float, decimals: int = 2) -> Cell:
    """Return a time in minutes as a cell."""
    if not math.isfinite(seconds):
        return Cell(DASH, tone=Tone.QUIET)
    return Cell(plain(seconds / 60.0, decimals), seconds / 60.0, decimals)
