"""Reports handed out after signing: who, what it says, and whether it still holds."""

import json
import re
import time

import numpy as np
import pytest
from starlette.testclient import TestClient

from ovenwright.domain.people import Signature
from ovenwright.domain.run import NS, Mark, MarkKind, Run, Series
from ovenwright.web.site import Site
from ovenwright.workflow.judging import judge_run
from ovenwright.workflow.results import judge_text
from ovenwright.workflow.signing import lines_for_report, records

START = 1_772_000_000 * NS
PLAN = """
format = 1
title = "One place"
[oven]
kind = "chamber"
name = "oven A"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "bars"
[recording]
interval_s = 2.0
[[channels]]
name = "middle"
sensor = "T"
role = "core"
[[requirements]]
name = "hot enough"
measure = "end_temperature"
on = "core"
at_least = 60.0
"""


@pytest.fixture
def fresh(site: Site) -> Run:
    t = np.arange(0.0, 1200.0, 2.0)
    core = 25 + 70 * (1 - np.exp(-np.maximum(t - 100, 0) / 300))
    noisy = np.round(core + np.random.default_rng(5).normal(0, 0.05, t.size), 2)
    time_ns = START + np.round(t * NS).astype(np.int64)
    marks = (Mark(MarkKind.LOAD_IN, START + 100 * NS), Mark(MarkKind.LOAD_OUT, START + 1100 * NS))
    series = {"middle": Series(time_ns, noisy, np.zeros(t.size, np.uint8))}
    return site.tools.logbook.seal(
        Run("", series, marks=marks, plan_toml=PLAN, title="one place", time_zone="Europe/Riga")
    )


@pytest.fixture
def run(site: Site, fresh: Run) -> Run:
    judge_run(site.tools.logbook, site.tools.library(), fresh.id)
    return fresh


def sign_last(site: Site, run: Run, meaning: str) -> None:
    """Sign without a password: no account is made, so that the pages stay open to the test."""
    last = records(site.tools.logbook, run.id)[-1]
    one = Signature(
        0, time.time_ns(), "mira", "Mira Ostrel", "engineer", meaning, "", run.id, run.digest,
        last.name, last.sha256, last.verdict,
    )  # fmt: skip
    site.tools.people.sign(one, what=f"signed a result as {meaning}", subject=run.id)


def test_a_report_shows_the_signatures_of_its_moment(
    client: TestClient, site: Site, run: Run
) -> None:
    address = f"/runs/{run.id}/report.html"
    assert "Mira Ostrel" not in client.get(address).text
    sign_last(site, run, "reviewed")
    page = client.get(address).text
    for words in ("Mira Ostrel", "reviewed", "✓ holds"):
        assert words in page
    sign_last(site, run, "approved")
    assert client.get(address).text.count("✓ holds") == 2


def test_what_was_signed_under_another_plan_says_so(
    client: TestClient, site: Site, run: Run
) -> None:
    stricter = PLAN.replace("60.0", "99.0")
    judge_text(site.tools.logbook, site.tools.library(), run.id, plan_toml=stricter, keep=True)
    sign_last(site, run, "declined")
    first = client.get(f"/runs/{run.id}/report.html", params={"judgement": 1}).text
    assert "another judgement of this run" in first
    second = client.get(f"/runs/{run.id}/report.html", params={"judgement": 2}).text
    assert "another judgement of this run" not in second
    assert "declined" in second


def test_a_judgement_changed_after_signing_breaks_its_signature(site: Site, run: Run) -> None:
    sign_last(site, run, "approved")
    tools = site.tools
    (line,) = lines_for_report(tools.people, tools.logbook, run.id, plan_toml=PLAN)
    assert (line.broken, line.here) == ("", True)
    (path,) = (tools.logbook.judgements_dir / run.id).glob("*.json")
    facts = json.loads(path.read_text(encoding="utf-8"))
    facts["judgement"]["verdict"] = "undecided"
    path.chmod(0o644)
    path.write_text(json.dumps(facts), encoding="utf-8")
    (line,) = lines_for_report(tools.people, tools.logbook, run.id, plan_toml=PLAN)
    assert "changed after it was signed" in line.broken


def test_a_run_without_a_kept_judgement_is_judged_from_the_page_to_sign_on(
    client: TestClient, site: Site, fresh: Run
) -> None:
    address, offer = f"/runs/{fresh.id}/sign", "Judge it and keep the result"
    page = client.get(address, headers={"accept": "text/html"}).text
    assert offer in page
    token = re.search(r'name="form-token" value="([^"]+)"', page)
    assert token is not None
    answer = client.post(f"/runs/{fresh.id}/judge", data={"form-token": token[1]})
    assert answer.status_code == 200
    assert records(site.tools.logbook, fresh.id)[-1].verdict == "pass"
    assert offer not in client.get(address, headers={"accept": "text/html"}).text
