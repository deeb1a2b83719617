"""Boiling: which nodes boil, when their last water goes, and what has boiled off.

A node that dries also warms: the layer outside its front has a steep profile, and when the last
water goes the node's middle is as warm as that profile there. That heat is taken up along with
the latent heat, so that neither face nor flux jumps when a node has dried.
"""

from __future__ import annotations

import copy

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.body_front import Layers, front_layers
from ovenwright.physics.body_grid import BodyGrid
from ovenwright.physics.body_material import Material, Phase
from ovenwright.physics.body_moment import AtBoiling, Held, Moment, Stage, Totals

_PATIENT = 3  # turns after which a node found dry stays so


class Boiling:
    """Everything about boiling that stays as it is, laid out for the step."""

    def __init__(
        self,
        material: Material,
        grid: BodyGrid,
        *,
        latent_j_kg: FloatArray,
        two_faces: bool,
        settled_k: float,
    ) -> None:
        self._material, self._grid, self._latent_j_kg = material, grid, latent_j_kg
        self._two_faces, self._settled_k = two_faces, settled_k
        self._skin = 0.5 * grid.spacing_m / material.dry_layer_k
        self._crust = self._skin * material.dry_heat_j_m3_k

    def layers(self, left: FloatArray) -> Layers:
        """Lay out the resistances around the front for the share of water left."""
        return front_layers(
            left, grid=self._grid, dry_k=self._material.dry_layer_k, two_faces=self._two_faces
        )

    def skin(self, left: FloatArray) -> FloatArray:
        """Resistance of what has dried outside the outermost node, m² K/W."""
        dried = np.minimum(np.maximum(1.0 - left[-1], 0.0), 1.0)
        if self._two_faces:
            dried = np.where(left[-2] < left[-1], 0.0, dried)
        return np.asarray(np.where(dried < 1.0, dried, 0.0) * self._skin)

    def look_ahead(self, now: Moment, step_s: float) -> None:
        """Lay out the front where it will be in the middle of the step, by its speed of late.

        Taken as it is at the start, the step would be first order only.
        """
        left, kept, latent = now.left, now.kept, self._material.latent_j_m3
        if left is None or kept is None:
            return
        boils = now.phase.moist & (now.temp_c >= now.phase.cap_c)
        if not bool(boils.any()):
            if now.layers.left is not left:
                now.layers = self.layers(left)
            now.ahead = AtBoiling(np.zeros_like(left), left * latent, left * latent - kept)
            return
        goes = now.rate * (0.5 * step_s) / latent
        goes = np.minimum(np.maximum(goes, 0.0), left)
        now.layers = self.layers(np.where(boils, left - goes, left))
        flux = now.layers.between(now.k, self._grid.area) * (now.temp_c[1:] - now.temp_c[:-1])
        flux /= self._grid.area
        warms = np.empty_like(left)
        warms[:-1] = flux
        warms[-1] = now.inward
        if self._two_faces:
            warms[1:] = np.maximum(warms[1:], -flux)
            if now.under is not None:
                warms[0] = np.maximum(warms[0], now.under)
        warms *= self._crust
        warms = np.where(boils, np.minimum(np.maximum(warms, 0.0), latent), 0.0)
        above = left * latent - kept
        now.ahead = AtBoiling(warms, np.maximum(above + warms, 0.0), above)

    def pass_on(self, now: Moment, first: Stage, base: FloatArray, early: FloatArray) -> FloatArray:
        """Give what a node that dries in this step would take beyond that to the next one inside.

        The second stage starts from the pace of the first, at which such a node still boiled;
        once dry it takes up little, and the heat goes on to the node behind. Changes `base`;
        returns the pace for the first guess.
        """
        if now.ahead is None:
            return early
        over = now.phase.moist & (base > now.ahead.plateau)
        if not bool(over.any()):
            return early
        volume = self._grid.volume_m
        most = np.where(first.phase.moist, 0.0, first.heat)
        excess = np.where(over, np.maximum(base - np.maximum(now.ahead.plateau, most), 0.0), 0.0)
        if self._two_faces and now.left is not None:
            upwards = np.zeros(over.shape, dtype=bool)
            upwards[1:-1] = now.left[:-2] < now.left[2:]
            upwards[0] = True
            upwards[-1] = False
        else:
            upwards = None
            excess[0] = 0.0
        base -= excess
        excess *= volume
        inwards = excess if upwards is None else np.where(upwards, 0.0, excess)
        base[:-1] += inwards[1:] / volume[:-1]
        if upwards is not None:
            base[1:] += np.where(upwards, excess, 0.0)[:-1] / volume[1:]
        return np.where(over, 0.0, early)

    def of(self, material: Material) -> Boiling:
        """Return one for the rounds of other members, of that material."""
        out = copy.copy(self)
        out._material = material  # noqa: SLF001  # our own
        return out

    def settled(
        self, at: Held, phase: Phase, boils: NDArray[np.bool_], *,
        heat: FloatArray, line_c: FloatArray, capacity: FloatArray, turn: int,
    ) -> NDArray[np.bool_]:  # fmt: skip
        """Return which members have no node that came to boil or dry out, (members,)."""
        assert at.ahead is not None  # noqa: S101  # something boils
        # a boiling node is judged by its heat, any other by its temperature
        over_k = line_c - self._material.boiling_c
        beyond_k = heat - np.minimum(np.maximum(heat, 0.0), at.ahead.plateau)
        beyond_k /= capacity
        np.abs(beyond_k, out=beyond_k)
        beyond_k = np.where(boils, beyond_k, over_k)
        if phase is not at.phase:
            dry = at.phase.moist & ~phase.moist  # dried out within this stage
            # neither dry nor boiling may fit just as the last water goes: then let it be dry
            beyond_k = np.where(dry, -over_k if turn < _PATIENT else 0.0, beyond_k)
        # a node without water has nothing to settle
        beyond_k = np.where(at.phase.moist, beyond_k, 0.0)
        return np.asarray(np.maximum.reduce(beyond_k, axis=0) < self._settled_k)

    def mend(
        self, at: Held, phase: Phase, boils: NDArray[np.bool_], *,
        heat: FloatArray, line_c: FloatArray, capacity: FloatArray, turn: int,
    ) -> tuple[FloatArray, NDArray[np.bool_], Phase]:  # fmt: skip
        """Let nodes boil or dry out as they have come to: next temperatures, what boils, phase."""
        ahead = at.ahead
        assert ahead is not None  # noqa: S101  # something boils
        boiling_c, moist = self._material.boiling_c, at.phase.moist
        hot = line_c >= boiling_c
        dry = None if phase is at.phase else moist & ~phase.moist
        ends = boils & (heat > ahead.plateau)
        if dry is not None:
            ends |= dry if turn >= _PATIENT else dry & hot
        fallen = boils & (heat < 0.0)
        boils = moist & ~ends & ~fallen & (boils | hot if dry is None else boils | dry | hot)
        next_c = np.where(boils, boiling_c, line_c)
        next_c = np.where(fallen, boiling_c + heat / capacity, next_c)
        next_c = np.where(
            ends & (line_c <= boiling_c), boiling_c + (heat - ahead.above) / capacity, next_c
        )
        return next_c, boils, self._material.phase(moist & ~ends) if ends.any() else at.phase

    def boil_off(
        self, now: Moment, second: Stage, heat: FloatArray, left: FloatArray, totals: Totals
    ) -> tuple[FloatArray, FloatArray, FloatArray, Phase, FloatArray]:
        """Turn heat beyond the boiling point into vapour; nodes without water become dry."""
        material, volume = self._material, self._grid.volume_m
        kept = now.kept if now.kept is not None else np.zeros_like(heat)
        temp_c = second.temp_c
        # a node that the stage found dry is dry, though its middle is not as warm yet
        dry = now.phase.moist & ~second.phase.moist
        if bool(dry.any()):
            dry &= heat + kept >= left * material.latent_j_m3
        over = dry | (now.phase.moist & (heat > 0.0))
        ahead = now.ahead
        nodes = np.nonzero(over)
        if ahead is not None and nodes[0].size:
            whole, had = material.latent_j_m3[nodes[1]], left[nodes]
            latent, warms, came = had * whole, ahead.warms[nodes], heat[nodes] + kept[nodes]
            done = dry[nodes] | (came >= latent + warms)
            # water gone d and heat of the layer warms · d² share what came: the root of that
            taken = whole - latent + came
            root = np.sqrt(whole * whole + 4.0 * warms * np.maximum(taken, 0.0))
            gone = 2.0 * taken / (whole + root)
            after = warms * np.square(np.maximum(gone, 0.0))
            off = np.where(done, latent, came - after)
            boiled = np.bincount(nodes[1], volume[nodes] * off, minlength=heat.shape[1])
            totals.boiled = totals.boiled + boiled
            totals.vapour_kg_m2 = totals.vapour_kg_m2 + boiled / self._latent_j_kg
            heat, kept, left = heat.copy(), kept.copy(), left.copy()
            heat[nodes] = np.where(done, came - latent, 0.0)
            kept[nodes] = np.where(done, 0.0, after)
            left[nodes] = np.where(done, 0.0, 1.0 - gone)
        # a node that has fallen below boiling gives the heat of its layer back
        back = (kept > 0.0) & ~over
        if bool(back.any()):
            heat = np.where(back, heat + kept, heat)
            was_kept, kept = kept, np.where(back, 0.0, kept)
            temp_c = np.where(back, temp_c + was_kept * now.per_heat, temp_c)
        moist = left > 0.0
        ended = now.phase.moist & ~moist
        if not bool(ended.any()):
            return heat, left, kept, now.phase, np.where(over, material.boiling_c, temp_c)
        phase = material.phase(moist)
        # water that dried off below boiling takes its own heat content along
        cold = ended & (heat < 0.0)
        if bool(cold.any()):
            was = material.evaluate(temp_c, now.phase)
            node_c = np.where(cold, temp_c + (heat - was[2]) / was[1], temp_c)
            stays = material.evaluate(node_c, phase)[2]
            carried = np.where(cold, heat - stays, 0.0)
            totals.carried = totals.carried + np.sum(volume * carried, axis=0)
            heat = heat - carried
            temp_c = node_c
        dry_c = material.boiling_c + np.maximum(heat, 0.0) / material.evaluate(temp_c, phase)[1]
        temp_c = np.where(ended & ~cold, dry_c, temp_c)
        return heat, left, kept, phase, np.where(over & moist, material.boiling_c, temp_c)
