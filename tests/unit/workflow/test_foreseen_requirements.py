"""How foreseen requirements are told: to programs, on the screen, on a page."""

import json
from pathlib import Path

import pytest

from ovenwright.cli.forecast_command import _show
from ovenwright.config import Settings
from ovenwright.modelling.requirements_ahead import Meeting
from ovenwright.reporting.document import Points
from ovenwright.reporting.words import Shown
from ovenwright.workflow.forecasting import ChannelForecast, Forecast
from ovenwright.workflow.model_telling import forecast_document


def met(**changed: object) -> Meeting:
    facts: dict[str, object] = {
        "requirement": "kill step", "channel": "core left", "measure": "log_reduction",
        "at_least": 5.0, "unit": "log10", "so_far": 0.25, "safety": True, "median_s": 900.004,
        "interval_50": (870.0, 930.0), "interval_90": (840.0, 1020.0), "share_that_meets": 1.0,
        "met": False, "open_ended": False, "rests_on": "kinetics of Salmonella",
    }  # fmt: skip
    return Meeting(**{**facts, **changed})  # type: ignore[arg-type]


NEVER = {"median_s": None, "interval_50": None, "interval_90": None, "share_that_meets": 0.1}


def told() -> Forecast:
    channels = (
        ChannelForecast("core left", (), "", (), (met(), met(requirement="dwell", open_ended=True))),
        ChannelForecast("core right", (), "", (), (met(channel="core right", **NEVER),)),
        ChannelForecast(
            "core still", (), "it is not being heated", (),
            (met(channel="core still", met=True, median_s=600.0, interval_90=(600.0, 600.0)),),
        ),
    )  # fmt: skip
    return Forecast(
        "run", 700.0, 60.0, "air", channels, ("priors",), (), (("not burnt", "no lower limit"),)
    )


def test_programs_get_moments_intervals_and_what_has_none() -> None:
    facts = json.loads(json.dumps(told().facts()))
    left, right, still = facts["channels"]
    assert left["requirements"][0]["median_s"] == 900.0
    assert left["requirements"][0]["interval_90"] == [840.0, 1020.0]
    assert left["requirements"][0]["so_far"] == 0.25
    assert right["requirements"][0]["median_s"] is None
    assert still["refused"] == "it is not being heated"
    assert still["requirements"][0]["met"] is True
    assert facts["requirements_not_foreseen"] == [
        {"requirement": "not burnt", "reason": "no lower limit"}
    ]


def test_the_screen_says_when_and_warns(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    _show(told(), Settings(tmp_path, "C", "UTC", None))
    said = " ".join(capsys.readouterr().out.split())
    assert "15:00" in said
    assert "14:00 – 17:00" in said
    assert "more likely never" in said
    assert "met at 10:00" in said
    assert "it proves nothing" in said


def test_the_page_says_the_same() -> None:
    blocks = forecast_document(told(), Shown()).first_page
    points = next(b for b in blocks if isinstance(b, Points) and "Requirements" in b.title)
    words = " | ".join(points.items)
    assert "kill step, core left: likely at" in words
    assert "or later" in words
    assert "never met" in words
    assert "core still: met at" in words
