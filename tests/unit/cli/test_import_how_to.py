"""The how-to names every option that there is, and a refusal reads as shown."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from ovenwright.cli.import_command import add_arguments
from ovenwright.cli.main import main

PAGE = Path(__file__).parents[3] / "docs" / "how-to" / "bring-in-readings.md"


def options() -> list[str]:
    parser = argparse.ArgumentParser(add_help=False)
    add_arguments(parser)
    return [o for a in parser._actions for o in a.option_strings if o.startswith("--")]


@pytest.mark.parametrize("option", [o for o in options() if o != "--title"])
def test_every_option_is_in_the_how_to(option: str) -> None:
    assert f"{option}" in PAGE.read_text(encoding="utf-8")


def test_the_refusal_reads_as_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bake.csv").write_text("Time (s),T (°C)\n0,20\n1,21\nsoon,22\n3,23\n", encoding="utf-8")
    assert main(["import", "bake.csv"]) == 2
    assert capsys.readouterr().err.strip() in PAGE.read_text(encoding="utf-8")
