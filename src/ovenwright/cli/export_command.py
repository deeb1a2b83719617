"""`ovenwright export`: a run as CSV, XLSX, Parquet or CF-NetCDF."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.config import Settings
from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from ovenwright.workflow.exporting import Format

_BY_SUFFIX = {".csv": "csv", ".xlsx": "xlsx", ".parquet": "parquet", ".nc": "netcdf"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's arguments."""
    parser.add_argument(
        "run_ref", metavar="RUN", help="run id, a unique beginning of it, 'last', or a file"
    )
    parser.add_argument(
        "--format",
        choices=sorted(_BY_SUFFIX.values()),
        help="the format (default: by the end of the name given with -o, else csv)",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="file or folder to write into, - for standard output (csv only); left out, csv goes "
        "to a pipe where there is one, all else into RUN.csv and the like in this folder",
    )
    parser.add_argument(
        "--channels",
        action="append",
        default=[],
        metavar="A,B",
        help="only these channels, in this order; may be given several times",
    )
    parser.add_argument(
        "--unit",
        default="C",
        choices=["C", "F", "raw"],
        help="°C (default), °F, or the numbers as the instrument gave them",
    )
    parser.add_argument("--force", action="store_true", help="replace a file that is there")


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Write the file and say where it is."""
    from ovenwright.cli.show import emit_json, progress, say
    from ovenwright.compose import build
    from ovenwright.storage.wide import ExportUnit
    from ovenwright.workflow.exporting import Format, export_run, named_channels, stream_csv

    form = _format(args)
    unit = ExportUnit(args.unit)
    logbook = build(settings).logbook
    known = [c.name for c in logbook.facts(args.run_ref).channels]
    channels = named_channels(args.channels, known)
    piped = args.output is None and not args.json and not sys.stdout.isatty()
    if form is Format.CSV and (args.output == "-" or piped):
        stream_csv(logbook, args.run_ref, sys.stdout.buffer, channels=channels, unit=unit)
        sys.stdout.buffer.flush()
        return 0
    with progress("writing the export", quiet=args.json):
        told = export_run(
            logbook,
            args.run_ref,
            form,
            target=None if args.output is None else Path(args.output),
            channels=channels,
            unit=unit,
            overwrite=args.force,
        )
    if args.json:
        emit_json(
            {
                "run": told.run_id,
                "digest": told.digest,
                "format": told.format.value,
                "unit": told.unit.value,
                "path": str(told.path),
                "bytes": told.size_bytes,
                "channels": list(told.channels),
            }
        )
    else:
        say(f"{told.path}  ({told.size_bytes:,} bytes, {len(told.channels)} channels)")
    return 0


def _format(args: argparse.Namespace) -> Format:
    from ovenwright.workflow.exporting import Format

    if args.format is not None:
        form = Format(args.format)
    else:
        suffix = Path(args.output or "").suffix.lower()
        if suffix and suffix not in _BY_SUFFIX:
            raise UsageError(
                f"no export format ends in {suffix}",
                where=args.output,
                remedy="end the name in .csv, .xlsx, .parquet or .nc, or name a --format",
            )
        form = Format(_BY_SUFFIX.get(suffix, "csv"))
    if args.output == "-" and (form is not Format.CSV or args.json):
        raise UsageError(
            "only csv goes to standard output, and not beside --json", remedy="name a file with -o"
        )
    return form
