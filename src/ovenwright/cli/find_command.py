"""`ovenwright find`: look for instruments."""

from __future__ import annotations

import argparse
import math
import signal
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.finding import Findings

_EPILOG = """Nothing is written to an instrument. A password is never put on the command line: name an
environment variable that holds it. With --write a plan that is there keeps every word; a new file
becomes a first plan. Modules the plan does not know are listed, never recorded by accident."""

_MOST = 64


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.epilog = _EPILOG
    add = parser.add_argument
    add(
        "url",
        metavar="URL",
        help="mqtt://HOST[:PORT][/TOPIC], mqtts://…, modbus://HOST[:PORT], modbus-rtu:DEVICE, "
        "opc.tcp://HOST:PORT, scpi://HOST[:PORT], scpi-serial:DEVICE, serial:DEVICE, or serial: "
        "for every port",
    )
    add("--seconds", type=float, default=10.0, metavar="N", help="how long to listen (10)")
    add("--plan", type=Path, metavar="PLAN", help="plan to hold it against: new and silent ones")
    add("--write", type=Path, metavar="PLAN", help="add what was found to this plan, or write one")
    add("--units", default="1-16", metavar="A-B", help="Modbus units to ask (1-16)")
    add("--user", default="", metavar="NAME", help="name at broker or server")
    add("--password-env", default="", metavar="NAME", help="variable that holds the password")
    add("--ca-file", default="", metavar="FILE", help="authority of the broker's certificate")
    add(
        "--measure",
        action="store_true",
        help="SCPI: have it measure once where it holds no readings; ends a measurement under way",
    )
    line = parser.add_argument_group("how a serial port is set")
    line.add_argument("--baud", type=int, metavar="N", help="bits per second")
    line.add_argument("--parity", choices=("none", "even", "odd"), help="(none)")
    line.add_argument("--data-bits", type=int, choices=(5, 6, 7, 8), help="(8)")
    line.add_argument("--stop-bits", type=int, choices=(1, 2), help="(1)")
    link = parser.add_argument_group("how an OPC UA link is protected, as in a plan")
    link.add_argument(
        "--security",
        choices=("none", "sign", "sign-and-encrypt"),
        help="(sign-and-encrypt with a certificate, else none)",
    )
    link.add_argument(
        "--policy",
        metavar="NAME",
        help="Basic256Sha256 (usual), Aes128_Sha256_RsaOaep, Aes256_Sha256_RsaPss",
    )
    link.add_argument("--certificate-file", metavar="FILE", help="this computer's own certificate")
    link.add_argument("--key-file", metavar="FILE", help="private key of that certificate")
    link.add_argument("--key-password-env", metavar="NAME", help="variable with the key's password")
    link.add_argument(
        "--server-certificate-file", metavar="FILE", help="certificate the server must show"
    )


def _units(text: str) -> tuple[int, int]:
    first, dash, last = text.partition("-")
    try:
        return int(first), int(last if dash else first)
    except ValueError:
        raise UsageError(
            f"{text!r} is no range of units", where="--units", remedy="such as 1-16"
        ) from None


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Search, show, write."""
    units = _units(args.units)
    from ovenwright.cli.show import emit_json, progress
    from ovenwright.compose import build
    from ovenwright.workflow.finding import Asking, search
    from ovenwright.workflow.finding_asking import FRAMING, SECURITY

    given = {k: v for k, v in vars(args).items() if v is not None}
    stopping = threading.Event()
    before = signal.signal(signal.SIGINT, lambda *_: stopping.set())
    try:
        with progress(f"listening at {args.url}", quiet=args.json):
            findings = search(
                Asking(
                    url=args.url,
                    seconds=args.seconds,
                    user=args.user,
                    password_env=args.password_env,
                    ca_file=args.ca_file,
                    units=units,
                    line={k: given[k] for k in FRAMING if k in given},
                    protection={k: given[k] for k in SECURITY if k in given},
                    measure=args.measure,
                ),
                build(settings).library(),
                plan_file=args.plan,
                write=args.write,
                stopping=stopping,
            )
    finally:
        signal.signal(signal.SIGINT, before)
    if args.json:
        emit_json(findings.facts())
    else:
        _show(findings, args.plan, args.write)
    return 0


def _number(value: float, form: str) -> str:
    return f"{value:{form}}" if math.isfinite(value) else "-"


def _show(findings: Findings, plan: Path | None, write: Path | None) -> None:
    from ovenwright.cli.show import say, show_table

    if not findings.heard:
        say(f"Nothing was heard at {findings.url} in {findings.seconds:g} s.")
        say("Check that the instrument is on and sends, and listen longer: --seconds 60")
    for h in findings.heard:
        said = [
            h.detail,
            f"serial {h.serial}" if h.serial else "",
            f"battery {h.battery:.0%}" if math.isfinite(h.battery) else "",
            f"signal {h.signal:g}" if math.isfinite(h.signal) else "",
        ]
        show_table(
            ", ".join(s for s in (h.module or h.address, *said) if s),
            ("input", "last", "unit", "every s", "count"),
            [
                (
                    f"{c.key}, {c.detail}" if c.detail else c.key,
                    _number(c.value, ".2f"),
                    c.unit,
                    _number(1.0 / c.rate_hz, ".3g") if c.rate_hz > 0 else "-",
                    str(c.count),
                )
                for c in h.channels[:_MOST]
            ],
            right=(1, 3, 4),
        )
        if len(h.channels) > _MOST:
            say(f"and {len(h.channels) - _MOST} more")
        for remark in h.remarks:
            say(f"! {remark}")
    if findings.against is not None:
        if findings.against.new:
            say(f"Not in the plan, so not recorded: {', '.join(findings.against.new)}")
        if findings.against.silent:
            say(f"In the plan, but silent: {', '.join(findings.against.silent)}")
        if findings.against.known and not (findings.against.new or findings.against.silent):
            say("All of it is in the plan, and all the plan expects here was heard.")
    if findings.wrote:
        added = f", new channels: {', '.join(findings.added)}" if findings.added else ""
        say(f"Wrote {findings.wrote}{added}.")
        for key, channel in findings.joined:
            say(f"  {key} feeds {channel}")
        say(f"Next: look through it, then: ovenwright check {findings.wrote} --touch --order")
        say("Where the sensors are in place already, not side by side: add --apart")
    elif write is not None:
        say(f"Nothing new: {write} was left as it is.")
        say(f"Next: ovenwright check {write}")
    elif any(h.proposal for h in findings.heard):
        if findings.against is None or findings.against.new:
            say(f"Next: ovenwright find {findings.url} --write {plan or 'PLAN'}")
        elif plan is not None:
            say(f"Next: ovenwright check {plan}")
