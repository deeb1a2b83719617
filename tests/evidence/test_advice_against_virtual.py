"""Advice on a bake of the virtual oven, whose physics is not the tool's, applied back to it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from ovenwright.compose import Tools, build
from ovenwright.config import load
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Outcome
from ovenwright.storage.readings import Choices
from ovenwright.virtual import scenarios
from ovenwright.virtual.running import record
from ovenwright.virtual.writing import as_bytes, style
from ovenwright.workflow.advising import Limits, advise_run
from ovenwright.workflow.bringing_in import bring_in
from ovenwright.workflow.demo import demo_plan
from ovenwright.workflow.judging import judge_run
from ovenwright.workflow.laying_out import Wanted

pytestmark = pytest.mark.slow
SETPOINTS = (205.0, 230.0, 240.0, 225.0)


def bake(
    tools: Tools, folder: Path, minutes: float, setpoints: tuple[float, ...], seed: int
) -> Run:
    a, b, c, d = (new - old for new, old in zip(setpoints, SETPOINTS, strict=True))
    base = scenarios.ostrel_tin_bread(
        weak_share=1.0, wrong_type=None, dropout=None, fine=False, interval_s=4.0
    )
    oven = scenarios.ostrel_tunnel(bake_min=minutes, weak_share=1.0, shift_k=(a, b, c, d))
    plan = demo_plan("ostrel-tin-bread").replace(
        "belt_speed_m_min = 0.7058823529411765", f"belt_speed_m_min = {24.0 / minutes!r}"
    )
    for was, now in zip(SETPOINTS, setpoints, strict=True):
        plan = plan.replace(f"setpoint_c = {was}", f"setpoint_c = {now!r}")
    table, sheet = folder / f"{seed}.csv", folder / f"{seed}.toml"
    table.write_bytes(
        as_bytes(record(replace(base, oven=oven), seed=seed), style("semicolon plant"))
    )
    sheet.write_text(plan, encoding="utf-8")
    return bring_in([table], Choices(), logbook=tools.logbook, plan_file=sheet, noted=()).run


def test_a_bake_that_was_too_short_is_mended_or_said_to_be_beyond_the_limits(
    tmp_path: Path,
) -> None:
    tools = build(load({"logbook": str(tmp_path / "logbook")}))
    library = tools.library()
    run = bake(tools, tmp_path, 26.8, (189.0, 214.0, 232.0, 218.0), 1)
    first = judge_run(tools.logbook, library, run.id, keep=False).verdict
    assert first.outcome is Outcome.FAIL

    tight = advise_run(
        tools.logbook, library, run.id, Wanted(), Limits(setpoint_k=0.0, bake_share=0.04)
    )
    assert tight.advice.choices == ()
    assert "core hot enough at the end" in tight.advice.beyond
    assert tight.words[1].startswith("No setting within the limits")

    told = advise_run(
        tools.logbook, library, run.id, Wanted(), Limits(setpoint_k=25.0, bake_share=0.4)
    )
    least = next(c for c in told.advice.choices if c.aim == "least change")
    # the kill step is one of the requirements that hold in every choice
    for choice in told.advice.choices:
        safety = [f for f in choice.foreseen if f.requirement.safety]
        assert safety
        assert all(f.share_met >= 0.95 for f in safety)
    again = bake(tools, tmp_path, least.bake_s / 60.0, least.values[:4], 2)
    after = judge_run(tools.logbook, library, again.id, keep=False).verdict
    assert {r.requirement.name: r.outcome for r in after.requirements} == {
        r.requirement.name: Outcome.PASS for r in after.requirements
    }
    assert "validated" in told.facts()["caution"]
