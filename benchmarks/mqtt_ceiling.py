"""How many readings a second one MQTT source takes, beside the bare library and the broker alone.

Run: python benchmarks/mqtt_ceiling.py [--messages 20000]   (needs mosquitto and mosquitto_sub)
Messages carry eight readings each; they are published beforehand into a persistent session, so that
the sender's speed does not count.
"""

from __future__ import annotations

import argparse
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from ovenwright.domain.live import Batch
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.sources.mqtt import MqttReader

WIDTH = 8


class SystemClock:
    def now_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()


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


def fill(port: int, messages: int) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    start = time.time_ns() // 1_000_000
    for k in range(messages):
        facts = {
            "seq": k // 64, "ts": start + k // 64 * 250, "bat": 80, "rssi": -60,
            "t": [100 + i / 8 for i in range(WIDTH)],
        }  # fmt: skip
        last = client.publish(f"plant/g{k % 64}/t", json.dumps(facts), qos=1)
    last.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def hold(port: int, name: str) -> None:
    """Leave a session at the broker that keeps what is published."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe("plant/+/t", qos=1)
    subscribed.wait(5)
    client.disconnect()
    client.loop_stop()


def bare(port: int, messages: int) -> tuple[float, float]:
    """Seconds, and seconds of processor, with the library's own acknowledgement and no decoding."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bare", clean_session=False)
    came, done = 0, threading.Event()

    def on_message(*_: Any) -> None:
        nonlocal came
        came += 1
        if came == messages:
            done.set()

    client.on_message = on_message
    began, busy = time.monotonic(), time.process_time()
    client.connect("127.0.0.1", port)
    client.loop_start()
    done.wait(120)
    took = time.monotonic() - began, time.process_time() - busy
    client.disconnect()
    client.loop_stop()
    return took


def ours(port: int, messages: int) -> tuple[float, float]:
    channels = {f"g{m}/{c}": f"m{m} c{c}" for m in range(64) for c in range(WIDTH)}
    source = MqttReader(
        MqttSource.model_validate(
            {
                "kind": "mqtt", "host": "127.0.0.1", "port": port, "topic": "plant/{module}/t",
                "client_id": "ours", "version": "3.1.1", "channels": channels,
                "payload": {"value": "t[{channel}]", "time": "ts", "sequence": "seq",
                            "battery": "bat", "signal": "rssi"},
            }
        ),
        SystemClock(),
    )  # fmt: skip
    came, done, stopping = 0, threading.Event(), threading.Event()

    def deliver(batch: Batch) -> None:
        nonlocal came
        came += len(batch.readings)
        batch.acknowledge()
        if came >= messages * WIDTH:
            done.set()

    thread = threading.Thread(target=source.run, args=(deliver, stopping))
    began, busy = time.monotonic(), time.process_time()
    thread.start()
    done.wait(120)
    took = time.monotonic() - began, time.process_time() - busy
    stopping.set()
    thread.join()
    if came != messages * WIDTH:
        sys.exit(f"{came} of {messages * WIDTH} readings came")
    return took


def broker_alone(port: int, messages: int) -> float:
    program = shutil.which("mosquitto_sub")
    if program is None:
        return float("nan")
    began = time.monotonic()
    subprocess.run(
        [program, "-h", "127.0.0.1", "-p", str(port), "-i", "alone", "-c", "-q", "1", "-t",
         "plant/+/t", "-C", str(messages)],
        stdout=subprocess.DEVNULL, check=True, timeout=120,
    )  # fmt: skip
    return time.monotonic() - began


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--messages", type=int, default=20_000)
    messages = parser.parse_args().messages
    with tempfile.TemporaryDirectory() as folder:
        broker, port = start_broker(Path(folder))
        try:
            for name in ("alone", "bare", "ours"):
                hold(port, name)
            fill(port, messages)
            alone = broker_alone(port, messages)
            plain, plain_busy = bare(port, messages)
            full, full_busy = ours(port, messages)
        finally:
            broker.terminate()
            broker.wait()
    for what, took, busy in (
        ("broker to its own client", alone, float("nan")),
        ("library, nothing decoded", plain, plain_busy),
        ("source: decoded, told apart, acknowledged", full, full_busy),
    ):
        rate = messages / took
        cost = busy / messages * 1e6
        print(
            f"{what:42} {rate:8,.0f} messages/s {rate * WIDTH:9,.0f} readings/s {cost:6.0f} µs each"
        )
    print(f"2,048 readings/s would take {256 * full_busy / messages:.1%} of one core in the source")
    return 0


if __name__ == "__main__":
    sys.exit(main())
