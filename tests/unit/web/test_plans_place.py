"""Plans in the browser and over the API: read, started, checked, edited, kept, compared."""

import html
import tomllib
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from ovenwright.storage.presets import preset_ids, read_preset
from ovenwright.web.door import Role, Who
from ovenwright.web.site import Site
from ovenwright.workflow.plan_keeping import From, start_plan

HTML = {"accept": "text/html"}


@pytest.fixture
def plan(site: Site) -> str:
    kept = start_plan(
        site.tools.logbook, site.tools.library(), From.PRESET, name="tin-bread", who="Ilze"
    )
    return kept.plan


def text_of(client: TestClient, plan: str) -> str:
    return str(client.get(f"/api/plans/{plan}").json()["text"])


def test_empty_place_teaches_and_offers_presets(client: TestClient) -> None:
    page = client.get("/plans").text
    assert "No plan is kept here yet" in page
    for name in preset_ids():
        assert f"/plans/new?preset={name}" in page
    assert client.get("/api/plans").json() == []


def test_plan_is_started_from_each_source(client: TestClient, plan: str) -> None:
    for wish in (
        {"source": "preset", "name": "bun"},
        {"source": "plan", "name": plan, "title": "Loaves two"},
        {"source": "blank"},
        {"source": "text", "text": read_preset("nuts").text},
    ):
        answer = client.post("/api/plans", json=wish)
        assert answer.status_code == 201, answer.text
    titles = {p["title"] for p in client.get("/api/plans").json()}
    assert {"Loaves two", "New plan"} <= titles


def test_unknown_sources_are_told(client: TestClient) -> None:
    for wish, status in (
        ({"source": "preset", "name": "none"}, 404),
        ({"source": "run", "name": "../../etc/passwd"}, 404),
        ({"source": "plan", "name": "../x"}, 404),
        ({"source": "text", "text": "a;b\n1;2"}, 400),
    ):
        answer = client.post("/api/plans", json=wish)
        assert answer.status_code == status
        assert answer.json()["what"]


def test_plan_s_page_shows_form_picture_advice_and_text(client: TestClient, plan: str) -> None:
    page = client.get(f"/plans/{plan}", headers=HTML).text
    assert "<h1" in page
    assert 'value="oven 1"' in page
    assert "Channaiah" in page  # what the kill step rests on stands beside it
    assert "must be validated for your product" in page
    assert page.count('class="pin"') == 16  # eight channels, from above and from the side
    assert "Read every" in page or "will do" in page
    assert "# A test of tin loaves" in page
    assert "style=" not in page


def test_check_tells_faults_with_path_and_line(client: TestClient, plan: str) -> None:
    text = text_of(client, plan).replace('role = "air"', 'role = "wind"', 1)
    found = client.post("/api/plans/check", json={"text": text}).json()
    assert not found["ok"]
    fault = found["faults"][0]
    assert fault["path"] == ["channels", 5, "role"]
    assert text.splitlines()[fault["line"] - 1] == 'role = "wind"'
    assert found["data"]["channels"][5]["role"] == "wind"
    assert found["advice"] is None


def test_check_of_no_toml_has_no_data(client: TestClient) -> None:
    found = client.post("/api/plans/check", json={"text": "title = "}).json()
    assert found["data"] is None
    assert found["faults"][0]["line"] == 1


def test_edit_keeps_comments_and_moves_channels(client: TestClient, plan: str) -> None:
    text = text_of(client, plan)
    changes: list[dict[str, Any]] = [
        {"do": "set", "path": ["recording", "interval_s"], "typed": "1,5", "as_kind": "number"},
        {"do": "put", "channel": 6, "view": "above", "u": 400, "v": 80},
        {"do": "nudge", "channel": 6, "view": "above", "right": 2, "down": 0},
    ]
    found = client.post("/api/plans/edit", json={"text": text, "changes": changes}).json()
    assert found["ok"], found["faults"]
    assert found["data"]["recording"]["interval_s"] == 1.5
    assert found["data"]["channels"][6]["place"]["zone"] == "zone 1"
    assert found["data"]["channels"][6]["place"]["lane"] == "left"
    assert found["text"].count("#") == text.count("#")


def test_typed_nonsense_stands_in_the_text_with_its_fault(client: TestClient, plan: str) -> None:
    path = ["oven", "belt_speed_m_min"]
    change = {"do": "set", "path": path, "typed": "fast", "as_kind": "number"}
    body = {"text": text_of(client, plan), "changes": [change]}
    found = client.post("/api/plans/edit", json=body).json()
    assert found["data"]["oven"]["belt_speed_m_min"] == "fast"
    assert [f["path"] for f in found["faults"]] == [path]


def test_versions_differences_and_download(client: TestClient, plan: str) -> None:
    text = text_of(client, plan).replace("interval_s = 2.0", "interval_s = 1.0")
    body = {"text": text, "based_on": 1, "why": "finer", "who": "Janis"}
    kept = client.put(f"/api/plans/{plan}", json=body)
    assert kept.status_code == 200
    assert kept.json()["who"] == "Janis"
    found = client.get(f"/api/plans/{plan}/differences?old=1&new=2").json()
    assert found["said"] == ["recording › interval_s: 2.0 → 1.0"]
    assert {line["side"] for line in found["lines"]} == {"both", "old", "new", "gap"}
    page = client.get(f"/plans/{plan}/versions", headers=HTML).text
    assert "finer" in page
    assert 'aria-label="added"' in page
    file = client.get(f"/plans/{plan}/plan.toml?version=1")
    assert file.text == read_preset("tin-bread").text
    assert file.headers["content-disposition"] == f'attachment; filename="{plan}-1.toml"'
    assert client.get(f"/api/plans/{plan}/versions/9").status_code == 404


def test_second_writer_is_refused_with_the_newest_version(client: TestClient, plan: str) -> None:
    text = text_of(client, plan)
    first = {"text": text + "# a\n", "based_on": 1, "why": "a", "who": "Janis"}
    assert client.put(f"/api/plans/{plan}", json=first).status_code == 200
    late = client.put(
        f"/api/plans/{plan}", json={"text": text + "# b\n", "based_on": 1, "why": "b"}
    )
    assert late.status_code == 409
    assert late.json()["error"] == "Overtaken"
    assert late.json()["newest"] == 2
    assert text_of(client, plan) == text + "# a\n"


def test_plain_form_brings_the_text_back_when_it_cant_be_kept(
    client: TestClient, plan: str
) -> None:
    text = text_of(client, plan)
    token = client.get("/plans").text.split('name="form-token" content="')[1].split('"')[0]
    facts = {"text": text + "# mine\n", "based_on": "1", "why": "", "form-token": token}
    answer = client.post(f"/plans/{plan}", data=facts, headers=HTML)
    assert answer.status_code == 400
    assert "the reason is missing" in answer.text
    assert "# mine" in answer.text
    answer = client.post(f"/plans/{plan}", data={**facts, "why": "x"}, follow_redirects=False)
    assert answer.status_code == 303
    assert text_of(client, plan) == text + "# mine\n"
    answer = client.post(
        f"/plans/{plan}", data={**facts, "text": text + "# late\n", "why": "y"}, headers=HTML
    )
    assert answer.status_code == 409
    assert "# late" in answer.text
    assert 'aria-label="added"' in answer.text


def test_file_is_taken_in_whole(client: TestClient) -> None:
    token = client.get("/plans").text.split('name="form-token" content="')[1].split('"')[0]
    text = "\ufeff" + read_preset("bun").text.replace("\n", "\r\n")
    answer = client.post(
        "/plans",
        data={"source": "text", "form-token": token},
        files={"file": ("buns.toml", text.encode("utf-8"))},
        follow_redirects=False,
    )
    assert answer.status_code == 303
    plan = answer.headers["location"].rsplit("/", 1)[1]
    assert text_of(client, plan) == text.removeprefix("\ufeff")
    for content in (b"\xff\xfe\x00", b"", b"time,core\n0,20\n"):
        answer = client.post(
            "/plans",
            data={"source": "text", "form-token": token},
            files={"file": ("x.toml", content)},
            headers=HTML,
        )
        assert answer.status_code in {400, 422}
        assert 'role="alert"' in answer.text


def test_draft_page_parts_follow_the_text(client: TestClient, plan: str) -> None:
    text = text_of(client, plan)
    body = {"text": text, "changes": [{"do": "add", "path": ["requirements"]}]}
    found = client.post(f"/plans/{plan}/draft", json=body).json()
    assert found["faults"] == 1
    assert len(found["fault_lines"]) == 1
    assert "requirement 7" in found["parts"]["form"]
    broken = client.post(f"/plans/{plan}/draft", json={"text": "x = ["}).json()
    assert not broken["readable"]
    assert set(broken["parts"]) == {"faults"}


def test_every_fault_stands_in_the_form_once_or_more(client: TestClient, plan: str) -> None:
    text = text_of(client, plan)
    wrongs: list[Callable[[str], str]] = [
        lambda t: t.replace('kind = "tunnel"', 'kind = "tower"'),
        lambda t: t.replace('measure = "extent"', 'measure = "extend"'),
        lambda t: t.replace('kinetics = "bun_salm"', 'kinetics = "bun_sal"'),
        lambda t: t.replace('name = "core left"\n', "", 1),
        lambda t: t.replace("[decision]", "[decisions]"),
        lambda t: t.replace('on = "air"', 'on = ["air lef"]'),
        lambda t: t.replace("altitude_m = 0.0", "altitude_m = 0.0\npressure_kpa = 101.0"),
        lambda t: t + '\n[[instruments]]\nkind = "mqtt"\nhost = "h"\n',
        lambda t: t + '\n[[instruments]]\nkind = "telepathy"\n',
        lambda t: t.replace("body = {", "body = 3 # {"),
        lambda t: "channels = 3\n" + t.split("[[channels]]")[0],
        lambda t: "oven = 'x'\n[product]\nname = 'y'\n",
    ]
    for wrong in wrongs:
        changed = wrong(text)
        assert changed != text
        found = client.post(f"/plans/{plan}/draft", json={"text": changed}).json()
        faults = client.post("/api/plans/check", json={"text": changed}).json()["faults"]
        assert faults
        form = html.unescape(found["parts"]["form"])
        for fault in faults:
            assert fault["what"] in form, fault


@pytest.mark.parametrize("name", ["canned-food", "coating-cure", "chamber-survey"])
def test_every_kind_of_preset_has_a_form_and_pictures(client: TestClient, name: str) -> None:
    plan = client.post("/api/plans", json={"source": "preset", "name": name}).json()["plan"]
    page = client.get(f"/plans/{plan}", headers=HTML)
    assert page.status_code == 200
    channels = len(tomllib.loads(read_preset(name).text)["channels"])
    assert page.text.count('class="pin"') == 2 * channels
    for view in ("above", "side"):
        picture = client.get(f"/api/plans/{plan}/drawing.svg?view={view}")
        assert picture.headers["content-type"] == "image/svg+xml"
        assert "var(--" not in picture.text  # a file of its own knows no page's colours


def test_presets_and_schema_are_told(client: TestClient) -> None:
    assert [p["id"] for p in client.get("/api/presets").json()] == list(preset_ids())
    assert client.get("/api/plan-schema").json()["$schema"].endswith("2020-12/schema")


def test_operators_read_and_cant_change(
    client: TestClient, plan: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = text_of(client, plan)
    operator = Who("Anna", Role.OPERATOR, signed_in=True)
    for module in ("door", "pages"):
        monkeypatch.setattr(f"ovenwright.web.{module}.who_is", lambda _: operator, raising=False)
    page = client.get(f"/plans/{plan}", headers=HTML)
    assert page.status_code == 200
    assert 'class="pin"' not in page.text
    assert "readonly" in page.text
    assert "data-change" not in page.text
    assert "Keep as version" not in page.text
    assert "needs the role engineer" in page.text
    body = {"text": text + "#\n", "based_on": 1, "why": "x"}
    assert client.put(f"/api/plans/{plan}", json=body).status_code == 403
    assert client.post("/api/plans", json={"source": "blank"}).status_code == 403
    assert client.post("/api/plans/edit", json={"text": "", "changes": []}).status_code == 403
    assert client.get("/plans/new", headers=HTML).status_code == 403
    assert client.post("/api/plans/check", json={"text": text}).status_code == 200


def test_changes_are_noted_in_the_trail(client: TestClient, site: Site) -> None:
    kept = client.post("/api/plans", json={"source": "blank", "why": "a first look"}).json()
    body = {"text": text_of(client, kept["plan"]) + "#\n", "based_on": 1, "why": "a remark"}
    client.put(f"/api/plans/{kept['plan']}", json=body)
    trail = client.get("/api/audit").text
    assert "started plan" in trail
    assert "a remark" in trail


INSTRUMENT = """
[[instruments]]
kind = "serial-text"
serial = { device = "/dev/nothing-here" }
channels = { a = "CHANNEL" }
text = { item = "{channel}={value}" }
"""


@pytest.fixture
def recordable(client: TestClient) -> str:
    text = read_preset("tin-bread").text
    channel = tomllib.loads(text)["channels"][0]["name"]
    wish = {"source": "text", "text": text + INSTRUMENT.replace("CHANNEL", channel)}
    return str(client.post("/api/plans", json=wish).json()["plan"])


def offered(client: TestClient) -> set[str]:
    return {p["id"] for p in client.get("/api/recordings/plans").json()}


def test_a_retired_plan_is_offered_no_more_and_can_be_brought_back(
    client: TestClient, recordable: str
) -> None:
    assert recordable in offered(client)
    assert client.post(f"/api/plans/{recordable}/retire", json={"why": " "}).status_code == 400
    gone = client.post(f"/api/plans/{recordable}/retire", json={"why": "oven 3 is scrapped"})
    assert gone.json()["retired"] is True
    again = client.post(f"/api/plans/{recordable}/retire", json={"why": "twice"})
    assert again.status_code == 400
    assert recordable not in offered(client)
    assert recordable not in client.get("/operator", headers=HTML).text
    assert f'value="{recordable}"' not in client.get("/live", headers=HTML).text
    refused = client.post("/api/recordings", json={"plan": recordable})
    assert refused.status_code == 400
    assert "retired: oven 3 is scrapped" in refused.json()["what"]
    assert "bring it back" in client.get(f"/operator/{recordable}", headers=HTML).text
    (row,) = client.get("/api/plans").json()
    assert row["retired"]["why"] == "oven 3 is scrapped"
    assert "Retired: 1" in client.get("/plans", headers=HTML).text
    page = client.get(f"/plans/{recordable}", headers=HTML).text
    assert "oven 3 is scrapped" in page
    assert client.get(f"/api/plans/{recordable}").json()["versions"]  # the history is kept
    back = client.post(f"/api/plans/{recordable}/bring-back", json={"why": "it was oven 2"})
    assert back.json()["retired"] is False
    assert recordable in offered(client)
    standings = client.get(f"/api/plans/{recordable}").json()["standings"]
    assert [s["why"] for s in standings] == ["oven 3 is scrapped", "it was oven 2"]
    trail = client.get("/api/audit").text
    for words in ("retired plan", "oven 3 is scrapped", "brought plan back", "it was oven 2"):
        assert words in trail


def test_a_retired_plan_comes_not_back_by_an_earlier_run(
    client: TestClient, site: Site, recordable: str
) -> None:
    text = text_of(client, recordable)
    changed = {"text": text + "# a remark\n", "based_on": 1, "why": "a remark"}
    assert client.put(f"/api/plans/{recordable}", json=changed).status_code == 200
    key = site.tools.logbook.keep_plan(text).stem  # as a judgement of an earlier run keeps it
    assert key in offered(client)
    client.post(f"/api/plans/{recordable}/retire", json={"why": "scrapped"})
    assert key not in offered(client)
    refused = client.post("/api/recordings", json={"plan": key})
    assert refused.status_code == 400
    assert "retired" in refused.json()["what"]


@pytest.mark.parametrize("role", [Role.VIEWER, Role.OPERATOR])
def test_only_an_engineer_retires(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, plan: str, role: Role
) -> None:
    someone = Who("Ada", role, signed_in=True)
    for module in ("door", "pages"):
        monkeypatch.setattr(f"ovenwright.web.{module}.who_is", lambda _: someone, raising=False)
    for what in ("retire", "bring-back"):
        assert client.post(f"/api/plans/{plan}/{what}", json={"why": "w"}).status_code == 403
        assert client.post(f"/plans/{plan}/{what}", data={"why": "w"}).status_code == 403
    assert "Retire this plan" not in client.get(f"/plans/{plan}", headers=HTML).text


def test_retiring_by_the_page_tells_what_it_lacks(client: TestClient, plan: str) -> None:
    page = client.post(f"/plans/{plan}/retire", data={"why": ""}, headers=HTML)
    assert page.status_code == 400
    assert "What to do: say in a few words why it is retired" in page.text
    done = client.post(
        f"/plans/{plan}/retire", data={"why": "old"}, headers=HTML, follow_redirects=False
    )
    assert done.status_code == 303
    assert client.post("/plans/nobody/retire", data={"why": "w"}, headers=HTML).status_code == 404
