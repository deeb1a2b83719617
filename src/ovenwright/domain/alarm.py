"""What a person wants to be told while a test is being recorded."""

from __future__ import annotations

from pydantic import model_validator

from ovenwright.domain.run import Role
from ovenwright.domain.strict import FiniteFloat, PositiveFloat, Strict

CONDITIONS = ("above_c", "below_c", "rises_k_min", "falls_k_min", "silent_s")
"""The keys of an alarm of which exactly one is given."""


class Alarm(Strict):
    """A condition that is shown, marked and passed on while it lasts."""

    name: str
    """What it is called where it is shown."""
    on: Role | tuple[str, ...] | None = None
    """A role, or channel names; every channel when left out."""
    above_c: FiniteFloat | None = None
    """Raised when a channel is above this."""
    below_c: FiniteFloat | None = None
    """Raised when a channel is below this."""
    rises_k_min: PositiveFloat | None = None
    """Raised when a channel rises faster than this, in kelvin per minute."""
    falls_k_min: PositiveFloat | None = None
    """Raised when a channel falls faster than this, in kelvin per minute."""
    silent_s: PositiveFloat | None = None
    """Raised when a channel has given no number for this long."""
    lasting_s: PositiveFloat | None = None
    """How long it must last before it is raised; at once when left out."""
    back_k: PositiveFloat = 1.0
    """How far back over the limit a temperature must come before the alarm ends."""
    command: tuple[str, ...] = ()
    """Program to run when it is raised and when it ends, with its arguments; told by environment variables."""
    topic: str = ""
    """MQTT topic that is told, on the broker of the plan's first MQTT instrument."""

    @model_validator(mode="after")
    def _one_condition(self) -> Alarm:
        given = [name for name in CONDITIONS if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(
                f"give one of {', '.join(CONDITIONS)}"
                + (f", not {' and '.join(given)}" if given else "")
            )
        return self
