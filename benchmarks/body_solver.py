"""How fast a moist body is heated, beside general solvers at the same error.

One bake of 34 min with an evaporation front, 60 nodes. Truth is our own march on 481 nodes with
fine steps. The general solvers get the same equations as d(heat content)/dt, in two forms: with
the front inside the node, as ours, and plain. Every solver runs at several tolerances; for each
of ours the cheapest setting of the other that is no worse is taken. Timed is the CPU of this
process, in turns, best of several turns, so that a busy machine slows all alike.

Run: OMP_NUM_THREADS=1 python benchmarks/body_solver.py [--members 500] [--turns 5]
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from ovenwright.physics.body_curve import PropertyCurve
from ovenwright.physics.body_march import Marched, march
from ovenwright.physics.body_parameters import BodyParameters
from ovenwright.physics.body_surroundings import Surroundings

Array = NDArray[np.float64]
END_S = 34 * 60.0
TIMES_S = np.arange(0.0, END_S + 1.0, 10.0)
START_C, BOILING_C, LATENT = 28.0, 100.0, 2.257e6
RADIUS_M, COEFFICIENT, EMISSIVITY = 0.05, 12.0, 0.9
WATER = 117.4  # kg/m³
AROUND = Surroundings(
    np.array([0.0, 60.0, 600.0, 1200.0, 1800.0, 2040.0]),
    np.array([150.0, 190.0, 215.0, 225.0, 210.0, 200.0]),
    wall_c=np.array([180.0, 200.0, 225.0, 235.0, 220.0, 215.0]),
)


def moist_k(temp_c: Array) -> Array:
    return 0.2 + 0.9 / (1.0 + np.exp(-0.1 * (temp_c - 80.01)))


def moist_heat(temp_c: Array) -> Array:
    kelvin = temp_c + 273.15
    water = 1000.0 * (5.207 - 7.317e-3 * kelvin + 1.35e-5 * kelvin**2)
    return 180.61 * (5.0 * kelvin + 25.0 + 0.65 * water)


def dry_heat(temp_c: Array) -> Array:
    return 321.31 * (5.0 * (temp_c + 273.15) + 25.0)


def body(members: int = 1, seed: int = 1) -> BodyParameters:
    spread = np.random.default_rng(seed).normal(size=(3, members)) * (0.1 if members > 1 else 0.0)
    return BodyParameters(
        half_size_m=RADIUS_M * np.exp(0.5 * spread[0]),
        shape=1.0,
        conductivity_w_m_k=PropertyCurve.of(moist_k, low_c=0.0, high_c=100.0).scaled(
            np.exp(spread[1])
        ),
        heat_capacity_j_m3_k=PropertyCurve.of(moist_heat, low_c=0.0, high_c=100.0),
        dry_conductivity_w_m_k=0.2,
        dry_heat_capacity_j_m3_k=PropertyCurve.of(dry_heat, low_c=90.0, high_c=250.0),
        coefficient_w_m2_k=COEFFICIENT * np.exp(2.0 * spread[2]),
        emissivity=EMISSIVITY,
        water_kg_m3=WATER,
        latent_j_kg=LATENT,
        boiling_c=BOILING_C,
    )


class Plain:
    """The same body as d(heat)/dt for a general solver; heat counts from the boiling point."""

    def __init__(self, nodes: int, *, front_inside: bool) -> None:
        self.front_inside = front_inside
        edges = np.concatenate(([0.0], (np.arange(nodes - 1) + 0.5) / (nodes - 1), [1.0]))
        self.area, self.volume = edges[1:-1], np.diff(edges**2) / 2.0 * RADIUS_M
        self.per_volume = 1.0 / self.volume
        self.spacing = RADIUS_M / (nodes - 1)
        wet_c, dry_c = np.linspace(0.0, 100.0, 201), np.linspace(100.0, 250.0, 301)
        wet = np.concatenate(
            ([0.0], np.cumsum(0.25 * (moist_heat(wet_c)[1:] + moist_heat(wet_c)[:-1])))
        )
        dry = np.concatenate(
            ([0.0], np.cumsum(0.25 * (dry_heat(dry_c)[1:] + dry_heat(dry_c)[:-1])))
        )
        self.latent = WATER * LATENT
        self.heat_knots = np.concatenate((wet - wet[-1], self.latent + dry))
        self.temp_knots = np.concatenate((wet_c, dry_c))
        self.start = np.full(nodes, np.interp(START_C, wet_c, wet - wet[-1]))
        self.wide = np.ones(nodes)
        self.wide[0] = self.wide[-1] = 0.5

    def temp(self, heat: Array) -> Array:
        return np.interp(heat, self.heat_knots, self.temp_knots)

    def face_flux(self, face_c: float, air_c: float, wall_c: float) -> tuple[float, float]:
        kelvin, wall = face_c + 273.15, wall_c + 273.15
        grey = EMISSIVITY * 5.670374419e-8
        return (
            COEFFICIENT * (air_c - face_c) + grey * (wall**4 - kelvin**4),
            COEFFICIENT + 4.0 * grey * kelvin**3,
        )

    def inward(self, node_c: float, skin: float, air_c: float, wall_c: float) -> float:
        flux, slope = self.face_flux(node_c, air_c, wall_c)
        if skin > 0.0:
            face = node_c + flux * skin / (1.0 + slope * skin)
            flux, slope = self.face_flux(face, air_c, wall_c)
            flux = (flux + slope * (face - node_c)) / (1.0 + slope * skin)
        return flux

    def face_c(self, time_s: float, heat: Array) -> float:
        node_c, gone = float(self.temp(heat)[-1]), float(np.clip(heat[-1] / self.latent, 0.0, 1.0))
        if not self.front_inside or gone in (0.0, 1.0):
            return node_c
        skin = 0.5 * gone * self.spacing * 5.0
        air_c = float(np.interp(time_s, AROUND.time_s, AROUND.air_c))
        wall_c = float(np.interp(time_s, AROUND.time_s, WALL))
        return node_c + skin * self.inward(node_c, skin, air_c, wall_c)

    def __call__(self, time_s: float, heat: Array) -> Array:
        temp_c = self.temp(heat)
        moist = moist_k(np.minimum(temp_c, 100.0))
        gone = np.clip(heat / self.latent, 0.0, 1.0)
        air_c = float(np.interp(time_s, AROUND.time_s, AROUND.air_c))
        wall_c = float(np.interp(time_s, AROUND.time_s, WALL))
        if self.front_inside:
            whole = gone >= 1.0
            depth = gone * self.wide
            far = np.where(whole, 2.5, depth * 5.0 + np.maximum(0.5 - 5.0 * gone, 0.0) / moist)
            near = np.where(whole, 2.5, np.clip(1.0 - gone, 0.05, 0.5) / moist)
            conductance = self.area / ((far[:-1] + near[1:]) * self.spacing)
            skin = 0.0 if whole[-1] else depth[-1] * self.spacing * 5.0
        else:
            k = np.where(gone > 0.5, 0.2, moist)
            conductance = self.area * 2.0 * k[1:] * k[:-1] / ((k[1:] + k[:-1]) * self.spacing)
            skin = 0.0
        flux = conductance * (temp_c[1:] - temp_c[:-1])
        inward = self.inward(float(temp_c[-1]), skin, air_c, wall_c)
        out = np.empty_like(heat)
        out[0] = flux[0]
        out[1:-1] = flux[1:] - flux[:-1]
        out[-1] = inward - flux[-1]
        out *= self.per_volume
        return out


WALL = np.asarray(AROUND.wall_c)


def cpu(task: Callable[[], Any]) -> tuple[float, Any]:
    begun = time.process_time()
    out = task()
    return time.process_time() - begun, out


def ours(nodes: int, tolerance_k: float, members: int = 1) -> Marched:
    return march(
        body(members),
        AROUND,
        start_c=START_C,
        out_times_s=TIMES_S,
        nodes=nodes,
        tolerance_k=tolerance_k,
    )


def errors(core: Array, surface: Array, truth: Marched) -> tuple[float, float]:
    """Worst core error, root mean square surface error after the first minute, K."""
    late = TIMES_S >= 60.0
    return (
        float(np.max(np.abs(core - truth.temp_c[:, 0, 0]))),
        float(np.sqrt(np.mean((surface - truth.surface_c[:, 0])[late] ** 2))),
    )


def general(
    method: str, nodes: int, rtol: float, *, front_inside: bool
) -> tuple[Array, Array, int]:
    equations = Plain(nodes, front_inside=front_inside)
    extra: dict[str, Any] = {"lband": 1, "uband": 1} if method == "LSODA" else {}
    if method == "BDF":
        from scipy.sparse import diags

        extra["jac_sparsity"] = diags(
            [1.0, 1.0, 1.0], [-1, 0, 1], shape=(nodes, nodes), dtype=np.float64
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = solve_ivp(
            equations, (0.0, END_S), equations.start, method=method, t_eval=TIMES_S,
            rtol=rtol, atol=rtol * 1e7, **extra,
        )  # fmt: skip
    core = np.array([equations.temp(h)[0] for h in found.y.T])
    face = np.array([equations.face_c(t, h) for t, h in zip(found.t, found.y.T, strict=True)])
    return core, face, int(found.nfev)


class Timed:
    """One solver at one setting: its errors, and the best of its times."""

    def __init__(self, name: str, solve: Callable[[], tuple[Array, Array, int]]) -> None:
        self.name, self._solve = name, solve
        self.seconds, self.error, self.work = np.inf, (np.inf, np.inf), 0

    def take_turn(self, truth: Marched) -> None:
        spent, (core, face, self.work) = cpu(self._solve)
        self.seconds = min(self.seconds, spent)
        self.error = errors(core, face, truth)

    def no_worse_than(self, other: Timed, *, face_too: bool) -> bool:
        good = self.error[0] <= 1.05 * other.error[0]
        return good and (not face_too or self.error[1] <= 1.05 * other.error[1])


def our_way(nodes: int, tolerance_k: float) -> Callable[[], tuple[Array, Array, int]]:
    def solve() -> tuple[Array, Array, int]:
        run = ours(nodes, tolerance_k)
        return run.temp_c[:, 0, 0], run.surface_c[:, 0], run.steps

    return solve


def general_way(
    method: str, nodes: int, rtol: float, *, front_inside: bool
) -> Callable[[], tuple[Array, Array, int]]:
    return lambda: general(method, nodes, rtol, front_inside=front_inside)


def update_cpu_s(members: int, nodes: int) -> float:
    """Best CPU time of going on by one second of data, all members with their own numbers."""
    many = body(members)
    state = march(
        many, AROUND, start_c=START_C, out_times_s=[900.0], nodes=nodes, tolerance_k=1.0
    ).state
    best = np.inf
    for second in range(1, 11):
        begun = time.process_time()
        state = march(many, AROUND, state=state, out_times_s=[900.0 + second], step_s=1.0).state
        best = min(best, time.process_time() - begun)
    return best


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--members", type=int, default=500)
    asked.add_argument("--nodes", type=int, default=60)
    asked.add_argument("--turns", type=int, default=5)
    args = asked.parse_args()
    truth = ours(481, 0.01)
    ours_timed = [
        Timed(f"ours, {t:g} K a step", our_way(args.nodes, t)) for t in (1.0, 0.5, 0.2, 0.1, 0.05)
    ]
    others = {
        method: [
            Timed(
                f"{method}, {'front inside' if inside else 'plain'}, rtol {rtol:g}",
                general_way(method, args.nodes, rtol, front_inside=inside),
            )
            for inside in (True, False)
            for rtol in (1e-2, 3e-3, 1e-3, 3e-4, 1e-4)
        ]
        for method in ("LSODA", "BDF")
    }
    everyone = [*ours_timed, *others["LSODA"], *others["BDF"]]
    for _ in range(args.turns):
        for one in everyone:
            one.take_turn(truth)
    print(
        f"truth: core ends at {truth.temp_c[-1, 0, 0]:.3f} °C, {1e3 * truth.dried_depth_m[-1, 0]:.2f} mm dry"
    )
    print(f"{'solver':34}{'core max K':>11}{'face rms K':>11}{'CPU ms':>9}{'work':>7}")
    for one in everyone:
        print(
            f"{one.name:34}{one.error[0]:11.4f}{one.error[1]:11.4f}{1e3 * one.seconds:9.1f}{one.work:7d}"
        )
    print(
        "\none bake, times as fast as the cheapest setting that is no worse (above 1: ours is faster)"
    )
    for face_too in (False, True):
        for mine in ours_timed:
            words = []
            for method, settings in others.items():
                fit = [o.seconds for o in settings if o.no_worse_than(mine, face_too=face_too)]
                words.append(
                    f"{method} {min(fit) / mine.seconds:5.2f}" if fit else f"{method} never as good"
                )
            print(
                f"  by {'core and face' if face_too else 'core':14} {mine.name:20} {'   '.join(words)}"
            )
    spent, run = cpu(lambda: ours(args.nodes, 0.5, args.members))
    each = spent / args.members
    fit = [o.seconds for o in others["BDF"] if o.no_worse_than(ours_timed[1], face_too=False)]
    print(
        f"\n{args.members} members together: {spent:.2f} s, {1e3 * each:.2f} ms each, {run.steps} steps"
    )
    print(f"  each {min(fit) / each:.0f} times cheaper than one BDF solve no worse by its core")
    for nodes in (13, 31, 41):
        print(
            f"1600 members on by one second, {nodes} nodes: {1e3 * update_cpu_s(1600, nodes):.0f} ms"
        )


if __name__ == "__main__":
    main()
