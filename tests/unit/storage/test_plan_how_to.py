"""The plan shown in the how-to is a plan, and the fault shown is what the tool says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from ovenwright.errors import PlanFaults
from ovenwright.storage.plan_file import parse_plan

PAGE = Path(__file__).parents[3] / "docs" / "how-to" / "write-a-plan.md"


def test_the_smallest_plan_works_and_faults_read_as_shown() -> None:
    page = PAGE.read_text(encoding="utf-8")
    (shown,) = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    assert parse_plan(shown).product.moisture == 0.42
    with pytest.raises(PlanFaults) as caught:
        parse_plan(shown.replace("class 1", "class 5"), file="loaves.toml")
    words = " ".join(page.split())
    assert str(caught.value).split("\n  ")[1].split(" classes:")[0] in words
