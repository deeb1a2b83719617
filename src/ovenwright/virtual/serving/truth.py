"""The truth beside what was served, written while it is served."""

from __future__ import annotations

import csv
import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from ovenwright.errors import StorageTrouble, UsageError
from ovenwright.virtual.running import Scan, planted_in, zone_spans
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.serving.frames import inputs_of, level_name, serial_of
from ovenwright.virtual.touching import BenchSpec

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_JSON_END = "\n]}\n"


def stamp_text(stamp_ns: int) -> str:
    """Return a stamp as ISO 8601 UTC to the millisecond."""
    at = _EPOCH + timedelta(microseconds=stamp_ns // 1000)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class TruthFile:
    """A file of truth: CSV, or JSON that is whole after every scan.

    For each scan: what was shown, ``true`` (what there is to feel where the sensor really sits) and
    ``meant`` (the same where it was meant to sit), °C. JSON also tells the channels, the faults that
    were planted, load-in, load-out and zones; on a bench, where both are the sensor's own temperature,
    who was touched from when to when.

    Raises
    ------
    UsageError : if the name ends in neither .csv nor .json
    StorageTrouble : if the file can't be written
    """

    def __init__(self, path: Path) -> None:
        if path.suffix.lower() not in {".csv", ".json"}:
            raise UsageError(
                f"{path.name!r} says not how to write the truth",
                remedy="let the name end in .json or .csv",
            )
        self._path = path
        self._as_csv = path.suffix.lower() == ".csv"
        try:
            self._out: TextIO = path.open("w", encoding="utf-8", newline="")
        except OSError as cause:
            raise StorageTrouble(
                f"the truth can't be written: {cause.strerror}",
                where=str(path),
                remedy="choose another place",
            ) from cause
        self._names: tuple[str, ...] = ()
        self._rows = 0

    def begin(self, scenario: Scenario, *, seed: int, speed: float, start_ns: int) -> None:
        """Write what is known beforehand."""
        self._names = tuple(s.name for s in scenario.sensors)
        if self._as_csv:
            heads = [
                f"{n} {what}" for n in self._names for what in ("shown_c", "true_c", "meant_c")
            ]
            csv.writer(self._out).writerow(["stamp", "elapsed_s", *heads])
        else:
            head = json.dumps(_facts(scenario, seed, speed, start_ns), ensure_ascii=False)
            self._out.write(head.removesuffix("}") + ', "scans": [' + _JSON_END)
        self._out.flush()

    def add(self, scan: Scan, *, elapsed_s: float, stamp_ns: int) -> None:
        """Write one scan."""
        shown, true, meant = (_plain(a) for a in (scan.reading_c, scan.tip_c, scan.ideal_c))
        if self._as_csv:
            cells = [x for row in zip(shown, true, meant, strict=True) for x in row]
            text = ["" if c is None else repr(c) for c in cells]
            csv.writer(self._out).writerow([stamp_text(stamp_ns), repr(elapsed_s), *text])
        else:
            row = {
                "stamp": stamp_text(stamp_ns),
                "elapsed_s": elapsed_s,
                "shown_c": shown,
                "true_c": true,
                "meant_c": meant,
            }
            # over the end mark and past it again, so that the file is whole at any moment
            self._out.seek(self._out.seek(0, os.SEEK_END) - len(_JSON_END))
            self._out.write((",\n" if self._rows else "\n") + json.dumps(row) + _JSON_END)
        self._rows += 1
        self._out.flush()

    def close(self) -> None:
        """Bring everything to the disk."""
        if not self._out.closed:
            self._out.flush()
            os.fsync(self._out.fileno())
            self._out.close()


def _plain(values: Any) -> list[float | None]:
    return [round(float(v), 6) if np.isfinite(v) else None for v in values]


def _facts(scenario: Scenario, seed: int, speed: float, start_ns: int) -> dict[str, Any]:
    place = {
        name: (module, number)
        for module, names in inputs_of(scenario).items()
        for number, name in enumerate(names, 1)
    }
    return {
        "title": scenario.title,
        "seed": seed,
        "speed": speed,
        "start": stamp_text(start_ns),
        "interval_s": scenario.interval_s,
        "load_in_s": scenario.lead_s,
        "load_out_s": scenario.load_out_s,
        "pressure_kpa": scenario.pressure_kpa,
        "modules": [
            {"name": m.name, "served_as": level_name(m.name), "serial": serial_of(m.name, seed)}
            for m in scenario.modules
        ],
        "channels": [
            {
                "name": s.name,
                "role": s.role,
                "module": place[s.name][0],
                "input": place[s.name][1],
                "wire": s.wire,
                "set_as": s.set_as or s.wire,
                "time_constant_s": s.time_constant_s,
            }
            for s in scenario.sensors
        ],
        "planted": [
            {
                "channel": p.channel,
                "kind": p.kind,
                "from_s": p.from_s,
                "to_s": p.to_s,
                "note": p.note,
            }
            for p in planted_in(scenario, seed=seed)
        ],
        "touches": [
            {"channel": t.sensor, "from_s": t.from_s, "to_s": t.to_s}
            for t in (scenario.oven.touches if isinstance(scenario.oven, BenchSpec) else ())
        ],
        "zones": [
            {"name": z.name, "from_s": z.from_s, "to_s": z.to_s, "setpoint_c": z.setpoint_c}
            for z in zone_spans(scenario)
        ],
    }
