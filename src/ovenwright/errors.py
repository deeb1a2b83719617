"""Everything that can go wrong, in one tree.

::

    OvenwrightError
    ├── OutOfRange (also ValueError)   a number outside what a function covers
    ├── UsageError                     the call itself is wrong                      exit 2
    │   ├── UnknownName                a run, plan, preset, measure, channel not known
    │   └── Overtaken                  someone else changed it since it was read
    ├── PlanFaults                     a plan with one or more faults                exit 2
    ├── ReadingsRefused                a file of readings that can't be read safely  exit 2
    ├── TooLittleData                  readings that can't carry what was asked      exit 2
    ├── MissingExtra                   an optional library is not installed          exit 2
    ├── InstrumentTrouble              an instrument or its link, when waiting can't mend it  exit 4
    └── StorageTrouble                 disk, logbook, sealed file                    exit 4
        ├── DigestMismatch             a sealed run was altered
        └── CatalogueTrouble           the index can't be read or written

A bad sensor is a flag, a failed product is a verdict: neither is an error.
Each class words its message once from its fields: what was wrong, where, and what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class OvenwrightError(Exception):
    """Base of every error this package raises on purpose."""

    exit_code: int = 2

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(self._words())

    def _words(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}; {self.remedy}" if self.remedy else head

    def facts(self) -> dict[str, object]:
        """Return the fields as plain data, for surfaces that answer machines."""
        return {
            "error": type(self).__name__,
            "what": self.what,
            "where": self.where,
            "remedy": self.remedy,
        }


class OutOfRange(OvenwrightError, ValueError):
    """A number lies outside what a function covers; plain callers can catch ``ValueError``."""

    def __init__(
        self, name: str, *, got: object, expected: str, where: str = "", remedy: str = ""
    ) -> None:
        self.name = name
        self.got = got
        self.expected = expected
        super().__init__(f"{name} is {got}, expected {expected}", where=where, remedy=remedy)


class UsageError(OvenwrightError):
    """The call itself is wrong."""


class UnknownName(UsageError):
    """A name that nothing carries; says which names would have worked."""

    def __init__(self, kind: str, name: str, *, known: Sequence[str] = (), where: str = "") -> None:
        self.kind = kind
        self.name = name
        self.known = tuple(known)
        listed = ", ".join(self.known[:12]) + (" …" if len(self.known) > 12 else "")
        remedy = f"name one of these: {listed}" if listed else "look in the list of those there are"
        super().__init__(f"no {kind} is called {name!r}", where=where, remedy=remedy)


class Overtaken(UsageError):
    """What was to be changed was changed by someone else since it was read; nothing was lost."""

    def __init__(self, what: str, *, newest: int, where: str = "", remedy: str = "") -> None:
        self.newest = newest
        super().__init__(what, where=where, remedy=remedy)

    def facts(self) -> dict[str, object]:
        """Return the fields as plain data, with the number of the version that is newest now."""
        return super().facts() | {"newest": self.newest}


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a plan or a file, at the place where its author can mend it.

    ``path`` is the key path inside the plan, such as ``("channels", 2, "sensor")``; ``line`` is
    1-based and 0 while not yet located. ``place`` says the path as its author thinks of it, such as
    ``channel "core left" (3rd), sensor``, empty where the keys alone say it.
    """

    path: tuple[str | int, ...]
    what: str
    remedy: str
    line: int = 0
    place: str = ""

    def words(self, file: str = "") -> str:
        """Return ``file line N: place: what; remedy`` with the parts that are known."""
        named = self.place or ".".join(str(p) for p in self.path)
        place = " ".join(p for p in (file, f"line {self.line}" if self.line else "") if p)
        parts = [p for p in (place, named, self.what) if p]
        return ": ".join(parts) + (f"; {self.remedy}" if self.remedy else "")


class PlanFaults(OvenwrightError):
    """A plan that can't be used, with every fault in it."""

    def __init__(self, faults: Sequence[Fault], *, file: str = "") -> None:
        self.faults = tuple(faults)
        self.file = file
        lines = [f.words(file) for f in self.faults]
        count = f"{len(lines)} fault" + ("s" if len(lines) != 1 else "")
        super().__init__(f"the plan has {count}:\n  " + "\n  ".join(lines))

    def facts(self) -> dict[str, object]:
        """Return the faults as plain data."""
        return super().facts() | {
            "faults": [
                {
                    "path": list(f.path),
                    "place": f.place,
                    "line": f.line,
                    "what": f.what,
                    "remedy": f.remedy,
                }
                for f in self.faults
            ]
        }


class ReadingsRefused(OvenwrightError):
    """A file of readings that can't be read without guessing; names the option that helps."""

    def __init__(self, what: str, *, file: str, line: int = 0, option: str = "") -> None:
        self.file = file
        self.line = line
        self.option = option
        where = f"{file} line {line}" if line else file
        super().__init__(what, where=where, remedy=f"try {option}" if option else "")


class TooLittleData(OvenwrightError):
    """The readings can't carry what was asked of them."""


class MissingExtra(OvenwrightError):
    """An optional library is not installed."""

    def __init__(self, library: str, extra: str) -> None:
        super().__init__(
            f"{library} is not installed", remedy=f"run: pip install 'ovenwright[{extra}]'"
        )


class InstrumentTrouble(OvenwrightError):
    """An instrument, or the link to it, is in trouble that waiting will not mend."""

    exit_code = 4


class StorageTrouble(OvenwrightError):
    """The disk, the logbook or a sealed file is in trouble."""

    exit_code = 4


class DigestMismatch(StorageTrouble):
    """A sealed run does not match its own digest: it was altered or damaged after sealing."""

    def __init__(self, file: str, *, stored: str, computed: str) -> None:
        self.stored = stored
        self.computed = computed
        super().__init__(
            f"the stored digest {stored[:12]}… differs from the content's {computed[:12]}…",
            where=file,
            remedy="restore the file from a copy; do not use this one for a verdict",
        )


class CatalogueTrouble(StorageTrouble):
    """The index over sealed runs can't be read or written."""
