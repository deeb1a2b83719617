"""Readings handed in over the API: concluded, decided on, sealed, judged; bounds at the door."""

import json
import os
import time
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from starlette.testclient import TestClient

from ovenwright.storage.presets import read_preset
from ovenwright.web import receiving
from ovenwright.web.lot_facts import staging
from ovenwright.web.site import Site


def csv(unit: str = " °C", *, top: float = 97.5) -> bytes:
    """Two cores and an air sensor of a bake of 35 minutes."""
    lines = [f"time s;core left{unit};core right{unit};air left{unit}"]
    for i in range(221):
        share = min(1.0, i / 190)
        core = 28 + (top - 28) * (share**1.5)
        air = 225 + 3 * (i % 7 - 3) if 3 < i < 205 else 30 + i % 3
        lines.append(f"{i * 10};{core + i % 2 / 10:.2f};{core - 0.4 - i % 2 / 10:.2f};{air:.1f}")
    return "\n".join(lines).encode()


def hand_in(client: TestClient, content: bytes = b"", name: str = "bake.csv", **fields: str) -> Any:
    answer = client.post("/api/imports", files={"file": (name, content or csv())}, data=fields)
    assert answer.status_code == 201, answer.text
    return answer.json()


def decide(client: TestClient, lot: str, **what: Any) -> Any:
    answer = client.patch(f"/api/imports/{lot}", json=what)
    assert answer.status_code == 200, answer.text
    return answer.json()


def settled(client: TestClient, job: str) -> Any:
    for _ in range(200):
        facts = client.get(f"/api/jobs/{job}").json()
        assert "state" in facts, facts
        if facts["state"] not in {"waiting", "running"}:
            return facts
        time.sleep(0.05)
    raise AssertionError("the job does not end")


def far_cell(folder: Path) -> Path:
    """A sheet of a few kB that asks for 17 billion cells when it is laid out."""
    path = folder / "far.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        sheet.write_row(0, 0, ["time s", "core °C"])
        sheet.write_number(1_048_575, 16_383, 1.0)
    return path


def test_what_is_concluded_stands_beside_the_first_rows(client: TestClient) -> None:
    told = hand_in(client)
    assert told["ready"]
    assert told["files"] == [{"name": "bake.csv", "size": len(csv())}]
    assert told["rows"][0]["headings"][0] == "time s"
    assert told["rows"][0]["rows"][0][0] == "0"
    assert told["rows"][0]["lines"][:2] == [2, 3]
    by_name = {c["name"]: c for c in told["columns"]}
    assert by_name["time"]["use"] == "time"
    assert by_name["core left"]["role"] == "core"
    assert by_name["core left"]["role_why"]
    assert by_name["air left"]["role"] == "air"
    assert by_name["air left"]["unit"] == "degC"
    assert "--" not in json.dumps(told["concluded"]), "a page knows no command line"
    assert client.get(f"/api/imports/{told['id']}").json() == told
    assert [x["id"] for x in client.get("/api/imports").json()] == [told["id"]]


def test_a_doubtful_unit_is_asked_for_and_settled_by_one_choice(client: TestClient) -> None:
    bare = b"time s;x;y\n" + b"\n".join(b"%d;%d;%d" % (i, 60 + i, 61 + i) for i in range(100))
    told = hand_in(client, bare)
    assert not told["ready"]
    assert told["trouble"]["field"] == "unit"
    assert told["rows"][0]["rows"], "what can't be understood can be looked at"
    now = decide(client, told["id"], unit="F")
    assert now["ready"]
    x = next(c for c in now["columns"] if c["name"] == "x")
    assert x["unit"] == "degF"
    assert x["first_c"] == pytest.approx((60 - 32) / 1.8)
    again = decide(client, told["id"], unit="", units={"x": "C", "y": "C"})
    assert next(c for c in again["columns"] if c["name"] == "x")["first_c"] == 60.0


def test_columns_are_left_out_and_taken_in(client: TestClient) -> None:
    content = "time s;core °C;load\n".encode() + b"\n".join(
        b"%d;%d;%d" % (i, 20 + i % 70, i * 37 % 11 + 2000) for i in range(60)
    )
    told = hand_in(client, content)
    uses = {c["name"]: c["use"] for c in told["columns"]}
    assert uses == {"time": "time", "core": "temperature", "load": "left out"}
    now = decide(client, told["id"], taken=["load"], units={"load": "C"}, left_out=["core"])
    uses = {c["name"]: c["use"] for c in now["columns"]}
    assert uses == {"time": "time", "core": "left out", "load": "temperature"}
    both = decide(client, told["id"], taken=[], units={"load": "C"}, left_out=["load"])
    assert both["ready"], "a column left out needs no unit any more"
    unknown = decide(client, told["id"], left_out=["nothing"])
    assert "nothing" in unknown["trouble"]["what"]


def test_a_preset_is_asked_of_the_columns_that_are_there(client: TestClient, site: Site) -> None:
    lot = hand_in(client)["id"]
    told = decide(client, lot, plan="preset:tin-bread")
    assert told["plan_trouble"]["field"] == "sensor"
    assert not told["ready"]
    told = decide(client, lot, sensor="T", oven="oven 3", product="rye tin 800 g")
    assert told["ready"]
    assert told["plan"]["channels"] == ["core left", "core right", "air left"]
    assert told["plan"]["oven"] == "oven 3"
    answer = client.post(f"/api/imports/{lot}/bring-in")
    assert answer.status_code == 202
    job = settled(client, answer.json()["id"])
    assert job["state"] == "done", job
    run = job["result"]["run"]
    assert job["link"] == f"/runs/{run}"
    assert job["result"]["verdict"] in {"pass", "fail", "undecided"}
    assert client.get(f"/api/imports/{lot}").status_code == 404, "a lot brought in is gone"
    assert not list((site.tools.logbook.folder / "imports").iterdir())
    assert site.tools.logbook.judgement_count(run) == 1
    assert 'name = "oven 3"' in site.tools.logbook.facts(run).plan_toml


def test_the_plan_used_is_the_one_decided_last(client: TestClient, site: Site) -> None:
    lot = hand_in(client)["id"]
    decide(client, lot, plan="preset:tin-bread", sensor="T")
    decide(client, lot, plan="preset:bun")
    decide(client, lot, plan="preset:tin-bread")  # answered from memory
    client.post(f"/api/imports/{lot}/bring-in")
    job = settled(client, client.get("/api/jobs").json()[0]["id"])
    assert 'preset = "tin-bread"' in site.tools.logbook.facts(job["result"]["run"]).plan_toml


def test_a_second_plan_file_takes_the_place_of_the_first(client: TestClient) -> None:
    lot = hand_in(client)["id"]
    for preset in ("tin-bread", "bun"):
        files = {"plan": ("p.toml", read_preset(preset).text.encode())}
        client.post(f"/bring-in/{lot}/plan", files=files)
        told = client.get(f"/api/imports/{lot}").json()
        assert told["plan"]["requirements"]
        assert (told["plan"]["product"] == "tin loaf 800 g") == (preset == "tin-bread")


def test_roles_that_no_column_has_are_told_not_asked(client: TestClient) -> None:
    lot = hand_in(client, plan="preset:tin-bread", sensor="K")["id"]
    told = decide(client, lot, roles={"core left": "surface", "core right": "surface"})
    assert told["plan"]["requirements"] == ["left and right alike"]
    assert any("core hot enough at the end" in n for n in told["plan"]["notes"])


def test_a_plan_whose_channels_are_called_otherwise_is_mapped_by_column(client: TestClient) -> None:
    plan = read_preset("tin-bread").text
    content = csv().replace(b"core left", b"probe 1").replace(b"core right", b"probe 2")
    content = content.replace(b"air left", b"probe 3")
    told = hand_in(client, content, plan=plan)
    assert not told["ready"]
    assert "none of the plan's channels" in told["plan_trouble"]["what"]
    assert {c["name"] for c in told["columns"]} >= {"probe 1", "probe 2"}
    now = decide(client, told["id"], columns={"core left": "probe 1 °C", "air left": "probe 3 °C"})
    assert now["plan_trouble"] is None
    assert now["ready"]
    assert {c["channel"] for c in now["columns"]} >= {"core left", "air left"}


def test_faults_of_a_plan_are_told_with_their_line(client: TestClient) -> None:
    broken = read_preset("tin-bread").text.replace("at_least = 95.0", 'at_least = "hot"', 1)
    assert broken != read_preset("tin-bread").text
    told = hand_in(client, plan=broken)
    assert told["plan_trouble"]["faults"][0]["line"] > 0


def test_at_once_answers_with_run_and_verdict(client: TestClient) -> None:
    answer = client.post(
        "/api/import",
        files={"file": ("bake.csv", csv())},
        data={"plan": "preset:tin-bread", "sensor": "T", "title": "Monday"},
    )
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["run"] == told["id"]
    assert told["verdict"] in {"pass", "fail", "undecided"}
    assert len(told["digest"]) == 64
    assert [c["name"] for c in told["channels"]] == ["core left", "core right", "air left"]


def test_at_once_without_a_plan_seals_only(client: TestClient, site: Site) -> None:
    told = client.post("/api/import", files={"file": ("bake.csv", csv())}).json()
    assert told["verdict"] is None
    assert site.tools.logbook.run_ids() == (told["id"],)


def test_at_once_takes_a_plan_file_and_choices_as_json(client: TestClient) -> None:
    answer = client.post(
        "/api/import",
        files=[
            ("file", ("bake.csv", csv("").replace(b"time s", b"time"))),
            ("plan", ("tin.toml", read_preset("tin-bread").text.encode())),
        ],
        data={"choices": json.dumps({"unit": "C", "time_unit": "s"})},
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["verdict"] in {"pass", "fail", "undecided"}


def test_what_can_be_read_in_two_ways_is_refused_and_nothing_kept(
    client: TestClient, site: Site
) -> None:
    bare = b"time s;x;y\n" + b"\n".join(b"%d;%d;%d" % (i, 60 + i, 61 + i) for i in range(100))
    answer = client.post("/api/import", files={"file": ("a.csv", bare)})
    assert answer.status_code == 422
    assert answer.json()["error"] == "ReadingsRefused"
    assert "unit" in answer.json()["what"]
    assert site.tools.logbook.run_ids() == ()
    assert not list((site.tools.logbook.folder / "imports").iterdir())


def test_a_sheet_with_one_far_cell_is_refused_with_words(
    client: TestClient, tmp_path: Path
) -> None:
    path = far_cell(tmp_path)
    assert path.stat().st_size < 20_000
    answer = client.post("/api/import", files={"file": ("a.xlsx", path.read_bytes())})
    assert answer.status_code == 422
    assert "a sheet reaches over" in answer.json()["what"]
    told = hand_in(client, path.read_bytes(), "a.xlsx")
    assert "a sheet reaches over" in told["trouble"]["what"]


@pytest.mark.parametrize(
    "name", ["../../../etc/passwd", "..\\..\\x.csv", "/abs.csv", "a/../../b.csv", "..", "x" * 400]
)
def test_no_file_name_reaches_the_disk_as_a_path(client: TestClient, site: Site, name: str) -> None:
    told = hand_in(client, name=name)
    area = staging(site).folder.resolve()
    placed = [p for p in site.tools.logbook.folder.parent.rglob("*") if p.is_file()]
    alike = [p for p in placed if p.read_bytes() == csv()]
    assert len(alike) == 1
    assert area in alike[0].resolve().parents
    assert len(told["files"][0]["name"]) <= 100


@pytest.mark.parametrize(
    "lot", ["..", "%2e%2e", "0" * 16, "..%2f..%2fetc", "a" * 300, "ABCDEF0123456789"]
)
def test_no_stranger_s_id_opens_a_folder(client: TestClient, lot: str) -> None:
    answer = client.get(f"/api/imports/{lot}")
    assert answer.status_code in {404, 405}


def test_the_body_is_bounded_while_it_comes(
    client: TestClient, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(receiving, "MOST_BYTES", 200_000)
    monkeypatch.setattr(receiving.receive, "__kwdefaults__", {"limit": 200_000})
    boundary = "xyz"
    head = (
        f'--{boundary}\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n'
    ).encode()

    def stream() -> Any:
        yield head
        for _ in range(100):
            yield b"1;2\n" * 1000

    answer = client.post(
        "/api/imports",
        content=stream(),
        headers={"content-type": f"multipart/form-data; boundary={boundary}"},
    )
    assert answer.status_code == 413
    assert not list((site.tools.logbook.folder / "imports").iterdir())


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"", "multipart/form-data; boundary=x", 400),
        (b"--x\r\nnonsense", "multipart/form-data; boundary=x", 400),
        (b"{}", "application/json", 400),
        (b"", "multipart/form-data", 400),
        (b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n1\r\n--x--\r\n',
         "multipart/form-data; boundary=x", 400),
    ],
)  # fmt: skip
def test_what_is_no_form_with_a_file_is_refused(
    client: TestClient, content: bytes, kind: str, status: int
) -> None:
    answer = client.post("/api/imports", content=content, headers={"content-type": kind})
    assert answer.status_code == status, answer.text
    assert answer.json()["what"]


@pytest.mark.parametrize(
    "choices",
    [
        '{"unit": 3}',
        "[1]",
        "{",
        '{"nonsense": 1}',
        '{"interval_s": -1}',
        '{"sensor": "Q"}',
        '{"plan": "kept:../../x"}',
    ],
)
def test_choices_that_mean_nothing_are_refused(client: TestClient, choices: str) -> None:
    answer = client.post("/api/import", files={"file": ("a.csv", csv())}, data={"choices": choices})
    assert answer.status_code in {400, 404, 422}
    assert answer.json()["what"]


def test_lots_that_nobody_touches_are_swept(client: TestClient, site: Site) -> None:
    told = hand_in(client)
    lot = staging(site).get(told["id"])
    long_ago = lot.touched() - 90_000
    for path in (lot.folder / "lot.json", lot.folder):
        os.utime(path, (long_ago, long_ago))
    hand_in(client)
    assert client.get(f"/api/imports/{told['id']}").status_code == 404


def test_a_lot_can_be_thrown_away(client: TestClient) -> None:
    told = hand_in(client)
    assert client.delete(f"/api/imports/{told['id']}").status_code == 204
    assert client.get("/api/imports").json() == []
