"""What each module of the instrument says of one scan, whatever the protocol."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from enum import Enum

from ovenwright.virtual.instrument import NO_READING, SHOWN
from ovenwright.virtual.running import Scan
from ovenwright.virtual.scenario import Scenario

_FULL_H = 30.0  # hours a full battery lasts


class Shown(Enum):
    """What is shown where there is no number."""

    NOTHING = "nothing"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Frame:
    """One module's part of one scan.

    ``shown`` maps the number of the input, from 1, to °C or to why there is no number. ``stamp_ns``
    is the instrument's own time, ``battery`` percent, ``signal`` dBm.
    """

    module: str
    serial: str
    number: int
    sequence: int
    stamp_ns: int
    elapsed_s: float
    reference_c: float
    battery: float
    signal: int
    shown: dict[int, float | Shown]


def level_name(module: str) -> str:
    """Return a module's name as it stands in topics and lines: without spaces or slashes."""
    return "-".join(module.replace("/", " ").replace(";", " ").split()) or "module"


def inputs_of(scenario: Scenario) -> dict[str, tuple[str, ...]]:
    """Return each module's channels in the order of its inputs."""
    found: dict[str, list[str]] = {m.name: [] for m in scenario.modules}
    for sensor in scenario.sensors:
        found[sensor.module].append(sensor.name)
    return {module: tuple(names) for module, names in found.items()}


def serial_of(module: str, seed: int) -> str:
    """Return a serial number that stays the same for a module and a seed."""
    return f"VO{zlib.crc32(f'{seed} {module}'.encode()) % 1_000_000:06d}"


def frames_of(
    scenario: Scenario,
    scan: Scan,
    *,
    seed: int,
    sequence: int,
    stamp_ns: int,
    elapsed_s: float,
) -> tuple[Frame, ...]:
    """Return what every module says of a scan; ``elapsed_s`` goes on over several rounds."""
    index = {s.name: i for i, s in enumerate(scenario.sensors)}
    frames = []
    for m, (module, names) in enumerate(inputs_of(scenario).items()):
        shown: dict[int, float | Shown] = {}
        for number, name in enumerate(names, 1):
            mark = int(scan.mark[index[name]])
            if mark == SHOWN:
                shown[number] = float(scan.reading_c[index[name]])
            else:
                shown[number] = Shown.NOTHING if mark == NO_READING else Shown.OPEN
        weather = zlib.crc32(f"{seed} {module} {sequence // 20}".encode())
        frames.append(
            Frame(
                module=module,
                serial=serial_of(module, seed),
                number=m + 1,
                sequence=sequence,
                stamp_ns=stamp_ns,
                elapsed_s=elapsed_s,
                reference_c=round(float(scan.reference_c[m]), 2),
                battery=round(max(0.0, 96.0 - 100.0 * elapsed_s / (_FULL_H * 3600.0)), 1),
                signal=-58 - weather % 12,
                shown=shown,
            )
        )
    return tuple(frames)
