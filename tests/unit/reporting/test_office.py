"""The lethality sheet's live formulas, recomputed by a real office program."""

import io
import shutil
import subprocess
from pathlib import Path

import openpyxl
import pytest

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.facts import Occasion, tell
from ovenwright.reporting.render import Form, render
from ovenwright.reporting.words import Shown


def office() -> str:
    found = shutil.which("soffice")
    if found is None:
        pytest.skip("needs LibreOffice: soffice not found")
    return found


@pytest.mark.needs_office
@pytest.mark.slow
@pytest.mark.parametrize("fahrenheit", [False, True])
def test_live_formulas_give_the_tools_number(
    verdict: Verdict, run: Run, plan: Plan, tmp_path: Path, fahrenheit: bool
) -> None:
    shown = Shown(fahrenheit=fahrenheit)
    document = tell(verdict, run, plan, shown, Occasion(0))
    raw = render(Form.XLSX, document, verdict, shown)
    # the cached values go, so that what comes back was computed by the office program
    book = openpyxl.load_workbook(io.BytesIO(raw))
    source = tmp_path / "report.xlsx"
    book.save(source)
    subprocess.run(
        [
            office(), f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to",
            "xlsx:Calc MS Excel 2007 XML", "--outdir", str(tmp_path / "out"), str(source),
        ],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    sheet = openpyxl.load_workbook(tmp_path / "out" / "report.xlsx", data_only=True)["Lethality"]
    own = float(verdict.results.build_up[0].total[-1]) / 60.0
    total, tools = float(sheet["B8"].value), float(sheet["B9"].value)
    assert tools == pytest.approx(own, rel=1e-12)
    # to the six decimals that the sheet shows
    assert round(total, 6) == pytest.approx(round(own, 6), abs=1.1e-6)
