"""Fixed points in a browser over MQTT: ice, boiling water, records kept, used by the next run judged."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

PATIENCE_MS = 150_000
SPEED = "8"  # the gateway's stamps run along
NAMES = ("left", "middle", "right", "spare")
ENOUGH = 4 * 4 * 40  # forty seconds of the record, four channels four times a second
ASKED = """
[[requirements]]
name = "no warmer than the ice allows"
measure = "max_temperature"
on = "ambient"
at_most = 1.0
"""


def test_ice_and_boiling_water_become_records_that_decide(  # noqa: PLR0917
    tmp_path: Path,
    broker: int,
    virtual_oven: Callable[..., AbstractContextManager[None]],
    plan_for: Callable[[str, str], str],
    keep_plan: Callable[[Page, str], str],
    served: Callable[[Path], str],
    open_page: Callable[..., Page],
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
) -> None:
    address = f"mqtt://127.0.0.1:{broker}"
    site = served(tmp_path / "line")
    page = open_page(site + "/sensors")
    text = plan_for(address, "ice-bath").replace(
        "duration_s = 300.0",
        "duration_s = 300.0\nload_in_s = 1.0\nload_out_s = 20.0",
    )
    plan = keep_plan(page, text + ASKED)
    page.goto(f"{site}/sensors/{plan}")

    truth = {bath: tmp_path / f"{bath}.json" for bath in ("ice", "boiling")}
    for bath, button in (("ice", "Check in ice"), ("boiling", "Check in boiling water")):
        words = ["--scenario", f"{bath}-bath", "--speed", SPEED, "--truth", str(truth[bath])]
        with virtual_oven(address, *words):
            page.get_by_role("button", name=button, exact=True).click()
            expect(page.locator("#say-now")).to_be_visible(timeout=PATIENCE_MS)
            shoot(page, f"sensors-{bath}-desk-light")
            accessible(page)
            if _enough_came(page, site):  # else it was over by itself first, on a slow machine
                page.get_by_role("button", name="That is enough").click()
            else:
                page.reload()
            expect(page.locator("#readiness")).to_contain_text("ready", timeout=PATIENCE_MS)
        expect(page.locator("#readiness")).not_to_contain_text("not ready")
        accessible(page)
        _corrections_are_true(page.locator("table", has_text="within its class"), truth[bath])
    # at 98.2 kPa water boils at 99.10 °C (IAPWS-IF97 region 4; 99.97 °C at 101.325 kPa)
    expect(page.locator("section", has_text="Calibration records this check")).to_contain_text(
        "99.10"
    )
    shoot(page, "sensors-boiling-proof-desk-light")

    for name in NAMES:
        page.get_by_label(f"take over the record of {name}").first.check()
    page.get_by_role("button", name="Take over the chosen records").click()
    expect(page.locator("main")).to_contain_text("Kept as version 2 of the plan")
    records = page.locator("section", has=page.locator("#records"))
    for name in NAMES:
        expect(records).to_contain_text(name)
    accessible(page)
    shoot(page, "sensors-records-desk-light")
    kept = page.request.get(f"{site}/api/plans/{plan}").json()["text"]
    for channel in tomllib.loads(kept)["channels"]:
        points = channel["certificate"]["points"]
        assert [round(p["at_c"] + p["correction_k"], 2) for p in points] == [0.0, 99.10]

    page.goto(f"{site}/live")
    page.get_by_label("Plan", exact=True).select_option(plan)
    page.get_by_role("button", name="Start recording").click()
    page.wait_for_url("**/live/2*", timeout=PATIENCE_MS)
    with virtual_oven(address, "--scenario", "ice-bath", "--speed", SPEED):
        _kept_enough(page)
        page.locator(".ending summary").click()
        page.get_by_role("button", name="Stop and seal").click()
        link = page.get_by_role("link", name="See the result")
        expect(link).to_be_visible(timeout=PATIENCE_MS)
    run = page.url.rsplit("/", 1)[1]
    link.click()
    expect(page.locator("main")).to_contain_text("no warmer than the ice allows")
    expect(page.get_by_role("heading", name="pass", exact=True)).to_be_visible(timeout=PATIENCE_MS)
    accessible(page)

    # the same readings without the records: what the class leaves open decides nothing, or fails
    (tmp_path / "before.toml").write_text(text + ASKED)
    (tmp_path / "after.toml").write_text(kept)
    assert _judged(tmp_path, run, "before.toml")["verdict"] != "pass"
    assert _judged(tmp_path, run, "after.toml")["verdict"] == "pass"


def _enough_came(page: Page, site: str) -> bool:
    """Wait for enough readings; say whether the check still goes on then."""
    for _ in range(int(PATIENCE_MS / 250)):
        (now, *_) = page.request.get(f"{site}/api/checks").json()
        if now["state"] != "running":
            return False
        if now["readings"] >= ENOUGH:
            return True
        page.wait_for_timeout(250)
    raise AssertionError("the bench gave too few readings")


def _kept_enough(page: Page) -> None:
    for _ in range(int(PATIENCE_MS / 250)):
        if int(re.sub(r"\D", "", page.locator("#safe").inner_text()) or 0) >= ENOUGH:
            return
        page.wait_for_timeout(250)
    raise AssertionError("too few readings were kept")


def _corrections_are_true(table: Any, truth: Path) -> None:
    """Hold each correction of the page against what the bench says it felt and showed."""
    told = json.loads(truth.read_text())
    scans = told["scans"][-200:]
    for i, channel in enumerate(told["channels"]):
        felt = sum(s["true_c"][i] for s in scans) / len(scans)
        shown = sum(s["shown_c"][i] for s in scans) / len(scans)
        row = table.locator("tr", has=table.page.get_by_role("rowheader", name=channel["name"]))
        cells = [c.replace("−", "-") for c in row.first.locator("td.n").all_inner_texts()]
        found, spread = float(cells[2]), float(cells[3])
        assert found == pytest.approx(felt - shown, abs=max(spread, 0.05)), channel["name"]


def _judged(folder: Path, run: str, plan: str) -> dict[str, Any]:
    words = ["judge", run, "--plan", str(folder / plan), "--logbook", str(folder / "line")]
    answer = subprocess.run(
        [sys.executable, "-m", "ovenwright.cli.main", *words, "--json"],
        check=False,
        capture_output=True,
        text=True,
        cwd=folder,
    )
    found: dict[str, Any] = json.loads(answer.stdout)
    return found
