"""Plans in a real browser: dragged and typed, faults in place, two writers, a phone."""

import json
import re
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

OpenPage = Callable[..., Page]
Shoot = Callable[[Page, str], None]
Accessible = Callable[[Page], None]


def told(address: str, path: str) -> Any:
    with urllib.request.urlopen(address + path) as answer:  # noqa: S310 - our own server
        return json.loads(answer.read())


@pytest.fixture
def server(tmp_path: Path, served: Callable[..., str]) -> str:
    return served(tmp_path / "ostrel")


def start(page: Page, server: str, preset: str, title: str) -> None:
    page.goto(f"{server}/plans/new?preset={preset}")
    card = page.locator("form", has=page.get_by_role("heading", name="From a preset"))
    card.get_by_label("Title of its own").fill(title)
    card.get_by_label("Your name").fill("Ilze")
    card.get_by_role("button").click()
    page.wait_for_url(re.compile(r"/plans/[a-z0-9-]+$"))


def drag(page: Page, pin: str, x: float, y: float) -> None:
    """Drag a sensor to a point of its picture, in the picture's own units."""
    at = page.locator(pin).evaluate(
        """(pin, [x, y]) => {
          const svg = pin.closest("svg"), m = svg.getScreenCTM();
          const from = new DOMPoint(+pin.dataset.u, +pin.dataset.v).matrixTransform(m);
          const to = new DOMPoint(x, y).matrixTransform(m);
          return [from.x, from.y, to.x, to.y];
        }""",
        [x, y],
    )
    page.mouse.move(at[0], at[1])
    page.mouse.down()
    page.mouse.move((at[0] + at[2]) / 2, at[3], steps=4)
    page.mouse.move(at[2], at[3], steps=4)
    page.mouse.up()


def text(page: Page) -> str:
    return page.locator("#text").input_value()


def test_plan_is_written_by_dragging_and_typing(
    server: str, open_page: OpenPage, shoot: Shoot, accessible: Accessible
) -> None:
    page = open_page(server + "/plans")
    start(page, server, "tin-bread", "Rye tins, oven 3")
    expect(page.locator("h1")).to_have_text("Rye tins, oven 3")
    pin = "#pin-above-6"  # air left
    page.locator("#part-picture").scroll_into_view_if_needed()
    drag(page, pin, 720, 290)
    expect(page.locator("#text")).to_have_value(re.compile(r'zone = "zone 3"'))
    assert 'place = { lane = "right", x_m = ' in text(page)
    expect(page.locator(pin)).to_have_attribute("aria-label", re.compile("zone 3"))

    page.locator(pin).focus()
    page.keyboard.press("ArrowUp")
    expect(page.locator("#text")).to_have_value(re.compile(r'lane = "centre", x_m = '))
    expect(page.locator(pin)).to_be_focused()

    page.locator("#part-oven > summary").click()
    speed = page.get_by_label("Belt speed")
    speed.fill("0,8")
    expect(page.locator("#text")).to_have_value(
        re.compile("belt_speed_m_min = 0.8 # 24 m in 34 min")
    )
    page.locator("#part-channels > summary").click()
    page.locator("#item-channels-0 > summary").click()
    page.locator("#f-channels-0-name").fill("core, left tin")
    page.locator("#f-channels-0-name").press("Tab")
    expect(page.locator("#text")).to_have_value(re.compile('name = "core, left tin"'))
    shoot(page, "plan-edit-desk-light")
    accessible(page)

    page.locator("#why").fill("air sensor moved to the weak zone")
    page.get_by_role("button", name="Keep as version 2").click()
    expect(page.get_by_text("Version 2,")).to_be_visible()
    facts = told(server, "/api/plans/rye-tins-oven-3")
    assert facts["facts"]["why"] == "air sensor moved to the weak zone"
    assert facts["text"].count("#") == told(server, "/api/plans/rye-tins-oven-3/versions/1")[
        "text"
    ].count("#")
    page.get_by_role("link", name="Versions").click()
    expect(page.get_by_text("oven › belt_speed_m_min: 0.706 → 0.8")).to_be_visible()
    shoot(page, "plan-versions-desk-light")
    accessible(page)


def test_fault_shows_at_its_field_and_its_line(
    server: str, open_page: OpenPage, shoot: Shoot, accessible: Accessible
) -> None:
    page = open_page(server + "/plans", allow="422")
    start(page, server, "tin-bread", "")
    page.locator("#part-recording > summary").click()
    field = page.get_by_label("Time between readings")
    field.fill("soon")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(page.locator("#f-recording-interval_s-told")).to_contain_text("is 'soon'")
    line = next(n for n, t in enumerate(text(page).splitlines(), 1) if "soon" in t)
    expect(page.locator(".gutter .bad")).to_have_text(f"▲ {line}")
    assert field.input_value() == "soon"  # what is being typed is not touched
    shoot(page, "plan-fault-desk-light")
    accessible(page)
    page.locator("#part-faults li a").click()
    chosen = page.evaluate(
        "() => { const t = document.getElementById('text');"
        " return t.value.slice(t.selectionStart, t.selectionEnd) }"
    )
    assert "soon" in chosen
    page.locator("#why").fill("x")
    page.get_by_role("button", name="Keep as version 2").click()
    expect(page.locator("#news")).to_contain_text("It was not kept")
    field.fill("1.5")
    expect(page.locator("#part-faults")).to_contain_text("No faults")
    page.get_by_role("button", name="Undo").click()
    expect(field).to_have_value("soon")


def test_text_moves_the_picture_and_broken_text_keeps_the_form(
    server: str, open_page: OpenPage
) -> None:
    page = open_page(server + "/plans")
    start(page, server, "chamber-survey", "")
    before = page.locator("#pin-above-0").get_attribute("data-u")
    whole = text(page)
    page.locator("#text").fill(re.sub(r"x_m = [\d.]+", "x_m = 0.55", whole, count=1))
    expect(page.locator("#pin-above-0")).not_to_have_attribute("data-u", before or "")
    page.locator("#text").fill(whole + "\n[[")
    expect(page.locator("#part-faults")).to_contain_text("can't be read as TOML")
    expect(page.locator("#plan-form")).to_have_class(re.compile("stale"))
    page.locator("#text").fill(whole)
    expect(page.locator("#plan-form")).not_to_have_class(re.compile("stale"))
    expect(page.locator("#pin-above-0")).to_have_attribute("data-u", before or "")


def test_second_of_two_is_refused_and_sees_the_difference(
    server: str, open_page: OpenPage, shoot: Shoot
) -> None:
    first = open_page(server + "/plans")
    start(first, server, "tin-bread", "Shared")
    second = open_page(server + "/plans/shared", allow="409")
    for page, name, seconds in ((first, "Ilze", "1.0"), (second, "Janis", "4.0")):
        whole = text(page).replace("interval_s = 2.0", f"interval_s = {seconds}")
        page.locator("#text").fill(whole)
        expect(page.locator("#state")).to_contain_text("not kept yet")
        page.locator("#said_by").fill(name)
        page.locator("#why").fill("another interval")
        page.get_by_role("button", name="Keep as version 2").click()
        if page is first:
            expect(first.get_by_text("Version 2,")).to_be_visible()
    box = second.locator("#overtaken")
    expect(box).to_contain_text("Ilze kept version 2 while you worked on 1")
    expect(box).to_contain_text("recording › interval_s: 1.0 → 4.0")
    assert "interval_s = 4.0" in text(second)
    shoot(second, "plan-overtaken-desk-light")
    second.get_by_role("button", name="Keep mine as version 3").click()
    expect(second.get_by_text("Version 3,")).to_be_visible()
    assert "interval_s = 1.0" in told(server, "/api/plans/shared/versions/2")["text"]
    assert "interval_s = 4.0" in told(server, "/api/plans/shared")["text"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_phone_has_it_all(
    scheme: str, server: str, open_page: OpenPage, shoot: Shoot, accessible: Accessible
) -> None:
    page = open_page(server + "/plans", width="phone", scheme=scheme)
    shoot(page, f"plan-empty-phone-{scheme}")
    start(page, server, "tin-bread", "")
    accessible(page)
    page.locator("#pin-above-0").tap()
    expect(page.locator("#pin-above-0")).to_have_attribute("aria-pressed", "true")
    at = page.locator("#oven-above").evaluate(
        """svg => { const p = new DOMPoint(290, 150).matrixTransform(svg.getScreenCTM()); return [p.x, p.y] }"""
    )
    page.touchscreen.tap(at[0], at[1])
    expect(page.locator("#text")).to_have_value(re.compile('zone = "zone 1"'))
    page.get_by_role("button", name="From the side").tap()
    expect(page.locator("#oven-side")).to_be_visible()
    page.locator("#part-requirements > summary").tap()
    page.locator("#item-requirements-1 > summary").tap()
    shoot(page, f"plan-edit-phone-{scheme}")
    accessible(page)


def test_plan_reads_without_scripts(server: str, open_page: OpenPage) -> None:
    page = open_page(server + "/plans")
    start(page, server, "canned-food", "")
    plain = open_page(page.url, scripts=False)
    expect(plain.locator("#oven-above")).to_be_visible()
    expect(plain.locator("#oven-side")).to_be_visible()
    plain.locator("#text").fill(text(page) + "# by hand\n")
    plain.locator("#why").fill("a note")
    plain.get_by_role("button", name="Keep as version 2").click()
    expect(plain.get_by_text("Version 2,")).to_be_visible()
    assert "# by hand" in text(plain)


def test_a_plan_is_retired_and_brought_back(
    server: str, open_page: OpenPage, accessible: Accessible, shoot: Shoot
) -> None:
    page = open_page(server)
    start(page, server, "tin-bread", "Old loaf")
    card = page.locator("section", has=page.get_by_role("heading", name="Retire this plan"))
    card.get_by_label("Your name").fill("Ilze")
    card.get_by_label("Why it is retired").fill("oven 3 is scrapped")
    card.get_by_role("button", name="Retire it").click()
    expect(page.get_by_text("Retired by Ilze: oven 3 is scrapped")).to_be_visible()
    accessible(page)
    shoot(page, "plan-retired")
    page.goto(f"{server}/plans")
    expect(page.get_by_role("link", name="Old loaf")).to_be_hidden()
    page.get_by_text("Retired: 1").click()
    accessible(page)
    page.get_by_role("link", name="Old loaf").click()
    back = page.locator("section", has=page.get_by_role("heading", name="Bring it back"))
    back.get_by_label("Why it is brought back").fill("it was oven 2")
    back.get_by_role("button", name="Bring it back").click()
    expect(page.get_by_text("Retired by")).to_have_count(0)
    page.goto(f"{server}/plans")
    expect(page.get_by_role("link", name="Old loaf")).to_be_visible()
