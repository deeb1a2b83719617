"""Several files made one set of channels: following each other in time, or side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

import numpy as np

from ovenwright.domain.arrays import BoolArray
from ovenwright.domain.run import NS
from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings.choices import Join
from ovenwright.storage.readings.conclusions import ChannelFound, Concluded, FileFound, SetAside


@dataclass(frozen=True, slots=True)
class Joined:
    """The channels of all files, and everything there is to say about them."""

    channels: tuple[ChannelFound, ...]
    absolute: bool
    zone: str
    concluded: tuple[Concluded, ...]
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]
    reference_junction_c: float | None = None


def join_files(files: Sequence[FileFound], join: Join = Join.AUTO) -> Joined:
    """Join what was found in several files.

    Channels of other names stand side by side, each on its own times; nothing is interpolated.
    Channels of the same name follow each other in time; readings that two files hold alike are
    kept once. Where they overlap otherwise, a person has to say what is meant.

    Raises
    ------
    ReadingsRefused : if files can't be put on one time axis, or overlap without a rule
    """
    kinds = {f.absolute for f in files}
    if len(kinds) > 1:
        bare = next(f for f in files if not f.absolute)
        raise ReadingsRefused(
            "has elapsed times only, while another file has dates: they can't be put on one axis",
            file=bare.file,
            option="--start with the date and time of its zero, or import it by itself",
        )
    notes: list[str] = []
    many = len(files) > 1
    for f in files:
        notes += [f"{f.file}: {n}" if many else n for n in f.notes]
    if join is Join.AFTER and many:
        files = _chained(files, notes)
    if join is Join.BESIDE and many:
        files = [_told_apart(f, files) for f in files]
    merged: dict[str, ChannelFound] = {}
    origin: dict[str, str] = {}
    joined: dict[str, int] = {}
    for f in files:
        for channel in f.channels:
            known = merged.get(channel.name)
            if known is None:
                merged[channel.name] = channel
                origin[channel.name] = f.file
                continue
            merged[channel.name], said = _followed(known, channel, f, origin[channel.name], join)
            joined[said] = joined.get(said, 0) + 1
    for said, count in joined.items():
        if said:
            notes.append(f"{said} ({count} channels)")
    if many and not files[0].absolute and join is not Join.AFTER:
        notes.append("the files have elapsed times only: their zeros were laid on each other")
    junction = [f.reference_junction_c for f in files if f.reference_junction_c is not None]
    return Joined(
        channels=tuple(merged.values()),
        absolute=files[0].absolute,
        zone=files[0].zone,
        concluded=_conclusions(files),
        set_aside=tuple(dict.fromkeys(a for f in files for a in f.set_aside)),
        notes=tuple(dict.fromkeys(notes)),
        reference_junction_c=junction[0] if len(set(junction)) == 1 else None,
    )


def _conclusions(files: Sequence[FileFound]) -> tuple[Concluded, ...]:
    if len(files) == 1:
        return files[0].concluded
    return tuple(
        dict.fromkeys(
            replace(c, about=f"{f.file}: {c.about}") if not c.certain else c
            for f in files
            for c in f.concluded
        )
    )


def _chained(files: Sequence[FileFound], notes: list[str]) -> list[FileFound]:
    """Let every file begin one interval after the one before it ended."""
    if files[0].absolute:
        raise ReadingsRefused(
            "has dates, so its place in time is known",
            file=files[0].file,
            option="--join time instead of --join after",
        )
    chained = [files[0]]
    end = _end(files[0])
    for f in files[1:]:
        begin = min(int(c.time_ns[0]) for c in f.channels)
        shift = end + _interval(f) - begin
        moved = tuple(replace(c, time_ns=c.time_ns + shift) for c in f.channels)
        chained.append(replace(f, channels=moved))
        end = _end(chained[-1])
        notes.append(f"{f.file}: laid after the file before it, {shift / NS:g} s later")
    return chained


def _end(f: FileFound) -> int:
    return max(int(c.time_ns[-1]) for c in f.channels)


def _interval(f: FileFound) -> int:
    steps = np.diff(max((c.time_ns for c in f.channels), key=lambda t: t.size))
    return int(np.median(steps)) if steps.size else NS


def _told_apart(f: FileFound, files: Sequence[FileFound]) -> FileFound:
    others = {c.name for g in files if g is not f for c in g.channels}
    stem = PurePath(f.file).name.split(".")[0]
    if sum(PurePath(g.file).name.split(".")[0] == stem for g in files) > 1:
        stem = f"{stem} {list(files).index(f) + 1}"
    channels = tuple(
        replace(c, name=f"{c.name} ({stem})") if c.name in others else c for c in f.channels
    )
    return replace(f, channels=channels)


def _followed(
    known: ChannelFound, new: ChannelFound, f: FileFound, first: str, join: Join
) -> tuple[ChannelFound, str]:
    """Return two stretches of one channel as one, and what there is to say."""
    if known.unit != new.unit:
        raise ReadingsRefused(
            f"channel {new.name!r} is in {new.unit} here and in {known.unit} in {first}",
            file=f.file,
            option="--unit, or --join beside",
        )
    if new.time_ns[0] > known.time_ns[-1] or new.time_ns[-1] < known.time_ns[0]:
        return _sorted(known, new, np.ones(new.time_ns.size, np.bool_)), ""
    at = np.searchsorted(known.time_ns, new.time_ns)
    at = np.minimum(at, known.time_ns.size - 1)
    shared = known.time_ns[at] == new.time_ns
    a, b = known.value[at[shared]], new.value[shared]
    alike = bool(np.all((a == b) | (np.isnan(a) & np.isnan(b))))
    inside = (new.time_ns >= known.time_ns[0]) & (new.time_ns <= known.time_ns[-1])
    if alike and bool((shared == inside).all()):
        return (
            _sorted(known, new, ~shared),
            f"{f.file}: repeats readings of {first}; they were kept once",
        )
    if join is Join.TIME:
        dropped = int(inside.sum())
        return (
            _sorted(known, new, ~inside),
            f"{f.file}: {dropped} readings a channel lie within {first} and were left out",
        )
    option = "--join time (the first file wins) or --join beside (two sensors of one name)"
    if not f.absolute:
        option = "--join after (one follows the other) or --join beside (they ran side by side)"
    raise ReadingsRefused(
        f"channel {new.name!r} overlaps in time with the same name in {first}, and the readings "
        "differ",
        file=f.file,
        option=option,
    )


def _sorted(known: ChannelFound, new: ChannelFound, take: BoolArray) -> ChannelFound:
    time = np.concatenate((known.time_ns, new.time_ns[take]))
    order = np.argsort(time, kind="stable")
    return replace(
        known,
        time_ns=time[order],
        value=np.concatenate((known.value, new.value[take]))[order],
        quality=np.concatenate((known.quality, new.quality[take]))[order],
    )
