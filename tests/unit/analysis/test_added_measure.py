"""The how-to's own measure works as printed, through nothing but its one file."""

from __future__ import annotations

import re
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ovenwright.analysis import registry
from ovenwright.analysis.declaration import Measure

Make = Callable[..., Any]
PAGE = Path(__file__).parents[3] / "docs" / "how-to" / "add-a-measure.md"


@pytest.fixture
def printed() -> Measure:
    code = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), flags=re.DOTALL)
    module = types.ModuleType("printed")
    exec(compile(code[0], str(PAGE), "exec"), module.__dict__)  # noqa: S102 - our own page
    measure: Measure = module.MEASURES[0]
    return measure


def test_the_printed_measure_is_found_evaluated_and_checked(
    bench: Make, printed: Measure, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = {**registry.declared_measures(), printed.name: printed}
    for user in ("analyse", "requirements", "build_up"):
        monkeypatch.setattr(f"ovenwright.analysis.{user}.declared_measures", lambda: known)
    run = bench(1000.0)
    run.add("core", 20.0 + 0.1 * run.time_s).error("core", 0.5)
    found = run.measure("setting_share", {"low_c": 55.0, "high_c": 85.0})
    assert found.value == pytest.approx(0.3)
    assert np.std(found.samples) < 0.002  # both ends move alike
    missing = run.measure("setting_share", {"low_c": 55.0})
    assert "needs high_c" in missing.reason
