"""Sensors in a browser over MQTT: an unknown module is listed, a swapped pair is found and put right."""

import re
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
PROGRAM = str(Path(sys.executable).with_name("ovenwright"))
PATIENCE_MS = 150_000


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
def _bench(address: str) -> Iterator[None]:
    """Serve the bench on which somebody put two plugs into each other's sockets."""
    process = subprocess.Popen(
        [
            PROGRAM,
            "virtual-oven",
            "--serve",
            address,
            "--scenario",
            "touch-bench-swapped",
            "--json",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


def _bench_plan(address: str) -> str:
    return subprocess.run(
        [
            PROGRAM, "virtual-oven", "--serve", address,
            "--scenario", "touch-bench-swapped", "--print-plan",
        ],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip


def _keep(page: Page, text: str) -> str:
    made = page.evaluate(
        """async (text) => {
          const token = document.querySelector('meta[name="form-token"]').content;
          const answer = await fetch('/api/plans', {method: 'POST',
            body: JSON.stringify({source: 'text', text}),
            headers: {'content-type': 'application/json', 'x-form-token': token}});
          return [answer.status, await answer.json()];
        }""",
        text,
    )
    assert made[0] == 201, made
    return str(made[1]["plan"])


def test_unknown_module_is_listed_and_a_swapped_pair_is_found(
    tmp_path: Path,
    served: Callable[[Path], str],
    open_page: Callable[..., Page],
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
) -> None:
    with _broker(tmp_path) as port:
        broker = f"mqtt://127.0.0.1:{port}"
        site = served(tmp_path / "line")
        page = open_page(site + "/sensors")
        accessible(page)
        plan = _keep(page, _bench_plan(broker))
        page.reload()
        accessible(page)
        shoot(page, "sensors-desk-light")
        with _bench(broker):
            page.get_by_role("link", name=re.compile("^Check ")).click()
            accessible(page)
            page.get_by_role("button", name="Begin the touch check").click()
            expect(page.locator("#say-now")).to_be_visible(timeout=PATIENCE_MS)
            expect(page.locator("#say-now")).to_contain_text("Hands off", timeout=PATIENCE_MS)
            onlooker = open_page(f"{site}/sensors/{plan}", width="phone", scheme="dark")
            expect(page.locator(".sensed .warm")).to_be_visible(timeout=PATIENCE_MS)
            shoot(page, "sensors-touch-desk-light")
            shoot(onlooker, "sensors-touch-phone-dark")
            accessible(onlooker)
            # the plan's order says middle, and right moves: told while it happens
            expect(page.locator(".turns .turn-other").first).to_be_visible(timeout=PATIENCE_MS)
            accessible(page)
            page.set_viewport_size({"width": 1920, "height": 1080})
            shoot(page, "sensors-touch-wall-light")
            page.set_viewport_size({"width": 1280, "height": 900})
            onlooker.close()
            page.goto("about:blank")  # a check goes on without its page
            page.goto(f"{site}/sensors/{plan}")
            expect(page.locator("#readiness")).to_be_visible(timeout=PATIENCE_MS)
            expect(page.locator("#readiness")).to_contain_text("not ready")
            expect(page.locator("main")).to_contain_text("middle and right are swapped")
            expect(page.locator("table", has_text="time constant").first).to_contain_text("±")
            accessible(page)
            shoot(page, "sensors-proof-desk-light")

            page.goto(f"{site}/sensors")
            page.get_by_label("Address of an instrument").fill(broker)
            page.get_by_label("Seconds").fill("4")
            page.get_by_role("button", name="Listen", exact=True).click()
            expect(page.get_by_role("heading", name="Let a plan read it")).to_be_visible(
                timeout=PATIENCE_MS
            )
            expect(page.locator("main")).to_contain_text("module")
            accessible(page)

        _publish(port)
        page.goto(f"{site}/sensors")
        page.get_by_label("Address of an instrument").fill(broker)
        page.get_by_label("Seconds").fill("3")
        page.get_by_label("Hold it against").select_option(plan)
        page.get_by_role("button", name="Listen", exact=True).click()
        expect(page.locator("#unknown")).to_contain_text("unknown to the plan", timeout=PATIENCE_MS)
        expect(page.locator("main")).to_contain_text("stray")
        expect(page.locator("#silent")).to_contain_text("4 expected and silent")
        accessible(page)
        shoot(page, "sensors-heard-desk-light")
        page.set_viewport_size({"width": 360, "height": 780})
        accessible(page)
        shoot(page, "sensors-heard-phone-light")

        # let the plan follow the plugs
        page.set_viewport_size({"width": 1280, "height": 900})
        page.goto(f"{site}/sensors/{plan}")
        page.get_by_role("button", name="Let the plan follow the plugs").click()
        expect(page.locator("main")).to_contain_text("Kept as version 2 of the plan")
        expect(page.locator("main")).to_contain_text("Nothing was proved of this plan as it is now")


def _publish(port: int) -> None:
    from paho.mqtt import publish

    publish.single(
        "plant/stray",
        '{"value": 23.5, "unit": "degC"}',
        retain=True,
        hostname="127.0.0.1",
        port=port,
    )
