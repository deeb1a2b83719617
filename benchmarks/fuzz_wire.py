"""Drive every decoder of `wire` with inputs that coverage leads to: only our own errors may come out.

Run: python benchmarks/fuzz_wire.py [--decoder NAME] [--seconds 60]
Needs atheris (Linux, macOS). Memory is held to 600 MB by the fuzzer; a crash prints the input.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
from collections.abc import Callable
from typing import Any

MAPPINGS: tuple[dict[str, Any], ...] = (
    {"value": ""},
    {"value": "v", "time": "ts", "sequence": "n", "unit_path": "u", "battery": "b", "status": "q"},
    {"value": "s[*].t[{channel}]", "time": "s[*].ts", "sequence": "s[*].n", "late": "l"},
    {"value": "{channel}.v", "time": "{channel}.ts", "serial": "sn"},
    {"value": "v[*]", "spacing_s": 0.5, "unit": "mV", "reference": "cj"},
)
LINES: tuple[dict[str, Any], ...] = (
    {"item": "{channel}={value}{unit}"},
    {"line": "{module};{time};", "item": "{channel}:{value}"},
    {"columns": ("time", "a", "", "b"), "decimal": ",", "separator": ";"},
    {"header": True},
)
SEEDS: dict[str, tuple[bytes, ...]] = {
    "json": (
        b'\x00{"v": 21.5, "ts": 1795595400125, "n": 7, "u": "C", "b": 80, "q": "ok"}',
        b'\x02{"s": [{"ts": "2026-11-25T08:30:00Z", "n": 1, "t": [1.5, null, "OL", 9.9e37]}]}',
        b'\x03{"a": {"v": 1, "ts": 1795595400}, "sn": "A7"}',
        b'\x04{"v": [1, 2, 3], "cj": 24.5}',
    ),
    "guess": (b'a/gw1\n{"t": [1.5, 2], "ts": 1795595400125, "seq": 1}\na/gw2\n{"t": [1, 2]}',),
    "path": (b"s[*].t[{channel}]", b"['a b'].{module}[-1]"),
    "topic": (b"plant/{module}/+/{channel}/#\nplant/a/b/c/d",),
    "words": (b"2026-11-25T08:30:00.125+02:00", b"1795595400125", b"9.91E37", b"degF"),
    "arrivals": (bytes(range(64)),),
    "lines": (b"\x00T1=21.5C T2=22.0C\n", b"\x01gw1;2026-11-25T08:30:00Z;a:1.5\n", b"\x02x;1,5;;2\n"),
    "scpi": (b"A,B,C,1.0", b'-113,"Undefined header"', b"+2.15E+01,9.9E37,9.91E37"),
    "modbus": (b"\x04\x00\x00\x42\xc8\x00\x00",),
}  # fmt: skip


def decoders() -> dict[str, Callable[[bytes], None]]:
    """Return what is fuzzed, by name; whatever these raise is a finding."""
    import math
    from contextlib import suppress

    from ovenwright.domain.run import Quality
    from ovenwright.domain.sources.lines import TextMapping
    from ovenwright.domain.sources.modbus import RegisterOrder, RegisterType
    from ovenwright.domain.sources.mqtt import MqttSource
    from ovenwright.domain.sources.scpi import ScpiField
    from ovenwright.errors import OvenwrightError
    from ovenwright.wire import modbus_values, scpi_answers
    from ovenwright.wire.arrivals import Arrivals
    from ovenwright.wire.guessing_json import Sample, guess_mappings
    from ovenwright.wire.json_mapping import decode_mapping
    from ovenwright.wire.json_path import decode_path, find_leaves
    from ovenwright.wire.json_payload import Item, decode_message
    from ovenwright.wire.line_cutting import LineCutter
    from ovenwright.wire.reading_words import (
        decode_count,
        decode_number,
        decode_time,
        decode_unit,
    )
    from ovenwright.wire.text_lines import TextReader
    from ovenwright.wire.topic_pattern import decode_topic_pattern

    def source(payload: dict[str, Any], topic: str = "p/{module}") -> MqttSource:
        return MqttSource.model_validate(
            {"kind": "mqtt", "host": "h", "topic": topic, "channels": {"g/1": "c"}}
            | {"payload": payload}
        )

    mappings = [decode_mapping(source(m)) for m in MAPPINGS]
    lines = [TextMapping.model_validate(m) for m in LINES]
    now = 1_795_595_400 * 10**9

    def json_messages(data: bytes) -> None:
        found = decode_message(mappings[data[0] % len(mappings)], "p/g", data[1:])
        for item in found.items:
            assert math.isfinite(item.value) or item.quality is not Quality.GOOD  # noqa: S101
        Arrivals({}).take(found.items, now)

    def guess(data: bytes) -> None:
        parts = data.split(b"\n")
        samples = [
            Sample(t.decode("utf-8", "replace"), p, now)
            for t, p in zip(parts[::2], parts[1::2], strict=False)
        ]
        for one in guess_mappings(samples)[0]:
            with suppress(OvenwrightError, ValueError):
                mapping = decode_mapping(source(one.payload, one.topic))
                for sample in one.samples:
                    decode_message(mapping, sample.topic, sample.payload)

    def path(data: bytes) -> None:
        with suppress(OvenwrightError):
            find_leaves(
                {"s": [{"t": [1, 2]}], "a b": {"x": [3]}},
                decode_path(data.decode(errors="replace")),
            )

    def topic(data: bytes) -> None:
        pattern, _, name = data.decode(errors="replace").partition("\n")
        with suppress(OvenwrightError):
            decode_topic_pattern(pattern).match(name)

    def words(data: bytes) -> None:
        text = data.decode(errors="replace")
        decode_unit(text)
        decode_count(text)
        decode_number(text)
        for form in ("auto", "iso", "s", "ms", "us", "ns"):
            found = decode_time(text, form, "Europe/Riga")
            assert found is None or 0 < found[0] < 2**63  # noqa: S101

    def arrivals(data: bytes) -> None:
        to = Arrivals({}, modulus=256 if data[0] & 1 else None, per_channel=bool(data[0] & 2))
        for i in range(1, len(data) - 2, 3):
            count = None if data[i] & 1 else data[i + 1] * (1 + (data[i] & 6) ** 12)
            time_ns = None if data[i] & 8 else now + (data[i + 2] - 128) * 10**8
            item = Item("g", str(data[i] >> 6), 1.0, "degC", Quality.GOOD, time_ns, 0, count)
            found = to.take([item], now + i * 10**8, backlog=bool(data[i] & 16))
            assert len(found.readings) + found.repeats == 1  # noqa: S101
        to.losses(now + 10**13)

    def text_lines(data: bytes) -> None:
        reader = TextReader(lines[data[0] % len(lines)], {"T1": "c"})
        cutter = LineCutter(longest=200)
        for line in [*cutter.feed(data[1:]), *cutter.finish()]:
            reader.decode(line, received_ns=now)

    def scpi(data: bytes) -> None:
        text = data.decode(errors="replace")
        for decode in (
            scpi_answers.decode_identity,
            scpi_answers.decode_error,
            scpi_answers.decode_numbers,
        ):
            with suppress(OvenwrightError):
                decode(text)
        with suppress(OvenwrightError):
            fields = (ScpiField(channel="a"), ScpiField(channel="b"))
            scpi_answers.decode_scan(text, fields, received_ns=now)

    def modbus(data: bytes) -> None:
        kind = list(RegisterType)[data[0] % len(RegisterType)]
        registers = [int.from_bytes(data[i : i + 2]) for i in range(1, len(data) - 1, 2)]
        for order in RegisterOrder:
            with suppress(OvenwrightError):
                value, quality = modbus_values.decode_reading(registers, kind, word_order=order)
                assert math.isfinite(value) or quality is not Quality.GOOD  # noqa: S101
        modbus_values.guess_map(dict(enumerate(registers[:125])))

    return {
        "json": json_messages, "guess": guess, "path": path, "topic": topic, "words": words,
        "arrivals": arrivals, "lines": text_lines, "scpi": scpi, "modbus": modbus,
    }  # fmt: skip


def drive(name: str, seconds: int) -> None:
    """Fuzz one decoder in this process; never returns, as the fuzzer ends the process."""
    from importlib import import_module

    atheris: Any = import_module("atheris")
    with atheris.instrument_imports(include=["ovenwright.wire", "ovenwright.domain", "json"]):
        target = decoders()[name]

    def once(data: bytes) -> None:
        if data:
            target(data)

    with tempfile.TemporaryDirectory() as folder:
        from pathlib import Path

        for i, seed in enumerate(SEEDS[name]):
            (Path(folder) / f"seed{i}").write_bytes(seed)
        atheris.Setup(
            [sys.argv[0], folder, f"-max_total_time={seconds}", "-rss_limit_mb=600",
             "-max_len=2000", "-timeout=10", "-print_final_stats=1", "-verbosity=1",
             f"-artifact_prefix={tempfile.gettempdir()}/"],
            once,
        )  # fmt: skip
        atheris.Fuzz()


def main() -> int:
    """Fuzz the decoders one after another, each in a process of its own."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--decoder", choices=sorted(SEEDS), help="one of them (default: all)")
    parser.add_argument("--seconds", type=int, default=60, help="for each decoder")
    args = parser.parse_args()
    bad = []
    for name in [args.decoder] if args.decoder else sorted(SEEDS):
        print(f"{name}: {args.seconds} s", flush=True)
        child = multiprocessing.get_context("spawn").Process(
            target=drive, args=(name, args.seconds)
        )
        child.start()
        child.join()
        if child.exitcode:
            bad.append(name)
    print(f"broken: {', '.join(bad)}" if bad else "only our own errors came out")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
