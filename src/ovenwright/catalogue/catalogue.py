"""The index over sealed runs. It holds nothing that can't be read again from them."""

from __future__ import annotations

import json
import math
import weakref
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Connection,
    Engine,
    RowMapping,
    Select,
    and_,
    case,
    create_engine,
    delete,
    event,
    func,
    insert,
    make_url,
    select,
)
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import NullPool, StaticPool

from ovenwright.catalogue.entries import JudgementEntry, MeasureEntry, PairEntry, RunEntry
from ovenwright.catalogue.tables import ABOUT, JUDGEMENTS, MEASURES, METADATA, RUNS, VERSION
from ovenwright.errors import CatalogueTrouble

_REBUILD = "it is only an index: rebuild it with ovenwright runs --rebuild"


_DAMAGE = ("not a database", "malformed", "no such table", "no such column", "has no column")


def _prepare_sqlite(connection: Any, _: object) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA busy_timeout = 10000")
    with suppress(Exception):  # a read-only disk refuses; the old journal mode serves there
        cursor.execute("PRAGMA journal_mode = WAL")
    cursor.close()


def _engine(url: str) -> Engine:
    address = make_url(url)
    if address.get_backend_name() != "sqlite":
        return create_engine(address, pool_pre_ping=True)
    if address.database in {None, "", ":memory:"}:
        engine = create_engine(address, poolclass=StaticPool)
    else:
        # a connection is closed as soon as it is given back: no caller has to remember to
        engine = create_engine(address, poolclass=NullPool)
    event.listen(engine, "connect", _prepare_sqlite)
    return engine


class Catalogue:
    """An index over sealed runs and their judgements.

    Parameters
    ----------
    url : a database address, such as ``sqlite:///logbook/catalogue.sqlite``; ``sqlite://`` keeps
        the index in memory

    Raises
    ------
    CatalogueTrouble : from every method, when the database can't be read or written
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self._ready = False
        try:
            self._engine = _engine(url)
        except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as cause:
            raise CatalogueTrouble(
                f"the catalogue's address can't be used: {cause}",
                where=url.rsplit("@", maxsplit=1)[-1],
                remedy="use sqlite:///FILE, or install the driver the address names",
            ) from cause
        # an index in memory holds its connection open; it goes when the index goes
        weakref.finalize(self, self._engine.dispose)

    def __repr__(self) -> str:
        return f"Catalogue({self._where()!r})"

    def _where(self) -> str:
        return self._engine.url.render_as_string(hide_password=True)

    @contextmanager
    def _transaction(self) -> Iterator[Connection]:
        try:
            with self._engine.begin() as connection:
                if not self._ready:
                    METADATA.create_all(connection)
                    self._check_version(connection)
                    self._ready = True
                yield connection
        except SQLAlchemyError as cause:
            origin = getattr(cause, "orig", None) or cause
            raise CatalogueTrouble(
                f"the catalogue can't be used: {origin}", where=self._where(), remedy=_REBUILD
            ) from cause

    def _check_version(self, connection: Connection) -> None:
        found = connection.execute(select(ABOUT.c.version)).scalars().all()
        if not found:
            connection.execute(insert(ABOUT).values(version=VERSION))
        elif found != [VERSION]:
            raise CatalogueTrouble(
                f"the catalogue has version {found[0]}, this program reads {VERSION}",
                where=self._where(),
                remedy=_REBUILD,
            )

    def close(self) -> None:
        """Let go of the database's connections."""
        self._engine.dispose()

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def is_file(self, path: Path) -> bool:
        """Tell whether this index is that SQLite file."""
        name = self._engine.url.database
        return self._engine.url.get_backend_name() == "sqlite" and name == str(path)

    @staticmethod
    def is_damage(trouble: CatalogueTrouble) -> bool:
        """Tell whether only making the index anew helps: it is broken or of another version.

        A disk that is full, locked or read-only is no damage.
        """
        cause = trouble.__cause__
        if cause is None:
            return True
        words = str(getattr(cause, "orig", None) or cause)
        return any(sign in words for sign in _DAMAGE)

    # writing ------------------------------------------------------------------------------

    def index(self, *runs: RunEntry) -> None:
        """Put runs into the index; an entry of the same id is replaced, its judgements stay."""
        if not runs:
            return
        with self._transaction() as connection:
            for run in runs:
                row = _run_row(run)
                known = connection.execute(
                    RUNS.update().where(RUNS.c.id == run.id).values(row)
                ).rowcount
                if not known:
                    connection.execute(insert(RUNS).values(row))

    def index_judgements(self, *judgements: JudgementEntry) -> None:
        """Put judgements into the index; their runs must be there already."""
        if not judgements:
            return
        with self._transaction() as connection:
            _put_judgements(connection, judgements)

    def forget(self, *run_ids: str) -> None:
        """Take runs out of the index, with their judgements. No sealed file is touched."""
        with self._transaction() as connection:
            for run_id in run_ids:
                connection.execute(delete(MEASURES).where(MEASURES.c.run_id == run_id))
                connection.execute(delete(JUDGEMENTS).where(JUDGEMENTS.c.run_id == run_id))
                connection.execute(delete(RUNS).where(RUNS.c.id == run_id))

    def rebuild(self, runs: Iterable[RunEntry], judgements: Iterable[JudgementEntry] = ()) -> int:
        """Make the whole index anew, in one transaction; return how many runs it holds."""
        rows = [_run_row(run) for run in runs]
        with self._transaction() as connection:
            for table in (MEASURES, JUDGEMENTS, RUNS):
                connection.execute(delete(table))
            if rows:
                connection.execute(insert(RUNS), rows)
            _put_judgements(connection, judgements)
        return len(rows)

    # reading ------------------------------------------------------------------------------

    def run_ids(self) -> frozenset[str]:
        """Return the ids of all runs in the index."""
        with self._transaction() as connection:
            return frozenset(connection.execute(select(RUNS.c.id)).scalars())

    def judgement_counts(self) -> Mapping[str, int]:
        """Return how many judgements each run that has any was given."""
        query = select(JUDGEMENTS.c.run_id, func.count()).group_by(JUDGEMENTS.c.run_id)
        with self._transaction() as connection:
            return {str(run): int(n) for run, n in connection.execute(query)}

    def plans_judged(self) -> Mapping[str, tuple[int, str, int]]:
        """Return, for each plan that runs were judged against, how often it was and the last time.

        Returns
        -------
        the plan's file name under ``plans/`` to (runs, id of the run judged last, that moment in
        UTC ns)
        """
        newest = func.max(JUDGEMENTS.c.judged_ns)
        runs = func.count(JUDGEMENTS.c.run_id.distinct())
        query = select(JUDGEMENTS.c.plan, runs, newest).group_by(JUDGEMENTS.c.plan)
        found: dict[str, tuple[int, str, int]] = {}
        with self._transaction() as connection:
            for plan, count, at in connection.execute(query).all():
                last = select(JUDGEMENTS.c.run_id).where(
                    JUDGEMENTS.c.plan == plan, JUDGEMENTS.c.judged_ns == at
                )
                found[str(plan)] = (int(count), str(connection.execute(last).scalar()), int(at))
        return found

    def find(
        self,
        *,
        text: str = "",
        oven: str = "",
        product: str = "",
        verdict: str = "",
        since_ns: int | None = None,
        until_ns: int | None = None,
        digest: str = "",
        limit: int | None = None,
        offset: int = 0,
    ) -> tuple[RunEntry, ...]:
        """Return the runs that fit all that is asked, the one sealed last first.

        Parameters
        ----------
        text : every word must stand in id, title, oven, product, notes or a channel's name,
            whatever the case
        oven, product : parts of their names, whatever the case
        verdict : of the last judgement; ``none`` for runs that were never judged
        since_ns, until_ns : the run began at or after, before
        digest : the start of the run's digest
        limit, offset : which part of the answer
        """
        query = _narrowed(
            _with_verdict(),
            text=text,
            oven=oven,
            product=product,
            verdict=verdict,
            since_ns=since_ns,
            until_ns=until_ns,
            digest=digest,
        )
        query = query.order_by(RUNS.c.sealed_ns.desc(), RUNS.c.id.desc())
        if limit is not None:
            query = query.limit(limit)
        if offset:
            query = query.offset(offset)
            if limit is None:
                query = query.limit(2**31)  # MySQL and SQLite know no offset without a limit
        with self._transaction() as connection:
            return tuple(_run_entry(row) for row in connection.execute(query).mappings())

    def count(
        self,
        *,
        text: str = "",
        oven: str = "",
        product: str = "",
        verdict: str = "",
        since_ns: int | None = None,
        until_ns: int | None = None,
    ) -> int:
        """Return how many runs fit all that is asked; arguments as in :meth:`find`."""
        query = _narrowed(
            _with_verdict(),
            text=text,
            oven=oven,
            product=product,
            verdict=verdict,
            since_ns=since_ns,
            until_ns=until_ns,
        )
        with self._transaction() as connection:
            found = connection.execute(select(func.count()).select_from(query.subquery()))
            return int(found.scalar_one())

    def pairs(self) -> tuple[PairEntry, ...]:
        """Return each oven with each product it was run with, the one run last first."""
        judged = _with_verdict().subquery()
        counted = [
            func.sum(case((judged.c.verdict == word, 1), else_=0)).label(word)
            for word in ("pass", "fail", "undecided")
        ]
        query = (
            select(
                judged.c.oven,
                judged.c.product,
                func.count().label("runs"),
                func.max(judged.c.sealed_ns).label("last_ns"),
                *counted,
            )
            .group_by(judged.c.oven, judged.c.product)
            .order_by(func.max(judged.c.sealed_ns).desc())
        )
        with self._transaction() as connection:
            return tuple(
                PairEntry(
                    oven=row["oven"],
                    product=row["product"],
                    runs=int(row["runs"]),
                    last_ns=int(row["last_ns"]),
                    passed=int(row["pass"]),
                    failed=int(row["fail"]),
                    undecided=int(row["undecided"]),
                )
                for row in connection.execute(query).mappings()
            )

    def history(
        self, *, oven: str | None = None, product: str | None = None, limit: int = 1000
    ) -> tuple[tuple[RunEntry, tuple[MeasureEntry, ...]], ...]:
        """Return runs with the key measures of each one's last judgement, oldest first.

        Parameters
        ----------
        oven, product : the whole name, as it stands in the plan; None does not narrow
        limit : at most so many runs, those sealed last
        """
        query = _with_verdict()
        if oven is not None:
            query = query.where(RUNS.c.oven == oven)
        if product is not None:
            query = query.where(RUNS.c.product == product)
        query = query.order_by(RUNS.c.sealed_ns.desc(), RUNS.c.id.desc()).limit(limit)
        last = (
            select(JUDGEMENTS.c.run_id, func.max(JUDGEMENTS.c.judged_ns).label("judged_ns"))
            .group_by(JUDGEMENTS.c.run_id)
            .subquery()
        )
        chosen = query.subquery()
        lines = (
            select(MEASURES)
            .join(
                last,
                and_(last.c.run_id == MEASURES.c.run_id, last.c.judged_ns == MEASURES.c.judged_ns),
            )
            .where(MEASURES.c.run_id.in_(select(chosen.c.id)))
            .order_by(MEASURES.c.run_id, MEASURES.c.number)
        )
        with self._transaction() as connection:
            measures: dict[str, list[MeasureEntry]] = {}
            for row in connection.execute(lines).mappings():
                measures.setdefault(row["run_id"], []).append(_measure_entry(row))
            runs = [_run_entry(row) for row in connection.execute(query).mappings()]
        return tuple((run, tuple(measures.get(run.id, ()))) for run in reversed(runs))

    def judgements(self, run_id: str) -> tuple[JudgementEntry, ...]:
        """Return the judgements of a run with their key measures, oldest first."""
        heads = (
            select(JUDGEMENTS).where(JUDGEMENTS.c.run_id == run_id).order_by(JUDGEMENTS.c.judged_ns)
        )
        lines = (
            select(MEASURES)
            .where(MEASURES.c.run_id == run_id)
            .order_by(MEASURES.c.judged_ns, MEASURES.c.number)
        )
        with self._transaction() as connection:
            measures: dict[int, list[MeasureEntry]] = {}
            for row in connection.execute(lines).mappings():
                measures.setdefault(row["judged_ns"], []).append(_measure_entry(row))
            return tuple(
                JudgementEntry(
                    run_id=row["run_id"],
                    judged_ns=row["judged_ns"],
                    verdict=row["verdict"],
                    plan=row["plan"],
                    software=row["software"],
                    measures=tuple(measures.get(row["judged_ns"], ())),
                )
                for row in connection.execute(heads).mappings()
            )


def _with_verdict() -> Select[Any]:
    """Every run with the verdict and the count of its judgements."""
    latest = (
        select(
            JUDGEMENTS.c.run_id,
            func.max(JUDGEMENTS.c.judged_ns).label("judged_ns"),
            func.count().label("judgements"),
        )
        .group_by(JUDGEMENTS.c.run_id)
        .subquery()
    )
    return select(
        RUNS, JUDGEMENTS.c.verdict.label("verdict"), latest.c.judgements.label("judgements")
    ).select_from(
        RUNS.outerjoin(latest, latest.c.run_id == RUNS.c.id).outerjoin(
            JUDGEMENTS,
            and_(JUDGEMENTS.c.run_id == RUNS.c.id, JUDGEMENTS.c.judged_ns == latest.c.judged_ns),
        )
    )


def _narrowed(
    query: Select[Any],
    *,
    text: str = "",
    oven: str = "",
    product: str = "",
    verdict: str = "",
    since_ns: int | None = None,
    until_ns: int | None = None,
    digest: str = "",
) -> Select[Any]:
    """Return the query with what is asked of the runs."""
    for word in text.casefold().split():
        query = query.where(RUNS.c.folded.contains(word, autoescape=True))
    if oven:
        query = query.where(RUNS.c.oven_folded.contains(oven.casefold(), autoescape=True))
    if product:
        query = query.where(RUNS.c.product_folded.contains(product.casefold(), autoescape=True))
    if verdict == "none":
        query = query.where(JUDGEMENTS.c.verdict.is_(None))
    elif verdict:
        query = query.where(JUDGEMENTS.c.verdict == verdict)
    if since_ns is not None:
        query = query.where(RUNS.c.start_ns >= since_ns)
    if until_ns is not None:
        query = query.where(RUNS.c.start_ns < until_ns)
    if digest:
        query = query.where(RUNS.c.digest.startswith(digest, autoescape=True))
    return query


def _put_judgements(connection: Connection, judgements: Iterable[JudgementEntry]) -> None:
    for one in judgements:
        here = {"run_id": one.run_id, "judged_ns": one.judged_ns}
        for table in (MEASURES, JUDGEMENTS):
            connection.execute(
                delete(table).where(
                    table.c.run_id == one.run_id, table.c.judged_ns == one.judged_ns
                )
            )
        connection.execute(
            insert(JUDGEMENTS).values(
                verdict=one.verdict, plan=one.plan, software=one.software, **here
            )
        )
        rows = [_measure_row(m) | here | {"number": i} for i, m in enumerate(one.measures)]
        if rows:
            connection.execute(insert(MEASURES), rows)


def _run_row(run: RunEntry) -> dict[str, Any]:
    words = " ".join((run.id, run.title, run.oven, run.product, *run.notes, *run.channels))
    return {
        "id": run.id,
        "title": run.title,
        "digest": run.digest,
        "parent_digest": run.parent_digest,
        "sealed_ns": run.sealed_ns,
        "start_ns": run.start_ns,
        "absolute": run.absolute,
        "time_zone": run.time_zone,
        "duration_s": run.duration_s,
        "channel_names": json.dumps(run.channels, ensure_ascii=False),
        "samples": run.samples,
        "oven": run.oven,
        "product": run.product,
        "software": run.software,
        "notes": json.dumps(run.notes, ensure_ascii=False),
        "path": run.path,
        "folded": words.casefold(),
        "oven_folded": run.oven.casefold(),
        "product_folded": run.product.casefold(),
    }


def _run_entry(row: RowMapping) -> RunEntry:
    return RunEntry(
        id=row["id"],
        title=row["title"],
        digest=row["digest"],
        parent_digest=row["parent_digest"],
        sealed_ns=row["sealed_ns"],
        start_ns=row["start_ns"],
        absolute=row["absolute"],
        time_zone=row["time_zone"],
        duration_s=row["duration_s"],
        channels=tuple(json.loads(row["channel_names"])),
        samples=row["samples"],
        oven=row["oven"],
        product=row["product"],
        software=row["software"],
        notes=tuple(json.loads(row["notes"])),
        path=row["path"],
        verdict=row["verdict"] or "",
        judgements=row["judgements"] or 0,
    )


_NUMBERS = ("value", "standard_uncertainty", "low_95", "high_95", "probability")


def _measure_row(one: MeasureEntry) -> dict[str, Any]:
    numbers = {name: getattr(one, name) for name in _NUMBERS}
    return {
        "requirement": one.requirement,
        "measure": one.measure,
        "channel": one.channel,
        "unit": one.unit,
        "verdict": one.verdict,
    } | {name: v if math.isfinite(v) else None for name, v in numbers.items()}


def _measure_entry(row: RowMapping) -> MeasureEntry:
    return MeasureEntry(
        requirement=row["requirement"],
        measure=row["measure"],
        channel=row["channel"],
        unit=row["unit"],
        verdict=row["verdict"],
        **{name: math.nan if row[name] is None else row[name] for name in _NUMBERS},
    )
