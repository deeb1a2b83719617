"""A verdict on the terminal, 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from ovenwright.cli.show import say, show_table
from ovenwright.domain.profile import FlagSpan, Severity
from ovenwright.reporting import facts
from ovenwright.reporting.words import DASH, Shown, clock, plain, probability
from ovenwright.workflow.judging import Judged


def show_verdict(judged: Judged, shown: Shown) -> None:
    """Print the verdict, what it rests on, and what to look at next."""
    verdict = judged.verdict
    say(f"{judged.plan.title}")
    say(f"run {judged.run.id}")
    say()
    say(f"{facts.SIGN[verdict.outcome].upper()}  {facts.headline(verdict, shown)}")
    rows = []
    for item in verdict.requirements:
        d = item.deciding
        decimals = shown.decimals(d.standard_uncertainty, d.unit)
        low, high = d.interval_95
        spread = shown.uncertainty((high - low) / 2, d.unit, decimals).text
        rows.append(
            [
                item.requirement.name,
                facts.asked(item, shown),
                shown.measure(d.value, d.unit, decimals).text,
                spread,
                d.channel or "oven",
                f"{facts.SIGN[item.outcome]} {probability(d.probability)}",
            ]
        )
    show_table(
        "What was asked, what was found (± U of 95 %, probability of meeting the limit)",
        ["requirement", "asked", "found", "± U", "decided by", "verdict"],
        rows,
        right=(2, 3),
        whole=(2, 3),
    )
    show_crossings(judged, shown)
    show_spans(judged.verdict.results.profile.spans)
    for title, items in (
        ("What to look at next", verdict.next_looks),
        ("Cautions", verdict.cautions),
    ):
        if items:
            say(f"{title}:")
            for text in items:
                say(f"  - {text}")
    say()
    say(f"Report: ovenwright report {judged.run.id}")


def show_crossings(judged: Judged, shown: Shown) -> None:
    """Print when each channel passed each temperature."""
    crossings = judged.verdict.results.crossings
    if not crossings:
        return
    show_table(
        "Crossings, since load-in",
        [
            "channel",
            "crossing",
            "min:s",
            "± s",
            "of process",
            f"{shown.degree}/min",
        ],
        [
            [
                c.channel,
                c.name,
                clock(c.since_load_s),
                plain(2 * c.standard_s, 1),
                f"{plain(100 * c.share_of_process, 0)} %" if isfinite(c.share_of_process) else DASH,
                shown.kelvin(c.rate_k_min, 1).text,
            ]
            for c in crossings
        ],
        right=(2, 3, 4, 5),
    )


def show_spans(found: Sequence[FlagSpan]) -> None:
    """Print the flagged stretches, worst first."""
    order = {Severity.BAD: 0, Severity.DOUBT: 1, Severity.REMARK: 2}
    spans = sorted(found, key=lambda s: (order[s.severity], s.from_s))
    if not spans:
        say("Channel health: no check found anything.")
        return
    show_table(
        "Channel health, since the first reading",
        ["channel", "finding", "weight", "from", "to", "why"],
        [
            [
                s.channel,
                s.check.replace("-", " "),
                s.severity.value,
                clock(s.from_s),
                clock(s.to_s),
                s.reason,
            ]
            for s in spans
        ],
        right=(3, 4),
    )
