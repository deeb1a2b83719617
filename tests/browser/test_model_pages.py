"""A forecast and an explanation of the demo's bake in a real browser: asked, followed, read."""

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from ovenwright.storage.logbook import Logbook

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

Open = Callable[..., Page]
Shoot = Callable[[Page, str], None]
Accessible = Callable[[Page], None]
PATIENCE_MS = 300_000  # the model takes a quarter of a minute of a core, and cores are shared


def right_bake(book: Path) -> str:
    """The demo's bake with its probe put right."""
    logbook = Logbook(book)
    return next(i for i in logbook.run_ids() if logbook.facts(i).parent_digest)


def test_a_run_is_foreseen_from_a_moment_and_held_against_what_came(
    demo_server: str, demo_book: Path, open_page: Open, shoot: Shoot, accessible: Accessible
) -> None:
    run = right_bake(demo_book)
    page = open_page(f"{demo_server}/runs/{run}")
    page.get_by_role("link", name="Forecast").click()
    accessible(page)
    page.get_by_label("Known up to").fill("20")
    page.get_by_label("Temperatures to pass").fill("93")
    page.get_by_role("button", name="Look ahead").click()
    expect(page.get_by_role("heading", name="Ask otherwise")).to_be_visible(timeout=PATIENCE_MS)
    picture = page.locator("figure#forecast svg")
    expect(picture).to_be_visible()
    assert picture.locator("polygon").count() >= 6  # two bands a core
    came = page.get_by_role("table", name="And when they did")
    assert came.locator("tbody tr").count() == 3
    accessible(page)
    shoot(page, "forecast-desk-light")
    address = page.url
    for width, scheme in (("phone", "dark"), ("wall", "light")):
        again = open_page(address, width=width, scheme=scheme)
        assert again.evaluate("document.documentElement.scrollWidth <= innerWidth")
        accessible(again)
        shoot(again, f"forecast-{width}-{scheme}")
    still = open_page(address, scripts=False)
    expect(still.locator("figure#forecast svg")).to_be_visible()


def test_what_held_the_slowest_back_is_shown(
    demo_server: str, demo_book: Path, open_page: Open, shoot: Shoot, accessible: Accessible
) -> None:
    page = open_page(f"{demo_server}/runs/{right_bake(demo_book)}/slowest")
    accessible(page)
    page.get_by_role("button", name="Show what held it back").click()
    expect(page.get_by_role("heading", name="Ask otherwise")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.get_by_text("leave burners and gas to those licensed")).to_be_visible()
    expect(page.locator("figure#held-back svg")).to_be_visible()
    accessible(page)
    shoot(page, "slowest-desk-light")
    phone = open_page(page.url, width="phone", scheme="dark")
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    accessible(phone)
