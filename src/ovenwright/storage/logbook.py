"""The logbook: the folder where plans, sealed runs, originals, judgements and reports are kept."""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import time
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright import __version__
from ovenwright.domain.run import Run
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.storage.digest import digest_bytes, digest_series
from ovenwright.storage.durable import make_folder, sweep, trouble_from, whole_file
from ovenwright.storage.run_facts import SealedFacts, iso_from_ns
from ovenwright.storage.sealed import (
    SUFFIX,
    VerifyFacts,
    open_run,
    read_facts,
    seal_run,
    verify_run,
)

LAST = "last"
_SLUG_LENGTH = 16  # so that an id stays whole in a table of 80 columns
_RECENT = 200  # how many files are asked for their sealing time when "last" is looked for
_ID = re.compile(r"[\w][\w.+-]{0,119}")

Original = tuple[str, bytes | Path]


def slug(text: str, *, length: int = _SLUG_LENGTH) -> str:
    """Return ``text`` as it may stand in a file name: ASCII letters, digits, single hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")
    if len(words) <= length:
        return words
    cut = words[: length + 1].rsplit("-", 1)[0]
    return cut[:length].strip("-")


class Logbook:
    """A logbook folder. Nothing is made on disk before something is kept.

    Parameters
    ----------
    folder : the logbook's folder; may not exist yet
    rescue : seals the recording of that id that was cut off, and returns whether there was one;
        asked when a run is called by a name that no sealed run has
    """

    def __init__(self, folder: Path, *, rescue: Callable[[str], bool] | None = None) -> None:
        self.folder = Path(folder)
        self._rescue = rescue

    def __repr__(self) -> str:
        return f"Logbook({str(self.folder)!r})"

    @property
    def runs_dir(self) -> Path:
        """Sealed runs, one file each."""
        return self.folder / "runs"

    @property
    def plans_dir(self) -> Path:
        """Plans that runs were judged against, by the start of their SHA-256."""
        return self.folder / "plans"

    @property
    def plan_shelf_dir(self) -> Path:
        """Plans by name, one folder each, with every version of them."""
        return self.folder / "plan-shelf"

    @property
    def reports_dir(self) -> Path:
        """Reports."""
        return self.folder / "reports"

    @property
    def originals_dir(self) -> Path:
        """Files as they were brought in, by SHA-256."""
        return self.folder / "originals"

    @property
    def judgements_dir(self) -> Path:
        """Judgements, one folder a run."""
        return self.folder / "judgements"

    @property
    def journals_dir(self) -> Path:
        """Journals of recordings that are going on, or were cut off."""
        return self.folder / "journals"

    @property
    def catalogue_file(self) -> Path:
        """The index over the sealed runs, made anew from them at will."""
        return self.folder / "catalogue.sqlite"

    # runs ---------------------------------------------------------------------------------

    def run_ids(self) -> tuple[str, ...]:
        """Return the ids of all sealed runs, in the order of their names."""
        return tuple(sorted(p.name.removesuffix(SUFFIX) for p in self._files()))

    def _files(self) -> list[Path]:
        try:
            return [
                p
                for p in self.runs_dir.iterdir()
                if p.name.endswith(SUFFIX) and not p.name.startswith(".")
            ]
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as cause:
            raise trouble_from(cause, self.runs_dir) from cause

    def seal(self, run: Run, originals: Iterable[Original] = ()) -> Run:
        """Seal a run into the logbook.

        Parameters
        ----------
        run : the run; an empty ``id`` is given a sortable, readable one
        originals : the files it was read from, as (name, content or path); kept untouched

        Returns
        -------
        the run as sealed, with id, digest, sealing time and software

        Raises
        ------
        StorageTrouble : if the disk refuses or a run of that id exists; nothing half-written stays
        UsageError : if the id can't be a file name
        """
        if run.id and not _ID.fullmatch(run.id):
            raise UsageError(
                f"{run.id!r} can't name a run",
                remedy="use letters, digits, hyphens and dots, at most 120",
            )
        now = time.time_ns()
        for folder in (self.runs_dir, self.originals_dir):
            sweep(folder)
        new: list[Path] = []
        try:
            kept = [self._keep_original(name, content, new) for name, content in originals]
            if kept:
                run = replace(
                    run,
                    instrument=replace(
                        run.instrument,
                        origin=tuple(name for name, _ in kept),
                        origin_sha256=tuple(sha for _, sha in kept),
                    ),
                )
            if not run.id:
                run = replace(run, id=self._new_id(run, now))
            return seal_run(run, self._file_of(run.id), sealed_ns=now)
        except BaseException:
            for path in new:
                path.unlink(missing_ok=True)
            raise

    def _file_of(self, run_id: str) -> Path:
        return self.runs_dir / f"{run_id}{SUFFIX}"

    def _new_id(self, run: Run, now_ns: int) -> str:
        began = run.start_ns if run.absolute else now_ns
        day, clock = str(np.datetime64(began, "ns").astype("datetime64[m]")).split("T")
        arrays = [f"{n}:{d}" for n, d in digest_series(run.series).items()]
        bits = digest_bytes("\n".join([run.title, run.parent_digest, *arrays]).encode())[:4]
        words = slug(run.title)
        stem = "-".join(part for part in (day, clock.replace(":", ""), words, bits) if part)
        name, count = stem, 1
        while self._file_of(name).exists():
            count += 1
            name = f"{stem}-{count}"
        return name

    def path_of(self, ref: str) -> Path:
        """Return the sealed file that ``ref`` stands for.

        Parameters
        ----------
        ref : a run's id, the start of one, ``last`` for the run sealed last, or a path

        Raises
        ------
        UnknownName : if nothing fits
        UsageError : if the start of an id fits several runs
        """
        if ref == LAST:
            return self._last()
        if _ID.fullmatch(ref):
            exact = self._file_of(ref.removesuffix(SUFFIX))
            if exact.is_file():
                return exact
        direct = Path(ref)
        if direct.is_file():
            return direct
        ids = self.run_ids()
        fits = [i for i in ids if ref and i.startswith(ref)]
        if len(fits) == 1:
            return self._file_of(fits[0])
        if fits:
            raise UsageError(
                f"{ref!r} is the start of {len(fits)} runs",
                where=str(self.folder),
                remedy="write more of it: " + ", ".join(fits[-6:]),
            )
        if self._rescue is not None and self.journals_dir.is_dir() and self._rescue(ref):
            return Logbook(self.folder).path_of(ref)
        raise UnknownName("run", ref, known=ids[::-1], where=str(self.folder))

    def _last(self) -> Path:
        dated: list[tuple[int, str, Path]] = []
        for path in self._files():
            try:
                dated.append((path.stat().st_mtime_ns, path.name, path))
            except FileNotFoundError:
                continue
        if not dated:
            raise UnknownName("run", LAST, where=str(self.folder))
        # a copied logbook may have lost its file times, so the newest files are asked themselves
        best: tuple[int, str, Path] | None = None
        trouble: StorageTrouble | None = None
        for _, name, path in sorted(dated)[-_RECENT:]:
            try:
                candidate = (read_facts(path).sealed_ns, name, path)
            except StorageTrouble as cause:
                trouble = cause
                continue
            best = candidate if best is None else max(best, candidate)
        if best is None:
            raise trouble or UnknownName("run", LAST, where=str(self.folder))
        return best[2]

    def open(self, ref: str, *, verify: bool = True) -> Run:
        """Read a run; ``ref`` as in :meth:`path_of`.

        What is said of a run carries its digest, so the digest is made anew unless ``verify`` is
        False: nothing is judged, told or exported from readings that were altered after sealing.

        Raises
        ------
        UnknownName, UsageError : as :meth:`path_of`
        StorageTrouble : if the file is damaged, or a byte of it changed
        DigestMismatch : if readings or facts aren't what was sealed
        """
        return open_run(self.path_of(ref), verify=verify)

    def facts(self, ref: str) -> SealedFacts:
        """Return what the foot of a run's file tells, without reading its values."""
        return read_facts(self.path_of(ref))

    def verify(self, ref: str) -> VerifyFacts:
        """Prove that a run is what was sealed; raises as :func:`storage.sealed.verify_run`."""
        return verify_run(self.path_of(ref))

    # originals ----------------------------------------------------------------------------

    def _keep_original(self, name: str, content: bytes | Path, new: list[Path]) -> tuple[str, str]:
        title = Path(name).name
        sha = digest_bytes(content) if isinstance(content, bytes) else _sha256_of(content)
        target = self.original(sha, title)
        if not target.exists():
            with whole_file(target, read_only=True) as temp:
                if isinstance(content, bytes):
                    temp.write_bytes(content)
                else:
                    _copy(content, temp)
                if _sha256_of(temp) != sha:
                    raise StorageTrouble(
                        "the file changed while it was being copied",
                        where=str(content) if isinstance(content, Path) else title,
                        remedy="wait until the instrument's program has closed it and try again",
                    )
            new.append(target)
        return title, sha

    def original(self, sha256: str, name: str) -> Path:
        """Return where the original of that SHA-256 and name is kept."""
        return self.originals_dir / f"{sha256}{''.join(Path(name).suffixes[-2:])[:20].lower()}"

    def check_original(self, sha256: str, name: str) -> None:
        """Prove a kept original unaltered.

        Raises
        ------
        StorageTrouble : if it can't be read or its bytes changed
        """
        path = self.original(sha256, name)
        if _sha256_of(path) != sha256:
            raise StorageTrouble(
                "the original file was altered after it was kept",
                where=str(path),
                remedy="restore it from a copy",
            )

    # judgements ---------------------------------------------------------------------------

    def keep_judgement(
        self, run: Run, judgement: Mapping[str, Any], *, plan_toml: str = ""
    ) -> Path:
        """Keep a judgement of a run as a record of its own that cites the run's digest.

        Parameters
        ----------
        run : the sealed run that was judged
        judgement : plain data; NaN and infinities are written as null
        plan_toml : the plan it was judged against, kept once under ``plans/``

        Returns
        -------
        the file that was written

        Raises
        ------
        StorageTrouble : if the disk refuses, or the judgement holds something that is no plain data
        """
        now = time.time_ns()
        record: dict[str, Any] = {
            "run": run.id,
            "run_digest": run.digest,
            "judged": iso_from_ns(now),
            "software": f"ovenwright {__version__}",
            "plan": self.keep_plan(plan_toml).name if plan_toml else "",
            "judgement": _plain(judgement),
        }
        record["sha256"] = _record_digest(record)
        stamp = iso_from_ns(now).replace(":", "").replace("-", "").replace(".", "-")
        target = self.judgements_dir / run.id / f"{stamp}.json"
        try:
            text = json.dumps(record, ensure_ascii=False, indent=1, allow_nan=False)
            content = text.encode("utf-8")
        except (TypeError, ValueError) as cause:
            raise StorageTrouble(
                f"the judgement can't be written as plain data: {cause}", where=run.id
            ) from cause
        with whole_file(target) as temp:
            temp.write_bytes(content)
        return target

    def judgements(self, run_id: str) -> tuple[dict[str, Any], ...]:
        """Return the records :meth:`keep_judgement` kept for a run, oldest first.

        Raises
        ------
        StorageTrouble : if a record can't be read or was altered
        """
        folder = self.judgements_dir / run_id
        return tuple(self._judgement(p) for p in self._records(folder))

    def judged_ids(self) -> frozenset[str]:
        """Return the ids of runs that have a folder of judgements."""
        try:
            return frozenset(p.name for p in self.judgements_dir.iterdir() if p.is_dir())
        except (FileNotFoundError, NotADirectoryError):
            return frozenset()
        except OSError as cause:
            raise trouble_from(cause, self.judgements_dir) from cause

    def judged_when(self) -> Mapping[str, int]:
        """Return the runs that have a folder of judgements, with when each last changed, in ns."""
        try:
            with os.scandir(self.judgements_dir) as found:
                return {e.name: e.stat().st_mtime_ns for e in found if e.is_dir()}
        except (FileNotFoundError, NotADirectoryError):
            return {}
        except OSError as cause:
            raise trouble_from(cause, self.judgements_dir) from cause

    def judgement_count(self, run_id: str) -> int:
        """Return how many judgements a run has, without reading them."""
        return len(self._records(self.judgements_dir / run_id))

    @staticmethod
    def _records(folder: Path) -> list[Path]:
        try:
            return sorted(p for p in folder.glob("*.json") if not p.name.startswith("."))
        except OSError as cause:
            raise trouble_from(cause, folder) from cause

    @staticmethod
    def _judgement(path: Path) -> dict[str, Any]:
        try:
            record = json.loads(path.read_text(encoding="utf-8"))
            stored = record.pop("sha256")
            intact = _record_digest(record) == stored
        except OSError as cause:
            raise trouble_from(cause, path) from cause
        except (ValueError, KeyError, AttributeError, TypeError) as cause:
            raise StorageTrouble(
                "the record of a judgement can't be read",
                where=str(path),
                remedy="restore it from a copy, or judge the run again",
            ) from cause
        if not intact:
            raise StorageTrouble(
                "the record of a judgement was altered after it was kept",
                where=str(path),
                remedy="restore it from a copy, or judge the run again",
            )
        return dict(record) | {"sha256": stored}

    def keep_plan(self, plan_toml: str) -> Path:
        """Keep the text of a plan under the start of its SHA-256, once."""
        content = plan_toml.encode("utf-8")
        target = self.plans_dir / f"{digest_bytes(content)[:16]}.toml"
        if not target.exists():
            with whole_file(target, overwrite=True) as temp:
                temp.write_bytes(content)
        return target

    def make_reports_dir(self) -> Path:
        """Return the folder of reports, made if need be."""
        make_folder(self.reports_dir)
        return self.reports_dir


def _record_digest(record: Mapping[str, Any]) -> str:
    text = json.dumps(record, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return digest_bytes(text.encode("utf-8", "surrogatepass"))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Sequence):
        return [_plain(v) for v in value]
    return value


def _sha256_of(path: Path) -> str:
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as cause:
        raise trouble_from(cause, path) from cause


def _copy(source: Path, target: Path) -> None:
    with source.open("rb") as reader, target.open("wb") as writer:
        while piece := reader.read(1 << 20):
            writer.write(piece)
