"""Every place: reachable from the navigation, accessible, whole in three widths and both schemes."""

from collections.abc import Callable

import pytest
from playwright.sync_api import Page

from ovenwright.web.pages import PLACES, Place

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", ["phone", "desk", "wall"])
@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.key)
def test_place_is_whole(  # noqa: PLR0917
    place: Place,
    width: str,
    scheme: str,
    demo_server: str,
    open_page: Callable[..., Page],
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
) -> None:
    page = open_page(demo_server + place.path, width=width, scheme=scheme)
    shoot(page, f"{place.key}-{width}-{scheme}")
    heading = page.locator("h1")
    assert heading.count() == 1
    assert page.locator("h1.trouble").count() == 0
    accessible(page)


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.key)
def test_place_reads_without_scripts(
    place: Place, demo_server: str, open_page: Callable[..., Page]
) -> None:
    page = open_page(demo_server + place.path, scripts=False)
    assert page.locator("h1.trouble").count() == 0
    shown = page.locator("nav[aria-label=Places] a").all_inner_texts()
    assert shown == [p.title for p in PLACES]
