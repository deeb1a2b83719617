"""Recordings over the API: listed, shown, followed by socket, marked, stopped, sealed."""

import json
import os
import struct
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient, WebSocketTestSession
from starlette.websockets import WebSocketDisconnect

from ovenwright.domain.live import Reading
from ovenwright.domain.run import NS
from ovenwright.storage.journal import Journal, JournalHead
from ovenwright.web.site import Site
from ovenwright.web.tailing import LATELY, READINGS, WHOLE, tailers_of
from ovenwright.workflow.starting import StartFacts, process_began, recorders_dir

RUN = "2026-03-03-0442-live-ab12"
SOCKET = f"ws://127.0.0.1:8717/api/recordings/{RUN}/live"
PLAN = """
title = "Live"
[oven]
kind = "tunnel"
name = "oven 9"
belt_speed_m_min = 1.0
[[oven.zones]]
name = "hot <zone>"
length_m = 10.0
setpoint_c = 200.0
[product]
name = "loaf"
[recording]
interval_s = 1.0
[[channels]]
name = "core <b>"
sensor = "T"
role = "core"
[[channels]]
name = "air"
sensor = "K"
role = "air"
"""
NAMES = ("core <b>", "air")


@pytest.fixture
def journal(site: Site) -> Iterator[Journal]:
    """A recorder at work, as far as anyone else can tell: its lock is held."""
    now = time.time_ns()
    head = JournalHead(RUN, "Live", NAMES, PLAN, now, interval_s=1.0)
    with Journal.create(site.tools.logbook.journals_dir, head) as made:
        write(made, 0, 5)
        yield made
        tailers_of(site).close()


def write(journal: Journal, first: int, count: int) -> None:
    for k in range(first, first + count):
        at = journal.head.started_ns + k * NS
        now = time.time_ns()
        rows = [Reading("core <b>", at, now, 20.0 + k), Reading("air", at, now, 150.0 + k)]
        journal.append(rows, now_ns=now)


def next_binary(socket: WebSocketTestSession, kind: int) -> bytes:
    while True:
        message = socket.receive()
        data = message.get("bytes")
        if data is not None and data[0] == kind:
            return bytes(data)


def next_state(socket: WebSocketTestSession) -> dict[str, Any]:
    while True:
        text = socket.receive().get("text")
        if text is not None and (told := json.loads(text))["is"] == "state":
            return dict(told)


def readings_in(data: bytes) -> tuple[float, dict[str, list[float]]]:
    _, _, channels, n, seq, _, _ = struct.unpack_from("<BBHIddd", data)
    assert channels == len(NAMES)
    value = np.frombuffer(data, "<f4", n, 32 + 8 * n)
    channel = np.frombuffer(data, "<u2", n, 32 + 12 * n)
    return seq, {name: value[channel == i].tolist() for i, name in enumerate(NAMES)}


def test_no_recording_no_list(client: TestClient) -> None:
    assert client.get("/api/recordings").json() == []
    assert client.get(f"/api/recordings/{RUN}").status_code == 404
    assert client.post(f"/api/recordings/{RUN}/marks", json={}).status_code == 400


def test_a_recording_is_listed_and_shown(client: TestClient, journal: Journal) -> None:
    (listed,) = client.get("/api/recordings").json()
    assert (listed["id"], listed["state"], listed["readings"]) == (RUN, "recording", 10)
    shown = client.get(f"/api/recordings/{RUN}").json()["live"]
    assert [c["value_c"] for c in shown["channels"]] == [24.0, 154.0]
    assert [c["health"] for c in shown["channels"]] == ["ok", "ok"]


def test_readings_after_a_count_as_json_and_binary(client: TestClient, journal: Journal) -> None:
    answer = client.get(f"/api/recordings/{RUN}/since?limit=2").json()
    assert answer["more"] is True
    assert answer["readings"]["air"]["value_c"] == [150.0, 151.0]
    binary = client.get(f"/api/recordings/{RUN}/since?seq={answer['seq']}&form=binary")
    assert binary.headers["content-type"] == "application/octet-stream"
    seq, values = readings_in(binary.content)
    assert values["air"] == [152.0, 153.0, 154.0]
    assert int(seq) == int(binary.headers["x-seq"])


def test_a_new_viewer_gets_the_whole_and_then_what_comes(
    client: TestClient, journal: Journal
) -> None:
    with client.websocket_connect(SOCKET) as socket:
        whole = next_binary(socket, WHOLE)
        bins = struct.unpack_from("<BBHIddd", whole)[3]
        low = np.frombuffer(whole, "<f4", 2 * bins, 32).reshape(2, bins)
        np.testing.assert_array_equal(low[0], [20, 21, 22, 23, 24])
        next_binary(socket, LATELY)
        assert next_state(socket)["state"] == "recording"
        write(journal, 5, 1)
        _, values = readings_in(next_binary(socket, READINGS))
        assert values == {"core <b>": [25.0], "air": [155.0]}


def test_who_comes_back_gets_only_what_it_missed(client: TestClient, journal: Journal) -> None:
    with client.websocket_connect(SOCKET) as socket:
        seq = int(struct.unpack_from("<BBHIddd", next_binary(socket, LATELY))[4])
        write(journal, 5, 3)
        seen = 0
        while seen < 3:  # so that the server has them all
            seen += len(readings_in(next_binary(socket, READINGS))[1]["air"])
    with client.websocket_connect(f"{SOCKET}?since={seq}") as socket:
        found: list[float] = []
        while len(found) < 3:
            message = socket.receive()
            if message.get("bytes"):
                assert message["bytes"][0] == READINGS
                found += readings_in(message["bytes"])[1]["air"]
        assert found == [155.0, 156.0, 157.0]


def test_a_viewer_of_a_server_that_was_restarted_gets_the_whole_again(
    client: TestClient, journal: Journal
) -> None:
    with client.websocket_connect(f"{SOCKET}?since=2") as socket:
        assert len(next_binary(socket, WHOLE)) > 32
    with client.websocket_connect(f"{SOCKET}?since=999999") as socket:
        assert len(next_binary(socket, WHOLE)) > 32


def test_one_tail_serves_many(client: TestClient, site: Site, journal: Journal) -> None:
    with client.websocket_connect(SOCKET) as one, client.websocket_connect(SOCKET) as two:
        next_binary(one, LATELY)
        next_binary(two, LATELY)
        write(journal, 5, 1)
        assert readings_in(next_binary(one, READINGS)) == readings_in(next_binary(two, READINGS))
        assert tailers_of(site).get(RUN) is tailers_of(site).get(RUN)


def test_a_mark_is_on_the_disk_and_reaches_viewers(client: TestClient, journal: Journal) -> None:
    made = client.post(f"/api/recordings/{RUN}/marks", json={"kind": "door", "text": "opened"})
    assert made.status_code == 201
    (frame,) = journal.guests()
    assert (frame.facts["kind"], frame.facts["text"]) == ("door", "opened")


@pytest.mark.parametrize("wish", [{"kind": "nonsense"}, {"text": "x" * 501}, {"channel": "nobody"}])
def test_a_mark_that_will_not_do_is_refused(
    wish: dict[str, str], client: TestClient, journal: Journal
) -> None:
    assert client.post(f"/api/recordings/{RUN}/marks", json=wish).status_code in {404, 422}
    assert not journal.guests()


def test_stop_asks_the_recorder(client: TestClient, journal: Journal) -> None:
    assert client.post(f"/api/recordings/{RUN}/stop", json={"why": "done"}).status_code == 200
    (frame,) = journal.guests()
    assert frame.facts["event"] == "stop"


def test_what_was_cut_off_is_told_and_can_be_sealed(
    client: TestClient, site: Site, journal: Journal
) -> None:
    with client.websocket_connect(SOCKET) as socket:
        next_state(socket)
        journal.close()
        while next_state(socket)["state"] != "cut off":
            pass
    assert client.get(f"/api/recordings/{RUN}").json()["state"] == "cut off"
    sealed = client.post(f"/api/recordings/{RUN}/seal").json()
    assert (sealed["state"], sealed["link"]) == ("sealed", f"/runs/{RUN}")
    assert site.tools.logbook.run_ids() == (RUN,)
    again = client.get(f"/api/recordings/{RUN}/since")
    assert again.status_code == 400
    assert "series" in again.json()["remedy"]


def test_viewers_are_told_when_it_is_sealed(
    client: TestClient, site: Site, journal: Journal
) -> None:
    with client.websocket_connect(SOCKET) as socket:
        next_state(socket)
        journal.close()
        client.post(f"/api/recordings/{RUN}/seal")
        states = []
        while (state := next_state_or_close(socket)) != 1000:
            states.append(state)
        assert states[-1] == "sealed"


def next_state_or_close(socket: WebSocketTestSession) -> str | int:
    while True:
        message = socket.receive()
        if message["type"] == "websocket.close":
            return int(message["code"])
        text = message.get("text")
        if text is not None and (told := json.loads(text))["is"] == "state":
            return str(told["state"])


def test_another_site_s_page_gets_no_socket(client: TestClient, journal: Journal) -> None:
    with (
        pytest.raises(WebSocketDisconnect),
        client.websocket_connect(SOCKET, headers={"origin": "http://elsewhere.example"}),
    ):
        pass


@pytest.mark.parametrize("name", ["..%2Fx", "%2Fetc%2Fpasswd", "a%00b", "-", "start-x", "a..b"])
def test_no_path_reaches_the_files(name: str, client: TestClient) -> None:
    for address in (f"/api/recordings/{name}", f"/api/recordings/{name}/since"):
        assert client.get(address).status_code in {400, 404}
    assert client.post(f"/api/recordings/{name}/stop").status_code in {400, 404, 405}


# pages ------------------------------------------------------------------------------------


def test_the_page_reads_without_scripts(client: TestClient, journal: Journal) -> None:
    page = client.get(f"/live/{RUN}", headers={"accept": "text/html"}).text
    assert "24.0" in page
    assert "154.0" in page
    assert "core &lt;b&gt;" in page
    assert "<b>" not in page
    assert '<noscript><meta http-equiv="refresh" content="5"></noscript>' in page
    assert "oven 9" in page
    assert " style=" not in page


def test_forms_mark_and_stop_without_scripts(client: TestClient, journal: Journal) -> None:
    answer = client.post(f"/live/{RUN}/mark", data={"kind": "load-in"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/live/{RUN}")
    assert journal.guests()[0].facts["kind"] == "load-in"
    refused = client.post(f"/live/{RUN}/mark", data={"kind": "note", "text": " "})
    assert refused.status_code == 400
    client.post(f"/live/{RUN}/stop", follow_redirects=False)
    assert journal.guests()[0].facts["event"] == "stop"


def test_the_wall_view_answers(client: TestClient, journal: Journal) -> None:
    page = client.get(f"/live/{RUN}/wall").text
    assert 'class="wall"' in page
    assert "24.0" in page


def test_the_place_teaches_when_nothing_goes_on(client: TestClient) -> None:
    page = client.get("/live").text
    assert "Nothing is being recorded" in page
    assert "Start a practice" in page


def test_an_unknown_recording_is_told(client: TestClient) -> None:
    answer = client.get("/live/nothing", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "There is nothing of that name" in answer.text


def test_folders_of_this_machine_stay_out(client: TestClient, tmp_path: Path) -> None:
    for address in ("/live", "/api/recordings", "/api/recordings/none"):
        assert str(tmp_path) not in client.get(address).text


@pytest.mark.parametrize(
    ("form", "status"),
    [
        ({"plan": "none"}, 404),
        ({"plan": "../../etc/passwd"}, 404),
        ({"plan": "none", "minutes": "soon"}, 400),
        ({"plan": "none", "minutes": "-5"}, 400),
    ],
)
def test_what_can_t_be_started_is_told(
    form: dict[str, str], status: int, client: TestClient, site: Site
) -> None:
    assert client.post("/live/start", data=form).status_code == status
    assert not recorders_dir(site.tools.logbook).exists()


def test_one_practice_at_a_time(client: TestClient, site: Site) -> None:
    place = recorders_dir(site.tools.logbook)
    place.mkdir(parents=True)
    ident = "start-20260303T044200-abcdef"
    me = os.getpid()
    facts = StartFacts(ident, "T", "practice", "now", None, "", 0, me, process_began(me))
    (place / f"{ident}.json").write_text(json.dumps(asdict(facts)))
    answer = client.post("/api/recordings/practice", json={})
    assert answer.status_code == 400
    assert answer.json()["what"] == "a practice goes on already"
    (listed,) = client.get("/api/recordings").json()
    assert (listed["id"], listed["state"]) == (ident, "starting")
    page = client.get(f"/live/{ident}").text
    assert "Call it off" in page


def test_a_journal_left_behind_is_never_shown_as_going_on(
    client: TestClient, journal: Journal
) -> None:
    journal.close()
    page = client.get(f"/live/{RUN}").text
    assert "Its recorder has ended without sealing" in page
    assert "Seal what is there" in page


def test_one_that_waits_shows_what_it_hears(client: TestClient, site: Site) -> None:
    place = recorders_dir(site.tools.logbook)
    place.mkdir(parents=True)
    ident = "start-20260303T044200-abcdef"
    began = process_began(os.getpid())
    facts = StartFacts(ident, "Waits", "p", "above=core:60", None, "", 0, os.getpid(), began)
    (place / f"{ident}.json").write_text(json.dumps(asdict(facts)))
    waiting = {"event": "waiting", "for": "core <b> to be above 60 °C"}
    (place / f"{ident}.log").write_text(json.dumps(waiting))
    page = client.get(f"/live/{ident}", headers={"accept": "text/html"}).text
    assert "waiting for core &lt;b&gt; to be above 60 °C" in page
    assert "What the channels show follows" in page
    core = {"name": "core <b>", "value_c": 21.53, "rate_k_min": 0.5, "health": "ok", "age_s": 0.4}
    air = {"name": "air", "value_c": None, "rate_k_min": None, "health": "waiting", "age_s": None}
    heard = {"channels": [core, air], "remarks": ["gateway: battery 96%"]}
    (place / f"{ident}.now").write_text(json.dumps(heard))
    twin = client.get(f"/api/recordings/{ident}").json()
    assert twin["now"] == [core, air]
    assert twin["remarks"] == ["gateway: battery 96%"]
    page = client.get(f"/live/{ident}", headers={"accept": "text/html"}).text
    assert '<span class="value">21.5</span>' in page
    assert "1 of 2 channels are heard" in page
    assert "not heard yet" in page


def test_a_recording_without_a_reading_says_what_it_waits_for(
    client: TestClient, site: Site
) -> None:
    head = JournalHead(RUN, "Live", NAMES, PLAN, time.time_ns(), interval_s=1.0)
    with Journal.create(site.tools.logbook.journals_dir, head) as made:
        page = client.get(f"/live/{RUN}", headers={"accept": "text/html"}).text
        box = page[page.index('id="unheard"') :][:200]
        assert "No reading has come yet" in box
        assert " hidden>" not in box.split("<strong>")[0]
        write(made, 0, 2)
        until = time.monotonic() + 10
        while client.get(f"/api/recordings/{RUN}").json()["live"]["readings"] == 0:
            assert time.monotonic() < until
            time.sleep(0.05)
        page = client.get(f"/live/{RUN}", headers={"accept": "text/html"}).text
        assert " hidden>" in page[page.index('id="unheard"') :][:200].split("<strong>")[0]
        tailers_of(site).close()


def test_plans_without_an_instrument_can_t_be_started_and_say_why(client: TestClient) -> None:
    client.post("/api/plans", json={"source": "blank"})
    page = client.get("/live", headers={"accept": "text/html"}).text
    assert "No plan here names an instrument yet" in page
    assert '<button class="main" disabled>Start recording</button>' in page
