"""What the surroundings may do next: as planned, as now, or as in earlier runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.modelling.heating import Heating

_STILL_MOVING = 0.25  # of the mean rate so far
_SLOWER = 0.8  # of the rate one window earlier: the move is ending; our choice
_SLOWING_SPREAD = 0.5  # of the logarithm of its time constant; our choice
_LIKE = 0.06  # an earlier run that far apart (share of the rise) has lost most of its say
_WANDER = 0.03  # of the rise, per elapsed time again; our choice


@dataclass(frozen=True, slots=True)
class EarlierCourse:
    """Surroundings of an earlier run: ``since_s`` (n,) since heating began, ``temp_c`` (n,)."""

    run_id: str
    since_s: FloatArray
    temp_c: FloatArray


@dataclass(frozen=True, slots=True)
class Ahead:
    """Drawn courses, (times, members), and on what they rest."""

    temp_c: FloatArray
    rests_on: str


def _now(heating: Heating) -> tuple[float, float, float, float]:
    """Return temperature now, its rate, the rise so far and the window of the rate."""
    line, elapsed = heating.around, heating.elapsed_s
    window = max(0.08 * elapsed, 3.0)
    recent = line.time_s >= heating.until_s - window
    if int(recent.sum()) >= 3:
        fit = np.polyfit(line.time_s[recent] - heating.until_s, line.temp_c[recent], 1)
        rate, now = float(fit[0]), float(fit[1])
    else:
        rate, now = 0.0, float(line.temp_c[-1])
    before = line.temp_c[line.time_s <= heating.start_s]
    base = float(np.median(before[-30:])) if before.size else heating.start_c
    return now, rate, now - min(base, heating.start_c), window


def _slowing(heating: Heating, rate: float, window: float) -> float | None:
    """Return the time constant with which a move of the surroundings dies away, None where it does not.

    A controller that reaches its setpoint, and any body near its end, lets the rate fall as an
    exponential; two windows one after the other tell how fast.
    """
    line = heating.around
    earlier = (line.time_s >= heating.until_s - 2.0 * window) & (
        line.time_s < heating.until_s - window
    )
    if int(earlier.sum()) < 3:
        return None
    before = float(np.polyfit(line.time_s[earlier], line.temp_c[earlier], 1)[0])
    if before * rate <= 0.0 or abs(rate) > _SLOWER * abs(before):
        return None
    return window / float(np.log(before / rate))


def as_now(
    heating: Heating, ahead_s: FloatArray, members: int, rng: np.random.Generator
) -> FloatArray:
    """Draw courses from what the surroundings do now.

    Where they still move, they go on for a time that is as open as the time they have moved
    (half of such moves end within another 0.4 of it; common practice, no source), and end abruptly
    or bend over; a move that has begun to slow down dies away as it does. Where they hold, they hold, with a wander.

    Parameters
    ----------
    heating : what is known
    ahead_s : (n,) times of the run, s, from now on
    members : how many courses
    rng : of the draws

    Returns
    -------
    (n, members) °C
    """
    now, rate, rise, window = _now(heating)
    elapsed = heating.elapsed_s
    scale = max(rise, 5.0)
    tau = np.maximum(ahead_s - heating.until_s, 0.0)[:, None]
    if abs(rate) * elapsed > _STILL_MOVING * scale:
        open_share = 0.4 * (1.0 / (1.0 - rng.random(members)) - 1.0)
        more_s = np.clip(elapsed * open_share, 1e-3, 5.0 * elapsed)
        bends = rng.random(members) < 0.5
        ends_s = _slowing(heating, rate, window)
        if ends_s is not None:
            # the rate was read half a window ago and has fallen further since
            rate *= float(np.exp(-0.5 * window / ends_s))
            more_s = ends_s * np.exp(_SLOWING_SPREAD * rng.normal(size=members))
            bends[:] = True
        bent = more_s * (1.0 - np.exp(-tau / more_s))
        course = now + rate * np.where(bends, bent, np.minimum(tau, more_s))
    else:
        share = rng.normal(0.5, 0.7, members)
        course = now + rate * window * share * (1.0 - np.exp(-tau / window))
    wander = _WANDER * scale * rng.normal(size=members)
    course = course + wander * np.sqrt(np.minimum(tau / elapsed, 4.0))
    return np.asarray(np.clip(course, -60.0, 1500.0))


def draw_ahead(
    heating: Heating,
    ahead_s: FloatArray,
    members: int,
    *,
    rng: np.random.Generator,
    earlier: tuple[EarlierCourse, ...] = (),
    planned: FloatArray | None = None,
) -> Ahead:
    """Draw courses of the surroundings.

    Parameters
    ----------
    heating : what is known
    ahead_s : (n,) times of the run, s, from now on
    members : how many courses
    rng : of the draws
    earlier : courses of earlier runs; those that look like this run so far are followed
    planned : (n,) °C at `ahead_s`, where the plan or a person says; followed with a wander
    """
    free = as_now(heating, ahead_s, members, rng)
    if planned is not None:
        scale = max(float(np.max(planned)) - heating.start_c, 5.0)
        offset = rng.normal(0.0, _WANDER * scale, members)
        return Ahead(planned[:, None] + offset, "surroundings as planned")
    followed = [_followed(heating, ahead_s, one) for one in earlier]
    known = [f for f in followed if f is not None]
    if not known:
        return Ahead(free, f"surroundings as {heating.around.name} is now, with what may change")
    say = np.array([say for _, say in known])
    # the next run is of a new kind with odds 1 : runs (rule of succession), unless none is alike
    shares = np.concatenate(([1.0], say)) / (1.0 + say.sum())
    pick = rng.choice(len(known) + 1, size=members, p=shares)
    _, _, rise, _ = _now(heating)
    course = free.copy()
    for i, (line, _) in enumerate(known):
        mine = pick == i + 1
        now = line[0]
        gain = rng.normal(1.0, 0.05, int(mine.sum()))
        tau = np.maximum(ahead_s - heating.until_s, 0.0)[:, None] / heating.elapsed_s
        wander = _WANDER * max(rise, 5.0) * rng.normal(size=int(mine.sum()))
        course[:, mine] = (
            now + (line - now)[:, None] * gain + wander * np.sqrt(np.minimum(tau, 1.0))
        )
    words = f"surroundings as in {len(known)} earlier run" + ("s" if len(known) > 1 else "")
    return Ahead(course, words + f", and as {heating.around.name} is now")


def _followed(
    heating: Heating, ahead_s: FloatArray, earlier: EarlierCourse
) -> tuple[FloatArray, float] | None:
    """Return an earlier run's course from now on, set on what is now, and how far it has a say."""
    line = heating.around
    seen = line.time_s >= heating.start_s
    since = line.time_s[seen] - heating.start_s
    if since.size < 3 or earlier.since_s[-1] <= heating.elapsed_s:
        return None
    then = np.interp(since, earlier.since_s, earlier.temp_c)
    now, _, rise, _ = _now(heating)
    apart = float(np.sqrt(np.mean((then - line.temp_c[seen]) ** 2))) / max(rise, 5.0)
    say = float(np.exp(-0.5 * (apart / _LIKE) ** 2))
    if say < 1e-3:
        return None
    course = np.interp(ahead_s - heating.start_s, earlier.since_s, earlier.temp_c)
    return now + course - course[0], say
