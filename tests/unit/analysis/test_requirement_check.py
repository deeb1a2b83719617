"""Faults of requirements: all of them, each where it is and with a remedy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from ovenwright.analysis.reference import measures_page
from ovenwright.analysis.registry import declared_measures
from ovenwright.analysis.requirements import check_requirement
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Requirement
from ovenwright.domain.run import Role
from ovenwright.errors import Fault

Make = Callable[..., Any]


@pytest.fixture
def faults_of(bench: Make, reference: ReferenceLibrary) -> Callable[..., tuple[Fault, ...]]:
    run = bench(100.0)
    run.add("core", run.time_s).add("air", run.time_s, Role.AIR)

    def faults(measure: str, **facts: Any) -> tuple[Fault, ...]:
        wish = {"name": "asked", "measure": measure, "at_least": 1.0} | facts
        return check_requirement(Requirement.model_validate(wish), run.plan(), reference)

    return faults


def test_a_sound_requirement_has_no_fault(faults_of: Callable[..., tuple[Fault, ...]]) -> None:
    assert faults_of("time_to", on="core", parameters={"level_c": 60}) == ()
    assert faults_of("log_reduction", parameters={"kinetics": "bug"}) == ()


@pytest.mark.parametrize(
    ("measure", "facts", "path", "word"),
    [
        ("time_too", {}, ("measure",), "time_to"),
        (
            "time_to",
            {"parameters": {"level": 60.0, "level_c": 60.0}},
            ("parameters", "level"),
            "did you mean level_c",
        ),
        ("time_to", {}, ("parameters",), "level_c"),
        (
            "time_to",
            {"parameters": {"level_c": "hot"}},
            ("parameters", "level_c"),
            "a number in °C",
        ),
        (
            "time_to",
            {"parameters": {"level_c": -300.0}},
            ("parameters", "level_c"),
            "at least -273",
        ),
        (
            "equivalent_time",
            {"parameters": {"reference_c": 121.1, "z_k": 0.0}},
            ("parameters", "z_k"),
            "above 0",
        ),
        ("equivalent_time", {"parameters": {"reference_c": 121.1}}, ("parameters",), "z_k"),
        ("log_reduction", {"parameters": {"kinetics": "bugg"}}, ("parameters", "kinetics"), "bug"),
        (
            "log_reduction",
            {"parameters": {"kinetics": "colour"}},
            ("parameters", "kinetics"),
            "bigelow or weibull",
        ),
        ("log_reduction", {"parameters": {"kinetics": "held"}}, ("parameters",), "no z value"),
        ("dwell_share", {"parameters": {"table": "tabel"}}, ("parameters", "table"), "table"),
        (
            "come_up_time",
            {"parameters": {"from_c": 60.0, "to_c": 50.0}},
            ("parameters",),
            "not below",
        ),
        (
            "cooling_rate",
            {"parameters": {"from_c": 50.0, "to_c": 60.0}},
            ("parameters",),
            "not above",
        ),
        (
            "max_temperature",
            {"parameters": {"until": "dinner"}},
            ("parameters", "until"),
            "load-out",
        ),
        ("max_temperature", {"on": ["kore"]}, ("on", 0), "did you mean core"),
        ("max_temperature", {"on": "wall"}, ("on",), "no channel has the role"),
        ("surface_coefficient", {"on": "core"}, ("on",), "reference body"),
        ("max_temperature", {"at_least": -400.0}, ("at_least",), "mend the limit"),
        (
            "extent",
            {"at_least": 98.0, "parameters": {"kinetics": "colour"}},
            ("at_least",),
            "from 0 to 1",
        ),
        (
            "time_above",
            {"at_least": -5.0, "parameters": {"level_c": 60.0}},
            ("at_least",),
            "given in s",
        ),
    ],
)
def test_every_kind_of_fault_is_told_where_it_is(
    faults_of: Callable[..., tuple[Fault, ...]],
    measure: str,
    facts: dict[str, Any],
    path: tuple[str | int, ...],
    word: str,
) -> None:
    found = faults_of(measure, **facts)
    assert path in [f.path for f in found]
    assert any(word in f"{f.what} {f.remedy}" for f in found if f.path == path)
    assert all(f.remedy for f in found)


@pytest.mark.parametrize(
    ("measure", "parameters"),
    [("log_reduction", {"kinetics": "bug"}), ("dwell_share", {"table": "table"})],
)
def test_what_is_about_the_product_is_not_asked_of_the_air(
    faults_of: Callable[..., tuple[Fault, ...]], measure: str, parameters: dict[str, Any]
) -> None:
    found = faults_of(measure, on="air", parameters=parameters)
    assert [f.path for f in found] == [("on",)]
    assert "about the temperature of the product" in found[0].what
    assert faults_of(measure, on="core", parameters=parameters) == ()


def test_all_faults_are_told_at_once(faults_of: Callable[..., tuple[Fault, ...]]) -> None:
    found = faults_of("time_to", on="wall", at_least=-1.0, parameters={"levle_c": 60.0})
    assert {f.path[0] for f in found} == {"parameters", "on", "at_least"}
    assert len(found) == 4


def test_every_measure_is_declared_in_full_and_in_the_reference() -> None:
    page = measures_page()
    for name, measure in declared_measures().items():
        assert all((measure.help, measure.missing, measure.inputs, measure.title)), name
        assert f"`{name}`" in page
        for parameter in measure.parameters:
            assert parameter.help, (name, parameter.name)
