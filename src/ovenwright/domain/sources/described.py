"""What every description of an instrument in a plan has in common."""

from __future__ import annotations

from ovenwright.domain.strict import Strict

KeyPath = tuple[str | int, ...]


class DescribedSource(Strict):
    """An instrument and how it is reached; each kind adds its own keys and ``kind``."""

    name: str = ""
    """What people call this instrument; made from its address when left out."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this instrument feeds, each with the key that says so.

        Returns
        -------
        pairs of (path of the key inside this table, channel name), in the order written
        """
        raise NotImplementedError

    def places(self) -> tuple[tuple[KeyPath, str, str], ...]:
        """Return faults across the keys of this table: (key path, what is wrong, remedy)."""
        return ()
