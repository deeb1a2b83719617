"""Mappings guessed from lines, each of which must read the very lines it was guessed from."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.sources.lines import TextMapping
from ovenwright.wire.guessing_lines import guess_lines
from ovenwright.wire.text_lines import TextReader

NOW = 1_772_611_200_000_000_000
STAMP = "2026-03-04T08:00:0{}.244Z"


@pytest.mark.parametrize(
    ("lines", "keys", "values"),
    [
        (["T1=21.5C T2=180C", "T1=21.6C T2=181C"], ("T1", "T2"), (21.6, 181.0)),
        ([f"{STAMP.format(i)};gw;3{i};25.2;96;1=29.{i};2=28.5" for i in (1, 2)], ("1", "2"), (29.2, 28.5)),
        (["core: 21.5 °C, air: 180 °C"], ("core", "air"), (21.5, 180.0)),
        (["CORE 21.5\tAIR 180.0"], ("CORE", "AIR"), (21.5, 180.0)),
        (["21.5;180.0", "21.6;181.0"], ("column 1", "column 2"), (21.6, 181.0)),
        (["21,5;180,0", "21,6;181,5"], ("column 1", "column 2"), (21.6, 181.5)),
        ([f"{STAMP.format(i)},21.5,ok,180.0" for i in (1, 2)], ("column 2", "column 4"), (21.5, 180.0)),
        (["08:00:01 21.5"], ("column 2",), (21.5,)),
        (["ready", "steady"], (), ()),
        (["1;2", "1;2;3"], (), ()),
        ([], (), ()),
    ],
)  # fmt: skip
def test_guesses(lines: list[str], keys: tuple[str, ...], values: tuple[float, ...]) -> None:
    guess = guess_lines(lines)
    assert guess.keys == keys
    assert guess.values == values
    if not keys:
        return
    made = TextMapping.model_validate(dict(guess.text))
    assert made.faults() == ()
    reader = TextReader(made, {key: f"our {key}" for key in keys})
    said = reader.decode(lines[-1], received_ns=NOW)
    assert [(r.channel, r.value) for r in said.readings if r.known] == [
        (f"our {key}", value) for key, value in zip(keys, values, strict=True)
    ]
    if lines[-1].startswith("2026"):
        assert said.readings[0].time_ns != NOW  # the instrument's own time is taken


@given(st.lists(st.text("T12=;,: .-+eECK0123456789OLna\tZ", max_size=60), max_size=8))
def test_any_lines_are_guessed_or_left(lines: list[str]) -> None:
    guess = guess_lines(lines)
    assert len(guess.keys) == len(guess.values)
    assert not guess.keys or TextMapping.model_validate(dict(guess.text)).faults() == ()
