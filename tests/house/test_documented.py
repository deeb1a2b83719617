"""The reference is made from the declarations, and everything declared is in it."""

import subprocess
import sys
from pathlib import Path

import pytest

from ovenwright.cli.main import VERBS
from ovenwright.config import TABLE

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "docs" / "reference"


def test_generated_pages_are_what_the_code_declares() -> None:
    done = subprocess.run(
        [sys.executable, "docs/generate.py", "--check"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"run: python docs/generate.py\n{done.stdout}{done.stderr}"


@pytest.mark.parametrize("verb", [v.name for v in VERBS])
def test_every_verb_is_documented(verb: str) -> None:
    assert f"## ovenwright {verb}\n" in (REFERENCE / "command-line.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("setting", [s.name for s in TABLE])
def test_every_setting_is_documented(setting: str) -> None:
    assert f"| `{setting}` |" in (REFERENCE / "settings.md").read_text(encoding="utf-8")


def test_links_in_the_docs_lead_somewhere() -> None:
    import re

    broken = []
    for page in [ROOT / "README.md", ROOT / "CHANGELOG.md", *(ROOT / "docs").rglob("*.md")]:
        text = re.sub(r"```.*?```|`[^`\n]*`", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
            if target.startswith(("http:", "https:", "mailto:")):
                continue
            if not (page.parent / target).exists():
                broken.append(f"{page.relative_to(ROOT)}: {target}")
    assert broken == []
