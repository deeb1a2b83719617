"""`ovenwright plan`: write a plan from a preset, check it, get advice on it."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ovenwright.cli import plan_shelf_words
from ovenwright.config import Settings

if TYPE_CHECKING:
    from ovenwright.domain.kinetics import ReferenceLibrary
    from ovenwright.workflow.advice import Advice, ChannelAdvice


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's words and their arguments."""
    words = parser.add_subparsers(dest="word", metavar="WORD", required=True, title="words")
    new = words.add_parser("new", help="write a plan from a preset, with comments that teach")
    new.add_argument("preset", nargs="?", metavar="PRESET", help="id of a preset, see --list")
    new.add_argument("-o", "--output", metavar="FILE", help="where to write ('-': show it only)")
    new.add_argument("--force", action="store_true", help="overwrite the file if it is there")
    new.add_argument("--list", action="store_true", help="list the presets and stop")
    check = words.add_parser("check", help="tell every fault of a plan, with line and remedy")
    check.add_argument("files", nargs="+", type=Path, metavar="FILE", help="plan files")
    advise = words.add_parser("advise", help="how often to read, how much it makes, battery")
    advise.add_argument("file", type=Path, metavar="FILE", help="a plan file")
    advise.add_argument(
        "--error-k", type=float, metavar="K", help="what may be missed between readings (0.5)"
    )
    advise.add_argument(
        "--time-share", type=float, metavar="X", help="how late a moment may be (0.0025)"
    )
    advise.add_argument(
        "--lethality-share", type=float, metavar="X", help="error allowed in lethality (0.01)"
    )
    advise.add_argument(
        "--coefficient", type=float, metavar="H", help="surface coefficient in W/(m² K)"
    )
    words.add_parser("presets", help="list the presets and what each is for")
    words.add_parser("schema", help="print the JSON Schema of a plan")
    plan_shelf_words.add_words(words)
    for word in words.choices.values():
        word.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help="answer in JSON"
        )
        word.add_argument(
            "--logbook", metavar="DIR", default=argparse.SUPPRESS, help="the logbook folder"
        )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Do what the word says."""
    table: dict[str, Callable[[argparse.Namespace, Settings], int]] = {
        "new": _new,
        "check": _check,
        "advise": _advise,
        "presets": _presets,
        "schema": _schema,
        "kept": plan_shelf_words.kept,
        "keep": plan_shelf_words.keep,
        "take": plan_shelf_words.take,
        "differences": plan_shelf_words.differences,
        "retire": plan_shelf_words.retire,
    }
    return table[args.word](args, settings)


def _library(settings: Settings) -> ReferenceLibrary:
    from ovenwright.storage.reference_data import read_reference_library

    return read_reference_library(settings.kinetics)


def _presets(args: argparse.Namespace, _settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.storage.presets import read_presets

    presets = read_presets()
    if args.json:
        emit_json(
            {
                "presets": [
                    {
                        "id": p.id,
                        "title": p.title,
                        "for": p.purpose,
                        "sources": p.sources,
                        "cautions": p.cautions,
                    }
                    for p in presets
                ]
            }
        )
        return 0
    show_table("Presets", ("id", "for"), [(p.id, p.purpose) for p in presets])
    say("Write one: ovenwright plan new ID -o FILE. Its sources and cautions are in the file.")
    return 0


def _new(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.errors import UsageError
    from ovenwright.storage.presets import read_preset
    from ovenwright.workflow.planning import new_plan

    if args.list:
        return _presets(args, settings)
    if args.preset is None:
        raise UsageError("no preset was named", remedy="list them with: ovenwright plan presets")
    if args.output == "-":
        text = read_preset(args.preset).text
        if args.json:
            emit_json({"preset": args.preset, "file": None, "text": text})
        else:
            print(text, end="")
        return 0
    path = Path(args.output or f"{args.preset}.toml")
    preset = new_plan(args.preset, path, force=args.force)
    if args.json:
        emit_json({"preset": preset.id, "file": str(path), "cautions": preset.cautions})
        return 0
    say(f"Wrote {path}: {preset.title}, {preset.purpose}.")
    for caution in preset.cautions:
        say(f"! {caution}")
    say(f"Next: change what is yours, then: ovenwright plan check {path}")
    return 0


def _check(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.errors import PlanFaults
    from ovenwright.workflow.planning import checked_plan

    library = _library(settings)
    facts: list[dict[str, Any]] = []
    for path in args.files:
        try:
            plan = checked_plan(path, library)
        except PlanFaults as trouble:
            facts.append({"file": str(path), "ok": False, "faults": trouble.facts()["faults"]})
            if not args.json:
                count = len(trouble.faults)
                say(f"{path}: {count} fault{'s' if count != 1 else ''}")
                for fault in trouble.faults:
                    say("  " + fault.words(str(path)))
            continue
        facts.append(
            {
                "file": str(path),
                "ok": True,
                "faults": [],
                "title": plan.title,
                "channels": len(plan.channels),
                "requirements": len(plan.requirements),
            }
        )
        if not args.json:
            say(
                f"{path}: no faults. {plan.title}: {_many(len(plan.channels), 'channel')}, "
                f"{_many(len(plan.requirements), 'requirement')}."
            )
    sound = all(f["ok"] for f in facts)
    if args.json:
        emit_json({"ok": sound, "plans": facts})
    return 0 if sound else 2


def _schema(args: argparse.Namespace, _settings: Settings) -> int:
    import json

    from ovenwright.cli.show import emit_json
    from ovenwright.storage.plan_file import plan_json_schema

    if args.json:
        emit_json(plan_json_schema())
    else:
        print(json.dumps(plan_json_schema(), indent=2, ensure_ascii=False))
    return 0


def _advise(args: argparse.Namespace, settings: Settings) -> int:
    from dataclasses import asdict

    from ovenwright.cli.show import emit_json
    from ovenwright.workflow.advice import Aims, advise
    from ovenwright.workflow.planning import checked_plan

    library = _library(settings)
    usual = Aims()
    aims = Aims(
        error_k=usual.error_k if args.error_k is None else args.error_k,
        time_share=usual.time_share if args.time_share is None else args.time_share,
        lethality_share=(
            usual.lethality_share if args.lethality_share is None else args.lethality_share
        ),
        coefficient_w_m2_k=args.coefficient,
    )
    advice = advise(checked_plan(args.file, library), library, aims=aims)
    if args.json:
        emit_json(asdict(advice))
    else:
        _show_advice(advice)
    return 0


def _show_advice(advice: Advice) -> None:
    from ovenwright.cli.show import say, show_table

    show_table(
        f"How often to read: {advice.title}",
        ("channel", "role", "change", "time", "lethality", "at most", "rule"),
        [_row(c) for c in advice.channels],
        right=(2, 3, 4, 5),
    )
    say(
        f"Read every {advice.interval_s:g} s (worked out: {advice.worked_out_s:.3g} s). Rule "
        f"{advice.rule} decided, on {advice.channel}: {advice.reason}."
    )
    missed = f"up to {advice.planned_missed_k:.2g} K may be missed between readings"
    if advice.planned_lethality_excess is not None:
        excess = advice.planned_lethality_excess * 100.0
        much = f"{excess:.2g} %" if excess >= 0.01 else "less than 0.01 %"
        missed += f"; the trapezoid rule would read lethality {much} high"
    judged = "That will do" if advice.planned_ok else "That is too slow"
    say(f"The plan asks for {advice.planned_s:g} s: {missed}. {judged}.")
    _show_size(advice)
    for line in advice.assumptions:
        say(f"Taken: {line}.")


def _row(channel: ChannelAdvice) -> tuple[str, ...]:
    seconds = [_seconds(channel.rules.get(rule)) for rule in ("change", "time", "lethality")]
    return (channel.channel, channel.role, *seconds, _seconds(channel.interval_s), channel.rule)


def _seconds(value: float | None) -> str:
    return "" if value is None else f"{value:.3g} s"


def _show_size(advice: Advice) -> None:
    from ovenwright.cli.show import say

    size = advice.size
    if size is None:
        say("How long the test lasts is not known: give recording.duration_s.")
        return
    say(
        f"{_hours(size.duration_s)} at {size.interval_s:g} s ({size.duration_from}): "
        f"{size.scans:,} rows of {_many(len(advice.channels), 'channel')}, {size.readings:,} readings. "
        f"Sealed run {_bytes(size.sealed_bytes)}, CSV {_bytes(size.csv_bytes)}, spreadsheet "
        f"{_bytes(size.xlsx_bytes)}."
    )
    for note in size.notes:
        say(f"! {note}.")
    if advice.battery is not None:
        battery = advice.battery
        say(
            f"Battery: {battery.answer}. It lasts {_hours(battery.life_s)}, "
            f"{battery.ratio:.3g} times the test."
        )


def _hours(seconds: float) -> str:
    return f"{seconds / 3600:.3g} h" if seconds >= 7200 else f"{seconds / 60:.3g} min"


def _bytes(span: tuple[int, int]) -> str:
    unit, name = (1e6, "MB") if span[1] >= 1e6 else (1e3, "kB")
    low, high = _two_digits(span[0] / unit), _two_digits(span[1] / unit)
    return f"about {high} {name}" if low == high else f"{low} to {high} {name}"


def _two_digits(value: float) -> str:
    """Write a number to two digits without an exponent."""
    return f"{float(f'{value:.2g}'):g}"


def _many(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"
