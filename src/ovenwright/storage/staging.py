"""Files that were handed in and are not yet brought in: looked at, decided on, then sealed or gone.

Each lot lies in a folder of its own under the logbook, named by an id that this program made. The
names that files came with are told to people and never used as paths.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ovenwright.errors import StorageTrouble, UnknownName
from ovenwright.storage.durable import make_folder, trouble_from, whole_file

_ID = re.compile(r"[0-9a-f]{16}", re.ASCII)
_FACTS = "lot.json"
_FILES = "files"
_MOST_LOTS = 60


def safe_name(name: str, number: int) -> str:
    """Return a file name made of harmless letters that a person still knows, with its number."""
    last = re.split(r"[/\\]", name)[-1]
    plain = re.sub(r"[^\w. +-]", "_", last).strip(". ")[-80:].lstrip(". -")
    return plain or f"readings-{number}"


@dataclass(frozen=True, slots=True)
class HandedIn:
    """One file of a lot: where it lies, how large it is."""

    path: Path
    size: int

    @property
    def name(self) -> str:
        """The name people know it by."""
        return self.path.name


class Lot:
    """Some files handed in together, and what was decided about them so far."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @property
    def id(self) -> str:
        """Its id, as addresses name it."""
        return self.folder.name

    @property
    def plan_file(self) -> Path:
        """Where the text of its plan is kept."""
        return self.folder / "plan.toml"

    def place(self, name: str, number: int) -> Path:
        """Return a new path for a file that comes under ``name``; each lies in its own folder."""
        folder = self.folder / _FILES / f"{number:03d}"
        make_folder(folder)
        return folder / safe_name(name, number)

    def files(self) -> tuple[HandedIn, ...]:
        """Return the files in the order they came."""
        found = sorted(p for p in (self.folder / _FILES).glob("*/*") if p.is_file())
        return tuple(HandedIn(p, p.stat().st_size) for p in found)

    def facts(self) -> dict[str, Any]:
        """Return what is known and was decided.

        Raises
        ------
        StorageTrouble : if that can't be read
        """
        try:
            found: dict[str, Any] = json.loads((self.folder / _FACTS).read_text("utf-8"))
        except OSError as cause:
            raise trouble_from(cause, self.folder / _FACTS) from cause
        except ValueError as cause:
            raise StorageTrouble(
                "what was decided about these files can't be read",
                where=self.id,
                remedy="hand the files in once more",
            ) from cause
        return found

    def keep(self, facts: Mapping[str, Any]) -> None:
        """Keep what is known and decided."""
        with whole_file(self.folder / _FACTS, overwrite=True) as temp:
            temp.write_text(json.dumps(facts, ensure_ascii=False), encoding="utf-8")

    def keep_plan(self, text: str) -> Path:
        """Keep the text of the plan to be used, and return where."""
        with whole_file(self.plan_file, overwrite=True) as temp:
            temp.write_bytes(text.encode("utf-8"))
        return self.plan_file

    def touched(self) -> float:
        """Return when somebody last decided something, in seconds since 1970."""
        try:
            return (self.folder / _FACTS).stat().st_mtime
        except OSError:
            return 0.0

    def discard(self) -> None:
        """Remove the files handed in; nothing that was sealed from them is touched."""
        shutil.rmtree(self.folder, ignore_errors=True)


class StagingArea:
    """The folder of lots.

    Parameters
    ----------
    folder : may not exist yet
    keep_s : lots that nobody touched for so long are removed
    """

    def __init__(self, folder: Path, *, keep_s: float = 24 * 3600.0) -> None:
        self.folder = folder
        self.keep_s = keep_s

    def create(self) -> Lot:
        """Return a new empty lot; the old ones are swept first.

        Raises
        ------
        StorageTrouble : if too many wait, or the disk refuses
        """
        self.sweep()
        if len(self._lots()) >= _MOST_LOTS:
            raise StorageTrouble(
                f"{_MOST_LOTS} lots of files wait to be brought in already",
                remedy="bring some of them in, or throw them away",
            )
        lot = Lot(self.folder / secrets.token_hex(8))
        make_folder(lot.folder)
        return lot

    def get(self, lot_id: str) -> Lot:
        """Return a lot.

        Raises
        ------
        UnknownName : if there is none of that id
        """
        lot = Lot(self.folder / lot_id)
        if not _ID.fullmatch(lot_id) or not (lot.folder / _FACTS).is_file():
            raise UnknownName("lot of files", lot_id[:40])
        return lot

    def all(self) -> Sequence[Lot]:
        """Return the lots, the one touched last first."""
        there = [x for x in self._lots() if (x.folder / _FACTS).is_file()]
        return sorted(there, key=Lot.touched, reverse=True)

    def _lots(self) -> list[Lot]:
        try:
            return [Lot(p) for p in self.folder.iterdir() if _ID.fullmatch(p.name)]
        except (FileNotFoundError, NotADirectoryError):
            return []

    def sweep(self) -> int:
        """Remove what nobody touched for long; return how many lots went."""
        before, gone = time.time() - self.keep_s, 0
        for lot in self._lots():
            with suppress(OSError):
                if max(lot.touched(), lot.folder.stat().st_mtime) < before:
                    lot.discard()
                    gone += 1
        return gone
