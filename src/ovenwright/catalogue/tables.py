"""The tables of the index, in SQLAlchemy Core terms that every engine knows."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

VERSION = 1

# stated, so that names of constraints are the same on every engine
METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)

ABOUT = Table("about", METADATA, Column("version", Integer, primary_key=True, autoincrement=False))

RUNS = Table(
    "runs",
    METADATA,
    Column("id", String(160), primary_key=True),
    Column("title", Text, nullable=False),
    Column("digest", String(64), nullable=False, index=True),
    Column("parent_digest", String(64), nullable=False, index=True),
    Column("sealed_ns", BigInteger, nullable=False, index=True),
    Column("start_ns", BigInteger, nullable=False),
    Column("absolute", Boolean, nullable=False),
    Column("time_zone", String(64), nullable=False),
    Column("duration_s", Float(53), nullable=False),
    Column("channel_names", Text, nullable=False),  # a JSON list
    Column("samples", BigInteger, nullable=False),
    Column("oven", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("software", Text, nullable=False),
    Column("notes", Text, nullable=False),  # a JSON list
    Column("path", Text, nullable=False),
    # engines fold case each in its own way, and SQLite only for ASCII: folded before it is kept
    Column("folded", Text, nullable=False),
    Column("oven_folded", Text, nullable=False, index=True),
    Column("product_folded", Text, nullable=False),
    Index("ix_runs_start_ns_id", "start_ns", "id"),
)

JUDGEMENTS = Table(
    "judgements",
    METADATA,
    Column("run_id", ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True),
    Column("judged_ns", BigInteger, primary_key=True, autoincrement=False),
    Column("verdict", String(16), nullable=False),
    Column("plan", Text, nullable=False),
    Column("software", Text, nullable=False),
)

MEASURES = Table(
    "measures",
    METADATA,
    Column("run_id", ForeignKey("runs.id", ondelete="CASCADE"), primary_key=True),
    Column("judged_ns", BigInteger, primary_key=True, autoincrement=False),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("requirement", Text, nullable=False),
    Column("measure", String(64), nullable=False, index=True),
    Column("channel", Text, nullable=False),
    Column("value", Float(53)),
    Column("unit", String(24), nullable=False),
    Column("standard_uncertainty", Float(53)),
    Column("low_95", Float(53)),
    Column("high_95", Float(53)),
    Column("probability", Float(53)),
    Column("verdict", String(16), nullable=False),
)
