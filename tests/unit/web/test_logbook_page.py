"""The logbook's page and the list of runs behind it."""

import html
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from starlette.testclient import TestClient

from ovenwright.domain.run import NS, Run, Series
from ovenwright.reporting.svg_spark import spark_line
from ovenwright.storage.presets import read_preset
from ovenwright.web.places import logbook
from ovenwright.web.site import Site
from ovenwright.workflow.keeping import list_runs
from ovenwright.workflow.sparks import spark_of

PLAN = (
    read_preset("tin-bread").text
    + """
[[channels]]
name = "room"
sensor = "T"
role = "ambient"
"""
)
SealRun = Callable[..., Run]


def a_run(title: str = "Monday", *, start: int = 1_772_000_000, plan: str = PLAN) -> Run:
    time_ns = (start + np.arange(60) * 10) * NS
    series = {
        name: Series(time_ns, low + np.linspace(0, rise, 60), np.zeros(60, np.uint8))
        for name, low, rise in (("core left", 28, 70), ("air left", 30, 190), ("room", 21, 1))
    }
    return Run("", series, title=title, plan_toml=plan)


@pytest.fixture
def seal(site: Site) -> SealRun:
    def put(run: Run, verdict: str = "") -> Run:
        sealed = site.tools.logbook.seal(run)
        if verdict:
            site.tools.logbook.keep_judgement(sealed, {"verdict": verdict, "requirements": []})
        return sealed

    return put


def words(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_an_empty_logbook_teaches_how_to_begin(client: TestClient) -> None:
    page = client.get("/").text
    assert "<h1>Logbook book</h1>" in page
    assert 'action="/demo"' in page
    assert 'action="/bring-in"' in page
    assert client.get("/api/runs").json()["runs"] == []


def test_the_index_is_found_once_the_folder_is_there(site: Site, seal: SealRun) -> None:
    tools = site.tools
    assert not tools.logbook.folder.exists()
    assert list_runs(tools.logbook, tools.catalogue).runs == ()
    seal(a_run())
    assert len(list_runs(tools.logbook, tools.catalogue).runs) == 1
    assert tools.logbook.catalogue_file.is_file()
    assert tools.catalogue is tools.catalogue


def test_runs_stand_with_what_they_were(client: TestClient, seal: SealRun) -> None:
    kept = seal(a_run("Monday <b>"), "fail")
    page = client.get("/").text
    assert "Monday &lt;b&gt;" in page
    assert f'href="/runs/{kept.id}"' in page
    told = words(page)
    assert "fail" in told
    assert "oven 1 · tin loaf 800 g" in told
    assert "2026-02-25 06:13" in told  # 1772000000 s is that minute in UTC
    assert 'class="spark"' in page
    facts = client.get("/api/runs").json()
    assert facts["total"] == 1
    assert facts["runs"][0]["id"] == kept.id
    assert facts["runs"][0]["verdict"] == "fail"
    assert facts["runs"][0]["oven"] == "oven 1"


def test_each_filter_narrows(client: TestClient, seal: SealRun) -> None:
    other = PLAN.replace('name = "oven 1"', 'name = "oven 2"').replace("tin loaf 800 g", "bun")
    first = seal(a_run("Monday"), "pass").id
    second = seal(a_run("Tuesday", start=1_772_100_000, plan=other), "fail").id
    third = seal(a_run("Wednesday", start=1_772_200_000)).id

    def ids(**asked: str | int) -> list[str]:
        found = client.get("/api/runs", params=asked)
        assert found.status_code == 200, found.text
        page = client.get("/", params={k: v for k, v in asked.items() if k != "limit"}).text
        shown = re.findall(r'data-run="([^"]+)"', page)
        listed = [r["id"] for r in found.json()["runs"]]
        if "limit" not in asked:
            assert shown == listed, "page and twin say the same"
        return listed

    assert ids() == [third, second, first]
    assert ids(text="tues") == [second]
    assert ids(text="wednesday nothing") == []
    assert ids(oven="oven 2") == [second]
    assert ids(product="TIN LOAF") == [third, first]
    assert ids(verdict="pass") == [first]
    assert ids(verdict="none") == [third]
    assert ids(since="2026-02-26") == [third, second]
    assert ids(until="2026-02-25") == [first]
    assert ids(since="2026-02-26", until="2026-02-26") == [second]
    assert ids(limit=1) == [third]
    told = client.get("/api/runs", params={"limit": 1, "offset": 1, "oven": "oven 1"}).json()
    assert [r["id"] for r in told["runs"]] == [first]
    assert (told["total"], told["in_logbook"]) == (2, 3)


def test_a_long_list_comes_in_pages(
    client: TestClient, seal: SealRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert logbook.A_PAGE == 50
    monkeypatch.setattr(logbook, "A_PAGE", 3)
    for i in range(5):
        seal(a_run(f"run {i}", plan=""))
    first = client.get("/").text
    assert first.count('class="run"') == 3
    assert 'rel="next" href="/?page=2"' in first
    assert "5 runs, 1 to 3 shown" in words(first)
    second = client.get("/?page=2").text
    assert second.count('class="run"') == 2
    assert 'rel="prev" href="/?"' in second
    assert client.get("/?page=9&text=run").status_code == 200


@pytest.mark.parametrize("asked", ["since=yesterday", "until=2026-13-40", "limit=0", "limit=9999", "offset=-1", "verdict=maybe"])  # fmt: skip
def test_what_makes_no_sense_is_told(client: TestClient, asked: str) -> None:
    answer = client.get(f"/api/runs?{asked}")
    assert answer.status_code in {400, 422}
    assert answer.json()["what"]


def test_one_run_is_told_whole(client: TestClient, seal: SealRun) -> None:
    run = seal(a_run(), "undecided")
    told = client.get(f"/api/runs/{run.id}").json()
    assert told["digest"] == run.digest
    assert told["plan"] == PLAN
    assert told["verdict"] == "undecided"
    assert told["judgement"]["run_digest"] == run.digest
    by_name = {c["name"]: c for c in told["channel_facts"]}
    assert by_name["core left"]["count"] == 60
    assert by_name["core left"]["role"] == "core"
    assert client.get("/api/runs/last").json()["id"] == run.id


@pytest.mark.parametrize(
    "ref", ["nothing", "2026", "..%2f..%2fetc%2fpasswd", "%2fetc%2fpasswd", "a%00b", "pyproject.toml", "x" * 300, ".hidden"]
)  # fmt: skip
def test_only_a_whole_id_opens_a_run(client: TestClient, seal: SealRun, ref: str) -> None:
    seal(a_run())
    for path in (f"/api/runs/{ref}", f"/api/runs/{ref}/spark.svg"):
        assert client.get(path).status_code == 404


def test_a_damaged_run_is_told_and_hides_no_other(
    client: TestClient, seal: SealRun, site: Site
) -> None:
    good = seal(a_run("good")).id
    bad = seal(a_run("bad")).id
    path = site.tools.logbook.path_of(bad)
    path.chmod(0o644)
    path.write_bytes(path.read_bytes()[:200])
    page = client.get("/").text
    assert f'data-run="{good}"' in page
    assert 'class="fault"' in page
    assert str(site.tools.logbook.folder) not in page


def test_a_spark_line_spans_the_product_and_leaves_holes_open() -> None:
    run = a_run()
    spark = spark_of(run, stretches=6)
    assert spark.low_c[0] == 28.0, "the room's own channel is no part of it"
    assert spark.high_c[-1] == 220.0
    holes = replace(
        run,
        series={
            "a": Series(
                np.array([0, 10, 90, 100]) * NS,
                np.array([1.0, 2.0, 3.0, 4.0]),
                np.zeros(4, np.uint8),
            )
        },
    )
    spark = spark_of(holes, stretches=10)
    assert spark.low_c[3] is None
    drawn = spark_line(spark.low_c, spark.high_c, 'a "hole"')
    assert drawn.count('class="band"') == 2
    assert "&quot;hole&quot;" in drawn


def test_a_spark_line_is_drawn_alone_for_those_who_ask(client: TestClient, seal: SealRun) -> None:
    run = seal(a_run())
    answer = client.get(f"/api/runs/{run.id}/spark.svg")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert 'aria-label="28 to 220 °C over 9:50"' in answer.text


def test_the_demo_is_a_job_and_starts_once(client: TestClient) -> None:
    first = client.post("/api/demo")
    assert first.status_code == 202
    again = client.post("/demo", follow_redirects=False)
    assert again.headers["location"] == f"/?job={first.json()['id']}"
    assert f'data-job="{first.json()["id"]}"' in client.get(again.headers["location"]).text
    client.delete(f"/api/jobs/{first.json()['id']}")
