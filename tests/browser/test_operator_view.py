"""Operator view on a phone: pick, check, start; it stops by rule; one word, and what to do next."""

import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]
SPEED = 120.0


def test_from_plan_to_verdict_on_a_phone(  # noqa: PLR0917
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
    book = tmp_path / "line"
    instrument = f"mqtt://127.0.0.1:{broker}"
    text = plan_for(instrument, "tin-bread-sound")
    # the rule counts on the clock of the recorder, the oven's runs SPEED times as fast
    text = text.replace(
        "duration_s = 2640.0", f"duration_s = 2640.0\nstop = {{ after_s = {2640.0 / SPEED} }}"
    )
    address = served(book)
    with virtual_oven(
        instrument, "--scenario", "tin-bread-sound", "--speed", str(SPEED), "--rounds", "0"
    ):
        kept = open_page(address + "/plans", width="phone")
        keep_plan(kept, text)
        page = open_page(address + "/operator", width="phone")
        accessible(page)
        shoot(page, "operator-pick-phone")
        page.get_by_role("link", name="Rye tin loaf").click()
        accessible(page)
        page.get_by_role("button", name="Check the sensors").click()
        expect(page.locator("#operator-now")).to_contain_text("Checking the sensors")
        expect(page.locator("#operator-now")).to_contain_text("of 8 sensors are heard")
        shoot(page, "operator-checking-phone")
        go = page.get_by_role("button", name="Start", exact=False).first
        expect(go).to_be_visible(timeout=60_000)
        shoot(page, "operator-checked-phone")
        accessible(page)
        go.click()
        expect(page.locator("#operator-now")).to_contain_text("● Recording", timeout=30_000)
        shoot(page, "operator-recording-phone")
        accessible(page)
        page.get_by_role("button", name="Door").click()
        expect(page.locator("#verdict")).to_be_visible(timeout=120_000)
        word = page.locator("#verdict").inner_text().split()[-1]
        assert word in {"PASS", "FAIL", "UNDECIDED"}
        shoot(page, "operator-verdict-phone")
        accessible(page)
        whole = page.get_by_role("link", name="The whole result")
        whole.click()
        expect(page.locator("main")).to_contain_text(word.lower(), ignore_case=True)


def test_a_practice_is_begun_and_ended_from_the_operator_view(
    tmp_path: Path, served: Callable[[Path], str], open_page: Callable[..., Page]
) -> None:
    page = open_page(served(tmp_path / "line") + "/operator", width="phone")
    page.get_by_role("link", name="Practise without hardware").click()
    page.get_by_role("button", name="Start the practice").click()
    now = page.locator("#operator-now")
    expect(now).to_contain_text("● Recording", timeout=60_000)
    expect(now).to_contain_text("It stops by itself after about 2:", timeout=30_000)
    expect(now).to_contain_text(re.compile(r"[1-9]\d* readings are safe"), timeout=90_000)
    page.locator("#stop-it summary").click()
    page.get_by_role("button", name="Stop and seal").click()
    expect(page.get_by_role("link", name="Test again")).to_be_visible(timeout=90_000)
