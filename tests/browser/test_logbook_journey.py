"""The logbook in a real browser: empty, filled, searched; ovens and their reference run."""

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

OpenPage = Callable[..., Page]
Shoot = Callable[[Page, str], None]
Accessible = Callable[[Page], None]


@pytest.mark.parametrize("width", ["phone", "desk"])
def test_an_empty_logbook_starts_the_demo(  # noqa: PLR0917
    width: str,
    tmp_path: Path,
    served: Callable[..., str],
    open_page: OpenPage,
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    page = open_page(served(tmp_path / "new"), width=width)
    expect(page.locator("h1")).to_have_text("Logbook new")
    accessible(page)
    shoot(page, f"logbook-empty-{width}-light")
    if width == "phone":
        return
    page.get_by_role("button", name="Start the demo").click()
    expect(page.locator("[data-job] progress")).to_be_visible()
    page.wait_for_url("**/runs/*", timeout=120_000)
    page.goto(page.url.split("/runs")[0])
    expect(page.locator(".run")).to_have_count(3)


def test_runs_are_found_by_words_and_filters(demo_server: str, open_page: OpenPage) -> None:
    page = open_page(demo_server)
    expect(page.locator(".run")).to_have_count(3)
    page.get_by_label("Words").fill("uniformity")
    page.get_by_role("button", name="Find").click()
    expect(page.locator(".run")).to_have_count(1)
    expect(page.locator(".count")).to_contain_text("1 of 3 runs fit")
    page.get_by_role("link", name="All runs").click()
    page.get_by_label("Oven", exact=True).select_option("oven 3")
    page.get_by_label("Verdict").select_option("fail")
    page.get_by_role("button", name="Find").click()
    assert "oven=oven+3" in page.url
    for text in page.locator(".run .verdict").all_inner_texts():
        assert text.strip() == "fail"
    page.get_by_label("From day").fill("2030-01-01")
    page.get_by_role("button", name="Find").click()
    expect(page.locator(".count")).to_contain_text("No run fits")
    page.go_back()
    expect(page.locator(".run").first).to_be_visible()


def test_a_reference_run_is_chosen(
    own_book: Path,
    served: Callable[..., str],
    open_page: OpenPage,
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    page = open_page(f"{served(own_book)}/ovens")
    page.get_by_role("link", name="oven 3", exact=True).first.click()
    expect(page.locator("h1")).to_have_text("oven 3")
    accessible(page)
    page.get_by_label("Why this one").fill("all positions met after the burner was mended")
    page.get_by_role("button", name="Make it the reference run").click()
    expect(page.get_by_text("all positions met after the burner was mended")).to_be_visible()
    page.get_by_text("As a table").first.click()
    expect(page.locator("table").first).to_contain_text("reference")
    accessible(page)
    shoot(page, "oven-desk-light")


@pytest.mark.parametrize(
    ("width", "scheme"), [("phone", "dark"), ("desk", "light"), ("wall", "dark")]
)
def test_an_oven_and_a_product_are_whole(  # noqa: PLR0917
    width: str,
    scheme: str,
    demo_server: str,
    open_page: OpenPage,
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    page = open_page(f"{demo_server}/ovens", width=width, scheme=scheme)
    for kind in ("ovens", "products"):
        page.goto(f"{demo_server}/ovens")
        page.locator(f'a[href^="/{kind}/"]').first.click()
        expect(page.locator("h1")).not_to_have_text("Ovens and products")
        accessible(page)
        shoot(page, f"{kind}-one-{width}-{scheme}")
