"""No page sends anybody to a terminal: remedies name places, not commands or options."""

import re
from pathlib import Path

import pytest

import ovenwright
from ovenwright.web.pages import PLACES
from ovenwright.web.remedies import in_browser


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (
            "see what the instruments say: ovenwright check PLAN",
            "see what the instruments say: under Sensors",
        ),
        (
            "check power, cable and address; ovenwright find shows what can be heard",
            "check power, cable and address; Sensors shows what can be heard",
        ),
        ("check the path, or see: ovenwright runs", "check the path, or see: under Logbook"),
        (
            "look for one: ovenwright find mqtt://HOST --seconds 10 --write PLAN",
            "look for one: under Sensors",
        ),
        (
            "check the name, or write one with: ovenwright plan new",
            "check the name, or write one: under Plans",
        ),
        ("give it more time: --seconds", "give it more time"),
        ("place already, leave this out with --apart", "place already, leave this out"),
        ("give a later --until", "give a later moment"),
        ("say what the product is with --kind", "say what the product is"),
        (
            "give limits: --setpoint-by, --time-by, --start-by",
            "give limits",
        ),
        ("check plug and cable", "check plug and cable"),
    ],
)
def test_a_remedy_is_said_in_the_browser_s_way(said: str, expected: str) -> None:
    assert in_browser(said) == expected


def test_no_remedy_of_the_package_keeps_a_command_or_an_option() -> None:
    texts = []
    for file in Path(ovenwright.__file__).parent.rglob("*.py"):
        texts += re.findall(r'remedy="([^"\n]+)"', file.read_text(encoding="utf-8"))
    assert len(texts) > 100
    titles = {p.title for p in PLACES}
    for text in texts:
        told = in_browser(text)
        assert "--" not in told, text
        place = re.search(r"(?<=: under )[A-Z][a-z]+(?: [a-z]+)*$", told)
        assert place is None or place[0] in titles, told
