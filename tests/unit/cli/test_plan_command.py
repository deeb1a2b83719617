"""The plan verb as a person and as a machine call it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ovenwright.cli.main import main
from ovenwright.storage.presets import ORDER, read_preset


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_presets_are_listed_both_ways(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "presets"]) == 0
    shown = capsys.readouterr().out
    assert all(name in shown for name in ORDER)
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert main(["plan", "new", "--list", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)["presets"]
    assert [p["id"] for p in facts] == list(ORDER)
    assert all(p["for"] and p["sources"] and p["cautions"] for p in facts)


def test_new_writes_and_never_overwrites(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "new", "bun"]) == 0
    assert "must be validated" in " ".join(capsys.readouterr().out.split())
    written = Path("bun.toml").read_text(encoding="utf-8")
    assert written == read_preset("bun").text
    Path("bun.toml").write_text("mine", encoding="utf-8")
    assert main(["plan", "new", "bun"]) == 2
    assert "--force" in capsys.readouterr().err
    assert Path("bun.toml").read_text(encoding="utf-8") == "mine"
    assert main(["plan", "new", "bun", "--force", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["file"] == "bun.toml"
    assert Path("bun.toml").read_text(encoding="utf-8") == written


def test_new_answers_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "new", "pizza"]) == 2
    assert "tin-bread" in capsys.readouterr().err
    assert main(["plan", "new"]) == 2
    assert "plan presets" in capsys.readouterr().err
    assert main(["plan", "new", "bun", "-o", "no/such/folder.toml"]) == 2
    assert "folder" in capsys.readouterr().err
    assert main(["plan", "new", "bun", "-o", "-"]) == 0
    assert capsys.readouterr().out == read_preset("bun").text
    assert not list(Path().iterdir())


@pytest.mark.parametrize("name", ORDER)
def test_every_preset_passes_the_check(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "new", name]) == 0
    capsys.readouterr()
    assert main(["plan", "check", f"{name}.toml"]) == 0, capsys.readouterr().out
    assert "no faults" in " ".join(capsys.readouterr().out.split())


def test_check_tells_all_faults_of_all_files(capsys: pytest.CaptureFixture[str]) -> None:
    text = read_preset("bun").text
    bad = text.replace("moisture = 0.38", "moisture = 38").replace("time_to", "tim_to")
    bad = bad.replace('kinetics = "bun_salm"', 'kinetics = "bun_sam"')
    Path("bad.toml").write_text(bad, encoding="utf-8")
    Path("good.toml").write_text(text, encoding="utf-8")
    assert main(["plan", "check", "bad.toml", "good.toml", "--json"]) == 2
    facts = json.loads(capsys.readouterr().out)
    assert facts["ok"] is False
    assert [p["ok"] for p in facts["plans"]] == [False, True]
    faults = facts["plans"][0]["faults"]
    lines = bad.splitlines()
    assert [lines[f["line"] - 1].split(" = ")[0] for f in faults] == [
        "moisture",
        "parameters",
        "measure",
    ]
    assert all(f["remedy"] for f in faults)
    assert main(["plan", "--json", "check", "bad.toml"]) == 2
    assert json.loads(capsys.readouterr().out)["ok"] is False
    assert main(["plan", "check", "bad.toml"]) == 2
    shown = " ".join(capsys.readouterr().out.split())
    assert "bad.toml: 3 faults" in shown
    assert "time_to" in shown
    assert main(["plan", "check", "none.toml"]) == 2
    assert "no such plan file" in capsys.readouterr().err


def test_advise_both_ways(capsys: pytest.CaptureFixture[str]) -> None:
    Path("loaf.toml").write_text(read_preset("tin-bread").text, encoding="utf-8")
    assert main(["plan", "advise", "loaf.toml"]) == 0
    shown = capsys.readouterr().out
    assert max(len(line) for line in shown.splitlines()) <= 80
    words = " ".join(shown.split())
    assert "Read every 2.5 s" in words
    assert "Rule change decided, on air left" in words
    assert "1,351 rows of 8 channels" in words
    assert main(["plan", "advise", "loaf.toml", "--json", "--error-k", "0.1"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert facts["rule"] == "sensor" or facts["worked_out_s"] < 2.0
    assert facts["size"]["readings"] == 10_808
    assert main(["plan", "advise", "loaf.toml", "--error-k", "0"]) == 2
    assert "error_k" in capsys.readouterr().err


def test_schema_is_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["additionalProperties"] is False
    assert "zones" in schema["$defs"]["TunnelOven"]["properties"]
