"""An instrument's own count: what was lost, what came twice, when it began anew."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Counted:
    """What one number of the count says beside the one before."""

    lost: int = 0
    again: bool = False  # it was there before
    anew: bool = False  # the count began again


class CountWatch:
    """Follows an instrument's own count that rises by one with each message.

    A little backwards is a repeat, far backwards or to the very beginning is a restart.

    Parameters
    ----------
    modulus : where the count begins again by itself, such as 256; None where it does not
    """

    NEAR = 64
    """So far back a number counts as one that came late or twice."""

    def __init__(self, modulus: int | None = None) -> None:
        self.modulus = modulus
        self._last: int | None = None

    def note(self, number: int) -> Counted:
        """Return what `number` says, and remember it."""
        last = self._last
        if last is None:
            self._last = number
            return Counted()
        step = number - last
        near = self.NEAR
        if self.modulus:
            step %= self.modulus
            near = min(near, self.modulus // 4)
            if step > self.modulus - near or step == 0:
                # just begun anew looks like a repeat where the old count was small too
                return Counted(again=True)
            self._last = number
            return Counted(lost=step - 1)
        if step == 0 or (-near <= step < 0 and number > 1):
            return Counted(again=True)
        self._last = number
        if step < 0:
            return Counted(anew=True)
        return Counted(lost=step - 1)
