"""How long to wait before the next try: longer each time, never in step with others."""

from __future__ import annotations

import random


class BackOff:
    """Doubling waits between tries, with a random part so that many don't come at once.

    Parameters
    ----------
    first_s : seconds before the second try
    most_s : no wait is longer
    """

    def __init__(self, *, first_s: float = 0.5, most_s: float = 30.0) -> None:
        self._first_s = first_s
        self._most_s = most_s
        self._tries = 0

    def worked(self) -> None:
        """Begin anew with short waits."""
        self._tries = 0

    def next_s(self) -> float:
        """Return the seconds to wait before the next try."""
        longest = min(self._most_s, self._first_s * 2.0 ** min(self._tries, 16))
        self._tries += 1
        return longest * random.uniform(0.75, 1.0)  # noqa: S311  no secret hangs on it
