"""One error shape; headers on everything."""

import pytest
from starlette.testclient import TestClient

from ovenwright.errors import (
    InstrumentTrouble,
    OvenwrightError,
    PlanFaults,
    StorageTrouble,
    TooLittleData,
    UnknownName,
    UsageError,
)
from ovenwright.web.answers import status_of
from ovenwright.web.door import Role, Who
from ovenwright.web.site import Site


@pytest.mark.parametrize(
    ("trouble", "status"),
    [
        (UnknownName("run", "x"), 404),
        (UsageError("x"), 400),
        (PlanFaults([]), 422),
        (TooLittleData("x"), 422),
        (InstrumentTrouble("x"), 503),
        (StorageTrouble("x"), 503),
    ],
)
def test_each_error_has_its_status(trouble: OvenwrightError, status: int) -> None:
    assert status_of(trouble) == status


def test_health(client: TestClient) -> None:
    answer = client.get("/api/health")
    assert answer.status_code == 200
    assert answer.json()["logbook"] == "book"
    assert answer.json()["runs"] == 0


def test_unknown_address_answers_in_the_one_shape(client: TestClient) -> None:
    answer = client.get("/api/nothing")
    assert answer.status_code == 404
    assert set(answer.json()) >= {"error", "what", "where", "remedy"}


def test_people_get_a_page(client: TestClient) -> None:
    answer = client.get("/nothing", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "There is nothing of that name</h1>" in answer.text


def test_this_machine_s_folders_are_not_told(client: TestClient, site: Site) -> None:
    answer = client.get("/api/jobs/none")
    assert str(site.tools.settings.logbook.absolute()) not in answer.text


def test_every_answer_carries_the_policy(client: TestClient) -> None:
    for path in ("/", "/api/health", "/nothing"):
        policy = client.get(path).headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "unsafe-inline" not in policy


def test_a_name_that_nothing_carries_is_told_in_sentences(client: TestClient) -> None:
    page = client.get("/plans/nobody", headers={"accept": "text/html"})
    assert page.status_code == 404
    assert "What to do: look in the list of those there are" in page.text
    client.post("/api/plans", json={"source": "blank"})
    assert client.get("/api/plans/nobody").json()["remedy"] == "name one of these: new-plan"


def test_a_page_that_is_for_another_role_says_whom_to_ask(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    someone = Who("otto", Role.OPERATOR, signed_in=True)
    for module in ("door", "pages"):
        monkeypatch.setattr(f"ovenwright.web.{module}.who_is", lambda _: someone, raising=False)
    page = client.get("/plans/new", headers={"accept": "text/html"})
    assert page.status_code == 403
    assert "That is for another role</h1>" in page.text
    assert "This needs the role engineer; otto has the role operator" in page.text
    assert "What to do: ask somebody who has that role" in page.text


def test_a_page_that_is_not_there_leads_on(client: TestClient) -> None:
    page = client.get("/nowhere", headers={"accept": "text/html"})
    assert page.status_code == 404
    assert "There is no such page" in page.text
    assert "What to do: go on from one of the places above" in page.text
