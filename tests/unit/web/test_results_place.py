"""The result's page and its twin: one set of words, judgements kept, restated, compared, proved."""

import html
import io
import re
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from starlette.testclient import TestClient

from ovenwright.domain.run import NS, Mark, MarkKind, Run, Series
from ovenwright.reporting.document import Cell, Column, Table, Tone
from ovenwright.reporting.facts import headline
from ovenwright.reporting.recalled import recall
from ovenwright.reporting.words import Shown
from ovenwright.web.blocks import is_long, row_count
from ovenwright.web.places.results import _reference
from ovenwright.web.site import Site
from ovenwright.web.slices import decode
from ovenwright.workflow.judging import judge_run
from ovenwright.workflow.restating import restate_run

START = 1_772_000_000 * NS
PLAN = """
format = 1
title = "Four places"
[oven]
kind = "chamber"
name = "oven A"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
setpoint_c = 180.0
[product]
name = "bars"
[recording]
interval_s = 2.0
[[channels]]
name = "left"
sensor = "T"
role = "air"
place = { x_m = 0.1, y_m = 0.5, z_m = 0.2 }
[[channels]]
name = "right"
sensor = "T"
role = "air"
place = { x_m = 0.9, y_m = 0.5, z_m = 0.2 }
[[channels]]
name = "core & <middle>"
sensor = "T"
role = "core"
place = { x_m = 0.5, y_m = 0.5, z_m = 0.8 }
[[requirements]]
name = "core hot enough"
measure = "end_temperature"
on = "core"
at_least = LIMIT
"""
TEXT = {"accept": "text/html"}


def made_run(site: Site, *, limit: float = 90.0, plan: bool = True, shift: float = 0.0) -> Run:
    t = np.arange(0.0, 2400.0, 2.0)
    rng = np.random.default_rng(5)
    inside = (t > 300) & (t < 2100)
    air = np.where(inside, 25 + 155 * (1 - np.exp(-(t - 300) / 60)), 25.0)
    core = np.where(t > 300, 25 + (70 + shift) * (1 - np.exp(-np.maximum(t - 300, 0) / 500)), 25.0)
    values = {"left": air + 2, "right": air - 3, "core & <middle>": core}
    time_ns = START + np.round(t * NS).astype(np.int64)
    series = {
        name: Series(
            time_ns, np.round(v + rng.normal(0, 0.05, t.size), 2), np.zeros(t.size, np.uint8)
        )
        for name, v in values.items()
    }
    marks = (
        Mark(MarkKind.LOAD_IN, START + 300 * NS),
        Mark(MarkKind.NOTE, START + 900 * NS, "fan <off>", by="Ieva"),
        Mark(MarkKind.LOAD_OUT, START + 2100 * NS),
    )
    return site.tools.logbook.seal(
        Run(
            "",
            series,
            marks=marks,
            plan_toml=PLAN.replace("LIMIT", str(limit)) if plan else "",
            title="four places",
            time_zone="Europe/Riga",
        )
    )


@pytest.fixture
def run(site: Site) -> Run:
    found = made_run(site)
    judge_run(site.tools.logbook, site.tools.library(), found.id)
    return found


def wait_for(client: TestClient, job: dict[str, object]) -> dict[str, object]:
    for _ in range(400):
        found: dict[str, object] = client.get(f"/api/jobs/{job['id']}").json()
        if found["state"] not in {"waiting", "running"}:
            return found
        time.sleep(0.02)
    raise AssertionError("the job never ended")


def test_page_says_the_verdict_first_in_the_report_s_words(
    client: TestClient, site: Site, run: Run
) -> None:
    page = client.get(f"/runs/{run.id}", headers=TEXT).text
    judged = judge_run(site.tools.logbook, site.tools.library(), run.id, keep=False)
    words = headline(judged.verdict, Shown(time_zone="Europe/Riga"))
    assert words in html.unescape(page)
    assert page.index('id="answer"') < page.index('id="margin-part"') < page.index('id="history"')
    report = client.get(f"/runs/{run.id}/report.html").text
    for digits in re.findall(r">(\d+\.\d+ °C)<", report):
        assert digits in page


def test_the_page_has_its_first_picture_fetched_ahead(client: TestClient, run: Run) -> None:
    page = client.get(f"/runs/{run.id}", headers=TEXT).text
    ahead = html.unescape(re.findall(r'rel="preload" as="fetch" href="([^"]+)"', page)[0])
    asked = html.unescape(re.findall(r'data-first="([^"]+)"', page)[0])
    assert asked == ahead  # the browser hands out what it fetched only under the same address
    first, again = client.get(ahead), client.get(ahead)
    head, curves = decode(first.content)
    assert first.content == again.content
    assert set(curves) == {"left", "right", "core & <middle>"}
    assert head["duration_s"] == 2398.0


def test_every_script_a_page_imports_is_fetched_with_it(client: TestClient, run: Run) -> None:
    page = client.get(f"/runs/{run.id}", headers=TEXT).text
    ahead = set(re.findall(r'rel="modulepreload" href="([^"]+)"', page))
    for script in re.findall(r'<script type="module" src="([^"]+)"', page):
        text = client.get(script).text
        for piece in re.findall(r'from"\./([^"]+)"|import"\./([^"]+)"', text):
            assert "/static/built/" + "".join(piece) in ahead


def test_times_count_from_load_in_everywhere(client: TestClient, run: Run) -> None:
    page = client.get(f"/runs/{run.id}", headers=TEXT).text
    assert "Times since load-in." in page
    marks = page[page.index('id="marks-part"') : page.index('id="judgements-part"')]
    # load-in was marked 300 s after the first reading, the note 600 s later, the end 1800 s later
    assert re.findall(r'<tr><td class="n">([^<]*)<', marks) == ["0:00", "10:00", "30:00"]
    assert "the first reading came at \N{MINUS SIGN}5:00" in page


def test_a_long_table_is_folded_and_counted() -> None:
    rows = tuple(
        (Cell(str(i)), Cell("x", tone=Tone.POOR if i < 2 else Tone.GOOD)) for i in range(9)
    )
    table = Table("t", "Places", (Column("place"), Column("found")), rows)
    assert is_long(table)
    assert row_count(table) == "9 rows, 2 to look at"
    assert not is_long(replace(table, rows=rows[:6]))


def test_picture_for_readers_without_scripts_has_the_limits(client: TestClient, run: Run) -> None:
    client.get(f"/runs/{run.id}", headers=TEXT)
    judged = client.get(f"/runs/{run.id}/picture.svg").text
    assert "90 °C" in judged
    assert client.get(f"/runs/{run.id}/picture.svg?judgement=7").status_code == 404


def test_names_are_escaped(client: TestClient, run: Run) -> None:
    page = client.get(f"/runs/{run.id}", headers=TEXT).text
    assert "<middle>" not in page
    assert "fan <off>" not in page
    assert "core &amp; &lt;middle&gt;" in page


def test_kept_judgement_is_told_as_when_it_was_made(
    client: TestClient, site: Site, run: Run
) -> None:
    judged = judge_run(site.tools.logbook, site.tools.library(), run.id, keep=False)
    shown = Shown(time_zone="Europe/Riga")
    record = site.tools.logbook.judgements(run.id)[0]
    kept = recall(record["judgement"])
    assert kept.headline(shown) == headline(judged.verdict, shown)
    one = client.get(f"/api/runs/{run.id}/judgements/1").json()
    assert one["verdict"] == judged.verdict.outcome.value
    assert one["judgement"]["requirements"][0]["name"] == "core hot enough"
    assert client.get(f"/api/runs/{run.id}/judgements/2").status_code == 404
    assert client.get(f"/runs/{run.id}/judgements/1", headers=TEXT).status_code == 200


def test_judging_under_another_plan_keeps_both(client: TestClient, site: Site, run: Run) -> None:
    before = run.digest
    easier = PLAN.replace("LIMIT", "60.0")
    job = client.post(
        f"/api/runs/{run.id}/judgements", json={"plan_toml": easier, "why": "easier"}
    ).json()
    over = wait_for(client, job)
    assert over["state"] == "done"
    assert over["link"] == f"/runs/{run.id}/judgements/2"
    listed = client.get(f"/api/runs/{run.id}/judgements").json()
    assert [j["number"] for j in listed] == [1, 2]
    assert listed[0]["plan"] != listed[1]["plan"]
    assert listed[1]["verdict"] == "pass"
    now = client.get(f"/api/runs/{run.id}/result").json()
    assert (now["judgement"], now["verdict"]["verdict"]) == (2, "pass")
    first = client.get(f"/api/runs/{run.id}/result", params={"judgement": 1}).json()
    assert first["verdict"]["requirements"][0]["at_least"] == 90.0
    assert site.tools.logbook.open(run.id).digest == before
    plan = client.get(f"/runs/{run.id}/plan.toml", params={"judgement": 2})
    assert plan.text == easier


def test_form_judges_with_a_plan_from_a_file(client: TestClient, run: Run) -> None:
    page = client.post(
        f"/runs/{run.id}/judge",
        data={"plan": "sealed", "why": "x"},
        files={"plan_file": ("p.toml", PLAN.replace("LIMIT", "60.0").encode())},
        headers=TEXT,
        follow_redirects=False,
    )
    assert page.status_code == 303
    assert page.headers["location"].endswith("/judgements/2")
    bad = client.post(
        f"/runs/{run.id}/judge", files={"plan_file": ("p.toml", b"title = 3 = 4")}, headers=TEXT
    )
    assert bad.status_code in {400, 422}
    assert "That did not work</h1>" in bad.text


def test_run_without_a_plan_shows_its_picture_and_asks_for_one(
    client: TestClient, site: Site
) -> None:
    run = made_run(site, plan=False)
    page = client.get(f"/runs/{run.id}", headers=TEXT).text
    assert "sealed without a plan" in page
    assert "<svg" in page
    assert client.get(f"/api/runs/{run.id}/result").json()["state"] == "none"
    assert client.get(f"/runs/{run.id}/report.pdf").status_code == 400
    job = client.post(f"/api/runs/{run.id}/judgements", json={"plan": "sealed"})
    assert job.status_code == 400
    given = client.post(
        f"/api/runs/{run.id}/judgements", json={"plan_toml": PLAN.replace("LIMIT", "60.0")}
    )
    assert wait_for(client, given.json())["state"] == "done"


def test_altered_judgement_is_told_and_the_picture_stays(
    client: TestClient, site: Site, run: Run
) -> None:
    record = next((site.tools.logbook.judgements_dir / run.id).glob("*.json"))
    text = record.read_text()
    record.write_text(text.replace(run.digest, "0" * 64))
    page = client.get(f"/runs/{run.id}", headers=TEXT)
    assert page.status_code == 200
    assert "altered after it was kept" in page.text
    assert "<svg" in page.text


def test_restate_shows_before_it_keeps(client: TestClient, site: Site, run: Run) -> None:
    where = f"/runs/{run.id}/restate"
    asked = {"channel": "left", "recorded_as": "T", "actual": "K", "reference": "25"}
    shown = client.get(where, params=asked, headers=TEXT)
    assert "before and after" in shown.text.lower()
    assert len(site.tools.logbook.run_ids()) == 1
    preview = client.post(
        f"/api/runs/{run.id}/restate",
        json={"channels": ["left"], "recorded_as": "t", "actual": "K", "preview": True},
    ).json()
    assert preview["run"] == ""
    assert preview["channels"][0]["after_c"][1] > preview["channels"][0]["before_c"][1]
    done = client.post(where, data=asked, headers=TEXT, follow_redirects=False)
    assert done.status_code == 303
    new = done.headers["location"].rsplit("/", 1)[-1]
    assert site.tools.logbook.facts(new).parent_digest == run.digest
    assert client.get(f"/api/runs/{new}/judgements").json()[0]["verdict"]
    told = client.get(f"/runs/{new}/restate", headers=TEXT).text
    assert "Before and after" in told
    assert f"/runs/{run.id}" in told
    again = client.post(where, data=asked | {"actual": "T"}, headers=TEXT)
    assert again.status_code == 400


def test_compare_tells_the_difference(client: TestClient, site: Site, run: Run) -> None:
    warmer = made_run(site, shift=6.0)
    found = client.get(f"/api/runs/{run.id}/compare", params={"with": warmer.id}).json()
    core = next(c for c in found["channels"] if c["channel"] == "core & <middle>")
    assert core["largest_k"] == pytest.approx(6.0 * (1 - np.exp(-1800 / 500)), abs=0.4)
    page = client.get(f"/runs/{run.id}/compare", params={"with": warmer.id}, headers=TEXT)
    assert "Other run minus reference run" in page.text
    chart = client.get(f"/api/runs/{run.id}/compare/differences", params={"with": warmer.id})
    assert len(chart.json()["channels"]) == 3
    choose = client.get(f"/runs/{run.id}/compare", headers=TEXT)
    assert "Choose the other runs" in choose.text
    both = client.get("/results", params={"a": run.id, "b": warmer.id}, follow_redirects=False)
    assert both.headers["location"].endswith(f"compare?with={warmer.id}")


def test_a_run_is_held_against_several(client: TestClient, site: Site, run: Run) -> None:
    others = [made_run(site, shift=shift).id for shift in (6.0, 8.0, 7.0)]
    wish = {"with": others}
    found = client.get(f"/api/runs/{run.id}/compare", params=wish).json()
    assert found["state"] == "ready"
    assert found["others"] == others
    assert found["by_chance"] == pytest.approx(0.5)
    core = next(m for m in found["measures"] if m["channel"] == "core & <middle>")
    assert core["stands"] == "below all 3, beyond doubt"
    assert core["lowest"] <= core["median"] <= core["highest"]
    assert set(core["others"]) == set(others)
    assert core["value"] == pytest.approx(min(core["others"].values()) - 6 * 0.97, abs=0.5)
    chart = client.get(f"/api/runs/{run.id}/compare/band-core", params=wish).json()
    assert len(chart["areas"][0]["low"]) == len(chart["areas"][0]["time_s"])
    page = client.get(f"/runs/{run.id}/compare", params=wish, headers=TEXT)
    assert "≠ outside the others" in page.text
    assert "held against 3 other runs" in page.text
    assert page.text.count("checked") == 3
    again = client.get(f"/api/runs/{run.id}/compare", params={"with": [*others, run.id, others[0]]})
    assert again.json()["others"] == others  # named twice, or the run itself: counted once


def test_what_is_no_other_test_is_left_out_of_a_range(
    client: TestClient, site: Site, run: Run
) -> None:
    twin = restate_run(
        site.tools.logbook, run.id, channels=["left"], recorded_as="T", actual="K"
    ).run
    others = [made_run(site, shift=6.0).id, made_run(site, shift=7.0).id]
    wish = {"with": [twin.id, *others]}
    found = client.get(f"/api/runs/{run.id}/compare", params=wish).json()
    assert found["others"] == others
    assert found["left_out"][0]["run"] == twin.id
    choose = client.get(f"/runs/{run.id}/compare", headers=TEXT).text
    assert "All 2 others of this product" in choose
    every = html.unescape(re.findall(r'href="([^"]+)">All 2 others', choose)[0])
    assert twin.id not in every
    few = client.get(f"/api/runs/{run.id}/compare", params={"with": [twin.id, others[0]]})
    assert few.status_code == 422
    assert "compare just the two" in few.json()["remedy"]
    page = client.get(
        f"/runs/{run.id}/compare", params={"with": [twin.id, others[0]]}, headers=TEXT
    )
    assert "What to do: name further runs, or compare just the two" in page.text


def test_a_comparison_names_what_it_lacks(client: TestClient, run: Run) -> None:
    assert client.get(f"/api/runs/{run.id}/compare").status_code == 422
    assert client.get(f"/api/runs/{run.id}/compare", params={"with": ""}).status_code == 400
    gone = client.get(f"/api/runs/{run.id}/compare", params={"with": [run.id, "nowhere"]})
    assert gone.status_code == 404
    many = client.get(f"/api/runs/{run.id}/compare", params={"with": ["x"] * 101})
    assert many.status_code == 422


def test_every_file_comes_whole(client: TestClient, run: Run) -> None:
    pdf = client.get(f"/runs/{run.id}/report.pdf")
    assert pdf.content.startswith(b"%PDF")
    assert run.id in pdf.headers["content-disposition"]
    book = client.get(f"/runs/{run.id}/report.xlsx").content
    assert zipfile.ZipFile(io.BytesIO(book)).testzip() is None
    csv = client.get(f"/runs/{run.id}/readings.csv")
    assert len(csv.text.splitlines()) > 1200
    assert client.get(f"/runs/{run.id}/readings.parquet").content[:4] == b"PAR1"
    assert client.get(f"/runs/{run.id}/readings.nc").status_code == 200
    assert client.get(f"/runs/{run.id}/readings.xlsx").content[:2] == b"PK"
    assert client.get(f"/runs/{run.id}/readings.exe").status_code == 400
    assert client.get(f"/runs/{run.id}/report.exe").status_code == 422


def test_proof_is_made_and_remembered(client: TestClient, site: Site) -> None:
    run = made_run(site, plan=False)
    assert client.get(f"/api/runs/{run.id}/proof").json()["proved"] == ""
    job = client.post(f"/api/runs/{run.id}/proof").json()
    assert wait_for(client, job)["state"] == "done"
    assert client.get(f"/api/runs/{run.id}/proof").json()["proved"]
    path = site.tools.logbook.path_of(run.id)
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 1
    path.chmod(0o644)
    path.write_bytes(content)
    failed = wait_for(client, client.post(f"/api/runs/{run.id}/proof").json())
    assert failed["state"] == "failed"
    page = client.post(f"/runs/{run.id}/prove", headers=TEXT)
    assert page.status_code == 503


def test_map_by_place_is_drawn_for_the_moment_asked(client: TestClient, run: Run) -> None:
    page = client.get(f"/runs/{run.id}", params={"at": "25"}, headers=TEXT).text
    assert 'data-channel="core &amp; &lt;middle&gt;"' in page
    figure = page[page.index("evenness-map") :]
    left = figure[figure.index('data-channel="left"') :]
    shown = float(re.search(r'class="figure">([\d.]+)<', left)[1])  # type: ignore[index]
    at = int((25 * 60 + 300) / 2)
    assert shown == pytest.approx(run.series["left"].value_c[at], abs=0.06)


def test_charts_come_in_the_same_words(client: TestClient, run: Run) -> None:
    chart = client.get(f"/api/runs/{run.id}/charts/history").json()
    assert chart["zero_s"] == pytest.approx(300, abs=3)
    assert chart["limits"] == [] or chart["limits"][0]["value"] == pytest.approx(90.0)
    assert {c["name"] for c in chart["channels"]} == set(run.series)
    assert client.get(f"/api/runs/{run.id}/charts/none").status_code == 404


def test_fahrenheit_pictures_keep_celsius_inside(tmp_path: Path) -> None:
    from ovenwright.compose import build
    from ovenwright.config import load
    from ovenwright.web.app import create_app

    site = Site(build(load({"logbook": str(tmp_path / "f"), "show_unit": "F"}, env={})))
    run = made_run(site)
    with TestClient(create_app(site), base_url="http://127.0.0.1:8717") as client:
        picture = client.get(f"/api/runs/{run.id}/result").json()["picture"]
        assert picture["limits"][0]["value"] == pytest.approx(90.0)
        assert "194 °F" in picture["limits"][0]["words"]
        assert "°F" in client.get(f"/runs/{run.id}", headers=TEXT).text
        form = client.get(f"/runs/{run.id}/restate", headers=TEXT).text
        assert "°F, or the channel that recorded it" in form
        assert "77 °F with a wide uncertainty" in form


@pytest.mark.parametrize(
    ("text", "unit", "found"),
    [("77", "F", 25.0), ("25 °C", "F", 25.0), ("77 °F", "C", 25.0), ("25,5", "C", 25.5)],
)
def test_a_reference_junction_is_read_in_the_unit_that_is_shown(
    text: str, unit: str, found: float
) -> None:
    # 77 °F is 25 °C: NIST SP 811, B.8
    assert _reference(text, unit) == pytest.approx(found)


def test_no_reference_and_the_name_of_a_channel_are_left_as_they_are() -> None:
    assert _reference(" ", "F") is None
    assert _reference("junction F", "F") == "junction F"
