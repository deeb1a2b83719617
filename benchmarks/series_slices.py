"""Opening and zooming a run of 64 channels, 8 h, 4 Hz (7.4 M readings).

Wanted: first picture on the page in 0.8 s, a zoom in 150 ms. Prints what the server takes alone
(reading from the sealed file, thinning, packing), then both in a real browser where Chromium is
there. Run: python benchmarks/series_slices.py [FOLDER to keep the run in]
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright.domain.run import NS, Run, Series
from ovenwright.storage.logbook import Logbook
from ovenwright.web.slices import encode
from ovenwright.workflow.slicing import OpenedRuns, slice_run

CHANNELS, SAMPLES, INTERVAL_S = 64, 115_200, 0.25
FIRST_S, ZOOM_S = 0.8, 0.15
NAME = "large"
PLAN = """
format = 1
title = "Eight hours, 64 places"
[oven]
kind = "chamber"
name = "chamber"
width_m = 2.0
depth_m = 2.0
height_m = 2.0
setpoint_c = 200.0
[product]
name = "empty"
[recording]
interval_s = 0.25
"""


def made(folder: Path) -> Logbook:
    """Return a logbook with the large run in it, made unless it is there."""
    book = Logbook(folder)
    if NAME in book.run_ids():
        return book
    rng = np.random.default_rng(1)
    t = np.arange(SAMPLES) * INTERVAL_S
    time_ns = 1_772_000_000 * NS + np.round(t * NS).astype(np.int64)
    quality = np.zeros(SAMPLES, np.uint8)
    series = {}
    plan = PLAN
    for k in range(CHANNELS):
        swing = 3.0 * np.sin(t / (300 + 5 * k))
        value = 25 + 175 * (1 - np.exp(-t / (900 + 20 * k))) + swing + rng.normal(0, 0.15, SAMPLES)
        series[f"place {k + 1}"] = Series(time_ns, np.round(value, 2), quality)
        plan += (
            f'[[channels]]\nname = "place {k + 1}"\nsensor = "K"\nrole = "air"\n'
            f"place = {{ x_m = {0.1 + 0.25 * (k % 8):g}, y_m = {0.1 + 0.25 * (k // 8):g}, z_m = 1.0 }}\n"
        )
    plan += (
        '[[requirements]]\nname = "hot enough"\nmeasure = "max_temperature"\non = "air"\n'
        "at_least = 190.0\n"
    )
    book.seal(Run(NAME, series, title="eight hours", plan_toml=plan))
    return book


def server_alone(book: Logbook) -> None:
    """Print what slices take without a network or a page."""
    cold, warm, zoom, sizes = [], [], [], []
    length = SAMPLES * INTERVAL_S
    for _ in range(3):
        opened = OpenedRuns()
        began = time.perf_counter()
        content = encode(slice_run(book, NAME, opened, points=470))
        cold.append(time.perf_counter() - began)
        began = time.perf_counter()
        encode(slice_run(book, NAME, opened, points=470))
        warm.append(time.perf_counter() - began)
        for k in range(10):
            a = length * (0.05 + 0.08 * k)
            for span in (3600.0, 60.0, 1.0):
                began = time.perf_counter()
                part = encode(
                    slice_run(book, NAME, opened, from_s=a, to_s=a + span, points=1000, around=True)
                )
                zoom.append(time.perf_counter() - began)
                sizes.append(len(part))
    print(f"server, cold: {1e3 * min(cold):6.0f} ms, {len(content) / 1e3:.0f} kB")
    print(f"server, warm: {1e3 * min(warm):6.0f} ms")
    print(f"server, zoom: {1e3 * statistics.median(zoom):6.1f} ms median, "
          f"{1e3 * max(zoom):.1f} worst, up to {max(sizes) / 1e3:.0f} kB")  # fmt: skip
    print(f"kept decoded: {opened.held_bytes / 1e6:6.0f} MB")


def in_a_browser(book: Logbook) -> bool:
    """Print what a person waits; return whether both are as wanted."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        print("no Chromium here: the browser's share was not measured")
        return True
    words = [str(Path(sys.executable).with_name("ovenwright")), "serve", "--port", "0"]
    words += ["--no-open", "--json", "--logbook", str(book.folder)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as server:
        address = json.loads(server.stdout.readline() if server.stdout else "")["url"]
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(
                    executable_path=program, args=["--no-sandbox", "--disable-gpu"]
                )
                page = browser.new_page(viewport={"width": 1280, "height": 900})
                page.goto(address)  # the program is up; the run was never opened yet
                first = [_first_picture(page, f"{address}runs/{NAME}") for _ in range(4)]
                # the judging that began with the first visit is work of its own
                while page.evaluate("document.getElementById('result').dataset.state") != "ready":
                    page.wait_for_timeout(200)
                page.wait_for_timeout(1500)
                again = [_first_picture(page, f"{address}runs/{NAME}") for _ in range(4)]
                page.wait_for_timeout(1000)
                zooms = [_zoom(page, share) for share in (0.3, 0.5, 0.2, 0.6, 0.35, 0.3, 0.4, 0.5)]
                browser.close()
        finally:
            server.terminate()
    print(f"browser, first picture while it is judged: {_ms(first)} (the first one cold)")
    print(f"browser, first picture afterwards:         {_ms(again)}")
    print(f"browser, zoom, asked to painted:           {_ms(zooms)}")
    return first[0] <= FIRST_S and max(again) <= FIRST_S and statistics.median(zooms) <= ZOOM_S


def _ms(found: list[float]) -> str:
    return " ".join(f"{1e3 * s:.0f}" for s in found) + " ms"


def _first_picture(page: Any, address: str) -> float:
    page.goto(address, wait_until="commit")
    for _ in range(2000):
        painted = page.evaluate("document.querySelector('#history')?.dataset.painted ?? ''")
        if painted:
            return float(painted) / 1e3
        page.wait_for_timeout(10)
    raise SystemExit("no picture came")


ZOOM = """share => new Promise(done => {
  const root = document.querySelector('#history .curves');
  const before = root.dataset.finer ?? '';
  const over = root.querySelector('.u-over');
  const box = over.getBoundingClientRect();
  const began = performance.now();
  const watch = new MutationObserver(() => {
    if ((root.dataset.finer ?? '') === before) return;
    watch.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began)));
  });
  watch.observe(root, { attributes: true });
  over.dispatchEvent(new WheelEvent('wheel', { deltaY: -120, ctrlKey: true, bubbles: true,
    cancelable: true, clientX: box.left + box.width * share }));
})"""


def _zoom(page: Any, share: float) -> float:
    return float(page.evaluate(ZOOM, share)) / 1e3


def _slowdown() -> float:
    """Return how much longer than alone work takes on this machine just now."""
    began, used = time.perf_counter(), time.process_time()
    while time.process_time() - used < 0.3:
        pass
    return (time.perf_counter() - began) / 0.3


def main() -> None:
    """Measure in the folder given, or in one that is removed afterwards."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, help="to keep the run in")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as temp:
        book = made(chosen.folder or Path(temp) / "book")
        slow = [_slowdown()]
        server_alone(book)
        slow.append(_slowdown())
        good = in_a_browser(book)
        slow.append(_slowdown())
    told = ", ".join(f"{s:.1f}" for s in slow)
    print(f"work took {told} times as long as on a machine with nothing else to do")
    print("ok" if good else "TOO SLOW")


if __name__ == "__main__":
    main()
