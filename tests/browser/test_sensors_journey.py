"""Sensors in a browser over MQTT: an unknown module is listed, a swapped pair is found and put right."""

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]
PATIENCE_MS = 150_000


def test_unknown_module_is_listed_and_a_swapped_pair_is_found(  # noqa: PLR0917
    tmp_path: Path,
    broker: int,
    virtual_oven: Callable[..., AbstractContextManager[None]],
    plan_for: Callable[[str, str], str],
    keep_plan: Callable[[Page, str], str],
    served: Callable[[Path], str],
    open_page: Callable[..., Page],
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
) -> None:
    address = f"mqtt://127.0.0.1:{broker}"
    site = served(tmp_path / "line")
    page = open_page(site + "/sensors")
    accessible(page)
    plan = keep_plan(page, plan_for(address, "touch-bench-swapped"))
    page.reload()
    accessible(page)
    shoot(page, "sensors-desk-light")
    with virtual_oven(address, "--scenario", "touch-bench-swapped"):
        page.get_by_role("link", name=re.compile("^Check ")).click()
        accessible(page)
        page.get_by_role("button", name="Begin the touch check").click()
        expect(page.locator("#say-now")).to_be_visible(timeout=PATIENCE_MS)
        expect(page.locator("#say-now")).to_contain_text("Hands off", timeout=PATIENCE_MS)
        onlooker = open_page(f"{site}/sensors/{plan}", width="phone", scheme="dark")
        expect(page.locator(".sensed .warm")).to_be_visible(timeout=PATIENCE_MS)
        shoot(page, "sensors-touch-desk-light")
        shoot(onlooker, "sensors-touch-phone-dark")
        accessible(onlooker)
        # the plan's order says middle, and right moves: told while it happens
        expect(page.locator(".turns .turn-other").first).to_be_visible(timeout=PATIENCE_MS)
        accessible(page)
        page.set_viewport_size({"width": 1920, "height": 1080})
        shoot(page, "sensors-touch-wall-light")
        page.set_viewport_size({"width": 1280, "height": 900})
        onlooker.close()
        page.goto("about:blank")  # a check goes on without its page
        page.goto(f"{site}/sensors/{plan}")
        expect(page.locator("#readiness")).to_be_visible(timeout=PATIENCE_MS)
        expect(page.locator("#readiness")).to_contain_text("not ready")
        expect(page.locator("main")).to_contain_text("middle and right are swapped")
        expect(page.locator("table", has_text="time constant").first).to_contain_text("±")
        accessible(page)
        shoot(page, "sensors-proof-desk-light")

        page.goto(f"{site}/sensors")
        page.get_by_label("Address of an instrument").fill(address)
        page.get_by_label("Seconds").fill("4")
        page.get_by_role("button", name="Listen", exact=True).click()
        expect(page.get_by_role("heading", name="Let a plan read it")).to_be_visible(
            timeout=PATIENCE_MS
        )
        expect(page.locator("main")).to_contain_text("module")
        accessible(page)

    _publish(broker)
    page.goto(f"{site}/sensors")
    page.get_by_label("Address of an instrument").fill(address)
    page.get_by_label("Seconds").fill("3")
    page.get_by_label("Hold it against").select_option(plan)
    page.get_by_role("button", name="Listen", exact=True).click()
    expect(page.locator("#unknown")).to_contain_text("unknown to the plan", timeout=PATIENCE_MS)
    expect(page.locator("main")).to_contain_text("stray")
    expect(page.locator("#silent")).to_contain_text("4 expected and silent")
    accessible(page)
    shoot(page, "sensors-heard-desk-light")
    page.set_viewport_size({"width": 360, "height": 780})
    accessible(page)
    shoot(page, "sensors-heard-phone-light")

    # let the plan follow the plugs
    page.set_viewport_size({"width": 1280, "height": 900})
    page.goto(f"{site}/sensors/{plan}")
    page.get_by_role("button", name="Let the plan follow the plugs").click()
    expect(page.locator("main")).to_contain_text("Kept as version 2 of the plan")
    expect(page.locator("main")).to_contain_text("Nothing was proved of this plan as it is now")


def _publish(port: int) -> None:
    from paho.mqtt import publish

    publish.single(
        "plant/stray",
        '{"value": 23.5, "unit": "degC"}',
        retain=True,
        hostname="127.0.0.1",
        port=port,
    )
