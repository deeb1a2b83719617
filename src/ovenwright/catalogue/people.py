"""People kept in a database: accounts, sessions, passes, failed attempts, the trail, signatures.

Unlike the index over runs, nothing here can be made anew from other files.
"""

from __future__ import annotations

import weakref
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import asdict, replace
from pathlib import Path
from threading import Lock
from typing import Any

from sqlalchemy import (
    Connection,
    Engine,
    RowMapping,
    Table,
    create_engine,
    delete,
    event,
    func,
    insert,
    inspect,
    make_url,
    select,
    update,
)
from sqlalchemy.exc import (
    ArgumentError,
    IntegrityError,
    NoSuchModuleError,
    SQLAlchemyError,
)
from sqlalchemy.pool import QueuePool, StaticPool

from ovenwright.catalogue.people_tables import (
    ABOUT,
    ACCOUNTS,
    ATTEMPTS,
    PASSES,
    PEOPLE,
    SESSIONS,
    SIGNATURES,
    TRAIL,
    VERSION,
)
from ovenwright.domain.people import (
    Account,
    Change,
    Pass,
    Role,
    Session,
    Signature,
    TrailState,
    change_hash,
    check_trail,
    signature_hash,
    wait_after,
)
from ovenwright.errors import CatalogueTrouble, UnknownName, UsageError

_REMEDY = "check the disk and the rights on it; the record of people can't be made anew"
_WRITING = 0x0F_E7  # any number, the same for all who write
_FORGET_NS = 24 * 3600 * 10**9
_PIECE = 2000


def _prepare_sqlite(connection: Any, _: object) -> None:
    connection.isolation_level = None  # transactions are begun by hand, see _begin_sqlite
    cursor = connection.cursor()
    cursor.execute("PRAGMA busy_timeout = 10000")
    with suppress(Exception):  # a read-only disk refuses; the old journal mode serves there
        cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # who means to write takes the lock at once, so that two can't read the same head of the chain
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


class People:
    """The people of one logbook.

    Parameters
    ----------
    url : a database address; an SQLite file is made, for its owner only, by the first writing

    Raises
    ------
    CatalogueTrouble : from every method, when the database can't be read or written
    """

    def __init__(self, url: str) -> None:
        self._ready = False
        try:
            address = make_url(url)
            self._sqlite = address.get_backend_name() == "sqlite"
            in_memory = self._sqlite and address.database in {None, "", ":memory:"}
            self._file = Path(str(address.database)) if self._sqlite and not in_memory else None
            self._engine = self._make_engine(url, in_memory=in_memory)
            # in memory all threads share one connection, which does one thing at a time
            self._alone = Lock() if in_memory else nullcontext()
        except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as cause:
            raise CatalogueTrouble(
                f"the address of the people's database can't be used: {cause}",
                where=url.rsplit("@", maxsplit=1)[-1],
                remedy="use sqlite:///FILE, or install the driver the address names",
            ) from cause
        weakref.finalize(self, self._engine.dispose)

    def _make_engine(self, url: str, *, in_memory: bool) -> Engine:
        if not self._sqlite:
            return create_engine(url, pool_pre_ping=True)
        if in_memory:
            engine = create_engine(
                url, poolclass=StaticPool, connect_args={"check_same_thread": False}
            )
        else:
            # opening the file anew for each request would cost more than all its questions
            engine = create_engine(
                url,
                poolclass=QueuePool,
                pool_size=4,
                max_overflow=40,
                connect_args={"check_same_thread": False},
            )
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine

    def __repr__(self) -> str:
        return f"People({self._engine.url.render_as_string(hide_password=True)!r})"

    @property
    def begun(self) -> bool:
        """Whether anything was ever kept here; cheap, and creates nothing."""
        return self._file is None or self._file.is_file()

    def close(self) -> None:
        """Let go of the database's connections."""
        self._engine.dispose()

    @contextmanager
    def _transaction(self, *, writes: bool) -> Iterator[Connection | None]:
        """Yield a connection; None where there is nothing to read yet."""
        if not writes and not self.begun:
            yield None
            return
        try:
            if writes and self._file is not None and not self._file.exists():
                self._file.parent.mkdir(parents=True, exist_ok=True)
                self._file.touch(mode=0o600)  # before the first word is in it
            with (
                self._alone,
                self._engine.connect().execution_options(writes=writes) as connection,
                connection.begin(),
            ):
                if writes and not self._sqlite:
                    # as SQLite does by itself: one who writes at a time
                    connection.execute(select(func.pg_advisory_xact_lock(_WRITING)))
                ready = self._made_ready(connection, writes=writes)
                yield connection if ready else None
            self._ready = ready  # not before the tables are there for others too
        except SQLAlchemyError as cause:
            origin = getattr(cause, "orig", None) or cause
            raise CatalogueTrouble(
                f"the record of people can't be used: {origin}",
                where=self._engine.url.render_as_string(hide_password=True),
                remedy=_REMEDY,
            ) from cause
        except OSError as cause:
            raise CatalogueTrouble(
                f"the record of people can't be made: {cause.strerror or cause}",
                where=str(self._file),
                remedy=_REMEDY,
            ) from cause

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with self._transaction(writes=True) as connection:
            assert connection is not None  # noqa: S101 - only reading may find nothing
            yield connection

    def _made_ready(self, connection: Connection, *, writes: bool) -> bool:
        """Make the tables when somebody writes; tell whether there is anything to read."""
        if self._ready:
            return True
        if writes:
            PEOPLE.create_all(connection)
        elif not inspect(connection).has_table(ABOUT.name):
            return False
        self._check_version(connection)
        return True

    def _check_version(self, connection: Connection) -> None:
        found = connection.execute(select(ABOUT.c.version)).scalars().all()
        if not found:
            connection.execute(insert(ABOUT).values(version=VERSION))
        elif found != [VERSION]:
            raise CatalogueTrouble(
                f"the record of people has version {found[0]}, this program reads {VERSION}",
                remedy="use the version of the program that wrote it",
            )

    # accounts -----------------------------------------------------------------------------

    def has_accounts(self) -> bool:
        """Tell whether anybody ever got an account."""
        with self._transaction(writes=False) as connection:
            if connection is None:
                return False
            return connection.execute(select(ACCOUNTS.c.name).limit(1)).first() is not None

    def accounts(self) -> tuple[Account, ...]:
        """Return all accounts, by name."""
        with self._transaction(writes=False) as connection:
            if connection is None:
                return ()
            rows = connection.execute(select(ACCOUNTS).order_by(ACCOUNTS.c.name)).mappings()
            return tuple(_account(r) for r in rows)

    def account(self, name: str) -> Account | None:
        """Return the account of that name, or None."""
        with self._transaction(writes=False) as connection:
            return None if connection is None else _find(connection, name)

    def add_account(self, account: Account, *, first: bool = False) -> None:
        """Keep a new account.

        Parameters
        ----------
        first : only if there is no account yet

        Raises
        ------
        UsageError : if the name was ever given, or somebody was first already
        """
        try:
            with self._writing() as connection:
                if first and connection.execute(select(ACCOUNTS.c.name).limit(1)).first():
                    raise UsageError(
                        "somebody has an account already", remedy="sign in, or ask an engineer"
                    )
                connection.execute(
                    insert(ACCOUNTS).values(asdict(account) | {"role": int(account.role)})
                )
        except CatalogueTrouble as trouble:
            if not isinstance(trouble.__cause__, IntegrityError):
                raise
            raise UsageError(
                f"the name {account.name!r} was given already",
                remedy="choose another; a name is never given twice",
            ) from trouble

    def change_account(
        self,
        name: str,
        *,
        role: Role | None = None,
        enabled: bool | None = None,
        full_name: str | None = None,
        secret: str | None = None,
        must_change: bool | None = None,
    ) -> tuple[Account, Account]:
        """Change an account and return it as it was and as it is; what is None stays.

        A new secret, or an account put out of use, ends all its sessions.

        Raises
        ------
        UnknownName : if there is no such account
        UsageError : if nobody would be left to manage the accounts
        """
        wanted = {
            "role": None if role is None else int(role),
            "enabled": enabled,
            "full_name": full_name,
            "secret": secret,
            "must_change": must_change,
        }
        values = {k: v for k, v in wanted.items() if v is not None}
        with self._writing() as connection:
            before = _find(connection, name)
            if before is None:
                raise UnknownName("account", name)
            if values:
                connection.execute(update(ACCOUNTS).where(ACCOUNTS.c.name == name).values(values))
            able = connection.execute(
                select(func.count()).where(
                    ACCOUNTS.c.enabled, ACCOUNTS.c.role == int(Role.ENGINEER)
                )
            ).scalar_one()
            if not able:
                raise UsageError(
                    "nobody would be left to manage the accounts",
                    where=name,
                    remedy="give the role engineer to somebody else first",
                )
            if secret is not None or enabled is False:
                connection.execute(delete(SESSIONS).where(SESSIONS.c.name == name))
            after = _find(connection, name)
        assert after is not None  # noqa: S101 - found a moment ago, and none is ever removed
        return before, after

    # sessions and passes ------------------------------------------------------------------

    def add_session(self, session: Session, *, instead_of: str = "") -> None:
        """Keep a session, in place of the one whose key is given."""
        with self._writing() as connection:
            connection.execute(delete(SESSIONS).where(SESSIONS.c.key == instead_of))
            connection.execute(
                delete(SESSIONS).where(SESSIONS.c.created_ns < session.created_ns - 40 * _FORGET_NS)
            )
            connection.execute(insert(SESSIONS).values(asdict(session)))

    def session(self, key: str) -> tuple[Session, Account] | None:
        """Return a session with the account it belongs to, or None; enabled accounts only."""
        query = (
            select(SESSIONS, *_account_columns())
            .join(ACCOUNTS, ACCOUNTS.c.name == SESSIONS.c.name)
            .where(SESSIONS.c.key == key, ACCOUNTS.c.enabled)
        )
        with self._transaction(writes=False) as connection:
            row = None if connection is None else connection.execute(query).mappings().first()
        if row is None:
            return None
        found = Session(row["key"], row["name"], row["created_ns"], row["seen_ns"])
        return found, _account(row, prefix="account_")

    def seen(self, key: str, at_ns: int) -> None:
        """Keep when a session was last used."""
        with self._writing() as connection:
            connection.execute(update(SESSIONS).where(SESSIONS.c.key == key).values(seen_ns=at_ns))

    def end_session(self, key: str) -> None:
        """End a session."""
        with self._writing() as connection:
            connection.execute(delete(SESSIONS).where(SESSIONS.c.key == key))

    def add_pass(self, one: Pass) -> None:
        """Keep the pass of a script."""
        with self._writing() as connection:
            connection.execute(insert(PASSES).values(asdict(one) | {"role": int(one.role)}))

    def passes(self, name: str = "") -> tuple[Pass, ...]:
        """Return the passes of one account, or all; the newest first."""
        query = select(PASSES).order_by(PASSES.c.created_ns.desc(), PASSES.c.id)
        if name:
            query = query.where(PASSES.c.name == name)
        with self._transaction(writes=False) as connection:
            if connection is None:
                return ()
            return tuple(_pass(r) for r in connection.execute(query).mappings())

    def pass_of(self, key: str) -> tuple[Pass, Account] | None:
        """Return a pass with its account, or None; neither revoked nor of a disabled account."""
        query = (
            select(PASSES, *_account_columns())
            .join(ACCOUNTS, ACCOUNTS.c.name == PASSES.c.name)
            .where(PASSES.c.key == key, ~PASSES.c.revoked, ACCOUNTS.c.enabled)
        )
        with self._transaction(writes=False) as connection:
            row = None if connection is None else connection.execute(query).mappings().first()
        return None if row is None else (_pass(row), _account(row, prefix="account_"))

    def pass_used(self, pass_id: str, at_ns: int) -> None:
        """Keep when a pass was last used."""
        with self._writing() as connection:
            connection.execute(update(PASSES).where(PASSES.c.id == pass_id).values(used_ns=at_ns))

    def revoke_pass(self, pass_id: str) -> Pass:
        """Put a pass out of use.

        Raises
        ------
        UnknownName : if there is none of that id
        """
        with self._writing() as connection:
            connection.execute(update(PASSES).where(PASSES.c.id == pass_id).values(revoked=True))
            row = (
                connection.execute(select(PASSES).where(PASSES.c.id == pass_id)).mappings().first()
            )
        if row is None:
            raise UnknownName("pass", pass_id)
        return _pass(row)

    # failed attempts ----------------------------------------------------------------------

    def charge(self, limits: Mapping[str, tuple[int, float]], at_ns: int) -> float:
        """Count an attempt as failed before it is made, unless one of its keys must wait.

        Counting first keeps many attempts at once from slipping through together.

        Parameters
        ----------
        limits : for each key how many failures are free, and the longest wait in seconds
        at_ns : now

        Returns
        -------
        seconds still to wait; 0 where the attempt may be made
        """
        with self._writing() as connection:
            rows = {
                r["key"]: r
                for r in connection.execute(
                    select(ATTEMPTS).where(ATTEMPTS.c.key.in_(list(limits)))
                ).mappings()
            }
            wait_ns = max((r["free_ns"] - at_ns for r in rows.values()), default=0)
            if wait_ns > 0:
                return float(wait_ns) / 1e9
            for key, (free, longest_s) in limits.items():
                row = rows.get(key)
                stale = row is None or row["last_ns"] < at_ns - _FORGET_NS
                failures = 1 if stale else row["failures"] + 1  # type: ignore[index]
                wait_s = wait_after(failures, free=free, longest_s=longest_s)
                values = {
                    "failures": failures,
                    "last_ns": at_ns,
                    "free_ns": at_ns + int(wait_s * 1e9),
                }
                if row is None:
                    connection.execute(insert(ATTEMPTS).values(key=key, **values))
                else:
                    connection.execute(update(ATTEMPTS).where(ATTEMPTS.c.key == key).values(values))
            connection.execute(delete(ATTEMPTS).where(ATTEMPTS.c.last_ns < at_ns - _FORGET_NS))
        return 0.0

    def forgive(self, *keys: str) -> None:
        """Forget the failed attempts under these keys."""
        with self._writing() as connection:
            connection.execute(delete(ATTEMPTS).where(ATTEMPTS.c.key.in_(keys)))

    # the trail and the signatures ---------------------------------------------------------

    def note(self, change: Change) -> Change:
        """Add a line to the trail and return it with its number and hashes."""
        with self._writing() as connection:
            return self._append(connection, change)

    def _append(self, connection: Connection, change: Change) -> Change:
        last = connection.execute(
            select(TRAIL.c.number, TRAIL.c.hash).order_by(TRAIL.c.number.desc()).limit(1)
        ).first()
        number, previous = (last.number + 1, last.hash) if last else (1, "")
        line = replace(change, number=number, previous=previous, hash="")
        line = replace(line, hash=change_hash(line))
        words = f"{line.who} {line.what} {line.subject} {line.why}"
        connection.execute(insert(TRAIL).values(asdict(line) | {"folded": words.casefold()}))
        return line

    def trail(
        self,
        *,
        who: str = "",
        text: str = "",
        since_ns: int | None = None,
        until_ns: int | None = None,
        limit: int | None = None,
        offset: int = 0,
    ) -> tuple[Change, ...]:
        """Return lines of the trail that fit all that is asked, the newest first.

        Parameters
        ----------
        who : exactly this person
        text : every word must stand in who, what, subject or why, whatever the case
        since_ns, until_ns : from this moment on, and before that one
        """
        query = select(TRAIL).order_by(TRAIL.c.number.desc())
        if who:
            query = query.where(TRAIL.c.who == who)
        for word in text.casefold().split():
            query = query.where(TRAIL.c.folded.contains(word, autoescape=True))
        if since_ns is not None:
            query = query.where(TRAIL.c.at_ns >= since_ns)
        if until_ns is not None:
            query = query.where(TRAIL.c.at_ns < until_ns)
        if limit is not None:
            query = query.limit(limit)
        if offset:
            query = query.offset(offset)
        with self._transaction(writes=False) as connection:
            if connection is None:
                return ()
            return tuple(_change(r) for r in connection.execute(query).mappings())

    def check_trail(self) -> TrailState:
        """Prove the whole trail, and that each signature stands in it as it was given."""
        with self._transaction(writes=False) as connection:
            if connection is None:
                return TrailState(0, "")
            signed = {f"signature {one.number} {one.hash}": one for one in _signatures(connection)}
            for one in signed.values():
                if signature_hash(one) != one.hash:
                    return TrailState(0, "", 0, f"signature {one.number} was altered")

            def lines() -> Iterator[Change]:
                rows = connection.execution_options(yield_per=_PIECE).execute(
                    select(*(c for c in TRAIL.c if c.name != "folded")).order_by(TRAIL.c.number)
                )
                for row in rows:
                    signed.pop(row.place, None) if row.place.startswith("signature ") else None
                    yield Change(*row)

            found = check_trail(lines())
        if found.intact and signed:
            number = min(one.number for one in signed.values())
            return replace(found, trouble=f"signature {number} does not stand in the trail")
        return found

    def sign(self, signature: Signature, *, what: str, subject: str) -> Signature:
        """Keep a signature and its line in the trail, both or neither."""
        with self._writing() as connection:
            last = connection.execute(select(func.max(SIGNATURES.c.number))).scalar()
            one = replace(signature, number=(last or 0) + 1, hash="")
            one = replace(one, hash=signature_hash(one))
            connection.execute(insert(SIGNATURES).values(asdict(one)))
            self._append(
                connection,
                Change(
                    number=0,
                    at_ns=one.at_ns,
                    who=one.name,
                    role=one.role,
                    what=what,
                    subject=subject,
                    why=one.why,
                    place=f"signature {one.number} {one.hash}",
                ),
            )
        return one

    def signatures(self, run_id: str = "") -> tuple[Signature, ...]:
        """Return the signatures under one run, or all; the newest first."""
        with self._transaction(writes=False) as connection:
            if connection is None:
                return ()
            return tuple(_signatures(connection, run_id))


def _signatures(connection: Connection, run_id: str = "") -> list[Signature]:
    query = select(SIGNATURES).order_by(SIGNATURES.c.number.desc())
    if run_id:
        query = query.where(SIGNATURES.c.run_id == run_id)
    return [Signature(**r) for r in connection.execute(query).mappings()]


def _account_columns() -> list[Any]:
    return [c.label(f"account_{c.name}") for c in ACCOUNTS.c]


def _plain(table: Table, row: RowMapping, prefix: str = "") -> dict[str, Any]:
    return {c.name: row[prefix + c.name] for c in table.c}


def _account(row: RowMapping, *, prefix: str = "") -> Account:
    values = _plain(ACCOUNTS, row, prefix)
    return Account(**values | {"role": Role(values["role"])})


def _find(connection: Connection, name: str) -> Account | None:
    row = connection.execute(select(ACCOUNTS).where(ACCOUNTS.c.name == name)).mappings().first()
    return None if row is None else _account(row)


def _pass(row: RowMapping) -> Pass:
    values = _plain(PASSES, row)
    return Pass(**values | {"role": Role(values["role"])})


def _change(row: RowMapping) -> Change:
    return Change(**{k: v for k, v in row.items() if k != "folded"})
