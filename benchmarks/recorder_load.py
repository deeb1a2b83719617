"""One recorder under 64 modules × 8 channels × 4 Hz over MQTT, and the ceilings beside it.

Run: python benchmarks/recorder_load.py [--seconds 60]   (needs mosquitto)

Prints: CPU of the recorder as a share of one core, its memory over the time and the slope of its last
third (the memory for repeats fills up in the first five minutes), delay from the instrument's time to
the commit and to a reader that follows the journal; then what the recorder takes from a source in
the same process, what the journal takes alone, and what SQLite takes of the same bytes without a
journal around it.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright.domain.live import Batch, Reading, Stopping
from ovenwright.recording.pace import Pace
from ovenwright.recording.recorder import Recorder
from ovenwright.recording.steady_clock import SteadyClock, SystemClock
from ovenwright.storage.journal import Journal, JournalHead, journal_files
from ovenwright.storage.journal_frames import FrameKind, pack_readings
from ovenwright.storage.journal_reading import JournalReader
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan

MODULES, WIDTH, HERTZ = 64, 8, 4
CHANNELS = [f"m{m}c{c}" for m in range(MODULES) for c in range(WIDTH)]
TICK = os.sysconf("SC_CLK_TCK")


def plan_text(port: int) -> str:
    lines = [
        'title = "Load"\n[oven]\nkind = "chamber"\nname = "o"\nwidth_m = 1.0\ndepth_m = 1.0',
        'height_m = 1.0\n[product]\nname = "p"\n[recording]\ninterval_s = 0.25',
        f'[[instruments]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}',
        'topic = "plant/{module}/t"\nclient_id = "load"',
        '[instruments.payload]\nvalue = "t[{channel}]"\ntime = "ts"\ntime_form = "ns"',
        'sequence = "seq"\n[instruments.channels]',
    ]
    lines += [f'"g{m}/{c}" = "m{m}c{c}"' for m in range(MODULES) for c in range(WIDTH)]
    lines += [f'[[channels]]\nname = "{c}"\nsensor = "T"\nrole = "air"' for c in CHANNELS]
    return "\n".join(lines)


def start_broker(folder: Path) -> tuple[subprocess.Popen[bytes], int]:
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        sys.exit("needs mosquitto")
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = int(s.getsockname()[1])
    config = folder / "broker.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_dest none\n"
        "max_queued_messages 0\nmax_inflight_messages 2000\n"
    )
    process = subprocess.Popen([program, "-c", str(config)])
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
            break
        except OSError:
            time.sleep(0.02)
    return process, port


def publish(port: int, until: float) -> None:
    """Speak as 64 modules do, each at its own moment within the quarter second."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    step = 1 / HERTZ / MODULES
    began, k = time.monotonic(), 0
    while time.monotonic() < until:
        facts = {
            "seq": k // MODULES,
            "ts": time.time_ns(),
            "t": [round(100 + k / 1e4 + i / 8, 2) for i in range(WIDTH)],
        }
        client.publish(f"plant/g{k % MODULES}/t", json.dumps(facts), qos=1)
        k += 1
        time.sleep(max(0.0, began + k * step - time.monotonic()))
    time.sleep(0.5)
    client.disconnect()
    client.loop_stop()
    print(json.dumps({"published": k * WIDTH}), flush=True)


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def rss_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return float("nan")


def follow(
    folder: Path, over: threading.Event, delays: dict[str, list[np.ndarray[Any, Any]]]
) -> None:
    while not journal_files(folder):
        time.sleep(0.05)
    (files,) = journal_files(folder)
    with JournalReader(files) as reader:
        seq = 0
        while not over.wait(0.02):
            for entry in reader.tail(seq):
                seq = entry.seq
                if entry.frame.kind is not FrameKind.READINGS:
                    continue
                times = entry.frame.rows["time_ns"]
                delays["commit begins"].append((entry.frame.received_ns - times) / 1e6)
                delays["visible"].append((time.time_ns() - times) / 1e6)


def over_mqtt(seconds: float) -> None:
    folder = Path(tempfile.mkdtemp(prefix="load-"))
    broker, port = start_broker(folder)
    (folder / "plan.toml").write_text(plan_text(port))
    ow = [sys.executable, "-m", "ovenwright.cli.main", "record", str(folder / "plan.toml")]
    recorder = subprocess.Popen(
        [*ow, "--logbook", str(folder / "book"), "--json"], stdout=subprocess.PIPE, text=True
    )
    events: list[dict[str, Any]] = []
    reading = threading.Thread(
        target=lambda: events.extend(json.loads(line) for line in recorder.stdout or ())
    )
    reading.start()
    over = threading.Event()
    delays: dict[str, list[np.ndarray[Any, Any]]] = {"commit begins": [], "visible": []}
    follower = threading.Thread(target=follow, args=(folder / "book" / "journals", over, delays))
    try:
        while not any(e.get("kind") == "connected" for e in events):
            time.sleep(0.05)
        follower.start()
        speaker = subprocess.Popen(
            [sys.executable, __file__, "--publish", str(port), "--seconds", str(seconds)],
            stdout=subprocess.PIPE,
            text=True,
        )
        time.sleep(3)
        began, cpu = time.monotonic(), cpu_s(recorder.pid)
        memory = []
        while speaker.poll() is None:
            memory.append(rss_mb(recorder.pid))
            time.sleep(1.0)
        share = (cpu_s(recorder.pid) - cpu) / (time.monotonic() - began)
        published = json.loads(speaker.communicate()[0])["published"]
        time.sleep(1.0)
        over.set()
        recorder.terminate()
        reading.join()
        recorder.wait()
    finally:
        over.set()
        broker.terminate()
        broker.wait()
        if recorder.poll() is None:
            recorder.kill()
            recorder.wait()
    sealed = events[-1]
    print(f"over MQTT, {seconds:.0f} s: {published} readings published, "
          f"{sealed.get('samples')} sealed, {published / seconds:.0f}/s")  # fmt: skip
    print(f"  recorder: {100 * share:.1f} % of one core")
    last = memory[len(memory) * 2 // 3 :]
    slope = np.polyfit(np.arange(len(last)), last, 1)[0] * 3600 if len(last) > 5 else np.nan
    marks = ", ".join(f"{m:.0f}" for m in memory[:: max(1, len(memory) // 8)])
    print(f"  memory over the time: {marks} MB; last third {slope:+.0f} MB an hour")
    for name, found in delays.items():
        all_ms = np.concatenate(found)
        p50, p95, top = np.percentile(all_ms, [50, 95, 100])
        print(f"  instrument → {name}: p50 {p50:.0f} ms, p95 {p95:.0f} ms, most {top:.0f} ms")
    shutil.rmtree(folder)


class Flood:
    name = "flood"

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.count = 0

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        until = time.monotonic() + self.seconds
        scan = 0
        while time.monotonic() < until and not stopping.is_set():
            now = time.time_ns()
            for m in range(MODULES):
                names = CHANNELS[m * WIDTH : (m + 1) * WIDTH]
                deliver(Batch(tuple(Reading(c, now, now, 100 + scan / 100) for c in names)))
                self.count += WIDTH
            scan += 1


def in_one_process(seconds: float) -> None:
    folder = Path(tempfile.mkdtemp(prefix="load-"))
    text = plan_text(1)
    plan = parse_plan(text)
    source = Flood(seconds)
    book = Logbook(folder)
    cpu = time.process_time()
    began = time.monotonic()
    last: list[tuple[float, int]] = []

    def tell(event: str, facts: Mapping[str, Any]) -> None:
        if event == "durable":
            last.append((time.monotonic() - began, facts["count"]))

    def begin(t: int) -> Journal:
        return Journal.create(book.journals_dir, JournalHead("r", "Load", tuple(CHANNELS), text, t))

    Recorder(
        plan,
        [source],
        clock=SteadyClock(SystemClock()),
        logbook=book,
        begin=begin,
        tell=tell,
        pace=Pace(),
        for_s=seconds,
    ).run(threading.Event())
    spent, count = last[-1]
    print(f"recorder fed in its own process: {count / spent:,.0f} readings/s durable, "
          f"{1e6 * (time.process_time() - cpu) / count:.1f} µs of CPU each, sealing included")  # fmt: skip
    shutil.rmtree(folder)


def journal_alone(seconds: float) -> None:
    folder = Path(tempfile.mkdtemp(prefix="load-"))
    head = JournalHead("r", "Load", tuple(CHANNELS), "", 1)
    count = commits = 0
    with Journal.create(folder, head) as journal:
        began = time.monotonic()
        while time.monotonic() - began < seconds:
            now = time.time_ns()
            readings = [Reading(c, now, now, 100 + commits / 100) for c in CHANNELS]
            journal.append(readings, now_ns=now)
            commits += 1
            count += len(readings)
        spent = time.monotonic() - began
        size = sum(p.stat().st_size for p in folder.iterdir())
    print(f"journal alone, a commit per scan of 512: {count / spent:,.0f} readings/s, "
          f"{commits / spent:,.0f} commits/s, {size / count:.1f} bytes a reading")  # fmt: skip
    shutil.rmtree(folder)


def plain_sqlite(seconds: float) -> None:
    folder = Path(tempfile.mkdtemp(prefix="load-"))
    link = sqlite3.connect(folder / "plain.sqlite", isolation_level=None)
    link.execute("PRAGMA journal_mode = WAL")
    link.execute("PRAGMA synchronous = FULL")
    link.execute("CREATE TABLE row (seq INTEGER PRIMARY KEY, data BLOB)")
    numbers = {c: i for i, c in enumerate(CHANNELS)}
    now = time.time_ns()
    frames = pack_readings([Reading(c, now, now, 100.0) for c in CHANNELS], numbers, now)
    commits = 0
    began = time.monotonic()
    while time.monotonic() - began < seconds:
        link.execute("BEGIN")
        link.executemany("INSERT INTO row (data) VALUES (?)", [(f,) for f in frames])
        link.execute("COMMIT")
        commits += 1
    spent = time.monotonic() - began
    link.close()
    print(f"SQLite alone with the same bytes made beforehand: {commits / spent:,.0f} commits/s, "
          f"{commits * len(CHANNELS) / spent:,.0f} readings/s")  # fmt: skip
    shutil.rmtree(folder)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--publish", type=int)
    chosen = parser.parse_args()
    if chosen.publish:
        publish(chosen.publish, time.monotonic() + chosen.seconds)
    else:
        over_mqtt(chosen.seconds)
        in_one_process(5.0)
        journal_alone(4.0)
        plain_sqlite(3.0)
