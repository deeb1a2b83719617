"""Runs as a page and its twin show them."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from ovenwright.catalogue.entries import RunEntry
from ovenwright.reporting.svg_spark import spark_line
from ovenwright.reporting.words import Shown, clock, counted, plain
from ovenwright.web.moments import Moment, moment
from ovenwright.web.site import Site
from ovenwright.workflow.sparks import Spark, cached_spark, make_spark

_LARGE = 400_000  # readings; a larger run is opened when its picture is asked for by itself
_PATIENCE_S = 0.25


@dataclass(frozen=True, slots=True)
class RunShown:
    """One run in a list; ``spark`` is an SVG element, empty until it is made."""

    entry: RunEntry
    when: Moment
    dated: bool
    length: str
    readings: str
    spark: str


def shown_unit(site: Site, zone: str = "") -> Shown:
    """Return the unit and zone that people here are shown."""
    settings = site.tools.settings
    return Shown(settings.show_unit == "F", settings.zone or zone or "UTC")


def spark_svg(spark: Spark, shown: Shown) -> str:
    """Return a spark line with its words."""
    known = [v for v in (*spark.low_c, *spark.high_c) if v is not None]
    words = "no readings"
    if known:
        low, high = (plain(shown.temperature(v), 0) for v in (min(known), max(known)))
        words = f"{low} to {high} {shown.temperature_unit} over {clock(spark.duration_s)}"
    return spark_line(spark.low_c, spark.high_c, words)


def show_runs(site: Site, runs: Sequence[RunEntry]) -> list[RunShown]:
    """Return runs for a list; missing spark lines are made only as long as nobody has to wait."""
    book = site.tools.logbook
    until = time.monotonic() + _PATIENCE_S
    out = []
    for run in runs:
        zone = site.tools.settings.zone or run.time_zone
        spark = cached_spark(book, run)
        if spark is None and run.samples < _LARGE and time.monotonic() < until:
            spark = make_spark(book, run)
        out.append(
            RunShown(
                run,
                moment(run.start_ns if run.absolute else run.sealed_ns, zone),
                run.absolute,
                clock(run.duration_s),
                counted(run.samples),
                spark_svg(spark, shown_unit(site)) if spark is not None else "",
            )
        )
    return out
