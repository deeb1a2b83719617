"""What earlier runs of a product told: bodies, departures from the model, and surroundings.

A record keeps, for each run and channel, a small cast of bodies that fitted the whole heating. The
next run starts from them, each moved a little: what all pieces have in common moves less than what
belongs to a sensor's place and that day's oven. It keeps the general priors as well, as half a run
beside those recorded, so that a product that turns out to be new is not forced into the record.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.errors import OutOfRange, TooLittleData
from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import Ensemble, draw_prior, joined
from ovenwright.modelling.fitting import Fit, departure_so_far, fit, past_surroundings
from ovenwright.modelling.heating import Heating
from ovenwright.modelling.priors import KNOWN_KINDS, PARAMETERS
from ovenwright.modelling.surroundings_ahead import EarlierCourse

# that the next run is of none of the kinds seen counts as half a run (the ½ that Krichevsky and
# Trofimov 1981, IEEE Trans Inf Theory 27:199, add to counts; from memory)
_NEW_KIND = 0.5
_KEPT = 60  # bodies kept for each channel
_COMMON_SPREAD = 0.25  # from piece to piece, in prior widths; our choice
_OWN_SPREAD = 0.5  # of place and exchange, from run to run; our choice
_FULL_SHARE = 0.85  # a core this near to its surroundings tells no more
_FALL_K = 12.0  # of the surroundings, after which heating has ended
_COURSE = 160


@dataclass(frozen=True, slots=True)
class RecordedChannel:
    """Bodies that fitted one channel: ``family`` (n,), ``z`` (parameters, n), ``departure`` (knots, n)."""

    name: str
    family: IntArray
    z: FloatArray
    departure: FloatArray


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """What one run told. ``since_s``, ``around_c`` (t,): surroundings since heating began."""

    run_id: str
    digest: str
    since_s: FloatArray
    around_c: FloatArray
    channels: tuple[RecordedChannel, ...]


@dataclass(frozen=True, slots=True)
class ProductRecord:
    """A product as its runs told it."""

    name: str
    kind: str
    runs: tuple[RecordedRun, ...]

    def __post_init__(self) -> None:
        if self.kind not in KNOWN_KINDS:
            raise OutOfRange("kind", got=self.kind, expected="one of " + ", ".join(KNOWN_KINDS))

    def joined_by(self, run: RecordedRun) -> ProductRecord:
        """Return the record with one more run, in place of an older fit of the same run."""
        others = tuple(r for r in self.runs if r.run_id != run.run_id)
        return replace(self, runs=(*others, run))

    @property
    def courses(self) -> tuple[EarlierCourse, ...]:
        """Surroundings of the runs."""
        return tuple(EarlierCourse(r.run_id, r.since_s, r.around_c) for r in self.runs)

    @property
    def origins(self) -> tuple[str, ...]:
        """Names of all channels, in the order that an ensemble's origin counts."""
        return tuple(c.name for r in self.runs for c in r.channels)


def heating_ends(heating: Heating) -> Heating:
    """Return a whole run cut to its heating: surroundings up, and each core until it is nearly full.

    Raises
    ------
    TooLittleData : if nothing is left
    """
    line = heating.around
    after = line.time_s >= heating.start_s
    time_s, temp_c = line.time_s[after], line.temp_c[after]
    if time_s.size < 8:
        raise TooLittleData("there is no heating in it", where=heating.run_id)
    window = max(3, time_s.size // 100)
    smooth = np.convolve(temp_c, np.ones(window) / window, mode="same")
    smooth[:window], smooth[-window:] = temp_c[:window], temp_c[-window:]
    # the last moment at which the surroundings were within a fall of the level they held longest
    level = float(np.median(temp_c[temp_c >= 0.5 * (temp_c.max() + heating.start_c)]))
    held = np.flatnonzero(smooth >= level - max(_FALL_K, 0.05 * (level - heating.start_c)))
    end_s = float(time_s[held[-1]]) if held.size else float(time_s[-1])
    cores = []
    for core in heating.cores:
        around = np.interp(core.time_s, line.time_s, line.temp_c)
        full = core.temp_c - heating.start_c > _FULL_SHARE * (around - heating.start_c)
        full &= (core.time_s > heating.start_s) & (core.temp_c - heating.start_c > 10.0)
        last = float(core.time_s[np.argmax(full)]) if full.any() else end_s
        cut = core.until(min(last, end_s))
        if cut.time_s.size >= 8:
            cores.append(cut)
    return replace(heating, around=line.until(end_s), cores=tuple(cores), until_s=end_s)


def whole_fit(
    heating: Heating, ensemble: Ensemble, *, seed: int = 1, origins: tuple[str, ...] = ()
) -> Fit:
    """Fit bodies to the whole heating of a run.

    What goes into a record is fitted from the general priors, nothing of a record in them.
    """
    return fit(heating, ensemble, cast=2 * _KEPT, seed=seed, origins=origins, all_channels=True)


def recorded(fitted: Fit, *, digest: str = "") -> RecordedRun:
    """Return what a fitted run adds to a record.

    Raises
    ------
    TooLittleData : if no channel could be fitted
    """
    if not fitted.channels:
        reasons = "; ".join(f"{n}: {w}" for n, w in fitted.refused.items())
        raise TooLittleData(f"no channel could be fitted ({reasons})", where=fitted.heating.run_id)
    channels = []
    for name, channel in fitted.channels.items():
        pick = np.linspace(0, channel.members - 1, min(_KEPT, channel.members)).astype(np.intp)
        channels.append(
            RecordedChannel(
                name=name,
                family=channel.ensemble.family[pick],
                z=channel.ensemble.z[:, pick],
                departure=departure_so_far(channel)[:, pick],
            )
        )
    since_s, around_c = past_surroundings(fitted.heating, most=_COURSE)
    return RecordedRun(fitted.heating.run_id, digest, since_s, around_c, tuple(channels))


def draw_recorded(
    record: ProductRecord, members: int, *, seed: int, dry_only: bool = False
) -> Ensemble:
    """Draw bodies for the next run: from the record, and from the general priors beside it.

    Parameters
    ----------
    record : with at least one run
    members : how many in all
    seed : of the draws
    dry_only : leave out what boils
    """
    general = draw_prior(
        members // 2, seed=seed, knots=KNOTS.size, kinds=record.kind, dry_only=dry_only
    )
    channels = [c for r in record.runs for c in r.channels]
    if not channels:
        return general
    rng = np.random.default_rng(seed)
    new_kind = _NEW_KIND / (1.0 + len(record.runs))
    spread = np.array([_OWN_SPREAD if p.own else _COMMON_SPREAD for p in PARAMETERS])[:, None]
    parts = [replace(general, log_weight=general.log_weight + np.log(new_kind))]
    each = max(1, (members - general.members) // len(channels))
    for origin, channel in enumerate(channels):
        pick = rng.integers(0, channel.family.size, each)
        centre = channel.z[:, pick]
        parts.append(
            Ensemble(
                family=channel.family[pick],
                z=centre + spread * rng.normal(size=centre.shape),
                centre=centre,
                spread=np.broadcast_to(spread, centre.shape).copy(),
                log_weight=np.full(each, np.log((1.0 - new_kind) / (each * len(channels)))),
                origin=np.full(each, origin),
                departure=channel.departure[:, pick],
            )
        )
    whole = joined(parts)
    return whole.take(np.flatnonzero(~whole.moist)) if dry_only else whole
