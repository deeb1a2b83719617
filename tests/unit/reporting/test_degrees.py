"""Prose in °F. 0 °C is 32 °F and 100 °C is 212 °F; a kelvin is 1.8 °F (NIST SP 811, B.8)."""

import pytest

from ovenwright.reporting.degrees import all_in_fahrenheit, in_fahrenheit, page_in_fahrenheit
from ovenwright.reporting.document import Callout, Cell, Column, Section, Table, Tone


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("water boils at 100.00 °C", "water boils at 212.00 °F"),
        ("melting ice at 0.00 °C", "melting ice at 32.00 °F"),
        ("core 60 °C", "core 140 °F"),
        ("core 93 °C", "core 199.4 °F"),
        ("from −18 °C to −40 °C", "from −0.4 °F to −40 °F"),
        ("measured from 55 to 61 °C", "measured from 131 to 141.8 °F"),
        ("c1: rose by 5.0 K", "c1: rose by 9.0 °F"),
        ("went the wrong way (-4.2 K)", "went the wrong way (-7.6 °F)"),
        ("shifted by about +2.0 K:", "shifted by about +3.6 °F:"),
        ("rises by 12.5 K/min", "rises by 22.5 °F/min"),
        ("z 10 K, D 3.14 min at 61 °C", "z 18 °F, D 3.14 min at 141.8 °F"),
        ("within 5 K of 180.0 °C", "within 9 °F of 356.0 °F"),
        ("25 °C ± 3 °C taken", "77 °F ± 5.4 °F taken"),
        ("falls by 37 K", "falls by 67 °F"),
        ("at 95.1 °C, above 93 °C", "at 203.2 °F, above 199.4 °F"),
    ],
)
def test_temperatures_and_differences_are_told_apart(said: str, expected: str) -> None:
    assert in_fahrenheit(said) == expected
    assert in_fahrenheit(expected) == expected


@pytest.mark.parametrize(
    "said",
    [
        "as type K wire recorded as T",
        "heat reaches the product with 25 W/(m² K)",
        "h 14.0 W/(m²·K)",
        "values in °C",
        "oven 3 Kilo",
        "140 °F",
        "heat capacity 900 J/(kg K)",
    ],
)
def test_what_is_no_temperature_is_left_alone(said: str) -> None:
    assert in_fahrenheit(said) == said


def test_a_page_keeps_its_fields_code_and_names() -> None:
    page = (
        '<p title="60 °C">above 60 °C</p><textarea>level 60 °C</textarea>'
        '<pre><b>1 K</b> 60 °C</pre><input value="60 °C"><p aria-label="to 60 °C">by 5 K</p>'
    )
    told = page.replace(">above 60 °C", ">above 140 °F").replace(">by 5 K", ">by 9 °F")
    assert page_in_fahrenheit(page) == told.replace('label="to 60 °C', 'label="to 140 °F')


def test_a_report_is_said_in_one_unit_and_keeps_its_ids() -> None:
    table = Table(
        "core 60 °C", "Passing 60 °C", (Column("core 60 °C"),), ((Cell("5 K", 5.0, 0),),), "± 2 °C"
    )
    section = Section("a", "b", (table, Callout(Tone.OPEN, "Caution", "measured to 61 °C")))
    told = all_in_fahrenheit(section)
    assert told.blocks[0] == Table(
        "core 60 °C",
        "Passing 140 °F",
        (Column("core 140 °F"),),
        ((Cell("9 °F", 5.0, 0),),),
        "± 3.6 °F",
    )
    assert told.blocks[1] == Callout(Tone.OPEN, "Caution", "measured to 141.8 °F")
    assert all_in_fahrenheit(told) == told
