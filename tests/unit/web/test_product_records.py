"""Product records on their pages and in their twins; runs fitted into one by a job."""

import time
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from ovenwright.errors import StorageTrouble, TooLittleData, UnknownName
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.priors import INDEX, KINDS, PARAMETERS
from ovenwright.modelling.product_record import ProductRecord, RecordedChannel, RecordedRun
from ovenwright.storage.product_records import kept_record_path, write_record
from ovenwright.web import records_shown
from ovenwright.web.answers import status_of
from ovenwright.web.door import Role, Who
from ovenwright.web.retold import Retold
from ovenwright.web.site import Site

HTML = {"accept": "text/html"}
FAMILY = 2 * next(i for i, k in enumerate(KINDS) if k.moist)


def keep(site: Site, name: str, *runs: str) -> None:
    """Keep a record whose runs all say the same half size, and nothing of the rest."""
    rng = np.random.default_rng(3)
    recorded = []
    for run in runs:
        z = rng.normal(size=(len(PARAMETERS), 60))
        z[INDEX["half_size_m"]] = rng.normal(0.0, 0.05, 60)
        channel = RecordedChannel(
            "core <b>", np.full(60, FAMILY, dtype=np.intp), z, np.zeros((KNOTS.size, 60))
        )
        times = np.array([0.0, 600.0])
        recorded.append(RecordedRun(run, "", times, np.array([180.0, 200.0]), (channel,)))
    path = kept_record_path(site.tools.logbook, name)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_record(path, ProductRecord(name, "any", tuple(recorded)))


def test_the_empty_state_teaches(client: TestClient) -> None:
    assert client.get("/api/product-records").json() == []
    assert client.get("/api/product-records/none").status_code == 404


def test_a_record_says_its_runs_and_what_they_told(client: TestClient, site: Site) -> None:
    keep(site, "rye tin", "run-1", "run-2")
    (row,) = client.get("/api/product-records").json()
    assert row["name"] == "rye tin"
    assert [r["id"] for r in row["runs"]] == ["run-1", "run-2"]
    assert not row["runs"][0]["there"]
    told = {p["name"]: p for p in row["parameters"] if p["told"]}
    assert set(told) == {"half_size_m"}
    prior = KINDS[FAMILY // 2].priors["half_size_m"]
    assert told["half_size_m"]["median"] == pytest.approx(prior.a, rel=0.05)
    # what belongs to a sensor's own place is nothing the product has
    assert not {p.name for p in PARAMETERS if p.own} & {p["name"] for p in row["parameters"]}
    page = client.get("/product-records/rye%20tin", headers=HTML).text
    assert "half thickness or radius" in page
    assert f"{prior.a * 1000:.0f}"[:1] in page
    assert "these readings are not in this logbook" in page
    assert "core &lt;b&gt;" in page
    assert page.index("Narrowed by the readings") < page.index("Not narrowed, so not measured")


def test_one_that_was_altered_says_so_and_hides_no_other(client: TestClient, site: Site) -> None:
    keep(site, "good", "run-1")
    keep(site, "bad", "run-1")
    path = kept_record_path(site.tools.logbook, "bad")
    path.write_text(path.read_text().replace("run-1", "run-9"))
    bad, good = client.get("/api/product-records").json()
    assert "altered" in bad["trouble"]["what"]
    assert str(site.tools.logbook.folder) not in str(bad)
    assert good["trouble"] is None
    page = client.get("/product-records/bad", headers=HTML)
    assert page.status_code == 503
    assert "restore it from a copy" in page.text


@pytest.mark.parametrize("name", ["..", "a/b", "x" * 81, " "])
def test_no_path_is_a_name(client: TestClient, name: str) -> None:
    assert client.get(f"/api/product-records/{name}").status_code in {404, 422}
    answer = client.post("/product-records", data={"name": name, "run": "last"}, headers=HTML)
    assert answer.status_code in {400, 404, 422}


def test_runs_are_fitted_into_one_by_a_job(
    client: TestClient, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fit itself is checked where it lives; here the process apart is left out."""
    fitted: list[str] = []

    def here(_work: Any, _book: Any, _kinetics: Any, run: str, name: str, **_: Any) -> int:
        fitted.append(run)
        if len(fitted) > 1:
            raise TooLittleData("no channel could be fitted", where=run, remedy="give a core")
        keep(site, name, run)
        return 1

    monkeypatch.setattr(records_shown, "apart", here)
    monkeypatch.setattr("ovenwright.web.api.records.run_ref", lambda text, _book: text)
    job = client.post("/api/product-records/loaf", json={"runs": ["run-1"]}).json()
    done = wait_for(client, job["id"])
    assert (done["state"], done["link"]) == ("done", "/product-records/loaf")
    assert client.get("/api/product-records/loaf").json()["runs"][0]["id"] == "run-1"
    assert "fitted product record" in client.get("/api/audit").text
    monkeypatch.setattr("ovenwright.web.places.records.run_ref", lambda text, _book: text)
    page = client.post("/product-records", data={"name": "loaf", "run": "run-2"}, headers=HTML)
    assert page.status_code == 422  # as the fit's own error, not as a wrong use of the page
    assert "What to do: give a core" in page.text
    assert client.post("/api/product-records/loaf", json={"runs": []}).status_code == 422


def wait_for(client: TestClient, job: str) -> dict[str, Any]:
    for _ in range(200):
        found: dict[str, Any] = client.get(f"/api/jobs/{job}").json()
        if found["state"] not in {"waiting", "running"}:
            return found
        time.sleep(0.02)
    raise AssertionError("the job never ended")


def test_only_an_engineer_fits(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    someone = Who("Ada", Role.OPERATOR, signed_in=True)
    for module in ("door", "pages"):
        monkeypatch.setattr(f"ovenwright.web.{module}.who_is", lambda _: someone, raising=False)
    answer = client.post("/api/product-records/loaf", json={"runs": ["run-1"]})
    assert answer.status_code == 403
    assert client.post("/product-records", data={"name": "loaf"}).status_code == 403


def test_an_error_retold_keeps_its_class() -> None:
    for trouble in (
        TooLittleData("too short", where="run-1", remedy="read longer"),
        StorageTrouble("the disk is full"),
        UnknownName("run", "x", known=["y"]),
    ):
        retold = Retold(trouble.facts())
        assert status_of(retold) == status_of(trouble)
        assert (retold.what, retold.where, retold.remedy) == (
            trouble.what, trouble.where, trouble.remedy
        )  # fmt: skip
    assert status_of(Retold({"error": "Fault", "what": "the tool itself failed"})) == 500
