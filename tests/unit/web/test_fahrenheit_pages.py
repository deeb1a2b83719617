"""With °F asked for, pages say °F: the start form, the empty places and what goes wrong."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.reporting.degrees import page_in_fahrenheit
from ovenwright.web.app import create_app
from ovenwright.web.places.live import _level
from ovenwright.web.site import Site
from ovenwright.workflow import demo


@pytest.fixture
def american(tmp_path: Path) -> Iterator[TestClient]:
    site = Site(build(load({"logbook": str(tmp_path / "book"), "show_unit": "F"}, env={})))
    demo._keep_plan(site.tools.logbook, site.tools.library(), "ostrel-tin-bread")
    with TestClient(create_app(site), base_url="http://127.0.0.1:8717") as client:
        yield client


def test_the_start_form_asks_and_takes_what_is_shown(american: TestClient) -> None:
    page = american.get("/live").text
    assert "<span>°F</span>" in page
    # 140 °F is 60 °C: NIST SP 811, B.8
    assert _level("140", "F") == "60"
    assert _level("140,0", "F") == "60"
    assert _level("60", "C") == "60"
    assert _level("hot", "F") == "hot"


def test_cautions_are_said_in_fahrenheit_and_plans_stay_as_written(american: TestClient) -> None:
    assert "at 131 to 141.8 °F" in american.get("/operator/practice").text
    plan = american.get("/plans/rye-tin-loaf-800-g-oven-3").text
    assert "55 to 61 °C" in plan


def test_choices_say_fahrenheit_unless_their_words_are_what_is_sent() -> None:
    page = '<select><option value="a" selected>at 60 °C</option><option>at 60 °C</option></select>'
    told = page_in_fahrenheit(page)
    assert '<option value="a" selected>at 140 °F</option><option>at 60 °C</option>' in told
