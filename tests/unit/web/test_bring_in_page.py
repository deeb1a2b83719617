"""The page that brings readings in, used as plain forms, without scripts."""

import html
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from ovenwright.storage.presets import read_preset

BARE = b"time s;x;y\n" + b"\n".join(b"%d;%d;%d" % (i, 60 + i, 61 + i) for i in range(100))
BAKE = "time s;core left °C;core right °C;air left °C\n" + "\n".join(
    f"{i * 10};{28 + i * 0.33:.2f};{27.6 + i * 0.33:.2f};{225 + i % 5 if 3 < i < 205 else 30 + i % 3}"
    for i in range(215)
)


def hand_in(client: TestClient, content: bytes = BAKE.encode(), name: str = "bake.csv") -> str:
    answer = client.post("/bring-in", files={"file": (name, content)}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def fields(page: str) -> dict[str, str]:
    """Return what a browser would send of the page's main form if nothing was touched."""
    form = page.split('id="decisions"')[1].split("</form>", maxsplit=1)[0]
    found: dict[str, str] = {}
    for tag in re.findall(r"<input [^>]*>", form):
        name = re.search(r'name="([^"]*)"', tag)
        value = re.search(r'value="([^"]*)"', tag)
        if name and "file" not in tag:
            found[html.unescape(name[1])] = html.unescape(value[1]) if value else ""
    for name, body in re.findall(
        r'<select [^>]*name="([^"]*)"[^>]*>(.*?)</select>', form, re.DOTALL
    ):
        chosen = re.search(r'<option value="([^"]*)" selected', body)
        found[html.unescape(name)] = html.unescape(chosen[1]) if chosen else ""
    return found


def post(client: TestClient, place: str, **change: str) -> Any:
    now = fields(client.get(place).text)
    answer = client.post(place, data=now | change, follow_redirects=True)
    assert answer.status_code == 200, answer.text
    return answer


def test_nothing_touched_changes_nothing(client: TestClient) -> None:
    place = hand_in(client)
    before = client.get(f"/api{place.replace('bring-in', 'imports')}").json()
    assert before["ready"]
    post(client, place)
    assert client.get(f"/api{place.replace('bring-in', 'imports')}").json() == before


def test_one_button_settles_the_unit(client: TestClient) -> None:
    place = hand_in(client, BARE)
    page = client.get(place).text
    assert "One thing has to be decided" in page
    assert '<button name="unit" value="F"' in page
    assert "disabled>Bring in" in page
    answer = post(client, place, unit="F")
    assert "Understood" in answer.text
    assert "for all: °F" in answer.text


def test_columns_are_overruled_by_their_selects(client: TestClient) -> None:
    place = hand_in(client)
    page = client.get(place).text
    names = fields(page)
    i = next(k[5:] for k, v in names.items() if k.startswith("name-") and v == "core right")
    post(client, place, **{f"use-{i}": "left out"})
    told = client.get(place.replace("/bring-in", "/api/imports")).json()
    assert told["decided"]["left_out"] == ["core right"]
    post(client, place, **{f"use-{i}": "", f"unit-{i}": "F", f"role-{i}": "surface"})
    told = client.get(place.replace("/bring-in", "/api/imports")).json()
    column = next(c for c in told["columns"] if c["name"] == "core right")
    assert column["unit"] == "degF"
    assert column["first_c"] == pytest.approx((27.6 - 32) / 1.8)
    assert told["decided"]["roles"] == {"core right": "surface"}


def test_from_preset_to_result(client: TestClient) -> None:
    place = hand_in(client)
    page = post(client, place, plan="preset:tin-bread").text
    assert "the plan is not ready" in page
    page = post(client, place, sensor="T", oven="oven 9").text
    assert "ready to be judged" in page
    toml = client.get(f"{place}/plan.toml")
    assert 'name = "oven 9"' in toml.text
    assert 'column = "core left °C"' in toml.text
    answer = client.post(place, data=fields(page) | {"bring-in": "1"}, follow_redirects=False)
    assert answer.headers["location"].startswith("/bring-in?job=")
    shown = client.get(answer.headers["location"])
    assert "data-job=" in shown.text


def test_a_plan_file_is_taken_and_its_channels_mapped(client: TestClient) -> None:
    place = hand_in(client, BAKE.replace("core left", "probe 1").encode())
    text = read_preset("tin-bread").text
    answer = client.post(f"{place}/plan", files={"plan": ("p.toml", text.encode())})
    assert answer.status_code == 200
    assert "the plan handed in" in answer.text
    assert "Which column is which channel" in answer.text
    now = fields(answer.text)
    k = next(n[8:] for n, v in now.items() if n.startswith("channel-") and v == "core left")
    page = post(client, place, **{f"column-{k}": "probe 1 °C"}).text
    assert "is core left" in page


def test_bringing_in_too_early_says_what_is_in_the_way(client: TestClient) -> None:
    place = hand_in(client, BARE)
    page = client.post(place, data=fields(client.get(place).text) | {"bring-in": "1"})
    assert page.status_code == 200
    assert "One thing has to be decided" in page.text
    assert client.get("/api/runs").json()["total"] == 0


def test_lots_wait_on_the_page_and_can_be_thrown_away(client: TestClient) -> None:
    place = hand_in(client)
    assert f'href="{place}"' in client.get("/bring-in").text
    client.post(f"{place}/throw-away")
    assert f'href="{place}"' not in client.get("/bring-in").text
    assert client.get(place).status_code == 404


@pytest.mark.parametrize("change", [{"interval_s": "soon"}, {"header_row": "-3"}, {"sensor": "Q"}])
def test_a_field_that_means_nothing_is_told(client: TestClient, change: dict[str, str]) -> None:
    place = hand_in(client)
    now = fields(client.get(post(client, place, plan="preset:bun").url.path).text)
    answer = client.post(place, data=now | change)
    assert answer.status_code == 400
    assert next(iter(change)) in answer.text


def test_headings_are_shown_as_text_only(client: TestClient) -> None:
    nasty = b"time s;<script>alert(1)</script> \xc2\xb0C\n" + b"\n".join(
        b"%d;%d" % (i, 20 + i) for i in range(50)
    )
    place = hand_in(client, nasty, "<img src=x>.csv")
    page = client.get(place).text
    assert "<script>alert" not in page
    assert "<img src=x>" not in page
