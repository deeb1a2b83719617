"""The tour in the browser says on its pages what the pages say: every word in bold stands there."""

import re
from importlib.resources import files
from pathlib import Path

import pytest

from ovenwright.web.pages import PLACES

TOUR = Path(__file__).parents[3] / "docs" / "tour" / "in-the-browser.md"
NOT_ON_A_TEMPLATE = {
    "bold": "says what bold means",
    "http://127.0.0.1:8717/": "the address",
    "Rye tin loaf 800 g, oven 3": "title of the demo's run",
    "Touch check on a bench": "title of the bench's plan",
    "Keep as version 2": "the number is worked out",
    "not ready": "a readiness",
    "And when they did": "title of a table",
}


def _bold() -> list[str]:
    return sorted(
        {
            " ".join(m.split())
            for m in re.findall(r"\*\*(.+?)\*\*", TOUR.read_text("utf-8"), re.DOTALL)
        }
    )


def _templates() -> str:
    folder = files("ovenwright.web").joinpath("templates")
    pages = [p.read_text(encoding="utf-8") for p in folder.iterdir() if p.name.endswith(".j2")]
    return "\n".join(pages) + "\n".join(p.title for p in PLACES)


@pytest.mark.parametrize("words", [w for w in _bold() if w not in NOT_ON_A_TEMPLATE])
def test_words_of_the_tour_stand_on_a_page(words: str) -> None:
    assert words in _templates()


def test_exceptions_are_still_in_the_tour() -> None:
    assert set(NOT_ON_A_TEMPLATE) <= set(_bold())
    assert len(_bold()) > 25
