"""The MQTT source against a broker nobody here wrote (Mosquitto), at real speed."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading, Source
from ovenwright.domain.run import Quality
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.sources.mqtt import MqttReader
from ovenwright.sources.opening import open_source

PROGRAM = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")


class SystemClock:
    def now_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()


def now_s() -> float:
    return time.time_ns() / 1e9


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Broker:
    """Mosquitto in a folder of its own, which can be killed and started again."""

    def __init__(self, folder: Path, lines: tuple[str, ...] = ()) -> None:
        if PROGRAM is None:
            pytest.skip("needs mosquitto")
        self.folder = folder
        self.port = free_port()
        self.config = folder / "broker.conf"
        self.config.write_text(
            "\n".join(
                (
                    f"listener {self.port} 127.0.0.1",
                    *(lines or ("allow_anonymous true",)),
                    "persistence true",
                    f"persistence_location {folder}/",
                    "autosave_interval 1",
                    "autosave_on_changes false",
                    "max_queued_messages 100000",
                    "log_dest none",
                    *(("user root",) if os.getuid() == 0 else ()),
                )
            )
            + "\n"
        )
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        assert PROGRAM is not None
        self.process = subprocess.Popen(
            [PROGRAM, "-c", str(self.config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 5.0
        while time.monotonic() < until:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=0.2).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise AssertionError("mosquitto did not start")

    def wait_until_saved(self, since_s: float) -> None:
        """Wait until the broker, which saves once a second, has saved all that was before."""
        file = self.folder / "mosquitto.db"
        end = time.monotonic() + 15.0
        while not (file.exists() and file.stat().st_mtime > since_s):
            assert time.monotonic() < end, "the broker does not save its sessions"
            time.sleep(0.02)

    def stop(self, *, kill: bool = False) -> None:
        if self.process is not None:
            if kill:
                self.process.kill()
            else:
                self.process.terminate()
            self.process.wait(10)
            self.process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    it = Broker(tmp_path)
    yield it
    it.stop()


@contextmanager
def publisher(port: int, **more: Any) -> Iterator[paho.Client]:
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    for name, arguments in more.items():
        getattr(client, name)(*arguments)
    client.max_inflight_messages_set(1000)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def send(client: paho.Client, topic: str, facts: Any, *, retain: bool = False) -> None:
    text = facts if isinstance(facts, (str, bytes)) else json.dumps(facts)
    client.publish(topic, text, qos=1, retain=retain).wait_for_publish(10)


@dataclass
class Heard:
    """A recorder's stand-in: keeps what was delivered; acknowledges at once if told to."""

    acknowledging: bool = True
    batches: list[Batch] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def deliver(self, batch: Batch) -> None:
        with self.lock:
            self.batches.append(batch)
        if self.acknowledging:
            batch.acknowledge()

    @property
    def readings(self) -> list[Reading]:
        with self.lock:
            return [r for b in self.batches for r in b.readings]

    @property
    def notices(self) -> list[Notice]:
        with self.lock:
            return [n for b in self.batches for n in b.notices]

    def kinds(self) -> list[NoticeKind]:
        return [n.kind for n in self.notices]

    def until(self, ready: Callable[[Heard], bool], seconds: float = 10.0) -> None:
        end = time.monotonic() + seconds
        while not ready(self):
            assert time.monotonic() < end, (len(self.readings), self.notices[-10:])
            time.sleep(0.01)


@contextmanager
def reading(source: Source, heard: Heard) -> Iterator[list[BaseException]]:
    stopping = threading.Event()
    troubles: list[BaseException] = []

    def work() -> None:
        try:
            source.run(heard.deliver, stopping)
        except Exception as trouble:  # noqa: BLE001  told to the test
            troubles.append(trouble)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield troubles
    finally:
        stopping.set()
        thread.join(15)
        assert not thread.is_alive()


PAYLOAD = {
    "value": "t[{channel}]",
    "time": "ts",
    "sequence": "seq",
    "battery": "bat",
    "signal": "rssi",
}


def plan(port: int, **changes: Any) -> MqttSource:
    facts: dict[str, Any] = {
        "kind": "mqtt",
        "host": "127.0.0.1",
        "port": port,
        "topic": "plant/{module}/t",
        "payload": PAYLOAD,
        "channels": {"g1/0": "core 1", "g1/1": "core 2", "g1/2": "air"},
    }
    return MqttSource.model_validate(facts | changes)


def opened(source: MqttSource, **more: Any) -> MqttReader:
    found = open_source(source, SystemClock(), **more)
    assert isinstance(found, MqttReader)
    return found


def scan(seq: int, at_s: float, values: list[float | None] | None = None) -> dict[str, Any]:
    return {
        "seq": seq,
        "ts": round(at_s * 1000),
        "t": values or [20.5, 21.25, 200.125],
        "bat": 87,
        "rssi": -61,
    }


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_reads_what_was_sent_to_the_last_digit(broker: Broker, version: str) -> None:
    heard = Heard()
    with (
        publisher(broker.port) as client,
        reading(opened(plan(broker.port, version=version)), heard),
    ):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        now = now_s()
        send(client, "plant/g1/t", scan(1, now))
        send(client, "plant/g1/t", scan(2, now + 0.25, [None, -273.15, 200.125]))
        send(client, "plant/g9/t", scan(1, now))
        heard.until(lambda h: len(h.readings) == 9)
    ours = [r for r in heard.readings if r.known]
    assert [(r.channel, r.value) for r in ours[:3]] == [
        ("core 1", 20.5), ("core 2", 21.25), ("air", 200.125),
    ]  # fmt: skip
    assert ours[3].quality is Quality.MISSING
    assert ours[4].value == -273.15
    assert ours[0].time_ns == round(now * 1000) * 1_000_000
    assert ours[0].module == "g1"
    assert [r.channel for r in heard.readings if not r.known] == ["g9/0", "g9/1", "g9/2"]
    assert {n.module: n.value for n in heard.notices if n.kind is NoticeKind.BATTERY} == {
        "g1": 0.87,
        "g9": 0.87,
    }
    assert [n.value for n in heard.notices if n.kind is NoticeKind.SIGNAL] == [-61.0, -61.0]
    assert not any(r.late for r in heard.readings)


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_what_was_not_acknowledged_comes_again_to_the_next_reader(
    broker: Broker, version: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recorder that dies before its commit: the next one gets the messages again."""
    monkeypatch.setattr("ovenwright.sources.mqtt._LINGER_S", 0.3)
    source = plan(broker.port, version=version)
    first = Heard(acknowledging=False)
    with publisher(broker.port) as client:
        with reading(opened(source), first):
            first.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            for i in range(5):
                send(client, "plant/g1/t", scan(i, now_s()))
            first.until(lambda h: len(h.readings) == 15)
        for i in range(5, 9):  # while nobody listens
            send(client, "plant/g1/t", scan(i, now_s()))
        second = Heard()
        with reading(opened(source), second):
            second.until(lambda h: len({r.sequence for r in h.readings}) == 9)
            assert any("kept for us" in n.text for n in second.notices)
        third = Heard()  # everything was acknowledged: a new session starts empty
        with reading(opened(source), third):
            third.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            time.sleep(0.3)
    assert len(second.readings) == 27
    assert third.readings == []


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_another_recording_begins_without_what_was_kept_for_the_one_before(
    broker: Broker, version: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ovenwright.sources.mqtt._LINGER_S", 0.3)
    source = plan(broker.port, version=version)
    first = Heard(acknowledging=False)
    with publisher(broker.port) as client:
        with reading(opened(source), first):
            first.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            for i in range(5):
                send(client, "plant/g1/t", scan(i, now_s()))
            first.until(lambda h: len(h.readings) == 15)
        second = Heard()
        with reading(open_source(source, SystemClock(), fresh=True), second):
            second.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            send(client, "plant/g1/t", scan(9, now_s()))
            second.until(lambda h: bool(h.readings))
            time.sleep(0.3)
    assert {r.sequence for r in second.readings} == {9}
    assert not any("kept for us" in n.text for n in second.notices)


@pytest.mark.parametrize("fresh", [False, True])
@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_nothing_is_lost_when_the_broker_is_killed_and_started_again(
    broker: Broker, version: str, fresh: bool
) -> None:
    heard = Heard()
    reader = open_source(plan(broker.port, version=version), SystemClock(), fresh=fresh)
    with publisher(broker.port) as client, reading(reader, heard):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        arrived: set[int] = set()
        client.on_publish = lambda _c, _u, mid, *_: arrived.add(mid)
        for i in range(60):
            client.publish("plant/g1/t", json.dumps(scan(i, now_s())), qos=1)
            if i == 20:
                heard.until(lambda h: len(h.readings) >= 3)  # so we are subscribed
                broker.wait_until_saved(now_s())
                broker.stop(kill=True)
            if i == 40:
                broker.start()
            time.sleep(0.02)
        heard.until(lambda h: len(arrived) == 60, 20)
        heard.until(lambda h: len({r.sequence for r in h.readings}) == 60, 15)
    assert NoticeKind.LOST in heard.kinds()
    keys = [(r.channel, r.sequence) for r in heard.readings]
    assert len(keys) == len(set(keys)) == 180


def test_repeats_are_left_out_and_shuffled_ones_are_marked(broker: Broker) -> None:
    heard = Heard()
    reader = opened(plan(broker.port))
    with publisher(broker.port) as client, reading(reader, heard):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        start = now_s()
        for i in (1, 2, 2, 5, 3, 4, 3, 6, 7, 7, 7):
            send(client, "plant/g1/t", scan(i, start + i * 0.01))
        heard.until(lambda h: len(h.readings) >= 21)
        time.sleep(0.2)
    assert sorted({r.sequence for r in heard.readings if r.sequence is not None}) == list(
        range(1, 8)
    )
    assert len(heard.readings) == 21
    assert reader.repeats == 12
    marked = {r.sequence for r in heard.readings if r.quality & Quality.REORDERED}
    assert marked == {3, 4}
    assert {r.sequence for r in heard.readings if r.late} == {3, 4}
    assert NoticeKind.LOSS not in heard.kinds()


def test_gaps_are_told_as_losses_and_a_restart_as_such(broker: Broker) -> None:
    heard = Heard()
    with (
        publisher(broker.port) as client,
        reading(opened(plan(broker.port, loss_after_s=0.5)), heard),
    ):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        for i in (100, 101, 105, 106):
            send(client, "plant/g1/t", scan(i, now_s()))
        for i in (0, 1):
            time.sleep(0.01)
            send(client, "plant/g1/t", scan(i, now_s()))
        heard.until(lambda h: NoticeKind.REBOOTED in h.kinds())
        send(client, "plant/g1/t", scan(4, now_s()))
        heard.until(lambda h: h.kinds().count(NoticeKind.LOSS) == 2)
    losses = [n for n in heard.notices if n.kind is NoticeKind.LOSS]
    assert [n.value for n in losses] == [9.0, 6.0]
    assert "102 to 104" in losses[0].text


def test_a_stored_last_message_is_no_new_reading(broker: Broker) -> None:
    heard = Heard()
    with publisher(broker.port) as client:
        send(client, "plant/g1/t", scan(1, now_s() - 4000), retain=True)
        with reading(opened(plan(broker.port)), heard):
            heard.until(lambda h: NoticeKind.REFUSED in h.kinds())
            send(client, "plant/g1/t", scan(2, now_s()), retain=True)
            heard.until(lambda h: len(h.readings) == 3)
    assert {r.sequence for r in heard.readings} == {2}


def resident_kb() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * (os.sysconf("SC_PAGE_SIZE") // 1024)


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_a_hundred_megabytes_are_refused_without_being_held(
    broker: Broker, version: str, tmp_path: Path
) -> None:
    sender = shutil.which("mosquitto_pub")
    if sender is None or not Path("/proc/self/statm").exists():
        pytest.skip("needs mosquitto_pub and Linux")
    huge = tmp_path / "huge.json"
    with huge.open("wb") as out:
        for _ in range(100):
            out.write(b"1," * 500_000)
    heard = Heard()
    most = 0

    def refused(h: Heard) -> bool:
        nonlocal most
        most = max(most, resident_kb())
        return any("100,000,0" in n.text and "bytes, more than" in n.text for n in h.notices)

    with publisher(broker.port) as client:
        with reading(opened(plan(broker.port, version=version)), heard):
            heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            send(client, "plant/g1/t", scan(1, now_s()))
            heard.until(lambda h: len(h.readings) == 3)
            before = resident_kb()
            words = ["-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-t", "plant/g1/t"]
            with subprocess.Popen([sender, *words, "-f", str(huge)]):
                heard.until(refused, 30)
            send(client, "plant/g1/t", scan(2, now_s()))
            heard.until(lambda h: len(h.readings) == 6)
        again = Heard()  # it was acknowledged, so it does not come back
        with reading(opened(plan(broker.port, version=version)), again):
            again.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            time.sleep(0.3)
    assert most - before < 20_000  # kB
    assert NoticeKind.REFUSED not in again.kinds()


def test_the_broker_may_send_many_before_the_first_is_acknowledged(broker: Broker) -> None:
    heard = Heard(acknowledging=False)
    with (
        publisher(broker.port) as client,
        reading(opened(plan(broker.port, in_flight=150)), heard),
    ):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        for i in range(400):
            client.publish("plant/g1/t", json.dumps(scan(i, now_s())), qos=1)
        heard.until(lambda h: len(h.readings) == 450)
        time.sleep(0.3)
        assert len(heard.readings) == 450  # and no more: the broker holds the rest back
        heard.acknowledging = True
        for batch in list(heard.batches):
            batch.acknowledge()
        heard.until(lambda h: len(h.readings) == 1200)


def test_a_flood_waits_at_the_broker_while_the_recorder_is_busy(broker: Broker) -> None:
    """The recorder takes one batch at a time; nothing piles up here and nothing is lost."""
    heard = Heard()
    busy = threading.Event()

    def deliver(batch: Batch) -> None:
        busy.wait(10)
        heard.deliver(batch)

    stopping = threading.Event()
    source = opened(plan(broker.port))
    thread = threading.Thread(target=source.run, args=(deliver, stopping))
    with publisher(broker.port) as client:
        thread.start()
        try:
            time.sleep(0.2)
            busy.set()
            heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
            busy.clear()
            for i in range(2500):
                client.publish("plant/g1/t", json.dumps(scan(i, now_s())), qos=1)
            time.sleep(0.5)
            assert len(source._inbox.readings) <= 3 * 512
            busy.set()
            heard.until(lambda h: len(h.readings) == 7_500, 20)
        finally:
            busy.set()
            stopping.set()
            thread.join(15)
    assert NoticeKind.LOSS not in heard.kinds()


def test_what_is_no_json_is_refused_and_the_rest_goes_on(broker: Broker) -> None:
    heard = Heard()
    with publisher(broker.port) as client, reading(opened(plan(broker.port)), heard):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        for bad in (b"\xff\xfe", b"{", b"[" * 100_000, b'{"t": "hot"}', b"", b"9" * 10_000):
            send(client, "plant/g1/t", bad)
        send(client, "plant/g1/t", scan(2, now_s()))
        heard.until(lambda h: len(h.readings) == 3)
    refused = [n.text for n in heard.notices if n.kind is NoticeKind.REFUSED]
    assert any("not UTF-8" in t for t in refused)
    assert any("not JSON" in t for t in refused)
    assert any("nested too deeply" in t for t in refused)


def test_waits_for_a_broker_and_says_so(tmp_path: Path) -> None:
    it = Broker(tmp_path)
    it.stop()
    heard = Heard()
    try:
        with reading(opened(plan(it.port)), heard) as troubles:
            heard.until(lambda h: any("does not answer" in n.text for n in h.notices))
            it.start()
            heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        assert troubles == []
    finally:
        it.stop()


VARIABLE = "OVEN_TEST_PASSWORD"


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Broker]:
    maker = shutil.which("mosquitto_passwd")
    if maker is None:
        pytest.skip("needs mosquitto_passwd")
    file = tmp_path / "passwords"
    subprocess.run([maker, "-b", "-c", str(file), "oven", "rye and salt"], check=True)
    file.chmod(0o644)
    it = Broker(tmp_path, ("allow_anonymous false", f"password_file {file}"))
    yield it
    it.stop()


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_a_wrong_password_is_an_error_that_no_waiting_mends(
    guarded: Broker, version: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = plan(guarded.port, version=version, user="oven", password_env=VARIABLE)
    with pytest.raises(UsageError, match=f"{VARIABLE} is not set"):
        opened(source)
    monkeypatch.setenv(VARIABLE, "wheat")
    heard = Heard()
    with reading(opened(source), heard) as troubles:
        end = time.monotonic() + 10
        while not troubles and time.monotonic() < end:
            time.sleep(0.01)
    assert isinstance(troubles[0], InstrumentTrouble)
    assert "turns us away" in str(troubles[0])
    assert "wheat" not in str(troubles[0])
    monkeypatch.setenv(VARIABLE, "rye and salt")
    heard = Heard()
    with reading(opened(source), heard) as troubles:
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
    assert troubles == []


EC = ("ec", "-pkeyopt", "ec_paramgen_curve:prime256v1")


def _openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def encrypted(tmp_path: Path) -> Iterator[Broker]:
    """A broker that asks for certificates of a throw-away authority."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")
    for authority in ("ca", "stranger"):
        _openssl(
            tmp_path, "req", "-x509", "-newkey", *EC, "-nodes", "-days", "2", "-subj",
            f"/CN={authority}", "-keyout", f"{authority}.key", "-out", f"{authority}.pem",
        )  # fmt: skip
    (tmp_path / "names.cnf").write_text("subjectAltName=IP:127.0.0.1\n")
    for who in ("broker", "recorder"):
        _openssl(
            tmp_path, "req", "-newkey", *EC, "-nodes", "-subj", f"/CN={who}",
            "-keyout", f"{who}.key", "-out", f"{who}.csr",
        )  # fmt: skip
        _openssl(
            tmp_path, "x509", "-req", "-in", f"{who}.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
            "-CAcreateserial", "-days", "2", "-extfile", "names.cnf", "-out", f"{who}.pem",
        )  # fmt: skip
    it = Broker(
        tmp_path,
        (
            "allow_anonymous true",
            f"cafile {tmp_path}/ca.pem",
            f"certfile {tmp_path}/broker.pem",
            f"keyfile {tmp_path}/broker.key",
            "require_certificate true",
        ),
    )
    yield it
    it.stop()


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_encrypted_with_certificates_on_both_sides(encrypted: Broker, version: str) -> None:
    folder = encrypted.folder
    tls = {
        "ca_file": "ca.pem",
        "certificate_file": "recorder.pem",
        "key_file": "recorder.key",
    }
    heard = Heard()
    source = opened(plan(encrypted.port, version=version, tls=tls), folder=folder)
    files = [str(folder / n) for n in ("ca.pem", "recorder.pem", "recorder.key")]
    with publisher(encrypted.port, tls_set=files) as client, reading(source, heard):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        for i in range(50):
            send(client, "plant/g1/t", scan(i, now_s()))
        heard.until(lambda h: len(h.readings) == 150)


def test_a_certificate_of_a_stranger_is_not_trusted(encrypted: Broker) -> None:
    tls = {"ca_file": "stranger.pem"}
    heard = Heard()
    source = opened(plan(encrypted.port, tls=tls), folder=encrypted.folder)
    with reading(source, heard) as troubles:
        end = time.monotonic() + 10
        while not troubles and time.monotonic() < end:
            time.sleep(0.01)
    assert isinstance(troubles[0], InstrumentTrouble)
    assert "not to be trusted" in str(troubles[0])


def test_certificate_files_that_are_not_there_are_told_before_connecting(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="there is no file"):
        opened(plan(1, tls={"ca_file": "nowhere.pem"}), folder=tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_sixty_four_modules_of_eight_channels_four_times_a_second(
    broker: Broker, version: str
) -> None:
    """2,048 readings a second for some seconds: all of them, in less than a quarter of a core."""
    seconds, modules = 5, 64
    channels = {f"g{m}/{c}": f"m{m} c{c}" for m in range(modules) for c in range(8)}
    heard = Heard()
    code = (
        "import sys,json,time\n"
        "import paho.mqtt.client as paho\n"
        "from paho.mqtt.enums import CallbackAPIVersion\n"
        "c=paho.Client(CallbackAPIVersion.VERSION2)\n"
        "c.max_inflight_messages_set(1000); c.connect('127.0.0.1',int(sys.argv[1])); c.loop_start()\n"
        "t0=time.time(); last=None\n"
        f"for k in range({seconds * 4}):\n"
        "    time.sleep(max(0,t0+k*0.25-time.time()))\n"
        f"    for m in range({modules}):\n"
        "        ts=time.time_ns()\n"
        "        last=c.publish(f'plant/g{m}/t',json.dumps({'seq':k,'ts':ts,'bat':80,'rssi':-60,"
        "'t':[100+m+i/8 for i in range(8)]}),qos=1)\n"
        "last.wait_for_publish(10); time.sleep(0.3); c.disconnect(); c.loop_stop()\n"
    )
    import sys

    with reading(opened(plan(broker.port, version=version, channels=channels)), heard):
        heard.until(lambda h: NoticeKind.CONNECTED in h.kinds())
        busy, began = time.process_time(), time.monotonic()
        sender = subprocess.Popen([sys.executable, "-c", code, str(broker.port)])
        sender.wait(seconds + 20)
        heard.until(lambda h: len(h.readings) >= seconds * 4 * modules * 8)
        share = (time.process_time() - busy) / (time.monotonic() - began)
    assert sender.returncode == 0
    assert len(heard.readings) == seconds * 4 * modules * 8
    assert all(r.known and r.quality == 0 and not r.late for r in heard.readings)
    assert NoticeKind.LOSS not in heard.kinds()
    delays = sorted((r.received_ns - r.time_ns) / 1e9 for r in heard.readings)
    p95 = delays[int(len(delays) * 0.95)]
    print(f"MQTT {version}: {share:.1%} of one core, delay p95 {p95 * 1e3:.1f} ms")
    # figures of a quiet machine are in benchmarks; here only what no load may excuse
    assert p95 < 10.0
