"""A practice from the operator view, and the plans that the demo leaves on the shelf."""

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.storage.plan_shelf import PlanShelf
from ovenwright.web.site import Site
from ovenwright.workflow import demo
from ovenwright.workflow.plan_keeping import list_plans, shelf_of


def token_in(page: str) -> str:
    found = re.search(r'name="form-token" value="([^"]+)"', page)
    assert found is not None
    return found[1]


def test_an_empty_logbook_still_offers_a_practice(client: TestClient) -> None:
    page = client.get("/operator").text
    assert 'href="/operator/practice"' in page
    one = client.get("/operator/practice").text
    assert "Start the practice" in one
    assert "It stops by itself after about 2:" in one  # 44 min of a bake at twenty times the pace
    assert "Check the sensors" not in one


def test_a_practice_is_not_checked_before_it_is_served(client: TestClient) -> None:
    token = token_in(client.get("/operator/practice").text)
    answer = client.post(
        "/operator/practice/check", data={"form-token": token}, headers={"accept": "text/html"}
    )
    assert answer.status_code == 400
    assert "not served before the practice starts" in answer.text


def test_a_plan_of_that_name_keeps_its_own_address(tmp_path: Path) -> None:
    kept = PlanShelf(tmp_path).create("title = 'x'\n", name="practice", who="", why="")
    assert kept.plan == "practice-plan"


@pytest.mark.parametrize("name", ["ostrel-tin-bread", "ostrel-coatings-survey"])
def test_the_demo_keeps_each_plan_once_with_who_and_why(site: Site, name: str) -> None:
    tools = build(load({"logbook": str(site.tools.logbook.folder)}, env={}))
    for _ in range(2):
        demo._keep_plan(tools.logbook, tools.library(), name)
    (kept,) = list_plans(tools.logbook)
    assert kept.ready
    assert shelf_of(tools.logbook).text(kept.id) == demo.demo_plan(name)
    assert kept.newest.who == "the demo"
    assert kept.newest.why
