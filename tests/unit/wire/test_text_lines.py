"""Lines of text to readings."""

import math
import time
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.live import NoticeKind, Reading
from ovenwright.domain.run import NS, Quality
from ovenwright.domain.sources.lines import TextMapping
from ovenwright.errors import UsageError
from ovenwright.wire.line_patterns import line_pattern
from ovenwright.wire.text_lines import TextReader
from ovenwright.wire.time_patterns import decode_patterned_time, zone_of

NOW = 1_772_611_200 * NS  # 2026-03-04 08:00:00 UTC (date -u -d ... +%s)


def reader(channels: dict[str, str] | None = None, **mapping: Any) -> TextReader:
    made = TextMapping.model_validate(mapping)
    assert made.faults() == ()
    return TextReader(made, channels or {"T1": "core", "T2": "air"})


def read(line: str, **mapping: Any) -> list[tuple[str, float, str]]:
    said = reader(**mapping).decode(line, received_ns=NOW)
    return [(r.channel, r.value, r.unit) for r in said.readings]


@pytest.mark.parametrize(
    ("item", "line"),
    [
        ("{channel}={value}{unit}", "T1=21.5C T2=180C"),
        ("{channel}={value}{unit}", "T1=21.5 °C; T2=180 °C"),
        ("{channel}:{value}{unit}", "<T1:+21.50degC|T2:1.80e2degC>"),
        ("{channel} {value}{unit}", "T1   21.5 C, T2\t180 C"),
        (r"/(?P<channel>T\d)\[(?P<value>[^\]]*)\]/", "T1[21.5]T2[180]"),
    ],
)
def test_readings_along_a_line(item: str, line: str) -> None:
    assert read(line, item=item) == [("core", 21.5, "degC"), ("air", 180.0, "degC")]


@pytest.mark.parametrize(
    ("text", "unit"),
    [("C", "degC"), ("°F", "degF"), ("K", "K"), (" mV", "mV"), ("ohm", "ohm"), ("Ω", "ohm"), ("", "degC")],
)  # fmt: skip
def test_units_of_a_line(text: str, unit: str) -> None:
    assert read(f"T1=21.5{text}", item="{channel}={value}{unit}") == [("core", 21.5, unit)]


@pytest.mark.parametrize(
    ("text", "bit"),
    [("OPEN", Quality.OVERFLOW), ("OL", Quality.OVERFLOW), ("-OL", Quality.OVERFLOW), ("9.9E37", Quality.OVERFLOW),
     ("nan", Quality.MISSING), ("----", Quality.MISSING), ("ERR", Quality.MISSING), ("", Quality.MISSING),
     ("1372.0", Quality.OVERFLOW), ("NC", Quality.MISSING)],
)  # fmt: skip
def test_what_stands_for_no_reading(text: str, bit: Quality) -> None:
    for mapping, line in (
        ({"item": "{channel}={value}"}, f"T1={text}"),
        ({"columns": ("T1", "T2"), "separator": ";"}, f"{text};20.0"),
    ):
        made = reader(**mapping, overflow=("1372",), missing=("NC",))
        found = made.decode(line, received_ns=NOW).readings[0]
        assert math.isnan(found.value)
        assert found.quality == bit


def test_what_holds_for_the_whole_line() -> None:
    made = reader(
        {"gw1/1": "core", "gw1/2": "air"},
        line="{module} {time} #{sequence} ",
        item="{channel}={value}{unit}",
        time_form="auto",
    )
    said = made.decode("gw1 2026-03-04T08:00:00Z #17 1=21.5C 2=180C 3=20C", received_ns=NOW + NS)
    assert [(r.channel, r.known) for r in said.readings] == [
        ("core", True),
        ("air", True),
        ("gw1/3", False),
    ]
    first = said.readings[0]
    assert (first.time_ns, first.received_ns) == (NOW, NOW + NS)
    assert (first.module, first.sequence) == ("gw1", 17)
    clock = [n for n in said.notices if n.kind is NoticeKind.CLOCK]
    assert [c.value for c in clock] == [-1.0]


def test_columns_by_place_and_by_heading() -> None:
    by_place = reader(columns=("time", "", "T1", "reference"), separator=",", time_zone="UTC", unit="mV")  # fmt: skip
    said = by_place.decode("2026-03-04 08:00:00, x , 3.285, 25.1", received_ns=NOW)
    assert said.readings[0] == Reading(
        "core", NOW, NOW, 3.285, "mV", Quality.GOOD, reference_c=25.1
    )
    by_heading = reader(header=True, time_zone="UTC")
    assert by_heading.awaits_headings
    assert by_heading.decode("Oven 3, exported", received_ns=NOW).readings == ()
    assert by_heading.awaits_headings
    by_heading.decode('"Timestamp";"T2";"T1"', received_ns=NOW)
    said = by_heading.decode("2026-03-04 08:00:00;180;21.5", received_ns=NOW)
    assert [(r.channel, r.value, r.time_ns) for r in said.readings] == [
        ("air", 180.0, NOW),
        ("core", 21.5, NOW),
    ]
    assert by_heading.decode('"Timestamp";"T2";"T1"', received_ns=NOW).notices == ()


def test_decimal_commas() -> None:
    assert read("21,5;180,0", columns=("T1", "T2"), decimal=",") == [
        ("core", 21.5, "degC"),
        ("air", 180.0, "degC"),
    ]
    assert read("T1=21,5C T2=1,80e2C", item="{channel}={value}{unit}", decimal=",") == [
        ("core", 21.5, "degC"),
        ("air", 180.0, "degC"),
    ]


def test_a_line_with_too_few_cells_is_refused_and_said_once() -> None:
    made = reader(columns=("T1", "T2"), separator=";")
    first = made.decode("21.5", received_ns=NOW)
    assert first.readings == ()
    assert [n.kind for n in first.notices] == [NoticeKind.REFUSED]
    assert "21.5" in first.notices[0].text
    assert made.decode("22.5", received_ns=NOW + NS).notices == ()
    assert made.decode("22.5", received_ns=NOW + 61 * NS).notices != ()


def test_times_without_zone_are_not_trusted() -> None:
    made = reader(columns=("time", "T1"), separator=";")
    said = made.decode("2026-03-04 08:00:00;21.5", received_ns=NOW)
    assert said.readings == ()
    assert said.notices[0].kind is NoticeKind.REFUSED


def test_elapsed_seconds_begin_at_the_first_line_and_anew_after_a_restart() -> None:
    made = reader(columns=("time", "T1"), separator=";", time_form="elapsed")
    stamps = [
        made.decode(f"{t};21.5", received_ns=NOW + round(at * NS)).readings[0].time_ns - NOW
        for t, at in ((10.0, 0.0), (11.0, 1.2), (12.5, 2.4), (0.5, 9.0), (1.5, 10.0))
    ]
    assert stamps == [0, NS, 2_500_000_000, 9 * NS, 10 * NS]


@pytest.mark.parametrize(
    ("word", "form", "zone", "received_s", "expected_s"),
    [
        # all by date -u -d '...' +%s; Riga is UTC+2 in winter, UTC+3 in summer
        ("04.03.2026 10:00:00", "%d.%m.%Y %H:%M:%S", "Europe/Riga", 0, 1_772_611_200),
        ("10:00:01", "%H:%M:%S", "Europe/Riga", 1_772_611_200, 1_772_611_201),
        ("23:59:59", "%H:%M:%S", "UTC", 1_772_582_401, 1_772_582_399),  # said a moment before midnight
        ("03-04 08:00", "%m-%d %H:%M", "UTC", 1_772_611_260, 1_772_611_200),
    ],
)  # fmt: skip
def test_patterns_of_time(
    word: str, form: str, zone: str, received_s: int, expected_s: int
) -> None:
    found = decode_patterned_time(word, form, zone_of(zone), received_s * NS)
    assert found == (expected_s * NS, False)


def test_an_hour_that_comes_twice_is_taken_nearest_to_its_receipt() -> None:
    # in Riga clocks go back from 04:00 to 03:00 on 2026-10-25; 03:30 is 00:30 and 01:30 UTC
    first, second = 1_792_888_200 * NS, 1_792_891_800 * NS
    form, zone = "%Y-%m-%d %H:%M", zone_of("Europe/Riga")
    assert decode_patterned_time("2026-10-25 03:30", form, zone, first + NS) == (first, True)
    assert decode_patterned_time("2026-10-25 03:30", form, zone, second + NS) == (second, True)


def test_battery_signal_and_loss_are_told_when_they_change() -> None:
    made = reader(columns=("battery", "signal", "lost", "T1"), separator=";")
    told = [
        [(n.kind, n.value) for n in made.decode(line, received_ns=NOW + i * NS).notices]
        for i, line in enumerate(("81;-60;4;20", "81;-60;4;20", "80;-60;7;20"))
    ]
    assert told == [
        [(NoticeKind.BATTERY, 0.81), (NoticeKind.SIGNAL, -60.0)],
        [],
        [(NoticeKind.BATTERY, 0.8), (NoticeKind.LOSS, 3.0)],
    ]


@pytest.mark.parametrize(
    ("mapping", "word"),
    [
        ({}, "where readings stand"),
        ({"item": "{channel}"}, "value"),
        ({"item": "{value}{warmth}"}, "warmth"),
        ({"item": "{value"}, "brace"),
        ({"item": "{value}{value}"}, "twice"),
        ({"item": "/(?P<value>/"}, "regular expression"),
        ({"item": "/(?P<value>a)(?P<colour>b)/"}, "colour"),
        ({"item": "{value}", "columns": ["T1"]}, "both"),
        ({"columns": ["T1"], "header": True}, "both"),
        ({"columns": ["T1"], "line": "{module}"}, "without item"),
        ({"columns": ["value"]}, "called"),
        ({"columns": ["T1"], "encoding": "utf-9"}, "encoding"),
        ({"columns": ["T1"], "decimal": ",", "separator": ","}, "comma"),
        ({"columns": ["T1"], "time_form": "%H:%M"}, "zone"),
        ({"columns": ["T1"], "time_form": "noon"}, "form of time"),
    ],
)
def test_faults_of_a_mapping(mapping: dict[str, Any], word: str) -> None:
    made = TextMapping.model_validate(mapping)
    assert any(word in what for _, what, _ in made.faults())
    with pytest.raises(UsageError):
        TextReader(made, {})


def test_a_stranger_in_a_pattern() -> None:
    with pytest.raises(UsageError, match="warmth"):
        line_pattern("{warmth}")


MAPPINGS: list[dict[str, Any]] = [
    {"item": "{channel}={value}{unit}"},
    {"item": "{value}", "line": "{time} "},
    {"item": "{channel} {value}", "line": "{module};{sequence};", "decimal": ","},
    {"columns": ("time", "T1", "T2", "battery"), "time_form": "%H:%M:%S", "time_zone": "Europe/Riga"},
    {"columns": ("time", "T1", "sequence", "reference"), "time_form": "elapsed", "sequence_modulus": 16},
    {"header": True},
]  # fmt: skip


@given(
    st.sampled_from(MAPPINGS),
    st.lists(st.text(st.characters(codec="utf-8"), max_size=60) | st.text("T12=;,: .-+eECFK0123456789OLna\t", max_size=60), max_size=8),
    st.integers(0, 4_000_000_000),
)  # fmt: skip
def test_any_text_is_readings_or_notices(
    mapping: dict[str, Any], lines: list[str], received_s: int
) -> None:
    made = reader(**mapping)
    for line in lines:
        said = made.decode(line, received_ns=received_s * NS)
        for r in said.readings:
            assert not math.isinf(r.value)
            assert math.isnan(r.value) is bool(r.quality & (Quality.MISSING | Quality.OVERFLOW))
            assert r.time_ns >= 0
            assert r.known is (r.channel in ("core", "air"))


@given(st.lists(st.floats(-200, 1800).map(lambda v: round(v, 3)), min_size=2, max_size=2))
def test_what_is_written_is_read(values: list[float]) -> None:
    assert [v for _, v, _ in read("T1={}C T2={}C".format(*values), item="{channel}={value}{unit}")] == values  # fmt: skip
    assert [v for _, v, _ in read("{};{}".format(*values), columns=("T1", "T2"))] == values


@pytest.mark.parametrize("letter", ["a", "1", "1 ", "1.", "a:", "+", " "])
@pytest.mark.parametrize(
    "item", ["{channel}={value}{unit}", "{channel} {value}", "{time};{module};{channel}={value}"]
)
def test_long_noise_takes_time_in_step_with_its_length(item: str, letter: str) -> None:
    pattern = line_pattern(item)
    begin = time.perf_counter()
    for _ in pattern.finditer((letter * 20_000)[:20_000]):
        pass
    assert time.perf_counter() - begin < 1.0  # without bounds it was above 10 s
