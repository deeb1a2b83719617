"""The network goes away under a live link, with no word to either end, and comes back."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

SUITE = Path(__file__).parents[1] / "contract" / "test_mqtt_source.py"

CHILD = textwrap.dedent(
    """
    import importlib.util, json, subprocess, sys, threading, time
    from pathlib import Path

    spec = importlib.util.spec_from_file_location("suite", sys.argv[1])
    suite = importlib.util.module_from_spec(spec)
    sys.modules["suite"] = suite
    spec.loader.exec_module(suite)
    folder, version, down_s = Path(sys.argv[2]), sys.argv[3], float(sys.argv[4])

    def link(way):
        subprocess.run(["ip", "link", "set", "lo", way], check=True)

    link("up")
    broker = suite.Broker(folder)
    heard = suite.Heard()
    arrived = set()
    try:
        source = suite.opened(suite.plan(broker.port, version=version, keepalive_s=5))
        with suite.publisher(broker.port) as client, suite.reading(source, heard) as troubles:
            client.on_publish = lambda _c, _u, mid, *_: arrived.add(mid)
            heard.until(lambda h: suite.NoticeKind.CONNECTED in h.kinds())
            end, sent = time.monotonic() + 2 + down_s + 3, 0
            went = came = None
            while time.monotonic() < end:
                if went is None and end - time.monotonic() < down_s + 3:
                    link("down")
                    went = time.monotonic()
                if went and came is None and time.monotonic() - went > down_s:
                    link("up")
                    came = time.monotonic()
                client.publish("plant/g1/t", json.dumps(suite.scan(sent, suite.now_s())), qos=1)
                sent += 1
                time.sleep(0.05)
            heard.until(lambda h: len({r.sequence for r in h.readings}) == sent, 100)
        keys = [(r.channel, r.sequence) for r in heard.readings]
        print(json.dumps({
            "sent": sent, "came": len(set(keys)), "twice": len(keys) - len(set(keys)),
            "late": sum(r.late for r in heard.readings), "kinds": sorted(set(heard.kinds())),
            "troubles": [str(t) for t in troubles],
        }))
    finally:
        broker.stop()
    """
)


@pytest.fixture
def namespace() -> Iterator[str]:
    name = f"ow{uuid.uuid4().hex[:8]}"
    if shutil.which("ip") is None:
        pytest.skip("needs ip of iproute2")
    made = subprocess.run(["ip", "netns", "add", name], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"no right to make network namespaces here: {made.stderr.strip()}")
    yield name
    inside = subprocess.run(
        ["ip", "netns", "pids", name], capture_output=True, text=True, check=True
    )
    for pid in inside.stdout.split():
        os.kill(int(pid), signal.SIGKILL)
    subprocess.run(["ip", "netns", "del", name], check=True)


@pytest.mark.slow
def test_a_link_that_is_down_for_a_while_loses_nothing(namespace: str, tmp_path: Path) -> None:
    done = subprocess.run(
        ["ip", "netns", "exec", namespace, sys.executable, "-c", CHILD,
         str(SUITE), str(tmp_path), "5", "60"],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    if "needs mosquitto" in done.stderr:
        pytest.skip("needs mosquitto")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["came"] == found["sent"] * 3
    assert found["twice"] == 0
    assert found["troubles"] == []
    assert {"connected", "lost", "waiting"} <= set(found["kinds"])
    assert "loss" not in found["kinds"]
    assert found["late"] > 0
