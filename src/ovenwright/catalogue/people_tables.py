"""The tables of people: what they may do, what they did, what they signed.

Lines of the trail and signatures are only ever added: the database itself refuses to change or
remove one.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    DDL,
    BigInteger,
    Boolean,
    Column,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    event,
)

VERSION = 1

PEOPLE = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

ABOUT = Table(
    "people_about",
    PEOPLE,
    Column("version", Integer, primary_key=True, autoincrement=False),
)
ACCOUNTS = Table(
    "accounts",
    PEOPLE,
    Column("name", String(40), primary_key=True),
    Column("full_name", Text, nullable=False),
    Column("role", Integer, nullable=False),
    Column("enabled", Boolean, nullable=False),
    Column("created_ns", BigInteger, nullable=False),
    Column("secret", Text, nullable=False),
    Column("must_change", Boolean, nullable=False),
)
SESSIONS = Table(
    "sessions",
    PEOPLE,
    Column("key", String(64), primary_key=True),
    Column("name", String(40), nullable=False, index=True),
    Column("created_ns", BigInteger, nullable=False),
    Column("seen_ns", BigInteger, nullable=False),
)
PASSES = Table(
    "passes",
    PEOPLE,
    Column("id", String(16), primary_key=True),
    Column("key", String(64), nullable=False, index=True),
    Column("name", String(40), nullable=False, index=True),
    Column("role", Integer, nullable=False),
    Column("label", Text, nullable=False),
    Column("created_ns", BigInteger, nullable=False),
    Column("used_ns", BigInteger, nullable=False),
    Column("revoked", Boolean, nullable=False),
)
ATTEMPTS = Table(
    "attempts",
    PEOPLE,
    Column("key", String(160), primary_key=True),
    Column("failures", Integer, nullable=False),
    Column("last_ns", BigInteger, nullable=False),
    Column("free_ns", BigInteger, nullable=False),
)
TRAIL = Table(
    "trail",
    PEOPLE,
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("at_ns", BigInteger, nullable=False, index=True),
    Column("who", Text, nullable=False),
    Column("role", String(16), nullable=False),
    Column("what", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("place", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    Column("folded", Text, nullable=False),  # engines fold case each in its own way
)
SIGNATURES = Table(
    "signatures",
    PEOPLE,
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("at_ns", BigInteger, nullable=False),
    Column("name", String(40), nullable=False, index=True),
    Column("full_name", Text, nullable=False),
    Column("role", String(16), nullable=False),
    Column("meaning", String(32), nullable=False),
    Column("why", Text, nullable=False),
    Column("run_id", String(160), nullable=False, index=True),
    Column("run_digest", String(64), nullable=False),
    Column("judgement", Text, nullable=False),
    Column("judgement_sha256", String(64), nullable=False),
    Column("verdict", String(16), nullable=False),
    Column("hash", String(64), nullable=False),
)
APPEND_ONLY: Final = (TRAIL, SIGNATURES)


def _guard(table: Table) -> None:
    for deed in ("update", "delete"):
        event.listen(
            table,
            "after_create",
            DDL(  # type: ignore[no-untyped-call]
                f"CREATE TRIGGER {table.name}_no_{deed} BEFORE {deed.upper()} ON {table.name} "
                f"BEGIN SELECT RAISE(ABORT, 'lines of {table.name} are only ever added'); END"
            ).execute_if(dialect="sqlite"),
        )
    words = (
        f"CREATE OR REPLACE FUNCTION {table.name}_only_added() RETURNS trigger AS $$ BEGIN "
        f"RAISE EXCEPTION 'lines of {table.name} are only ever added'; END $$ LANGUAGE plpgsql",
        f"CREATE TRIGGER {table.name}_no_change BEFORE UPDATE OR DELETE ON {table.name} "
        f"FOR EACH ROW EXECUTE FUNCTION {table.name}_only_added()",
        f"CREATE TRIGGER {table.name}_no_emptying BEFORE TRUNCATE ON {table.name} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table.name}_only_added()",
    )
    for sentence in words:
        made = DDL(sentence).execute_if(dialect="postgresql")  # type: ignore[no-untyped-call]
        event.listen(table, "after_create", made)


for _table in APPEND_ONLY:
    _guard(_table)
