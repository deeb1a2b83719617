"""Operator view on a phone: pick, check, start; it stops by rule; one word, and what to do next."""

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]
SPEED = 120.0
PROGRAM = str(Path(sys.executable).with_name("ovenwright"))


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextmanager
def _broker(folder: Path) -> Iterator[int]:
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        pytest.skip("needs mosquitto")
    port = _free_port()
    config = folder / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_dest none\n")
    process = subprocess.Popen([program, "-c", str(config)])
    try:
        for _ in range(100):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
                break
            except OSError:
                time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait(10)


@contextmanager
def _oven(port: int) -> Iterator[None]:
    process = subprocess.Popen(
        [
            PROGRAM, "virtual-oven", "--serve", f"mqtt://127.0.0.1:{port}",
            "--scenario", "tin-bread-sound", "--speed", str(SPEED), "--rounds", "0", "--json",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


def test_from_plan_to_verdict_on_a_phone(
    tmp_path: Path,
    served: Callable[[Path], str],
    open_page: Callable[..., Page],
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
) -> None:
    book = tmp_path / "line"
    with _broker(tmp_path) as port:
        text = subprocess.run(
            [
                PROGRAM, "virtual-oven", "--serve", f"mqtt://127.0.0.1:{port}",
                "--scenario", "tin-bread-sound", "--print-plan",
            ],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        # the rule counts on the clock of the recorder, the oven's runs SPEED times as fast
        text = text.replace(
            "duration_s = 2640.0", f"duration_s = 2640.0\nstop = {{ after_s = {2640.0 / SPEED} }}"
        )
        address = served(book)
        with _oven(port):
            kept = open_page(address + "/plans", width="phone")
            made = kept.evaluate(
                """async (text) => {
                  const token = document.querySelector('meta[name="form-token"]').content;
                  const answer = await fetch('/api/plans', {method: 'POST', body: JSON.stringify({source: 'text', text}),
                    headers: {'content-type': 'application/json', 'x-form-token': token}});
                  return [answer.status, await answer.text()];
                }""",
                text,
            )
            assert made[0] in {200, 201}, made
            page = open_page(address + "/operator", width="phone")
            accessible(page)
            shoot(page, "operator-pick-phone")
            page.get_by_role("link", name="Rye tin loaf").click()
            accessible(page)
            page.get_by_role("button", name="Check the sensors").click()
            expect(page.locator("#operator-now")).to_contain_text("Checking the sensors")
            expect(page.locator("#operator-now")).to_contain_text("of 8 sensors are heard")
            shoot(page, "operator-checking-phone")
            go = page.get_by_role("button", name="Start", exact=False).first
            expect(go).to_be_visible(timeout=60_000)
            shoot(page, "operator-checked-phone")
            accessible(page)
            go.click()
            expect(page.locator("#operator-now")).to_contain_text("● Recording", timeout=30_000)
            shoot(page, "operator-recording-phone")
            accessible(page)
            page.get_by_role("button", name="Door").click()
            expect(page.locator("#verdict")).to_be_visible(timeout=120_000)
            word = page.locator("#verdict").inner_text().split()[-1]
            assert word in {"PASS", "FAIL", "UNDECIDED"}
            shoot(page, "operator-verdict-phone")
            accessible(page)
            whole = page.get_by_role("link", name="The whole result")
            whole.click()
            expect(page.locator("main")).to_contain_text(word.lower(), ignore_case=True)
