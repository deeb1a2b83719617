"""How far the readings narrowed each parameter, and what of the misfit is more than noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.modelling.fitting import ChannelFit, Fit
from ovenwright.modelling.priors import KINDS, PARAMETERS, family_words
from ovenwright.modelling.product_record import ProductRecord

_SLEEVE = ("sleeve_j_m2_k", "gap_w_m2_k", "gap_emissivity")
_NORMAL_95 = 1.6448536269514722
_FEWEST = (
    20.0  # bodies that carry a fit, below which a narrow spread may be their fewness; our choice
)


@dataclass(frozen=True, slots=True)
class Identified:
    """One parameter before and after the readings.

    ``kept`` is the posterior width over the prior width, both as standard deviations in the
    coordinate in which the prior is one wide; near 1 the readings told nothing.
    """

    parameter: str
    unit: str
    words: str
    median: float
    interval_90: tuple[float, float]
    prior_90: tuple[float, float]
    kept: float
    source: str
    enough: bool = True
    """False where so few bodies carry the fit that a narrow spread may be their fewness."""

    @property
    def told(self) -> bool:
        """Whether the readings narrowed it worth speaking of."""
        return self.enough and self.kept < 0.7


def likeliest_family(channel: ChannelFit) -> int:
    """Return the family that most of the cast belong to."""
    return int(np.argmax(np.bincount(channel.ensemble.family)))


def kind_shares(channel: ChannelFit) -> dict[str, float]:
    """Return how likely each kind of body is after the readings, in words."""
    sums = np.bincount(channel.ensemble.family) / channel.members
    return {family_words(i): float(s) for i, s in enumerate(sums) if s > 0.01}


def identified(channel: ChannelFit) -> tuple[Identified, ...]:
    """Return how far a channel's readings narrowed each parameter, within its likeliest kind."""
    enough = channel.effective >= _FEWEST
    return narrowed(channel.ensemble.family, channel.ensemble.z, enough=enough)


def few_words(channel: ChannelFit) -> str:
    """Say that a fit hangs on few bodies; "" where it does not."""
    if channel.effective >= _FEWEST:
        return ""
    return (
        f"so few of the bodies first drawn come near the readings (about {max(channel.effective, 1.0):.0f}) "
        "that what each parameter is can't be told from this fit; the course of its middle can be used"
    )


def recorded_parameters(record: ProductRecord) -> tuple[Identified, ...]:
    """Return what a record's runs told of the product itself, all their channels together.

    What belongs to a sensor's own place and exchange is left out: the next run has its own.
    """
    channels = [c for r in record.runs for c in r.channels]
    if not channels:
        return ()
    found = narrowed(
        np.concatenate([c.family for c in channels]),
        np.concatenate([c.z for c in channels], axis=1),
    )
    own = {p.name for p in PARAMETERS if p.own}
    return tuple(one for one in found if one.parameter not in own)


def recorded_kinds(record: ProductRecord) -> dict[str, float]:
    """Return how likely each kind of body is by a record, in words, the likeliest first."""
    families = [c.family for r in record.runs for c in r.channels]
    if not families:
        return {}
    shares = np.bincount(np.concatenate(families)) / sum(f.size for f in families)
    found = {family_words(i): float(s) for i, s in enumerate(shares) if s > 0.01}
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def narrowed(families: IntArray, z: FloatArray, *, enough: bool = True) -> tuple[Identified, ...]:
    """Return how far bodies narrowed each parameter, within the kind that most of them are.

    Parameters
    ----------
    families : (n,) of each body
    z : (parameters, n) their coordinates
    enough : whether there are enough of them for their spread to mean something
    """
    family = int(np.argmax(np.bincount(families)))
    mine = z[:, families == family]
    kind = KINDS[family // 2]
    out = []
    for i, parameter in enumerate(PARAMETERS):
        if parameter.name == "water_kg_m3" and not kind.moist:
            continue
        if parameter.name in _SLEEVE and family % 2 == 0:
            continue
        prior = kind.priors[parameter.name]
        low, middle, high = (float(v) for v in prior.value(np.quantile(mine[i], [0.05, 0.5, 0.95])))
        first, last = (float(v) for v in prior.value(np.array([-_NORMAL_95, _NORMAL_95])))
        out.append(
            Identified(
                parameter=parameter.name,
                unit=parameter.unit,
                words=parameter.words,
                median=middle,
                interval_90=(low, high),
                prior_90=(first, last),
                kept=float(min(np.std(mine[i]), 1.0)),
                source=prior.source,
                enough=enough,
            )
        )
    return tuple(out)


def misfit_words(fitted: Fit, name: str) -> str:
    """Say in plain words what of the misfit is more than noise; "" where nothing is.

    Looked at is the departure of the heating rate in each window, averaged over the cast: a
    stretch of windows in which it is one-sided and clearly above its own doubt.
    """
    channel = fitted.channels[name]
    mid = np.exp(channel.sight.windows.mid)
    now = channel.departure().now
    mean, width = now.mean(axis=1), now.std(axis=1)
    clear = (np.abs(mean) > 0.12) & (np.abs(mean) > 1.5 * width)
    if not clear.any():
        return ""
    k = int(np.argmax(np.where(clear, np.abs(mean), 0.0)))
    minutes = (fitted.heating.start_s + mid[k]) / 60.0
    much = 100.0 * abs(np.expm1(mean[k]))
    way = "slower" if mean[k] < 0 else "faster"
    return (
        f"around {minutes:.1f} min it heated {much:.0f} % {way} than the model can explain: "
        f"surroundings that no channel measures, contact that changed, or a body that is not one piece?"
    )
