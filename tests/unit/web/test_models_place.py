"""Forecast and explanation of a sealed run: asked for, followed, held against what came."""

import html
import math
import re
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from ovenwright.domain.run import NS, Mark, MarkKind, Run, Series
from ovenwright.errors import UnknownName
from ovenwright.modelling.forecasting import Passing
from ovenwright.reporting.words import Shown, clock
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.web import apart, modelled
from ovenwright.web.jobs import Cancelled
from ovenwright.web.places import models
from ovenwright.web.refs import run_ref
from ovenwright.web.retold import Retold
from ovenwright.web.site import Site
from ovenwright.workflow.forecasting import ChannelForecast, Forecast
from ovenwright.workflow.laying_out import Wanted
from ovenwright.workflow.looking_back import Came, came_table, what_came

START = 1_772_000_000 * NS
LOAD_IN_S, AIR_C, FIRST_C, RISE_K_S, TAU_S = 60.0, 420.0, 25.0, 6.0, 300.0
PLAN = """
format = 1
title = "Two cores"
[oven]
kind = "chamber"
name = "oven A"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
setpoint_c = 420.0
[product]
name = "bars"
[recording]
interval_s = 2.0
[[channels]]
name = "air"
sensor = "T"
role = "air"
[[channels]]
name = "core"
sensor = "T"
role = "core"
[[channels]]
name = "late"
sensor = "T"
role = "core"
[[requirements]]
name = "core hot enough"
measure = "end_temperature"
on = "core"
at_least = 80.0
"""
TEXT = {"accept": "text/html"}


def air(t: np.ndarray) -> np.ndarray:
    return np.asarray(np.minimum(FIRST_C + np.maximum(t - LOAD_IN_S, 0.0) * RISE_K_S, AIR_C))


def behind(t: np.ndarray, tau_s: float) -> np.ndarray:
    """Newton's law of heating behind a rise and a plateau, in closed form."""
    on = np.maximum(t - LOAD_IN_S, 0.0)
    rise_s = (AIR_C - FIRST_C) / RISE_K_S
    rising = FIRST_C + RISE_K_S * (on - tau_s * (1.0 - np.exp(-on / tau_s)))
    top = FIRST_C + RISE_K_S * (rise_s - tau_s * (1.0 - np.exp(-rise_s / tau_s)))
    after = AIR_C + (top - AIR_C) * np.exp(-np.maximum(on - rise_s, 0.0) / tau_s)
    return np.asarray(np.where(on < rise_s, rising, after))


def passes_s(temp_c: float, tau_s: float) -> float:
    """Solved for the plateau, which all passings here are on."""
    rise_s = (AIR_C - FIRST_C) / RISE_K_S
    top = FIRST_C + RISE_K_S * (rise_s - tau_s * (1.0 - math.exp(-rise_s / tau_s)))
    return LOAD_IN_S + rise_s + tau_s * math.log((AIR_C - top) / (AIR_C - temp_c))


@pytest.fixture
def run(site: Site) -> Run:
    t = np.arange(0.0, 1500.0, 2.0)
    noise = np.random.default_rng(3)
    values = {
        "air": air(t),
        "core": behind(t, TAU_S),
        "late": behind(t, 1.3 * TAU_S),
    }
    series = {
        name: Series(
            START + np.round(t * NS).astype(np.int64),
            np.round(v + noise.normal(0, 0.03, t.size), 2),
            np.zeros(t.size, np.uint8),
        )
        for name, v in values.items()
    }
    marks = (Mark(MarkKind.LOAD_IN, START + round(LOAD_IN_S * NS)),)
    return site.tools.logbook.seal(
        Run("", series, marks=marks, plan_toml=PLAN, title="two <cores>", time_zone="UTC")
    )


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few bodies, in this process: what is tested is the page, not the model."""

    def here(work: Callable[..., Any], *given: Any, tell: Callable[[float], None]) -> Any:
        tell(0.0)
        return work(*given)

    monkeypatch.setattr(modelled, "apart", here)
    monkeypatch.setattr(models, "MEMBERS", 200)


def followed(client: TestClient, address: str) -> str:
    """The page of an address once its job is done."""
    until = time.monotonic() + 240
    while time.monotonic() < until:
        answer = client.get(address, headers=TEXT)
        assert answer.status_code == 200
        if "data-job=" not in answer.text:
            return html.unescape(answer.text)
    raise AssertionError("nothing came")


def test_nothing_is_worked_out_before_it_is_asked_for(
    client: TestClient, site: Site, run: Run
) -> None:
    for verb in ("forecast", "slowest"):
        page = client.get(f"/runs/{run.id}/{verb}", headers=TEXT)
        assert page.status_code == 200
        assert "Beware" in page.text
        assert "two &lt;cores&gt;" in page.text
        assert f'href="/runs/{run.id}/{verb}"' in client.get(f"/runs/{run.id}", headers=TEXT).text
    assert site.jobs.all() == ()


@pytest.mark.usefixtures("quick")
def test_a_forecast_is_drawn_and_held_against_what_came(client: TestClient, run: Run) -> None:
    page = followed(client, f"/runs/{run.id}/forecast?until_min=1&passes=150+200")
    assert "What is foreseen" in page
    assert "which times in the picture and the tables count from" in page
    assert page.count("<polygon") >= 4  # two bands a core
    # load-in is where times begin: Newton's law passes 150 °C here, minutes later
    m, s = divmod(round(passes_s(150.0, TAU_S) - LOAD_IN_S), 60)
    came = page[page.index("And when they did") :]
    row = came[came.index("<td", came.index("150")) :][:400]
    assert any(f"{m}:{x:02d}" in row for x in (s - 1, s, s + 1)), row
    assert 'value="150 200"' in page


@pytest.mark.usefixtures("quick")
def test_the_slowest_is_held_against_the_fastest(client: TestClient, run: Run) -> None:
    page = followed(client, f"/runs/{run.id}/slowest?ask=true")
    assert "Why late was the slowest" in page, re.findall(r'role="alert">.*', page)
    assert "What held late back against core" in page
    assert "leave burners and gas to those licensed" in page


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("until_min=soon&passes=80", "'soon' is no number"),
        ("until_min=500&passes=80", "there is no reading of this run"),
        ("until_min=-9&passes=80", "there is no reading of this run"),
        ("until_min=5&passes=5000", "no temperature a body passes"),
        ("until_min=5&passes=1+2+3+4+5", "at most 4 temperatures"),
        ("until_min=5&passes=80&core=nobody", "no channel is called 'nobody'"),
        ("until_min=5&passes=80&core=air&around=air", "can't be core and surroundings at once"),
    ],
)
def test_what_cannot_be_asked_is_said_beside_the_form(
    client: TestClient, run: Run, query: str, words: str
) -> None:
    page = followed(client, f"/runs/{run.id}/forecast?{query}")
    assert words[1:] in page  # the page may begin a sentence with it
    assert "--" not in page[page.index('role="alert"') :][:400]  # no option of the command line
    assert 'name="until_min"' in page


@pytest.mark.usefixtures("quick")
def test_the_twin_gives_both_as_data(client: TestClient, run: Run, monkeypatch: Any) -> None:
    monkeypatch.setattr("ovenwright.web.api.models.MEMBERS", 200)

    def ready(address: str) -> dict[str, Any]:
        until = time.monotonic() + 240
        while time.monotonic() < until:
            answer = client.get(address).json()
            if answer["state"] == "ready":
                return dict(answer["found"])
            time.sleep(0.05)
        raise AssertionError("nothing came")

    found = ready(f"/api/runs/{run.id}/forecast?passes=150&until_s=120")
    core = next(c for c in found["channels"] if c["name"] == "core")["passes"][0]
    assert core["interval_90"][0] < core["median_s"] < core["interval_90"][1]
    came = next(c for c in found["came"] if c["channel"] == "core")
    assert came["came_s"] == pytest.approx(passes_s(150.0, TAU_S), abs=2.0)
    told = ready(f"/api/runs/{run.id}/slowest")
    assert (told["slowest"], told["against"]) == ("late", "core")
    assert client.get(f"/api/runs/{run.id}/forecast").status_code == 422
    assert client.get("/api/runs/..%2Fx/forecast?passes=80").status_code == 404


def test_what_came_is_the_first_passing(site: Site, run: Run) -> None:
    at_s = passes_s(150.0, TAU_S)
    likely = Passing(150.0, at_s + 5.0, (at_s - 1, at_s + 8), (at_s - 2, at_s + 9))
    never = Passing(419.0, 900.0, (800.0, 1000.0), (700.0, 1100.0))
    told = Forecast(run.id, 120.0, 60.0, "air", (ChannelForecast("core", (likely, never), ""),), ())
    library = read_reference_library(None)
    came = what_came(site.tools.logbook, library, told, Wanted(passes=(150.0, 419.0)))
    assert came[0].came_s == pytest.approx(at_s, abs=0.5)
    assert came[0].inside_90 is True
    assert came[1].came_s is None
    assert came[1].inside_90 is None
    rows = came_table(came, Shown(fahrenheit=True), zero_s=60.0).rows
    assert [c.text for c in rows[0][:2]] == ["core", "302"]
    assert rows[0][3].text == clock((came[0].came_s or 0.0) - 60.0)
    assert rows[0][4].text == "yes"
    assert rows[1][3].text == "not in this run"


@pytest.mark.parametrize(
    ("came_s", "open_ended", "inside"),
    [(399.0, False, False), (700.0, False, False), (700.0, True, True)],
)
def test_an_open_end_holds_what_comes_late(came_s: float, open_ended: bool, inside: bool) -> None:
    one = Passing(80.0, 500.0, (480.0, 520.0), (400.0, 600.0), open_ended=open_ended)
    assert Came("core", one, came_s).inside_90 is inside


def test_work_apart_answers_refuses_and_can_be_stopped() -> None:
    told: list[float] = []
    assert apart.apart(math.hypot, 3.0, 4.0, tell=told.append) == 5.0
    with pytest.raises(Retold, match="no run is called") as refused:
        apart.apart(run_ref, "../x", tell=told.append)
    assert refused.value.kind is UnknownName  # so that its status is its own, too
    assert refused.value.what == UnknownName("run", "../x").what

    def stop(_: float) -> None:
        raise Cancelled

    began = time.monotonic()
    with pytest.raises(Cancelled):
        apart.apart(time.sleep, 600.0, tell=stop)
    assert time.monotonic() - began < 300
