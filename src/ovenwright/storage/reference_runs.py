"""Which run others are held against: one for each product in each oven, with who said so and why.

Lines are only ever added to one file; the last of a pair holds. So what was the reference on some
day can be told later.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from ovenwright.storage.durable import make_folder, trouble_from
from ovenwright.storage.run_facts import iso_from_ns

_FILE = "reference-runs.jsonl"


@dataclass(frozen=True, slots=True)
class ReferenceRun:
    """One choice of a reference run; an empty ``run`` means that none holds any more."""

    oven: str
    product: str
    run: str
    digest: str
    set: str
    by: str
    why: str


class ReferenceRuns:
    """The choices kept in a logbook's folder."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / _FILE

    def add(
        self, *, oven: str, product: str, run: str, digest: str, by: str, why: str
    ) -> ReferenceRun:
        """Keep a choice, durably.

        Raises
        ------
        StorageTrouble : if the disk refuses
        """
        made = ReferenceRun(oven, product, run, digest, iso_from_ns(time.time_ns()), by, why)
        line = json.dumps(asdict(made), ensure_ascii=False) + "\n"
        make_folder(self._file.parent)
        try:
            with self._file.open("ab") as file:
                if file.tell() and not self._ends_whole():
                    line = "\n" + line  # a torn line must not swallow this one
                file.write(line.encode("utf-8"))
                file.flush()
                os.fsync(file.fileno())
        except OSError as cause:
            raise trouble_from(cause, self._file) from cause
        return made

    def _ends_whole(self) -> bool:
        with self._file.open("rb") as file:
            file.seek(-1, os.SEEK_END)
            return file.read(1) == b"\n"

    def all(self) -> tuple[ReferenceRun, ...]:
        """Return every choice that was made, oldest first; a torn line is passed over.

        Raises
        ------
        StorageTrouble : if the file can't be read
        """
        try:
            lines = self._file.read_bytes().splitlines()
        except FileNotFoundError:
            return ()
        except OSError as cause:
            raise trouble_from(cause, self._file) from cause
        found = []
        for line in lines:
            try:
                row = json.loads(line)
                found.append(ReferenceRun(**{k: str(row[k]) for k in _KEYS}))
            except (ValueError, KeyError, TypeError):
                continue
        return tuple(found)

    def now(self) -> Mapping[tuple[str, str], ReferenceRun]:
        """Return the choice that holds for each oven and product that has one."""
        last = {(r.oven, r.product): r for r in self.all()}
        return {pair: r for pair, r in last.items() if r.run}


_KEYS = ("oven", "product", "run", "digest", "set", "by", "why")
