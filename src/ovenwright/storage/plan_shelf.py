"""The plan shelf: plans by name, each with all its versions, who wrote them, when and why.

One folder a plan, ``plan-shelf/ID``; in it ``1.toml``, ``2.toml`` … as written, and beside each
``1.json`` with what is known of it. A version is never changed. A plan that is offered no more is
retired, and brought back, by a further file ``standing-N.json``: each says when, who and why, the
last one counts. Sealed runs do not rest on the
shelf: they carry the text of their plan.
"""

from __future__ import annotations

import json
import re
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.storage.digest import digest_bytes
from ovenwright.storage.durable import sweep, trouble_from, whole_file
from ovenwright.storage.logbook import slug
from ovenwright.storage.run_facts import iso_from_ns

ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")
MOST_BYTES = 500_000
"""A plan with 512 channels, every key of each written out, takes about two thirds of this."""
_ID_LENGTH = 40
_TAKEN = frozenset({"new", "practice"})  # addresses of pages
_FILE = re.compile(r"([1-9]\d{0,5})\.toml")
_STANDING = re.compile(r"standing-([1-9]\d{0,5})\.json")


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a plan. ``faults`` is how many it had when it was kept; ``sha256`` of its text."""

    plan: str
    number: int
    saved: str
    who: str
    why: str
    sha256: str
    faults: int = 0
    origin: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """One step of a plan's standing: retired, or brought back; when, by whom and why."""

    plan: str
    retired: bool
    at: str
    who: str
    why: str


class PlanShelf:
    """The shelf in one folder. Nothing is made on disk before something is kept."""

    def __init__(self, folder: Path) -> None:
        self.folder = Path(folder)

    def __repr__(self) -> str:
        return f"PlanShelf({str(self.folder)!r})"

    def ids(self) -> tuple[str, ...]:
        """Return the ids of all plans that have a version."""
        try:
            found = sorted(p.name for p in self.folder.iterdir() if ID.fullmatch(p.name))
        except (FileNotFoundError, NotADirectoryError):
            return ()
        except OSError as cause:
            raise trouble_from(cause, self.folder) from cause
        return tuple(i for i in found if self._numbers(i))

    def _numbers(self, plan_id: str, named: re.Pattern[str] = _FILE) -> list[int]:
        try:
            names = [p.name for p in (self.folder / plan_id).iterdir()]
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as cause:
            raise trouble_from(cause, self.folder / plan_id) from cause
        return sorted(int(m[1]) for n in names if (m := named.fullmatch(n)))

    def numbers(self, plan_id: str) -> tuple[int, ...]:
        """Return the numbers of a plan's versions, rising.

        Raises
        ------
        UnknownName : if there is no such plan
        """
        found = self._numbers(plan_id) if ID.fullmatch(plan_id) else []
        if not found:
            raise UnknownName("plan", plan_id, known=self.ids())
        return tuple(found)

    def last(self, plan_id: str) -> Version:
        """Return the newest version of a plan; raises as :meth:`version`."""
        return self.version(plan_id, self.numbers(plan_id)[-1])

    def versions(self, plan_id: str) -> tuple[Version, ...]:
        """Return all versions of a plan, the newest first; raises as :meth:`version`."""
        return tuple(self.version(plan_id, n) for n in reversed(self.numbers(plan_id)))

    def version(self, plan_id: str, number: int) -> Version:
        """Return what is known of one version.

        Raises
        ------
        UnknownName : if there is no such plan or version
        StorageTrouble : if it can't be read
        """
        path = self._path(plan_id, number).with_suffix(".json")
        try:
            facts: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
            return Version(
                plan_id,
                number,
                str(facts["saved"]),
                str(facts["who"]),
                str(facts["why"]),
                str(facts["sha256"]),
                int(facts["faults"]),
                str(facts["origin"]),
            )
        except FileNotFoundError:  # the machine stopped between the two files: the text is whole
            text = self._path(plan_id, number)
            stamp = iso_from_ns(text.stat().st_mtime_ns)
            return Version(plan_id, number, stamp, "", "", digest_bytes(text.read_bytes()))
        except OSError as cause:
            raise trouble_from(cause, path) from cause
        except (ValueError, KeyError, TypeError) as cause:
            raise StorageTrouble(
                "what is known of a plan's version can't be read",
                where=str(path),
                remedy="restore the file from a copy; the plan's own text stands beside it",
            ) from cause

    def _path(self, plan_id: str, number: int) -> Path:
        if number not in self.numbers(plan_id):
            raise UnknownName(
                f"version of plan {plan_id}",
                str(number),
                known=[str(n) for n in reversed(self.numbers(plan_id))],
            )
        return self.folder / plan_id / f"{number}.toml"

    def text(self, plan_id: str, number: int | None = None) -> str:
        """Return the text of a version, of the newest when ``number`` is left out.

        Raises
        ------
        UnknownName : if there is no such plan or version
        StorageTrouble : if it can't be read, or was altered after it was kept
        """
        number = self.numbers(plan_id)[-1] if number is None else number
        path = self._path(plan_id, number)
        try:
            content = path.read_bytes()
            text = content.decode("utf-8")
        except OSError as cause:
            raise trouble_from(cause, path) from cause
        except UnicodeDecodeError as cause:
            raise StorageTrouble("the kept plan is damaged", where=str(path)) from cause
        if digest_bytes(content) != self.version(plan_id, number).sha256:
            raise StorageTrouble(
                "this version of the plan was altered after it was kept",
                where=str(path),
                remedy="restore it from a copy, or bring the altered file in as a new version",
            )
        return text

    def standings(self, plan_id: str) -> tuple[Standing, ...]:
        """Return each time a plan was retired or brought back, the oldest first.

        Raises
        ------
        UnknownName : if there is no such plan
        StorageTrouble : if one can't be read
        """
        self.numbers(plan_id)
        return tuple(self._standing(plan_id, n) for n in self._numbers(plan_id, _STANDING))

    def retired(self, plan_id: str) -> Standing | None:
        """Return how a plan was retired, None where it is offered; raises as :meth:`standings`."""
        steps = self._numbers(plan_id, _STANDING)
        last = self._standing(plan_id, steps[-1]) if steps else None
        return last if last is not None and last.retired else None

    def _standing(self, plan_id: str, number: int) -> Standing:
        path = self.folder / plan_id / f"standing-{number}.json"
        try:
            facts: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
            return Standing(
                plan_id,
                bool(facts["retired"]),
                str(facts["at"]),
                str(facts["who"]),
                str(facts["why"]),
            )
        except OSError as cause:
            raise trouble_from(cause, path) from cause
        except (ValueError, KeyError, TypeError) as cause:
            raise StorageTrouble(
                "whether this plan is retired can't be read",
                where=str(path),
                remedy="restore the file from a copy",
            ) from cause

    def set_standing(self, plan_id: str, *, retired: bool, who: str, why: str) -> Standing | None:
        """Retire a plan or bring it back; None when somebody just did the like.

        Raises
        ------
        UnknownName : if there is no such plan
        StorageTrouble : if the disk refuses
        """
        self.numbers(plan_id)
        if (self.retired(plan_id) is not None) == retired:
            return None
        number = (self._numbers(plan_id, _STANDING) or [0])[-1] + 1
        made = Standing(plan_id, retired, iso_from_ns(time.time_ns()), who, why)
        rows = {k: v for k, v in asdict(made).items() if k != "plan"}
        try:
            with whole_file(self.folder / plan_id / f"standing-{number}.json") as temp:
                temp.write_text(json.dumps(rows, ensure_ascii=False, indent=1), encoding="utf-8")
        except StorageTrouble as cause:
            if isinstance(cause.__cause__, FileExistsError):
                return None
            raise
        return made

    def create(
        self,
        text: str,
        *,
        name: str,
        who: str,
        why: str = "",
        faults: int = 0,
        origin: str = "",
    ) -> Version:
        """Keep a text as the first version of a new plan; its id is made from ``name``.

        Raises
        ------
        UsageError : if the text is too large
        StorageTrouble : if the disk refuses
        """
        _refuse_large(text)
        stem = slug(name, length=_ID_LENGTH) or "plan"
        stem = f"{stem}-plan" if stem in _TAKEN else stem
        plan_id, count = stem, 1
        while True:
            if not self._numbers(plan_id):
                kept = self._keep(text, Version(plan_id, 1, "", who, why, "", faults, origin))
                if kept is not None:
                    return kept
            count += 1
            plan_id = f"{stem}-{count}"

    def add(
        self,
        plan_id: str,
        text: str,
        *,
        after: int,
        who: str,
        why: str,
        faults: int = 0,
        origin: str = "",
    ) -> Version | None:
        """Keep a text as the version after ``after``; None when there is one already.

        Raises
        ------
        UnknownName : if there is no such plan
        UsageError : if the text is too large
        StorageTrouble : if the disk refuses
        """
        _refuse_large(text)
        if self.numbers(plan_id)[-1] != after:
            return None
        return self._keep(text, Version(plan_id, after + 1, "", who, why, "", faults, origin))

    def _keep(self, text: str, facts: Version) -> Version | None:
        folder = self.folder / facts.plan
        target = folder / f"{facts.number}.toml"
        content = text.encode("utf-8")
        sweep(folder)
        try:
            with whole_file(target) as temp:  # refuses a number that is taken, in one step
                temp.write_bytes(content)
        except StorageTrouble as cause:
            if isinstance(cause.__cause__, FileExistsError):
                return None
            raise
        kept = Version(
            facts.plan,
            facts.number,
            iso_from_ns(time.time_ns()),
            facts.who,
            facts.why,
            digest_bytes(content),
            facts.faults,
            facts.origin,
        )
        rows = {k: v for k, v in asdict(kept).items() if k not in {"plan", "number"}}
        with whole_file(target.with_suffix(".json"), overwrite=True) as temp:
            temp.write_text(json.dumps(rows, ensure_ascii=False, indent=1), encoding="utf-8")
        return kept


def _refuse_large(text: str) -> None:
    try:
        size = len(text.encode("utf-8"))
    except UnicodeEncodeError as cause:
        raise UsageError("the text holds half a character", remedy="save it as UTF-8") from cause
    if size > MOST_BYTES:
        raise UsageError(
            f"{size:,} bytes are no plan",
            remedy=f"at most {MOST_BYTES:,}; readings are brought in as such",
        )
