"""What the live page costs: 64 channels × 4 Hz in a headless browser, with other viewers beside it.

Run: python benchmarks/live_page.py [--seconds 120] [--viewers 10] [--channels 64] [--hertz 4]

A writer process makes batches durable as a recorder does (eight modules, each at its own moment); the
real server tails the journal; Chromium shows the page; further viewers are sockets. Prints: CPU of the
browser's whole process tree and of the server as a share of one core, delay of each reading from just
before its commit to the frame that shows it, and memory at intervals with the slope of its last half.
Then the plain chart library alone, on a page of its own, drawing the same number of points as often.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

TICK = os.sysconf("SC_CLK_TCK")
ROOT = Path(__file__).parents[1]

# Wraps the socket and watches the list of channels: a reading is on the screen once the list has been
# changed after it came, and the frame with that change has been drawn.
WATCH = """
window.__delays = [];
let waiting = [];
const Plain = window.WebSocket;
window.WebSocket = class extends Plain {
  constructor(...a) {
    super(...a);
    this.addEventListener('message', (e) => {
      if (typeof e.data === 'string' || new DataView(e.data).getUint8(0) !== 1) return;
      const n = new DataView(e.data).getUint32(4, true);
      waiting.push(...new Float64Array(e.data, 32, n));
    });
  }
};
document.addEventListener('DOMContentLoaded', () => {
  new MutationObserver(() => {
    const shown = waiting;
    waiting = [];
    setTimeout(() => {
      const now = (performance.timeOrigin + performance.now()) / 1000;
      for (const t of shown) window.__delays.push(now - t);
    }, 0);
  }).observe(document.getElementById('tiles'), { characterData: true, subtree: true, childList: true });
});
"""


def write_journal(book: Path, channels: int, hertz: float, seconds: float, ahead_s: float) -> None:
    """Be the recorder: eight modules, each with its own moment, each batch one commit."""
    from ovenwright.domain.live import Reading
    from ovenwright.storage.journal import Journal, JournalHead

    names = [f"channel {i + 1}" for i in range(channels)]
    text = plan_text(names, hertz)
    started = time.time_ns() - round(ahead_s * 1e9)
    head = JournalHead("bench", "Load", tuple(names), text, started, interval_s=1 / hertz)
    modules = max(1, channels // 8)

    def value(i: int, t: float) -> float:
        return round(20 + 180 * (1 - math.exp(-t / 900)) + i + 2 * math.sin(t / 7 + i), 2)

    with Journal.create(book / "journals", head) as journal:
        past = int(ahead_s * hertz)
        for start in range(0, past, 20):
            batch = [
                Reading(
                    names[i],
                    started + round(k / hertz * 1e9),
                    started + round(k / hertz * 1e9),
                    value(i, k / hertz),
                )
                for k in range(start, min(start + 20, past))
                for i in range(channels)
            ]
            journal.append(batch, now_ns=batch[-1].time_ns)
        print("ready", flush=True)
        began, n = time.monotonic(), 0
        while time.monotonic() - began < seconds:
            tick, module = divmod(n, modules)
            due = began + tick / hertz + module / modules / hertz
            time.sleep(max(0.0, due - time.monotonic()))
            now, t = time.time_ns(), ahead_s + time.monotonic() - began
            mine = range(module * 8, min(module * 8 + 8, channels))
            journal.append([Reading(names[i], now, now, value(i, t)) for i in mine], now_ns=now)
            n += 1


def plan_text(names: list[str], hertz: float) -> str:
    head = (
        'title = "Load"\n[oven]\nkind = "tunnel"\nname = "oven"\nbelt_speed_m_min = 0.7\n'
        'belt_width_m = 2.0\n[[oven.zones]]\nname = "zone 1"\nlength_m = 24.0\n'
        f'[product]\nname = "loaf"\n[recording]\ninterval_s = {1 / hertz}\nload_in_s = 30.0\n'
    )
    roles = ("core", "surface", "air", "wall")
    return head + "\n".join(
        f'[[channels]]\nname = "{n}"\nsensor = "T"\nrole = "{roles[i % 4]}"\n'
        f'place = {{ lane = "{("left", "right")[i % 2]}" }}'
        for i, n in enumerate(names)
    )


def tree(pid: int) -> list[int]:
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rsplit(")", 1)[1].split()
            except OSError:
                continue
            parents.setdefault(int(fields[1]), []).append(int(entry.name))
    found, todo = [], [pid]
    while todo:
        one = todo.pop()
        found.append(one)
        todo += parents.get(one, [])
    return found


def cpu_s(pids: list[int]) -> float:
    total = 0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        total += int(fields[11]) + int(fields[12])
    return total / TICK


def pss_mb(pids: list[int]) -> float:
    total = 0
    for pid in pids:
        try:
            text = Path(f"/proc/{pid}/smaps_rollup").read_text()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
    return total / 1024


async def look_on(url: str, viewers: int, until: float, got: list[int]) -> None:
    import websockets

    async def one(i: int) -> None:
        async with websockets.connect(url, max_size=None) as socket:
            while time.monotonic() < until:
                try:
                    message = await asyncio.wait_for(socket.recv(), 1.0)
                except TimeoutError:
                    continue
                if isinstance(message, bytes) and message[0] == 1:
                    got[i] += int.from_bytes(message[4:8], "little")

    await asyncio.gather(*(one(i) for i in range(viewers)))


def browser(port: int) -> subprocess.Popen[bytes]:
    program = next(p for n in ("chromium", "google-chrome") if (p := shutil.which(n)))
    return subprocess.Popen(
        [
            program,
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            f"--remote-debugging-port={port}",
            f"--user-data-dir={tempfile.mkdtemp(prefix='live-page-')}",
            "about:blank",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def free_port() -> int:
    import socket

    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def first_line(process: subprocess.Popen[str]) -> str:
    if process.stdout is None:
        sys.exit("nothing is heard of it")
    return process.stdout.readline()


def connect(pw: Any, port: int) -> Any:
    for _ in range(100):
        try:
            return pw.chromium.connect_over_cdp(f"http://127.0.0.1:{port}")
        except Exception:  # noqa: BLE001  # it is coming up
            time.sleep(0.1)
    sys.exit("the browser did not come up")


def live(args: argparse.Namespace) -> None:
    folder = Path(tempfile.mkdtemp(prefix="live-page-"))
    words = [sys.executable, __file__, "--write", str(folder / "book")]
    words += ["--seconds", str(args.seconds + 60), "--channels", str(args.channels)]
    words += ["--hertz", str(args.hertz), "--ahead", str(args.ahead)]
    writer = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    first_line(writer)
    words = [sys.executable, "-m", "ovenwright.cli.main", "serve", "--port", "0", "--no-open"]
    words += ["--json", "--logbook", str(folder / "book")]
    server = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=folder)
    url = json.loads(first_line(server))["url"].rstrip("/")
    port = free_port()
    chromium = browser(port)
    try:
        with sync_playwright() as pw:
            page = connect(pw, port).contexts[0].new_page()
            page.set_viewport_size({"width": 1440, "height": 960})
            page.add_init_script(WATCH)
            opened = time.monotonic()
            page.goto(f"{url}/live/bench" + ("/wall" if args.wall else ""))
            while not page.evaluate("window.__delays.length"):
                page.wait_for_timeout(50)
            print(f"page open and first reading after {time.monotonic() - opened:.2f} s")
            heap = page.context.new_cdp_session(page)
            got = [0] * args.viewers
            until = time.monotonic() + args.seconds
            ws = url.replace("http", "ws", 1) + "/api/recordings/bench/live"
            others = threading.Thread(
                target=lambda: asyncio.run(look_on(ws, args.viewers, until, got))
            )
            others.start()
            page.wait_for_timeout(3000)
            measure(page, heap, chromium.pid, server.pid, until)
            others.join()
            rate = args.channels * args.hertz * args.seconds
            if got:
                print(
                    f"{args.viewers} further viewers: {min(got)} to {max(got)} readings of {rate:.0f}"
                )
    finally:
        for process in (chromium, server, writer):
            process.terminate()
            process.wait()
        shutil.rmtree(folder, ignore_errors=True)


def measure(page: Any, heap: Any, browser_pid: int, server_pid: int, until: float) -> None:
    pids, servers = tree(browser_pid), tree(server_pid)
    before, began = (cpu_s(pids), cpu_s(servers)), time.monotonic()
    delays: list[float] = []
    kept: list[tuple[float, float, float, float]] = []
    every = max(15.0, (until - began) / 24)  # each look makes the browser collect its garbage
    while time.monotonic() < until:
        page.wait_for_timeout(min(every, max(0.1, until - time.monotonic())) * 1000)
        delays += page.evaluate("window.__delays.splice(0)")
        heap.send("HeapProfiler.collectGarbage")
        used = heap.send("Runtime.getHeapUsage")["usedSize"] / 1e6
        kept.append((time.monotonic() - began, used, pss_mb(pids), pss_mb(servers)))
    lasted = time.monotonic() - began
    after = (cpu_s(pids), cpu_s(servers))
    found = np.array(delays) * 1000
    print(f"over {lasted:.0f} s:")
    print(f"  browser {100 * (after[0] - before[0]) / lasted:.1f} % of a core")
    print(f"  server {100 * (after[1] - before[1]) / lasted:.1f} % of a core")
    if len(found):
        p50, p95, p99 = np.percentile(found, [50, 95, 99])
        print(
            f"  commit to screen: median {p50:.0f} ms, 95 % {p95:.0f} ms, 99 % {p99:.0f} ms, "
            f"longest {found.max():.0f} ms, {len(found)} readings"
        )
    for at, js, browser_mb, server_mb in kept[:: max(1, len(kept) // 8)]:
        print(
            f"  after {at:5.0f} s: script heap {js:.1f} MB, browser {browser_mb:.0f} MB, "
            f"server {server_mb:.0f} MB"
        )
    half = np.array(kept[len(kept) // 2 :])
    if len(half) > 2:
        slopes = [np.polyfit(half[:, 0] / 3600, half[:, i], 1)[0] for i in (1, 2, 3)]
        print(
            "  growth of the last half, MB/h: script heap "
            f"{slopes[0]:+.1f}, browser {slopes[1]:+.1f}, server {slopes[2]:+.1f}"
        )


def chart_alone(args: argparse.Namespace) -> None:
    """Give the chart library the same points, as often as data comes, and nothing else to do."""
    built = ROOT / "frontend" / "node_modules" / "uplot" / "dist"
    folder = Path(tempfile.mkdtemp(prefix="live-page-"))
    for name in ("uPlot.iife.min.js", "uPlot.min.css"):
        shutil.copy(built / name, folder / name)
    points = 2400
    (folder / "alone.html").write_text(
        f"""<!doctype html><link rel=stylesheet href=uPlot.min.css><div id=c></div>
<script src=uPlot.iife.min.js></script><script>
const C={args.channels},N={points},H={args.hertz},x=[],y=Array.from({{length:C}},()=>[]);
const v=(i,t)=>20+180*(1-Math.exp(-t/900))+i+2*Math.sin(t/7+i);
let k=0; const add=()=>{{x.push(k/H);for(let i=0;i<C;i++)y[i].push(v(i,k/H));k++;
  if(x.length>N){{x.shift();for(const r of y)r.shift();}}}};
for(let j=0;j<N;j++)add();
const u=new uPlot({{width:1220,height:380,legend:{{show:false}},scales:{{x:{{time:false}}}},
  series:[{{}},...y.map((_,i)=>({{stroke:'hsl('+i*37+' 70% 40%)',width:1.6,points:{{show:false}}}}))]}},
  [x,...y],document.getElementById('c'));
setInterval(()=>{{add();u.setData([x,...y]);}},1000/H);</script>"""
    )
    port = free_port()
    chromium = browser(port)
    try:
        with sync_playwright() as pw:
            page = connect(pw, port).contexts[0].new_page()
            page.set_viewport_size({"width": 1440, "height": 960})
            page.goto((folder / "alone.html").as_uri())
            page.wait_for_timeout(3000)
            pids, began = tree(chromium.pid), time.monotonic()
            before = cpu_s(pids)
            page.wait_for_timeout(args.alone * 1000)
            lasted = time.monotonic() - began
            print(
                f"the chart library alone, {args.channels} × {points} points at {args.hertz:g} Hz: "
                f"{100 * (cpu_s(pids) - before) / lasted:.1f} % of a core, {pss_mb(pids):.0f} MB"
            )
    finally:
        chromium.terminate()
        chromium.wait()
        shutil.rmtree(folder, ignore_errors=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--viewers", type=int, default=10)
    parser.add_argument("--channels", type=int, default=64)
    parser.add_argument("--hertz", type=float, default=4.0)
    parser.add_argument("--ahead", type=float, default=900.0, help="seconds recorded before")
    parser.add_argument("--alone", type=float, default=30.0, help="seconds of the chart alone")
    parser.add_argument("--wall", action="store_true", help="the wall view instead of the page")
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.write is not None:
        write_journal(args.write, args.channels, args.hertz, args.seconds, args.ahead)
        return
    live(args)
    if args.alone > 0:
        chart_alone(args)


if __name__ == "__main__":
    main()
