"""Faults are told at places a person can find: by name and number, the key path for machines."""

from __future__ import annotations

import pytest

from ovenwright.errors import PlanFaults
from ovenwright.storage.plan_faults import place_words
from ovenwright.storage.plan_file import parse_plan

DATA = {
    "oven": {"zones": [{"name": "zone 1"}, {}]},
    "channels": [
        {"name": "core left", "certificate": {"points": [{"at_c": 0.0}]}},
        {"name": 5},
        {"name": ""},
    ],
    "instruments": [{"name": "gateway", "registers": [{}] * 12, "channels": {"g1/2": "x"}}],
    "requirements": [{"on": ["a", "b"]}],
}


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ((), ""),
        (("recording", "interval_s"), "recording.interval_s"),
        (("channels", 0, "sensor"), 'channel "core left" (1st), sensor'),
        (("channels", 0), 'channel "core left" (1st)'),
        (("channels", 1, "name"), "channel (2nd), name"),
        (("channels", 2, "name"), "channel (3rd), name"),
        (("channels", 7), "channel (8th)"),
        (
            ("channels", 0, "certificate", "points", 0, "at_c"),
            'channel "core left" (1st), certificate, point (1st), at_c',
        ),
        (("oven", "zones", 0, "length_m"), 'oven, zone "zone 1" (1st), length_m'),
        (("instruments", 0, "registers", 10, "address"),
         'instrument "gateway" (1st), register (11th), address'),
        (("instruments", 0, "channels", "g1/2"), 'instrument "gateway" (1st), channels.g1/2'),
        (("requirements", 0, "on", 1), "requirement (1st), on (2nd)"),
    ],
)  # fmt: skip
def test_places(path: tuple[str | int, ...], words: str) -> None:
    assert place_words(path, DATA) == words


def test_people_read_names_and_machines_the_path() -> None:
    text = """title = "x"
[oven]
kind = "chamber"
name = "o"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "p"
[recording]
interval_s = 1.0
[[channels]]
name = "core left"
sensor = "Q"
role = "core"
"""
    with pytest.raises(PlanFaults) as found:
        parse_plan(text, file="p.toml")
    assert "p.toml line 14: channel \"core left\" (1st), sensor: is 'Q'" in str(found.value)
    facts = found.value.facts()["faults"]
    assert isinstance(facts, list)
    assert facts[0]["path"] == ["channels", 0, "sensor"]
    assert facts[0]["place"] == 'channel "core left" (1st), sensor'
