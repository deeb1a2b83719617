"""How a check is shown: while it goes on, and what it came to."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from ovenwright.cli.show import WIDTH, say, show_table, worded
from ovenwright.config import Settings

if TYPE_CHECKING:
    from rich.table import Table

    from ovenwright.conditioning.proof.touching import TouchEvent
    from ovenwright.domain.proof import ChannelProof, Remark
    from ovenwright.workflow.proving import Proved
    from ovenwright.workflow.watching import Look

_SIGNS = {"fault": "✗", "remark": "!", "note": "·"}


def _temp(value_c: float, settings: Settings, digits: int = 1) -> str:
    if not math.isfinite(value_c):
        return "-"
    if settings.show_unit == "F":
        from ovenwright.physics.units import from_celsius

        return f"{float(from_celsius(value_c, 'degF')):.{digits}f}"
    return f"{value_c:.{digits}f}"


def _step(value_k: float, settings: Settings, digits: int = 2, *, signed: bool = False) -> str:
    if not math.isfinite(value_k):
        return "-"
    factor = 1.8 if settings.show_unit == "F" else 1.0
    return f"{value_k * factor:{'+' if signed else ''}.{digits}f}"


def event_words(event: TouchEvent) -> str:
    """Say one thing the touch watch saw, for a line on the screen; "" where the view shows it."""
    others = ", ".join(event.others)
    constant = event.time_constant
    if event.kind.value == "touched":
        return f"{event.turn}. {event.channel}: rose by {event.rise_k:.1f} K"
    if event.kind.value == "reversed":
        return f"{event.turn}. {event.channel}: went the wrong way ({event.rise_k:+.1f} K)"
    if event.kind.value == "together":
        return f"{event.channel} and {others} moved alike: not counted, touch one at a time"
    if event.kind.value == "module shift":
        return f"{event.channel}, {others} shifted as one: the instrument, no finger"
    if event.kind.value == "not at rest":
        return f"{event.channel}: not at rest yet, let go of it and wait"
    if constant is not None and math.isfinite(constant.value_s):
        return f"{event.channel}: time constant {constant.value_s:.3g} s"
    return ""


@contextmanager
def live_view(settings: Settings, *, quiet: bool) -> Iterator[Callable[[Look], None] | None]:
    """Yield what takes looks: a picture on a terminal, lines elsewhere, nothing when quiet."""
    if quiet:
        yield None
        return
    if not sys.stdout.isatty():
        yield _lines
        return
    from rich.console import Console
    from rich.live import Live

    console = Console()
    with Live(console=console, refresh_per_second=8, transient=True) as live:

        def watch(look: Look) -> None:
            for event in look.events:
                if words := event_words(event):
                    console.print(worded(words), highlight=False)
            live.update(_picture(look, settings))

        yield watch


def _lines(look: Look) -> None:
    for event in look.events:
        if words := event_words(event):
            say(words)


def _picture(look: Look, settings: Settings) -> Table:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    waiting = "keep hands off: the sensors come to rest" if not look.learnt else "touch one"
    if look.restless:
        waiting = f"not at rest yet: {', '.join(look.restless)}"
    done = sum(m.touched for m in look.moving)
    head = f"{look.elapsed_s:.0f} of {look.of_s:.0f} s, {look.readings} readings"
    if look.touch:
        head += f" – {waiting if not look.learnt or done < len(look.moving) else 'all touched'}"
        head += f", {done} of {len(look.moving)} done"
    table = Table(title=head, title_justify="left", box=box.SIMPLE_HEAD, width=WIDTH)
    table.add_column("channel")
    table.add_column(f"°{settings.show_unit}", justify="right")
    if look.touch:
        table.add_column("moved", justify="right")
        table.add_column("")
    for m in look.moving:
        style = "bold reverse" if m.leading else "green" if m.touched else ""
        cells = [m.channel, _temp(m.value_c, settings)]
        if look.touch:
            bar = "█" * min(int(abs(m.away_k)), 20)
            state = "this one" if m.leading else "done" if m.touched else "to do"
            cells += [_step(m.away_k, settings, 1, signed=True), f"{state} {bar}"]
        table.add_row(*(Text(c, style=style) for c in cells))
    return table


def show_proof(proved: Proved, settings: Settings, *, plan_file: Path) -> None:
    """Print what a check came to."""
    proof = proved.proof
    unit = settings.show_unit
    touch = any(c.touched is not None for c in proof.channels)
    bath = any(c.fixed_point is not None for c in proof.channels)
    columns = ["channel", f"°{unit}", "noise", "every s"]
    columns += ["off", "allowed"] if not bath else ["correction", "±"]
    columns += ["turn", "rise", "time constant s"] if touch else []
    show_table(
        f"{proved.title}: {proof.seconds:.0f} s, {', '.join(proof.checks)}",
        columns,
        [_row(c, settings, touch=touch, bath=bath) for c in proof.channels],
        right=tuple(range(1, len(columns))),
    )
    for module in proof.modules:
        said = [
            f"clock {module.clock_offset_s + 0.0:+.1f} s".replace("-0.0", "+0.0")
            if math.isfinite(module.clock_offset_s)
            else "",
            f"battery {module.battery:.0%}" if math.isfinite(module.battery) else "",
            f"signal {module.signal:g}" if math.isfinite(module.signal) else "",
            f"reference junction {_temp(module.reference_c, settings)} °{unit}"
            if math.isfinite(module.reference_c)
            else "",
        ]
        if any(said):
            say(f"{module.module or 'instrument'}: {', '.join(s for s in said if s)}")
    for (grade, what, remedy), channels in _grouped(proof.remarks).items():
        who = f"{', '.join(channels)}: " if channels else ""
        say(f"{_SIGNS[grade]} {who}{what}")
        if remedy:
            say(f"    {remedy}")
    for one in proved.remappings:
        say(f"→ in {one.instrument}, {one.key} should feed {one.proved!r}, not {one.was!r}")
    for channel, toml in proved.certificates.items():
        say(f"Calibration record for {channel}, into its table in {plan_file}:")
        print(toml, end="")
    say()
    say(f"{proof.readiness.value.capitalize()}." + (f" Kept: {proved.kept}" if proved.kept else ""))
    if proof.readiness.value != "not ready":
        say(f"Next: ovenwright record {plan_file}")


def _grouped(remarks: Sequence[Remark]) -> dict[tuple[str, str, str], list[str]]:
    """Tell the same of several channels once."""
    out: dict[tuple[str, str, str], list[str]] = {}
    for r in remarks:
        names = out.setdefault((r.grade.value, r.what, r.remedy), [])
        names += [r.channel] if r.channel else []
    return out


def _row(c: ChannelProof, settings: Settings, *, touch: bool, bath: bool) -> list[str]:
    row = [
        c.channel,
        _temp(c.value_c, settings, 2),
        _step(c.noise_k, settings, 3),
        f"{c.interval_s:.3g}" if math.isfinite(c.interval_s) else "-",
    ]
    if bath:
        point = c.fixed_point
        row += (
            [
                _step(point.correction_k, settings, signed=True),
                _step(point.expanded_uncertainty_k, settings),
            ]
            if point is not None
            else ["", ""]
        )
    else:
        row += [_step(c.offset_k, settings, signed=True), _step(c.allowed_k, settings)]
    if touch:
        t = c.time_constant
        known = t is not None and math.isfinite(t.value_s)
        row += [
            str(c.turn) if c.turn else "none",
            _step(c.rise_k, settings, 1, signed=True),
            f"{t.value_s:.3g} ± {2 * t.standard_s:.2g}" if t is not None and known else "-",
        ]
    return row
