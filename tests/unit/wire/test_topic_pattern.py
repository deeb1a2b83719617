"""Topic patterns. Wildcards: OASIS MQTT 5.0, section 4.7.1 (its examples are named beside)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import UsageError
from ovenwright.wire.topic_pattern import decode_topic_pattern


@pytest.mark.parametrize(
    ("pattern", "topic", "fits"),
    [
        # section 4.7.1.2, multi-level wildcard
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "anything/at/all", True),
        # section 4.7.1.3, single-level wildcard
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
    ],
)
def test_examples_of_the_standard(pattern: str, topic: str, fits: bool) -> None:
    assert (decode_topic_pattern(pattern).match(topic) is not None) is fits


def test_named_parts() -> None:
    found = decode_topic_pattern("plant/gw-{module}/+/{channel}/#")
    assert found.filter == "plant/+/+/+/#"
    assert found.names == ("module", "channel")
    assert found.match("plant/gw-7/x/t.1/raw/now") == {"module": "7", "channel": "t.1"}
    assert found.match("plant/7/x/t1") is None


@pytest.mark.parametrize(
    "text",
    ["", "a/#/b", "a/b+", "a/{x}", "{module}/{module}", "a/{", "a/b#", "a\0b", "a/" + "b" * 70_000],
)
def test_what_a_broker_would_not_take_is_told(text: str) -> None:
    with pytest.raises(UsageError):
        decode_topic_pattern(text)


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_text_is_a_pattern_or_told(text: str, topic: str) -> None:
    try:
        decode_topic_pattern(text).match(topic)
    except UsageError:
        return
