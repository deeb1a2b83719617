"""What a touch check proved: who reacted, who is dead or reversed, who was taken for whom."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ovenwright.conditioning.proof.touching import SHOWN_SHARE, TouchEvent, TouchKind
from ovenwright.domain.proof import Grade, Remark, TimeConstant

_SLOW = 3.0  # times the others of its kind
_PLANNED = (0.5, 2.0)
_COUNTED = (TouchKind.TOUCHED, TouchKind.REVERSED)


@dataclass(frozen=True, slots=True)
class Touched:
    """Summary of a touch check.

    ``turns`` are the channels that reacted, each once, in that order. ``identity`` maps a channel
    that reacted to the one it proved to be, where they differ. ``restless`` channels moved already
    when the watch began and were not touched after they had come to rest: alive, but not proved.
    """

    turns: tuple[str, ...]
    dead: tuple[str, ...]
    reversed_leads: tuple[str, ...]
    rise_k: Mapping[str, float]
    time_constants: Mapping[str, TimeConstant]
    identity: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()
    restless: tuple[str, ...] = ()


def weigh_touches(
    channels: Sequence[str],
    events: Sequence[TouchEvent],
    *,
    order: Sequence[str] = (),
    planned_s: Mapping[str, float] | None = None,
    silent: Sequence[str] = (),
) -> Touched:
    """Say what the events of a touch check prove.

    Parameters
    ----------
    channels : in plan order
    events : all that the watch told
    order : the order in which the sensors were touched, by what each really is; then the third that
        reacted *is* the third of it. Empty where the order means nothing
    planned_s : time constants of the plan
    silent : channels that delivered nothing at all, told elsewhere

    Returns
    -------
    the summary, with remarks and what to do about each
    """
    planned_s = planned_s or {}
    counted = [e for e in events if e.kind in _COUNTED]
    counted = _without_withdrawn(counted, events)
    turns: list[str] = []
    again: list[str] = []
    for e in counted:
        if e.channel not in turns:
            turns.append(e.channel)
        elif turns[-1] != e.channel and e.channel not in again:
            again.append(e.channel)
    last = {e.channel: e for e in counted}
    moved = restless_channels(events)
    restless = tuple(c for c in channels if c in moved and c not in turns)
    dead = tuple(c for c in channels if c not in turns and c not in silent and c not in restless)
    remarks = [_dead(c) for c in dead] if turns else [_nobody(channels)] if dead else []
    remarks += [_restless(c) for c in restless]
    wrong_way = tuple(c for c in turns if last[c].kind is TouchKind.REVERSED)
    remarks += [_reversed(c, last[c].rise_k) for c in wrong_way]
    for c in turns:
        remarks += _carried(last[c])
    remarks += _together(events, dead)
    identity: dict[str, str] = {}
    if order:
        identity = _identity(turns, order)
        remarks += _mistaken(identity)
        remarks += [_twice(c) for c in again]
    constants = {
        e.channel: e.time_constant
        for e in events
        if e.kind is TouchKind.TIME_CONSTANT and e.time_constant is not None and e.channel in last
    }
    remarks += _constants(constants, planned_s)
    return Touched(
        turns=tuple(turns),
        dead=dead,
        reversed_leads=wrong_way,
        rise_k={c: last[c].rise_k for c in turns},
        time_constants=constants,
        identity=identity,
        remarks=tuple(remarks),
        restless=restless,
    )


def restless_channels(events: Sequence[TouchEvent]) -> frozenset[str]:
    """Return the channels that moved already before their rest was known."""
    return frozenset(e.channel for e in events if e.kind is TouchKind.RESTLESS)


def _without_withdrawn(
    counted: Sequence[TouchEvent], events: Sequence[TouchEvent]
) -> list[TouchEvent]:
    """Leave out touches that a later event took back, as several had moved alike."""
    out = list(counted)
    for later in events:
        if later.kind not in (TouchKind.TOGETHER, TouchKind.MODULE_SHIFT):
            continue
        for name in later.others:
            mine = [e for e in out if e.channel == name and abs(e.at_s - later.at_s) < 10.0]
            if mine:
                out.remove(mine[-1])
    return out


def _nobody(channels: Sequence[str]) -> Remark:
    return Remark(
        Grade.FAULT,
        "touch",
        f"no touch was seen on any of {len(channels)} channels",
        "let the sensors rest first, then warm one after another for five to ten seconds, and give "
        "it more time: --seconds",
    )


def _dead(name: str) -> Remark:
    return Remark(
        Grade.FAULT,
        "touch",
        "did not react to any touch",
        "warm it once more for ten seconds; if nothing moves, the reading is not this sensor's: "
        "look for a short circuit at plug or terminals, a broken lead, or a wrong mapping",
        name,
    )


def _restless(name: str) -> Remark:
    return Remark(
        Grade.REMARK,
        "touch",
        "was moving already when the check began, and was not touched after it had come to rest: "
        "alive, but not proved",
        "let go of every sensor, begin the check, wait until it says that they rest, then warm "
        "this one for ten seconds",
        name,
    )


def _reversed(name: str, rise_k: float) -> Remark:
    way = "cooled" if rise_k < 0 else "warmed"
    right = "warm" if rise_k < 0 else "cool"
    return Remark(
        Grade.FAULT,
        "touch",
        f"{way} by {abs(rise_k):.1f} K when it should {right}: its leads are reversed",
        "swap the two wires at plug or terminals; if both ends of an extension are swapped, put "
        "both right",
        name,
    )


def _carried(event: TouchEvent) -> list[Remark]:
    out = []
    for c in event.carried:
        if abs(c.share) < SHOWN_SHARE:
            continue
        if c.at_once:
            out.append(
                Remark(
                    Grade.REMARK,
                    "touch",
                    f"moves by {c.share:.0%} of {event.channel} at the same moment",
                    "look for bare wires or plugs that touch, wet connectors, or an instrument "
                    "that switches channels too fast",
                    c.channel,
                )
            )
        else:
            out.append(
                Remark(
                    Grade.NOTE,
                    "touch",
                    f"was warmed along by {c.share:.0%} of {event.channel}, {c.delay_s:.1f} s "
                    "later: not counted",
                    "keep the tips apart",
                    c.channel,
                )
            )
    return out


def _together(events: Sequence[TouchEvent], dead: Sequence[str]) -> list[Remark]:
    out = []
    for e in events:
        group = (e.channel, *e.others)
        if e.kind is TouchKind.TOGETHER:
            open_still = [c for c in group if c in dead]
            out.append(
                Remark(
                    Grade.REMARK if open_still else Grade.NOTE,
                    "touch",
                    f"{', '.join(sorted(group))} moved alike: not counted",
                    "touch one at a time; if they always move alike, they are joined or mapped to "
                    "one input"
                    if open_still
                    else "",
                    e.channel,
                )
            )
        elif e.kind is TouchKind.MODULE_SHIFT:
            out.append(
                Remark(
                    Grade.REMARK,
                    "touch",
                    f"all of {', '.join(sorted(group))} shifted by about {e.rise_k:+.1f} K: that is "
                    "the module's reference junction, no finger",
                    "keep hands, draughts and sun off the instrument",
                )
            )
    return out


def _identity(turns: Sequence[str], order: Sequence[str]) -> dict[str, str]:
    """Map what reacted to what it is, where they differ.

    Those of the order that never reacted are left out of both: a dead sensor must not move all
    that come after it by one place.
    """
    meant = [c for c in order if c in turns]
    reacted = [c for c in turns if c in order]
    return {r: m for r, m in zip(reacted, meant, strict=True) if r != m}


def _mistaken(identity: Mapping[str, str]) -> list[Remark]:
    out = []
    told: set[str] = set()
    for reacted, meant in identity.items():
        if reacted in told:
            continue
        if identity.get(meant) == reacted:
            told.add(meant)
            what = f"{reacted} and {meant} are swapped: touching one moves the other"
        else:
            what = f"what the plan calls {reacted} is {meant}: touching {meant} moves it"
        out.append(
            Remark(
                Grade.FAULT,
                "touch",
                what,
                "swap plugs, or names in the plan's mapping, and touch them again",
                reacted,
            )
        )
    return out


def _twice(name: str) -> Remark:
    return Remark(
        Grade.REMARK,
        "touch",
        "was touched again after others: its first touch was taken for its turn",
        "if that was a slip, run the touch check again",
        name,
    )


def _constants(
    constants: Mapping[str, TimeConstant], planned_s: Mapping[str, float]
) -> list[Remark]:
    out = []
    known = {c: t.value_s for c, t in constants.items() if math.isfinite(t.value_s)}
    for name, found in constants.items():
        if not math.isfinite(found.value_s):
            out.append(
                Remark(
                    Grade.NOTE,
                    "touch",
                    f"no time constant: {found.reason}",
                    "warm it well, let it go at once and leave it for a minute",
                    name,
                )
            )
            continue
        others = sorted(v for c, v in known.items() if c != name)
        planned = planned_s.get(name)
        words = f"time constant {found.value_s:.3g} ± {2 * found.standard_s:.2g} s in still air"
        if len(others) >= 2 and found.value_s > _SLOW * others[len(others) // 2]:
            out.append(
                Remark(
                    Grade.REMARK,
                    "touch",
                    f"{words}, {found.value_s / others[len(others) // 2]:.1f} times the others'",
                    "look at its tip: a thicker sheath, a bad weld or something that clings to it",
                    name,
                )
            )
        elif planned is not None and not _PLANNED[0] <= found.value_s / planned <= _PLANNED[1]:
            out.append(
                Remark(
                    Grade.NOTE,
                    "touch",
                    f"{words}; the plan says {planned:g} s",
                    "moving oven air makes it faster than still air: keep the plan's value if it "
                    "was found in the oven",
                    name,
                )
            )
        else:
            out.append(Remark(Grade.NOTE, "touch", words, "", name))
    return out
