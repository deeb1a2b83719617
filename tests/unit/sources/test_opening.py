"""Every kind of instrument a plan can describe has a source that opens it."""

from __future__ import annotations

import typing

import pytest

from ovenwright.domain.sources import SourcePlan
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import UnknownName
from ovenwright.sources import opening
from ovenwright.sources.mqtt import MqttReader


class StillClock:
    def now_ns(self) -> int:
        return 0

    def monotonic_ns(self) -> int:
        return 0


def kinds() -> list[str]:
    union, *_ = typing.get_args(SourcePlan)
    return [
        kind
        for model in typing.get_args(union)
        for kind in typing.get_args(model.model_fields["kind"].annotation)
    ]


def test_no_kind_is_forgotten() -> None:
    assert sorted(kinds()) == sorted(opening._KINDS)


@pytest.mark.parametrize("kind", kinds())
def test_its_function_is_there(kind: str) -> None:
    from importlib import import_module

    module, function = opening._KINDS[kind]
    assert callable(getattr(import_module(module), function))


def mqtt(**more: object) -> MqttSource:
    return MqttSource.model_validate(
        {"kind": "mqtt", "host": "h", "topic": "p/{channel}", "channels": {"1": "core"}} | more
    )


def test_an_unknown_kind_names_the_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(opening._KINDS, "mqtt")
    with pytest.raises(UnknownName, match="modbus"):
        opening.open_source(mqtt(), StillClock())


def test_the_name_at_the_broker_is_the_same_each_time_and_one_for_each_table() -> None:
    def name_of(**more: object) -> str:
        source = opening.open_source(mqtt(**more), StillClock())
        assert isinstance(source, MqttReader)
        return source.client_id

    assert name_of() == name_of()
    assert name_of() == name_of(keepalive_s=60)
    assert name_of() != name_of(channels={"2": "core"})
    assert name_of(client_id="oven 3") == "oven 3"
    assert opening.open_source(mqtt(), StillClock()).name == "mqtt h:1883"
