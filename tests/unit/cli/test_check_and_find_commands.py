"""How check and find are called, and what people see."""

from __future__ import annotations

from pathlib import Path

import pytest

from ovenwright.cli import check_command, find_command
from ovenwright.cli.main import main
from ovenwright.cli.show_proof import event_words, show_proof
from ovenwright.conditioning.proof.touching import TouchEvent, TouchKind
from ovenwright.config import Settings
from ovenwright.domain.proof import (
    ChannelProof,
    FixedPoint,
    Grade,
    ModuleProof,
    Proof,
    Readiness,
    Remark,
    TimeConstant,
)
from ovenwright.workflow.proving import Proved, Remapping


def settings(unit: str = "C") -> Settings:
    return Settings(logbook=Path("logbook"), show_unit=unit, zone="", kinetics=None)


@pytest.mark.parametrize(
    "words",
    [
        ("check", "p.toml", "--seconds", "0"),
        ("check", "p.toml", "--seconds", "nan"),
        ("check", "p.toml", "--touch", "--fixed-point", "ice"),
        ("check", "p.toml", "--pressure-kpa", "99"),
        ("check", "p.toml", "--fixed-point", "ice", "--pressure-kpa", "99"),
        ("check", "not-there.toml"),
        ("find", "mqtt://127.0.0.1", "--units", "one"),
        ("find", "ftp://127.0.0.1"),
        ("find", "mqtt://127.0.0.1", "--plan", "not-there.toml"),
        ("find", "mqtt://127.0.0.1", "--seconds", "-1"),
    ],
)
def test_wrong_calls_are_answered_with_2(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert capsys.readouterr().err.startswith("ovenwright: ")
    assert list(tmp_path.iterdir()) == []


def test_units_are_read() -> None:
    assert find_command._units("3") == (3, 3)
    assert find_command._units("1-247") == (1, 247)


def test_every_answer_has_its_exit_code() -> None:
    assert set(check_command.EXIT) == {r.value for r in Readiness}
    assert check_command.EXIT["not ready"] == 1
    assert check_command.EXIT["ready with remarks"] == 0


def proved(readiness: Readiness = Readiness.NOT_READY) -> Proved:
    tau = TimeConstant(3.21, 0.05, 22.0, 0.03, 40)
    ice = FixedPoint("ice", "core", 0.0, 0.12, -0.12, 0.07, 2.0, 0.6, True)
    return Proved(
        Proof(
            readiness,
            channels=(
                ChannelProof("core", value_c=22.0, noise_k=0.03, interval_s=0.5, offset_k=0.1,
                             allowed_k=0.9, touched=True, turn=1, rise_k=9.0, time_constant=tau),
                ChannelProof("air", touched=False),
                ChannelProof("bath", fixed_point=ice),
            ),
            modules=(ModuleProof("gw7", battery=0.8, clock_offset_s=-0.01),),
            remarks=(Remark(Grade.FAULT, "touch", "did not react", "look at its plug", "air"),),
            checks=("touch",),
            seconds=30.0,
        ),
        title="Oven 3",
        remappings=(Remapping("gateway", "channels.gw/1", "left", "right"),),
        certificates={"core": "[channels.certificate]\n"},
    )  # fmt: skip


def test_people_see_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    show_proof(proved(), settings(), plan_file=Path("oven3.toml"))
    shown = capsys.readouterr().out
    assert "✗ air: did not react" in shown
    assert "look at its plug" in shown
    assert "channels.gw/1 should feed 'right', not 'left'" in shown
    assert "Not ready." in shown
    assert "ovenwright record" not in shown
    assert all(len(line) <= 80 for line in shown.splitlines())
    show_proof(proved(Readiness.READY), settings(), plan_file=Path("oven3.toml"))
    assert "Next: ovenwright record oven3.toml" in capsys.readouterr().out


def test_fahrenheit_is_shown_as_such(capsys: pytest.CaptureFixture[str]) -> None:
    show_proof(proved(), settings("F"), plan_file=Path("oven3.toml"))
    shown = capsys.readouterr().out
    assert "71.60" in shown  # 22 °C
    assert "°F" in shown


def test_what_was_touched_is_told_as_it_happens() -> None:
    assert event_words(TouchEvent(TouchKind.TOUCHED, "core", 5.0, 9.04, turn=2)) == (
        "2. core: rose by 9.0 K"
    )
    assert event_words(TouchEvent(TouchKind.WARMING, "core", 5.0, 1.0)) == ""
    together = TouchEvent(TouchKind.TOGETHER, "a", 5.0, 3.0, others=("b",))
    assert "one at a time" in event_words(together)
