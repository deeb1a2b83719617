"""The OPC UA source against a server of another make: node-opcua."""

from __future__ import annotations

import asyncio
import json
import math
import os
import resource
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from asyncua.client.client import Client

from ovenwright.cli.main import main
from ovenwright.domain.live import Batch, Notice, NoticeKind, Reading
from ovenwright.domain.run import MarkKind, Quality
from ovenwright.domain.sources.opcua import OpcUaSource
from ovenwright.errors import InstrumentTrouble, UsageError
from ovenwright.sources.finding_opcua import browse
from ovenwright.sources.opening import open_source
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import read_plan

ROOT = Path(__file__).parents[2]
MODULES = ROOT / ".cache" / "peers"
SCRIPT = ROOT / "tests" / "peers" / "opcua_server.mjs"


class Wall:
    def now_ns(self) -> int:
        return time.time_ns()

    def monotonic_ns(self) -> int:
        return time.monotonic_ns()


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@dataclass
class Server:
    process: subprocess.Popen[str]
    port: int
    folder: Path
    did: list[str]

    @property
    def url(self) -> str:
        return f"opc.tcp://127.0.0.1:{self.port}"

    def tell(self, *words: object) -> None:
        """Send a command and wait until it was carried out."""
        line = "\t".join(str(w) for w in words)
        before = len(self.did)
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        wait_for(lambda: len(self.did) > before)
        assert self.did[-1].startswith("did"), self.did[-1]


def wait_for(what: Callable[[], object], seconds: float = 15.0) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.01)


def installed() -> None:
    """Have the peer there; it is fetched once into a folder that is not committed."""
    node, npm = shutil.which("node"), shutil.which("npm")
    if node is None or npm is None:
        pytest.skip("needs node and npm")
    if (MODULES / "node_modules" / "node-opcua-server").is_dir():
        return
    MODULES.mkdir(parents=True, exist_ok=True)
    words = [
        npm, "install", "--no-audit", "--no-fund", "--no-save", "--fetch-retries=1", "--prefix",
        str(MODULES), "node-opcua-server@2",
    ]  # fmt: skip
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip("needs node-opcua, and npm did not answer within five minutes")
    if done.returncode:
        pytest.skip(f"needs node-opcua, and npm could not fetch it: {done.stderr[-200:]}")


@contextmanager
def serving(folder: Path, *flags: str, port: int = 0) -> Iterator[Server]:
    port = port or free_port()
    process = subprocess.Popen(
        ["node", str(SCRIPT), str(MODULES), str(port), str(folder), *flags],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    server = Server(process, port, folder, [])
    ready = threading.Event()

    def listen() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            if line.strip() == "ready":
                ready.set()
            elif line.startswith(("did", "failed")):
                server.did.append(line.strip())

    ear = threading.Thread(target=listen)
    ear.start()
    try:
        assert ready.wait(60), "the peer did not start"
        yield server
    finally:
        process.kill()
        process.wait()
        ear.join()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two certificates of ours, made as the how-to says."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")
    folder = tmp_path_factory.mktemp("certificates")
    for name in ("known", "stranger"):
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "730",
             "-keyout", f"{name}-key.pem", "-outform", "DER", "-out", f"{name}.der",
             "-subj", "/CN=Ovenwright recorder",
             "-addext", "subjectAltName=URI:urn:ovenwright:recorder,DNS:localhost",
             "-addext", "keyUsage=critical,digitalSignature,nonRepudiation,keyEncipherment,dataEncipherment,keyCertSign",
             "-addext", "extendedKeyUsage=clientAuth,serverAuth"],
            cwd=folder, capture_output=True, check=True,
        )  # fmt: skip
    return folder


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory, certificates: Path) -> Iterator[Server]:
    installed()
    folder = tmp_path_factory.mktemp("opcua")
    trusted = folder / "pki" / "trusted" / "certs"
    trusted.mkdir(parents=True)
    shutil.copy(certificates / "known.der", trusted / "known.der")
    with serving(folder, "secure", "strict") as found:
        yield found


def node(name: str, channel: str = "", **more: Any) -> dict[str, Any]:
    return {"node": f"nsu=urn:test:oven;s=Oven3.{name}", "channel": channel or name} | more


def plan_for(url: str, *nodes: dict[str, Any], **more: Any) -> OpcUaSource:
    facts = {"kind": "opcua", "url": url, "publish_s": 0.05, "nodes": list(nodes)} | more
    return OpcUaSource.model_validate(facts)


class Taken:
    """A source at work in its thread, and what came from it."""

    def __init__(self, plan: OpcUaSource, **how: Any) -> None:
        self.readings: list[Reading] = []
        self.notices: list[Notice] = []
        self.trouble: BaseException | None = None
        self._stop = threading.Event()
        self._source = open_source(plan, Wall(), **how)
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        try:
            self._source.run(self._deliver, self._stop)
        except Exception as trouble:  # noqa: BLE001  the test looks at it
            self.trouble = trouble

    def _deliver(self, batch: Batch) -> None:
        self.readings += batch.readings
        self.notices += batch.notices
        batch.acknowledge()

    def __enter__(self) -> Taken:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(10)
        assert not self._thread.is_alive()

    def of(self, channel: str) -> list[Reading]:
        return [r for r in self.readings if r.channel == channel]

    def said(self, kind: NoticeKind) -> list[Notice]:
        return [n for n in self.notices if n.kind is kind]

    def wait(self, what: Callable[[], object], seconds: float = 15.0) -> None:
        wait_for(lambda: what() or self.trouble, seconds)
        assert self.trouble is None, self.trouble


def test_values_units_and_source_times_arrive(server: Server) -> None:
    plan = plan_for(
        server.url,
        node("Core2", "core"),
        node("AirF", "air"),
        node("Millivolt", "wire", reference_node="nsu=urn:test:oven;s=Oven3.Junction"),
        node("Block", "second of a list", index=1),
    )
    before = time.time_ns()
    with Taken(plan) as taken:
        taken.wait(lambda: all(taken.of(n.channel) for n in plan.nodes))
        server.tell("set", "Core2", 94.375)
        server.tell("set", "Millivolt", 4.25)
        taken.wait(lambda: len(taken.of("core")) > 1 and len(taken.of("wire")) > 1)
    last = {c: taken.of(c)[-1] for c in ("core", "air", "wire", "second of a list")}
    assert (last["core"].value, last["core"].unit) == (94.375, "degC")
    assert (last["air"].value, last["air"].unit) == (401.0, "degF")  # told by the server
    assert (last["wire"].value, last["wire"].unit, last["wire"].reference_c) == (4.25, "mV", 24.75)
    assert last["second of a list"].value == 2.5
    assert before < last["core"].time_ns <= last["core"].received_ns
    assert (last["core"].received_ns - last["core"].time_ns) < 1e9
    clock = taken.said(NoticeKind.CLOCK)
    assert len(clock) == 1
    assert abs(clock[0].value) < 1.0  # one computer, one clock


def test_status_codes_become_quality(server: Server) -> None:
    with Taken(plan_for(server.url, node("Core1", "core"))) as taken:
        taken.wait(lambda: taken.of("core"))
        for i, status in enumerate(
            ("Good", "UncertainSensorNotAccurate", "BadSensorFailure", "BadNotConnected", "Good"), 1
        ):
            count = len(taken.readings)
            server.tell("set", "Core1", 50.0 + i, status)
            taken.wait(lambda count=count: len(taken.readings) > count)  # type: ignore[misc]
    good, doubtful, failed, apart, again = taken.of("core")[-5:]
    assert (good.value, good.quality) == (51.0, Quality.GOOD)
    assert (doubtful.value, doubtful.quality) == (52.0, Quality.INSTRUMENT_DOUBT)
    assert math.isnan(failed.value)
    assert failed.quality == Quality.MISSING | Quality.OVERFLOW
    assert math.isnan(apart.value)
    assert apart.quality == Quality.MISSING
    assert (again.value, again.quality) == (55.0, Quality.GOOD)


def test_an_unchanged_value_with_a_new_time_is_news(server: Server) -> None:
    with Taken(plan_for(server.url, node("Core2", "core"))) as taken:
        taken.wait(lambda: taken.of("core"))
        count = len(taken.readings)
        for _ in range(5):
            server.tell("set", "Core2", 60.5)
            time.sleep(0.06)
        taken.wait(lambda: len(taken.readings) >= count + 5)
    times = [r.time_ns for r in taken.of("core")[-5:]]
    assert times == sorted(set(times))


def test_a_node_that_is_not_there_is_named_and_the_others_go_on(server: Server) -> None:
    plan = plan_for(server.url, node("Nowhere", "lost"), node("Lid open"), node("Core1", "core"))
    with Taken(plan) as taken:
        taken.wait(lambda: taken.of("core") and len(taken.said(NoticeKind.REFUSED)) >= 2)
    said = " ".join(n.text for n in taken.said(NoticeKind.REFUSED))
    assert "'lost': bad: no such node on the server" in said
    assert "'Lid open': the variable holds true or false" in said
    assert not taken.of("lost")


def test_a_node_that_comes_later_is_taken_up(server: Server, monkeypatch: Any) -> None:
    monkeypatch.setattr("ovenwright.sources.opcua._MISSING_AGAIN_S", 0.5)
    name = f"Late{time.time_ns()}"
    with Taken(plan_for(server.url, node(name, "late"))) as taken:
        taken.wait(lambda: taken.said(NoticeKind.REFUSED))
        server.tell("add", name, 31.5)
        taken.wait(lambda: taken.of("late"))
    assert taken.of("late")[0].value == 31.5


@pytest.mark.parametrize("security", ["sign", "sign-and-encrypt"])
def test_a_protected_link_with_certificate_and_password(
    server: Server, certificates: Path, security: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OVEN_WORD", "rye-and-salt")
    plan = plan_for(
        server.url,
        node("Core1", "core"),
        security=security,
        certificate_file=str(certificates / "known.der"),
        key_file=str(certificates / "known-key.pem"),
        user="baker",
        password_env="OVEN_WORD",  # noqa: S106  the name of a variable
    )
    with Taken(plan) as taken:
        taken.wait(lambda: taken.of("core"))
    assert taken.of("core")


AES = ("Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss")


@pytest.fixture(scope="module")
def closed_server(tmp_path_factory: pytest.TempPathFactory, certificates: Path) -> Iterator[Server]:
    """A server that lets nobody in without certificate and password."""
    installed()
    folder = tmp_path_factory.mktemp("opcua-closed")
    trusted = folder / "pki" / "trusted" / "certs"
    trusted.mkdir(parents=True)
    shutil.copy(certificates / "known.der", trusted / "known.der")
    with serving(folder, "secure", "aes", "strict", "closed") as found:
        yield found


@pytest.mark.parametrize("security", ["sign", "sign-and-encrypt"])
@pytest.mark.parametrize("policy", ["Basic256Sha256", *AES])
def test_every_policy_is_recorded_through(
    closed_server: Server,
    certificates: Path,
    policy: str,
    security: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("OVEN_WORD", "rye-and-salt")
    plan = plan_for(
        closed_server.url,
        node("Core1", "core"),
        security=security,
        policy=policy,
        certificate_file=str(certificates / "known.der"),
        key_file=str(certificates / "known-key.pem"),
        user="baker",
        password_env="OVEN_WORD",  # noqa: S106  the name of a variable
    )
    with Taken(plan) as taken:
        taken.wait(lambda: taken.of("core"))
        closed_server.tell("set", "Core1", 61.5)
        taken.wait(lambda: taken.of("core")[-1].value == 61.5)


@pytest.fixture
def ovenwright(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., dict[str, Any]]:
    """The command line, called in a folder of its own by someone who knows the password."""
    monkeypatch.setenv("OVEN_WORD", "rye-and-salt")
    monkeypatch.chdir(tmp_path)

    def called(*words: str) -> dict[str, Any]:
        assert main([*words, "--json"]) == 0, capsys.readouterr().err
        facts: dict[str, Any] = json.loads(capsys.readouterr().out)
        return facts

    return called


def shown_certificate(url: str) -> bytes:
    """Return the certificate a server shows, as its keeper would hand it over."""
    offers = asyncio.run(Client(url).connect_and_get_server_endpoints())
    return next(bytes(o.ServerCertificate) for o in offers if o.ServerCertificate)


@pytest.mark.parametrize("policy", ["Basic256Sha256", *AES])
def test_find_behind_certificate_and_password_writes_a_plan_that_records(
    closed_server: Server, certificates: Path, policy: str, tmp_path: Path,
    ovenwright: Callable[..., dict[str, Any]],
) -> None:  # fmt: skip
    (tmp_path / "oven3").mkdir()
    for name in ("known.der", "known-key.pem"):
        shutil.copy(certificates / name, tmp_path / "oven3" / name)
    (tmp_path / "oven3" / "server.der").write_bytes(shown_certificate(closed_server.url))
    plan_file = tmp_path / "oven3" / "plan.toml"
    words = [
        "find", closed_server.url, "--seconds", "1.5", "--policy", policy,
        "--certificate-file", "oven3/known.der", "--key-file", "oven3/known-key.pem",
        "--server-certificate-file", "oven3/server.der", "--user", "baker", "--password-env", "OVEN_WORD",
    ]  # fmt: skip
    found = ovenwright(*words, "--write", "oven3/plan.toml")
    oven = next(m for m in found["modules"] if m["module"] == "Oven 3")
    assert any(f"{policy} (sign, sign-and-encrypt)" in r for r in oven["remarks"])
    assert not any("open to anyone" in r for r in oven["remarks"])
    (table,) = read_plan(plan_file).instruments
    assert isinstance(table, OpcUaSource)
    assert (table.security, table.policy) == ("sign-and-encrypt", policy)
    assert (table.certificate_file, table.key_file) == ("known.der", "known-key.pem")
    assert table.server_certificate_file == "server.der"
    assert (table.user, table.password_env) == ("baker", "OVEN_WORD")
    with Taken(table, folder=plan_file.parent) as taken:
        taken.wait(lambda: all(taken.of(n.channel) for n in table.nodes))

    # the plan knows the way in: nothing has to be given again
    words = ["find", closed_server.url, "--seconds", "1.5", "--plan", str(plan_file)]
    against = ovenwright(*words)["against"]
    assert against["known"]
    assert against["new"] == against["silent"] == []


def test_find_is_turned_away_with_words(
    closed_server: Server,
    certificates: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("OVEN_WORD", "wrong")
    own = [
        "--certificate-file", str(certificates / "known.der"),
        "--key-file", str(certificates / "known-key.pem"),
    ]  # fmt: skip
    user = ["--user", "baker", "--password-env", "OVEN_WORD"]
    pinned = ["--server-certificate-file", str(certificates / "stranger.der")]
    for words, code, said in (
        ([], 4, "does not offer an open link; security the server offers: Aes128_Sha256_RsaOaep"),
        ([*own], 4, "way of logging in"),
        ([*own, *user], 4, "user or password"),
        ([*own, *pinned], 4, "another certificate"),
        (["--security", "sign"], 2, "needs certificate_file"),
        ([*own, "--policy", "Basic128"], 2, "policy"),
    ):
        assert main(["find", closed_server.url, "--seconds", "2", *words]) == code, words
        assert said in capsys.readouterr().err, words


def test_what_no_waiting_mends_is_said_at_once(
    server: Server, certificates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = {
        "security": "sign-and-encrypt",
        "certificate_file": str(certificates / "known.der"),
        "key_file": str(certificates / "known-key.pem"),
    }
    user = {"user": "baker", "password_env": "OVEN_WORD"}
    other = {
        "certificate_file": str(certificates / "stranger.der"),
        "key_file": str(certificates / "stranger-key.pem"),
    }
    monkeypatch.setenv("OVEN_WORD", "wrong")
    for more, words in (
        (key | user, "user"),
        (key | {"policy": "Aes256Sha256RsaPss"}, "does not offer"),
        (
            key | {"server_certificate_file": str(certificates / "stranger.der")},
            "another certificate",
        ),
        (key | {"key_file": "no-such-key.pem"}, "no file"),
    ):
        with Taken(plan_for(server.url, node("Core1"), **more)) as taken:
            wait_for(lambda taken=taken: taken.trouble)  # type: ignore[misc]
        assert isinstance(taken.trouble, InstrumentTrouble), (more, taken.trouble)
        assert words in taken.trouble.what, (more, taken.trouble)
        assert not taken.readings
    # some servers say nothing when they do not know a certificate: that is waited out, with a hint
    with Taken(plan_for(server.url, node("Core1"), **(key | other))) as taken:
        taken.wait(lambda: taken.said(NoticeKind.WAITING))
    assert "trusted stranger.der?" in taken.said(NoticeKind.WAITING)[0].text
    assert not taken.readings
    monkeypatch.delenv("OVEN_WORD")
    with pytest.raises(UsageError, match="OVEN_WORD"):
        open_source(plan_for(server.url, node("Core1"), **key, **user), Wall())


@pytest.mark.slow
def test_a_server_that_is_not_there_is_waited_for(server: Server) -> None:
    port = free_port()
    with Taken(plan_for(f"opc.tcp://127.0.0.1:{port}", node("Core1", "core"))) as taken:
        taken.wait(lambda: taken.said(NoticeKind.WAITING))
        assert "nothing listens there" in taken.said(NoticeKind.WAITING)[0].text
        with serving(server.folder, port=port):
            taken.wait(lambda: taken.of("core"), 20)
        taken.wait(lambda: taken.said(NoticeKind.LOST))
        with serving(server.folder, port=port) as again:
            taken.wait(lambda: taken.said(NoticeKind.REBOOTED), 20)
            again.tell("set", "Core1", 77.25)
            taken.wait(lambda: taken.of("core")[-1].value == 77.25)


@contextmanager
def wire_to(port: int, through: int) -> Iterator[None]:
    """A wire between us and the server that can be cut: socat, children and all."""
    process = subprocess.Popen(
        ["socat", f"TCP-LISTEN:{through},fork,reuseaddr,bind=127.0.0.1", f"TCP:127.0.0.1:{port}"],
        stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    try:
        yield
    finally:
        os.killpg(process.pid, signal.SIGKILL)  # the group is this wire's own
        process.wait()


def test_a_cut_wire_loses_nothing_the_server_kept(server: Server) -> None:
    if shutil.which("socat") is None:
        pytest.skip("needs socat")
    through = free_port()
    plan = plan_for(f"opc.tcp://127.0.0.1:{through}", node("Core1", "core"), late_after_s=1.0)
    sent: list[float] = []

    def send(count: int) -> None:
        for _ in range(count):
            sent.append(100.0 + len(sent))
            server.tell("set", "Core1", sent[-1])
            time.sleep(0.08)

    with Taken(plan) as taken:
        with wire_to(server.port, through):
            taken.wait(lambda: taken.of("core"))
            send(10)
        send(30)
        taken.wait(lambda: taken.said(NoticeKind.LOST))
        with wire_to(server.port, through):
            taken.wait(lambda: len(taken.said(NoticeKind.CONNECTED)) > 1)
            send(10)
            taken.wait(lambda: taken.of("core")[-1].value == sent[-1])
    came = [r.value for r in taken.of("core") if r.value >= 100.0]
    assert came == sent  # each once, in order
    assert any(r.late for r in taken.of("core"))
    assert not taken.said(NoticeKind.REBOOTED)


@pytest.fixture(scope="module")
def remembering(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server that keeps what Core1, Millivolt and Junction were, and nothing of Core2."""
    installed()
    with serving(tmp_path_factory.mktemp("opcua-history"), "history") as found:
        yield found


def test_what_was_missed_is_fetched_from_the_servers_history(remembering: Server) -> None:
    """A recording that is gone on with: what was measured while nobody listened is there after all."""
    begin = time.time_ns()
    remembering.tell("set", "Junction", 20.0)
    sent = [100.0 + i for i in range(25)]
    for number in sent[:20]:
        remembering.tell("set", "Core1", number)
        remembering.tell("set", "Millivolt", number / 100)
        if number == sent[9]:
            remembering.tell("set", "Junction", 30.0)
        time.sleep(0.02)
    plan = plan_for(
        remembering.url,
        node("Core1", "core"),
        node("Core2", "beside"),
        node("Millivolt", "wire", reference_node="nsu=urn:test:oven;s=Oven3.Junction"),
    )
    since = dict.fromkeys(("core", "beside", "wire"), begin)
    with Taken(plan, since=since) as taken:
        taken.wait(lambda: taken.said(NoticeKind.REFILLED) and taken.said(NoticeKind.LOSS))
        for number in sent[20:]:
            remembering.tell("set", "Core1", number)
            time.sleep(0.08)  # the server looks each 20 ms
        taken.wait(lambda: taken.of("core")[-1].value == sent[-1])
    each = {r.time_ns: r.value for r in taken.of("core")}  # as a journal keeps them
    assert [each[t] for t in sorted(each)] == sent
    assert [r.value for r in taken.of("core") if r.late] == sent[:20]
    wire = {r.time_ns: (r.value, r.reference_c) for r in taken.of("wire") if r.late}
    assert [wire[t] for t in sorted(wire)] == [
        (n / 100, 20.0 if i < 10 else 30.0) for i, n in enumerate(sent[:20])
    ]
    assert taken.said(NoticeKind.REFILLED)[0].value == 40
    (lost,) = taken.said(NoticeKind.LOSS)
    assert "beside: what was measured from" in lost.text
    assert "keeps no history" in lost.text


def test_a_queue_that_ran_over_is_filled_from_the_history(remembering: Server) -> None:
    plan = plan_for(remembering.url, node("Core1", "core"), node("Core2", "beside"), keep=2, publish_s=1.0)  # fmt: skip
    sent = [200.0 + i for i in range(30)]
    with Taken(plan) as taken:
        taken.wait(lambda: taken.of("core") and taken.of("beside"))
        for number in sent:
            remembering.tell("set", "Core1", number)
            remembering.tell("set", "Core2", number)
            time.sleep(0.05)
        taken.wait(
            lambda: taken.of("core")[-1].value == sent[-1] or taken.said(NoticeKind.REFILLED)
        )
        taken.wait(lambda: {r.value for r in taken.of("core")} >= set(sent))
        taken.wait(lambda: any("keeps no history" in n.text for n in taken.said(NoticeKind.LOSS)))
    each = {r.time_ns: r.value for r in taken.of("core") if r.value >= 200.0}
    assert [each[t] for t in sorted(each)] == sent
    assert len({r.value for r in taken.of("beside")} & set(sent)) < len(sent)


def test_a_check_asks_for_nothing_of_the_past(remembering: Server) -> None:
    since = {"core": time.time_ns() - 3_600_000_000_000}
    with Taken(
        plan_for(remembering.url, node("Core1", "core")), since=since, lasting=False
    ) as taken:
        taken.wait(lambda: taken.of("core"))
        time.sleep(0.5)
    assert not taken.said(NoticeKind.REFILLED)
    assert not any(r.late for r in taken.of("core")[1:])


@pytest.mark.slow
def test_a_session_the_server_gave_up_is_filled_from_the_history(remembering: Server) -> None:
    """The wire is cut for longer than the server keeps the session: only its history has the rest."""
    if shutil.which("socat") is None:
        pytest.skip("needs socat")
    through = free_port()
    plan = plan_for(
        f"opc.tcp://127.0.0.1:{through}", node("Core1", "core"), keep_s=10.0, timeout_s=2.0
    )
    sent: list[float] = []

    def send(count: int, pause_s: float) -> None:
        for _ in range(count):
            sent.append(300.0 + len(sent))
            remembering.tell("set", "Core1", sent[-1])
            time.sleep(pause_s)

    with Taken(plan) as taken:
        with wire_to(remembering.port, through):
            taken.wait(lambda: taken.of("core"))
            send(5, 0.1)
            taken.wait(lambda: taken.of("core")[-1].value == sent[-1])
        send(36, 0.5)
        with wire_to(remembering.port, through):
            taken.wait(lambda: taken.said(NoticeKind.REFILLED), 30)
            send(5, 0.1)
            taken.wait(lambda: taken.of("core")[-1].value == sent[-1])
    each = {r.time_ns: r.value for r in taken.of("core") if r.value >= 300.0}
    assert [each[t] for t in sorted(each)] == sent


def test_a_flood_is_hung_up_on() -> None:
    """A server that announces a message of 400 MB and sends on and on: refused, memory stays low."""
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(0.1)

        def flood() -> None:
            while not stop.is_set():
                try:
                    link, _ = listener.accept()
                except TimeoutError:
                    continue
                with link:
                    link.settimeout(0.5)
                    try:
                        link.recv(4096)
                        # OPC 10000-6, 7.1.2.2: type, F for final, size
                        link.sendall(b"MSGF" + (400_000_000).to_bytes(4, "little"))
                        for _ in range(400):
                            link.sendall(bytes(1_000_000))
                    except OSError:
                        continue

        flooding = threading.Thread(target=flood)
        flooding.start()
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        try:
            url = f"opc.tcp://127.0.0.1:{listener.getsockname()[1]}"
            with Taken(plan_for(url, node("Core1"), timeout_s=20.0)) as taken:
                taken.wait(lambda: taken.said(NoticeKind.REFUSED))
        finally:
            stop.set()
            flooding.join(10)
    assert "more than 16 MB" in taken.said(NoticeKind.REFUSED)[0].text
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 250_000  # kB


def test_many_nodes_at_four_a_second(server: Server) -> None:
    nodes, rounds = 64, 20
    server.tell("many", nodes, 250, rounds)
    with Taken(plan_for(server.url, *(node(f"Many{i}") for i in range(nodes)))) as taken:
        taken.wait(lambda: all(taken.of(f"Many{i}") for i in range(nodes)))
        first = {c: int(taken.of(c)[0].value) for c in (f"Many{i}" for i in range(nodes))}
        taken.wait(lambda: all(int(taken.of(c)[-1].value) == rounds for c in first), 20)
    for channel, began in first.items():
        assert [int(r.value) for r in taken.of(channel)] == list(range(began, rounds + 1))
    assert not taken.said(NoticeKind.LOSS)


def test_looking_for_temperatures(server: Server) -> None:
    stop = threading.Event()

    def warm() -> None:
        while not stop.wait(0.1):
            server.tell("set", "Core1", 40.0)

    warming = threading.Thread(target=warm)
    warming.start()
    try:
        found = browse(server.url, seconds=3.0, clock=Wall())
    finally:
        stop.set()
        warming.join()
    oven = next(h for h in found if h.module == "Oven 3")
    channels = {c.key.rpartition("Oven3.")[2]: c for c in oven.channels}
    assert {"Core1", "Core2", "AirF", "Millivolt", "Junction", "Plain temperature"} <= set(channels)
    assert not {"Speed", "Lid open", "Block"} & set(channels)
    assert (channels["AirF"].value, channels["AirF"].unit) == (401.0, "degF")
    assert channels["Core1"].rate_hz == pytest.approx(10.0, rel=0.4)
    assert any("Plain temperature" in r and "by its name" in r for r in oven.remarks)
    assert any("sign-and-encrypt" in r for r in oven.remarks)
    # what is proposed can be read as it stands
    proposed = OpcUaSource.model_validate(oven.proposal)
    with Taken(proposed) as taken:
        taken.wait(lambda: all(taken.of(n.channel) for n in proposed.nodes))
    assert {r.module for r in taken.readings} == {"Oven 3"}


def test_looking_where_nothing_answers() -> None:
    with pytest.raises(InstrumentTrouble, match="does not answer"):
        browse(f"opc.tcp://127.0.0.1:{free_port()}", seconds=1.0, clock=Wall())
    with pytest.raises(UsageError, match="can't be asked"):
        browse("http://127.0.0.1:4840", seconds=1.0, clock=Wall())


@pytest.mark.slow
def test_a_killed_recording_that_is_gone_on_with_has_no_hole(
    remembering: Server, tmp_path: Path
) -> None:
    """Record, kill -9, measure on, resume: the sealed run holds what was measured meanwhile."""
    names = {"Core1": "core", "Core2": "beside"}
    (tmp_path / "plan.toml").write_text(
        'title = "History"\n[oven]\nkind = "chamber"\nname = "o"\nwidth_m = 1.0\ndepth_m = 1.0\n'
        'height_m = 1.0\n[product]\nname = "stones"\n[recording]\ninterval_s = 0.1\n'
        + "".join(f'[[channels]]\nname = "{n}"\nsensor = "T"\nrole = "core"\n' for n in names.values())
        + f'[[instruments]]\nkind = "opcua"\nurl = "{remembering.url}"\npublish_s = 0.05\n'
        + "".join(
            f'[[instruments.nodes]]\nnode = "nsu=urn:test:oven;s=Oven3.{k}"\nchannel = "{v}"\n'
            for k, v in names.items()
        )
    )  # fmt: skip
    sent: list[float] = []

    enough = threading.Event()

    def send() -> None:
        while not enough.wait(0.1):
            sent.append(20.0 + len(sent) / 8)
            for name in names:
                remembering.tell("set", name, sent[-1])

    started: list[subprocess.Popen[str]] = []

    def record(*words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "ovenwright.cli.main", "record", "plan.toml", "--logbook", "book",
             "--json", *words],
            cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        started.append(process)
        return process

    def until(process: subprocess.Popen[str], event: str, count: int = 1) -> dict[str, Any]:
        assert process.stdout is not None
        while count:
            line = process.stdout.readline()
            assert line, f"it ended without {event}"
            told: dict[str, Any] = json.loads(line)
            count -= told["event"] == event
        return told

    sending = threading.Thread(target=send)
    sending.start()
    try:
        first = record()
        until(first, "durable", 3)
        first.kill()
        first.wait()
        killed_ns = time.time_ns()
        time.sleep(5.0)
        second = record("--resume", "--for", "60")
        until(second, "resumed")
        until(second, "durable", 3)
        second.send_signal(signal.SIGINT)
        run = until(second, "sealed")["run"]
    finally:
        for process in started:
            process.kill()
            process.communicate()
        enough.set()
        sending.join()
    kept = Logbook(tmp_path / "book").open(run)
    values = [v for v in dict.fromkeys(kept.series["core"].value_c.tolist()) if v in sent]
    begun = sent.index(values[0])
    assert values == sent[begun : begun + len(values)]  # each, in order, over the kill as well
    gaps = [m for m in kept.marks if m.kind is MarkKind.GAP and (m.until_ns or 0) > killed_ns]
    assert "beside" in {m.channel for m in gaps}
    assert all((m.until_ns or 0) - m.time_ns > 4e9 for m in gaps if m.channel == "beside")
    assert all((m.until_ns or 0) - m.time_ns < 4e9 for m in gaps if m.channel != "beside")
