"""Ovens and products: what is known, the reference run, the history of key measures."""

import html
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from ovenwright.domain.run import NS, Run, Series
from ovenwright.reporting.ink import PAGE
from ovenwright.reporting.svg_history import HistoryPoint, history_chart
from ovenwright.storage.presets import read_preset
from ovenwright.storage.reference_runs import ReferenceRuns
from ovenwright.web.site import Site

PLAN = read_preset("tin-bread").text
Put = Callable[..., Run]


def row(
    value: float | None, *, verdict: str = "pass", name: str = "core at the end"
) -> dict[str, Any]:
    return {
        "name": name,
        "measure": "end_temperature",
        "channel": "core left",
        "value": value,
        "unit": "degC",
        "standard_uncertainty": 0.5,
        "interval_95": [value - 1, value + 1] if value is not None else [None, None],
        "probability": 0.99,
        "verdict": verdict,
        "at_least": 95.0,
        "at_most": None,
    }


@pytest.fixture
def put(site: Site) -> Put:
    """Seal a run of an oven and a product and keep a judgement of it."""
    count = 0

    def make(*rows: dict[str, Any], oven: str = "oven 1", product: str = "tin loaf 800 g", verdict: str = "pass") -> Run:  # fmt: skip
        nonlocal count
        count += 1
        plan = PLAN.replace('name = "oven 1"', f'name = "{oven}"')
        plan = plan.replace('name = "tin loaf 800 g"', f'name = "{product}"')
        time_ns = (1_772_000_000 + 86_400 * count + np.arange(20) * 60) * NS
        series = {"core left": Series(time_ns, np.linspace(28, 97, 20), np.zeros(20, np.uint8))}
        run = site.tools.logbook.seal(Run("", series, title=f"run {count}", plan_toml=plan))
        site.tools.logbook.keep_judgement(run, {"verdict": verdict, "requirements": list(rows)})
        return run

    return make


def words(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_an_empty_place_says_where_ovens_come_from(client: TestClient) -> None:
    assert "learnt from the plans" in client.get("/ovens").text
    assert client.get("/api/ovens").json() == []
    assert client.get("/api/ovens/oven 1").status_code == 404


def test_ovens_and_products_are_listed_with_their_verdicts(client: TestClient, put: Put) -> None:
    put(row(96.0))
    put(row(94.0, verdict="fail"), verdict="fail")
    put(row(96.0), product="bun")
    page = client.get("/ovens").text
    assert "3 runs" in words(page)
    assert 'href="/ovens/oven%201"' in page
    assert 'href="/products/bun"' in page
    pairs = {(p["oven"], p["product"]): p for p in client.get("/api/ovens").json()}
    assert pairs["oven 1", "tin loaf 800 g"]["failed"] == 1
    assert pairs["oven 1", "tin loaf 800 g"]["runs"] == 2
    assert pairs["oven 1", "bun"]["reference"] is None


def test_one_oven_shows_its_measures_over_runs(client: TestClient, put: Put) -> None:
    first = put(row(96.0))
    second = put(row(94.2, verdict="undecided"), verdict="undecided")
    put(row(99.0), oven="oven 2")
    page = client.get("/ovens/oven%201").text
    told = words(page)
    assert "Belt speed 0.706 m/min" in told
    assert "at least 95 °C" in told
    assert "94.20" in told
    assert page.count('class="run"') == 2
    facts = client.get("/api/ovens/oven 1").json()
    (measure,) = facts["measures"]
    assert [p["run"] for p in measure["points"]] == [first.id, second.id]
    assert [p["value"] for p in measure["points"]] == [96.0, 94.2]
    assert (measure["at_least"], measure["at_most"]) == (95.0, None)


def test_only_the_last_judgement_of_a_run_counts(client: TestClient, put: Put, site: Site) -> None:
    run = put(row(96.0))
    site.tools.logbook.keep_judgement(run, {"verdict": "fail", "requirements": [row(90.0)]})
    (measure,) = client.get("/api/products/tin loaf 800 g").json()["measures"]
    assert [p["value"] for p in measure["points"]] == [90.0]


def test_a_reference_run_is_chosen_with_a_reason_and_kept_on_record(
    client: TestClient, put: Put, site: Site
) -> None:
    first, second = put(row(96.0)), put(row(97.0))
    assert client.post("/api/references", json={"run": first.id, "why": " "}).status_code == 400
    made = client.post("/api/references", json={"run": first.id, "why": "burners set"})
    assert made.status_code == 201
    assert made.json()["digest"] == first.digest
    page = client.get("/ovens/oven%201").text
    assert "burners set" in page
    assert f"/runs/{first.id}/compare?with={second.id}" in page
    answer = client.post(
        "/reference-run",
        data={"run": second.id, "why": "new belt", "back": "/ovens/oven%201"},
        follow_redirects=False,
    )
    assert answer.headers["location"] == "/ovens/oven%201"
    assert [r["run"] for r in client.get("/api/references").json()] == [first.id, second.id]
    points = client.get("/api/ovens/oven 1").json()["measures"][0]["points"]
    assert [p["reference"] for p in points] == [False, True]
    pair = {"oven": "oven 1", "product": "tin loaf 800 g", "why": "oven rebuilt"}
    assert client.delete("/api/references", params=pair).status_code == 200
    assert client.delete("/api/references", params=pair).status_code == 404
    assert ReferenceRuns(site.tools.logbook.folder).now() == {}


def test_the_form_leads_nowhere_else(client: TestClient, put: Put) -> None:
    run = put(row(96.0))
    answer = client.post(
        "/reference-run",
        data={"run": run.id, "why": "x", "back": "https://elsewhere.example/"},
        follow_redirects=False,
    )
    assert answer.status_code == 400


@pytest.mark.parametrize("run", ["../x", "nothing", "", "last/../x"])
def test_no_stranger_becomes_a_reference(client: TestClient, put: Put, run: str) -> None:
    put(row(96.0))
    assert client.post("/api/references", json={"run": run, "why": "x"}).status_code == 404


def test_names_with_slashes_and_signs_have_their_page(client: TestClient, put: Put) -> None:
    put(row(96.0), oven="line 1/2 <b>", product="bun & roll")
    page = client.get("/ovens").text
    address = re.search(r'href="(/ovens/line[^"]+)"', page)
    assert address is not None
    shown = client.get(html.unescape(address[1]))
    assert shown.status_code == 200
    assert "<h1>line 1/2 &lt;b&gt;</h1>" in shown.text


def test_a_torn_line_loses_no_other_choice(tmp_path: Any) -> None:
    kept = ReferenceRuns(tmp_path)
    kept.add(oven="a", product="b", run="r1", digest="d", by="me", why="x")
    with (tmp_path / "reference-runs.jsonl").open("ab") as file:
        file.write(b'{"oven": "a", "pro')
    kept.add(oven="a", product="c", run="r2", digest="d", by="me", why="y")
    assert {pair: r.run for pair, r in kept.now().items()} == {("a", "b"): "r1", ("a", "c"): "r2"}


def test_the_chart_marks_verdicts_reference_and_limits() -> None:
    nan = float("nan")
    points = [
        HistoryPoint(96.0, 95.0, 97.0, "pass", "first", "2026-03-01", True),
        HistoryPoint(94.0, 93.0, 95.0, "fail", "second <", "2026-03-02"),
        HistoryPoint(nan, nan, nan, "undecided", "third", "2026-03-03"),
    ]
    drawn = history_chart(points, PAGE, ident="h", title="core", unit="°C", at_least=95.0)
    assert "at least 95" in drawn
    assert "2 of 3 runs have a number, from 94 to 96 °C" in drawn
    assert "second &lt;" in drawn
    assert "third" not in drawn
    assert drawn.count("<title>first</title>") == 1
    empty = history_chart(points[2:], PAGE, ident="h", title="core", unit="°C")
    assert "no number yet" in empty
