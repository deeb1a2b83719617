"""`ovenwright restate`: put a wrong thermocouple type right, as a new run; the raw stays."""

from __future__ import annotations

import argparse

from ovenwright.config import Settings

_KINDS = ("B", "E", "J", "K", "N", "R", "S", "T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file"
    )
    parser.add_argument(
        "--channel",
        action="append",
        required=True,
        metavar="NAME",
        help="channel that was read as the wrong type; may be given several times",
    )
    parser.add_argument(
        "--recorded-as",
        required=True,
        type=str.upper,
        choices=_KINDS,
        help="type the instrument was set to",
    )
    parser.add_argument(
        "--actual", required=True, type=str.upper, choices=_KINDS, help="type of the wire"
    )
    junction = parser.add_mutually_exclusive_group()
    junction.add_argument(
        "--reference-c",
        type=float,
        metavar="T",
        help="temperature of the instrument's terminals, °C (default: as the instrument gave it, "
        "else 25 is assumed and said so)",
    )
    junction.add_argument(
        "--reference-channel", metavar="NAME", help="channel that recorded that temperature"
    )
    parser.add_argument(
        "--reference-uncertainty-k",
        type=float,
        metavar="U",
        help="standard uncertainty of that temperature, K",
    )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Seal the new run and show before and after."""
    from ovenwright.cli.show import emit_json, progress, say, show_table
    from ovenwright.compose import build
    from ovenwright.physics.units import difference_from_kelvin, from_celsius
    from ovenwright.workflow.restating import restate_run

    logbook = build(settings).logbook
    with progress("restating", quiet=args.json):
        told = restate_run(
            logbook,
            args.run_ref,
            channels=args.channel,
            recorded_as=args.recorded_as,
            actual=args.actual,
            reference=args.reference_channel or args.reference_c,
            reference_standard_k=args.reference_uncertainty_k,
        )
    names = ("lowest_c", "highest_c", "last_c")
    if args.json:
        emit_json(
            {
                "run": told.run.id,
                "digest": told.run.digest,
                "parent": told.parent.id,
                "parent_digest": told.parent.digest,
                "channels": [
                    {
                        "name": c.channel,
                        "recorded_as": c.recorded_as,
                        "actual": c.actual,
                        "reference_c": c.reference_c,
                        "reference_from": c.reference_words,
                        "reference_standard_uncertainty_k": c.reference_standard_k,
                        "before": dict(zip(names, c.before_c, strict=True)),
                        "after": dict(zip(names, c.after_c, strict=True)),
                        "largest_change_k": c.largest_change_k,
                        "standard_uncertainty_k": c.standard_k,
                        "readings": c.readings,
                        "lost": c.lost,
                    }
                    for c in told.channels
                ],
            }
        )
        return 0
    unit = "degF" if settings.show_unit == "F" else "degC"
    sign, step = ("°F", "°F") if unit == "degF" else ("°C", "K")
    rows: list[list[str]] = []
    for c in told.channels:
        for words, values in (
            (f"read as {c.recorded_as}", c.before_c),
            (f"restated as {c.actual}", c.after_c),
        ):
            cells = [f"{from_celsius(v, unit):.2f}" for v in values]
            rows.append([c.channel, words, *cells])
    show_table(
        f"Before and after, {sign}",
        ["channel", "", "lowest", "highest", "last"],
        rows,
        right=(2, 3, 4),
    )
    for c in told.channels:
        change = difference_from_kelvin(c.largest_change_k, unit)
        left = difference_from_kelvin(c.standard_k, unit)
        say(
            f"{c.channel}: largest change {change:+.2f} {step}; reference junction "
            f"{from_celsius(c.reference_c, unit):.2f} {sign}, {c.reference_words}, which leaves a "
            f"standard uncertainty of up to {left:.2g} {step}."
        )
        if c.lost:
            say(f"{c.channel}: {c.lost} readings that no such wire can give are now missing.")
    say(f"New run: {told.run.id}  (the run it was made from stays as it was sealed)")
    kinds = ", ".join(f'{c.channel}: sensor = "{c.actual}"' for c in told.channels)
    say(f"In the plan you judge it under, the sensor is now the actual one ({kinds}).")
    return 0
