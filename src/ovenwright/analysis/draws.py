"""Monte Carlo draws of the errors: who shares a draw with whom, and what it does to a channel.

The true temperature is the reading plus an error that is a smooth function of temperature,
``delta(T) = sum of standard_k(T) * xi``, with one number ``xi`` a term and draw (JCGM 101:2008,
6.4 and 7.2). Because it is smooth, a drawn curve need never be built: a level is carried back to
the reading that would show it, and the recorded curve is asked about that reading instead.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.profile import Distribution, ErrorTerm, Scope

_NODES = 9  # of the local table a level is carried back through
_WIDEST = 6.0  # standard uncertainties that the table reaches to either side


class Draws:
    """A fixed number of draws; the same words give the same numbers, whatever was asked before."""

    def __init__(self, count: int, *, seed: int) -> None:
        self.count = count
        self.seed = seed
        self._kept: dict[tuple[str, ...], FloatArray] = {}

    def _generator(self, key: tuple[str, ...]) -> np.random.Generator:
        digest = hashlib.blake2b("\x1f".join(key).encode(), digest_size=16).digest()
        words = [int.from_bytes(digest[i : i + 4], "little") for i in range(0, 16, 4)]
        return np.random.Generator(np.random.PCG64([self.seed & 0xFFFFFFFFFFFFFFFF, *words]))

    def xi(
        self,
        *key: str,
        distribution: Distribution = Distribution.NORMAL,
        degrees_of_freedom: float = math.inf,
    ) -> FloatArray:
        """Return (count,) draws about zero with unit standard uncertainty, kept for the next ask.

        A normal term with few degrees of freedom is drawn from Student's t, as JCGM 101:2008
        6.4.9 says; its spread is then wider than one on purpose.
        """
        full = (*key, distribution.value, repr(degrees_of_freedom))
        kept = self._kept.get(full)
        if kept is None:
            kept = self._draw(full, distribution, degrees_of_freedom)
            kept.setflags(write=False)
            self._kept[full] = kept
        return kept

    def _draw(
        self, key: tuple[str, ...], distribution: Distribution, degrees_of_freedom: float
    ) -> FloatArray:
        rng = self._generator(key)
        n = self.count
        match distribution:
            case Distribution.NORMAL if degrees_of_freedom < 100:
                return rng.standard_t(max(degrees_of_freedom, 1.0), n)
            case Distribution.NORMAL:
                return rng.standard_normal(n)
            case Distribution.RECTANGULAR:
                return rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), n)
            case Distribution.TRIANGULAR:
                return rng.triangular(-math.sqrt(6.0), 0.0, math.sqrt(6.0), n)
            case Distribution.ARCSINE:
                return np.asarray(math.sqrt(2.0) * np.sin(rng.uniform(-math.pi, math.pi, n)))

    def share(self, *key: str) -> FloatArray:
        """Return (count,) draws spread evenly from 0 to 1."""
        return self.xi("share", *key, distribution=Distribution.RECTANGULAR) / (
            2.0 * math.sqrt(3.0)
        ) + np.float64(0.5)


class ChannelErrors:
    """What the budget says of one channel, drawn.

    ``noise_k`` is the standard deviation of one reading that nothing shares. A resolution that
    the noise does not stir is the same error for every reading of a plateau, so it is drawn once
    for the channel and not averaged away.
    """

    def __init__(
        self,
        name: str,
        terms: tuple[ErrorTerm, ...],
        draws: Draws,
        *,
        noise_k: float = 0.0,
        resolution_k: float = 0.0,
        lag_s: float = math.nan,
    ) -> None:
        self.name = name
        self.draws = draws
        self.lag_s = lag_s if math.isfinite(lag_s) and lag_s > 0 else 0.0
        noise = noise_k if math.isfinite(noise_k) else 0.0
        step = resolution_k if math.isfinite(resolution_k) else 0.0
        self._terms: list[tuple[FloatArray, FloatArray]] = []
        self._xi: list[FloatArray] = []
        stirred = noise > 0.5 * step
        per_reading = noise**2 + (step**2 / 12.0 if stirred else 0.0)
        for term in terms:
            if term.scope is Scope.READING:
                continue
            self._terms.append((term.at_c, term.standard_k))
            self._xi.append(
                draws.xi(
                    term.scope.value,
                    term.group,
                    term.source,
                    distribution=term.distribution,
                    degrees_of_freedom=term.degrees_of_freedom,
                )
            )
        if step > 0 and not stirred:
            self._terms.append((np.zeros(1), np.full(1, step / math.sqrt(12.0))))
            self._xi.append(draws.xi("resolution", name, distribution=Distribution.RECTANGULAR))
        self.noise_k = math.sqrt(per_reading)
        self.roughness_k = math.sqrt(noise**2 + step**2 / 12.0)
        self._levels: dict[float, FloatArray] = {}
        self._matrix: FloatArray | None = None

    @property
    def count(self) -> int:
        """Number of draws."""
        return self.draws.count

    @property
    def silent(self) -> bool:
        """True when no term moves the curve."""
        return not self._terms

    def standards(self, temp_c: FloatArray) -> FloatArray:
        """Return (k, t): every shared term's standard uncertainty at the temperatures (t,)."""
        return np.array([np.interp(temp_c, at, s) for at, s in self._terms]).reshape(
            len(self._terms), len(temp_c)
        )

    def standard_k(self, temp_c: float) -> float:
        """Return the combined standard uncertainty of what readings share at one temperature."""
        return float(np.sqrt(np.sum(self.standards(np.array([temp_c])) ** 2)))

    def xi(self) -> FloatArray:
        """Return (m, k): the draws of every shared term."""
        if self._matrix is None:
            self._matrix = np.stack(self._xi, axis=1) if self._xi else np.zeros((self.count, 0))
        return self._matrix

    def shift_k(self, temp_c: FloatArray, *, first: int | None = None) -> FloatArray:
        """Return (m, t): the error at the readings (t,), for all draws or the first few."""
        return self.xi()[:first] @ self.standards(temp_c)

    def mean_shift_k(self, temp_c: FloatArray, weight: FloatArray) -> FloatArray:
        """Return (m,): the error of a weighted mean over readings; weights (t,) add up to one."""
        return np.asarray(self.xi() @ (self.standards(temp_c) @ weight), dtype=np.float64)

    def reading_at(self, level_c: float) -> FloatArray:
        """Return (m,): the reading that stands for the true temperature ``level_c`` in each draw.

        Solves ``T + delta(T) = level`` by fixed point on a local table; the slope of the error is
        a few thousandths, so four rounds leave less than a microkelvin.
        """
        known = self._levels.get(level_c)
        if known is not None:
            return known
        if self.silent:
            found = np.full(self.count, level_c)
        else:
            reach = _WIDEST * self.standard_k(level_c) + 1e-9
            nodes = level_c + np.linspace(-reach, reach, _NODES)
            table = self.shift_k(nodes)
            step = nodes[1] - nodes[0]
            rows = np.arange(self.count)
            found = np.full(self.count, level_c)
            for _ in range(4):
                place = np.clip((found - nodes[0]) / step, 0.0, _NODES - 1.000001)
                cell = place.astype(np.intp)
                part = place - cell
                shift = table[rows, cell] * (1.0 - part) + table[rows, cell + 1] * part
                found = level_c - shift
        found.setflags(write=False)
        self._levels[level_c] = found
        return found

    def true_at(self, reading_c: float) -> FloatArray:
        """Return (m,): the true temperature behind one reading, noise aside."""
        shift = self.shift_k(np.array([reading_c]))[:, 0]
        return np.asarray(reading_c + shift, dtype=np.float64)

    def noise(self, *key: str) -> FloatArray:
        """Return (m,) standard normal draws of this channel's own, for effects of its noise."""
        return self.draws.xi("noise", self.name, *key)

    def late_s(self) -> FloatArray:
        """Return (m,): how late this sensor may show a change, evenly from 0 to its lag.

        A twentieth is put on top, because a time constant is hardly known better than that and a
        steady ramp is late by just one of them.
        """
        return np.asarray(self.draws.share("lag", self.name) * (1.05 * self.lag_s))
