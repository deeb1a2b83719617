"""Does a fit know how much it knows: surface coefficient and diffusivity of bodies in the virtual oven.

Each seed puts an insulating dry ball or brick of known size into a tunnel oven whose numbers are
drawn anew: conductivity, heat capacity, air coefficient, setpoints. The virtual oven has its own
two-dimensional solver and its own sensors, and shares no code with the tool. The fit sees the mean of
air and wall, and the core; it is told the size, where the sensor sits and that nothing stands around the
piece. Counted is how often its 90 % interval holds the diffusivity and the coefficient that the oven
used. `--anything-around` leaves open whether there is a sleeve: the fit then puts some of the delay into one.

Truth is drawn from the ranges that the priors of the fit speak of, so a fit that learnt nothing
would still hold it in 90 %: the widths beside say how much was learnt.

Run: OMP_NUM_THREADS=1 python benchmarks/body_on_virtual_oven.py [--seeds 100] [--members 6000]
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import draw_prior
from ovenwright.modelling.fitting import fit
from ovenwright.modelling.heating import Heating, Line, begin, mean_line
from ovenwright.virtual.body import BodySpec
from ovenwright.virtual.grid import Section
from ovenwright.virtual.material import solid
from ovenwright.virtual.running import record
from ovenwright.virtual.scenario import ModuleSpec, Scenario, SensorSpec
from ovenwright.virtual.tunnel import TunnelSpec, ZoneSpec

SHAPES = {"ball": 2.0, "long": 0.0}


def one_run(seed: int) -> tuple[Heating, dict[str, float], dict[str, float]]:
    """A recording cut to what the fit may see; the truth; what is known."""
    rng = np.random.default_rng(seed)
    kind = ("ball", "long")[seed % 2]
    radius_m = float(np.clip(0.012 * np.exp(0.5 * rng.normal()), 0.006, 0.03))
    conductivity = float(0.3 * np.exp(0.5 * rng.normal()))
    capacity = float(2.2e6 * np.exp(0.3 * rng.normal()))
    coefficient = float(10.0 * np.exp(0.5 * rng.normal()))
    zones = tuple(
        ZoneSpec(f"zone {i + 1}", 6.0, float(t + 15.0 * rng.normal()), 26_000.0, coefficient, 8.0)
        for i, t in enumerate((180.0, 200.0, 210.0, 200.0))
    )
    # a slab as a brick so high that its middle knows nothing of its ends
    section = (
        Section("ball", radius_m, cells_r=24, cells_z=1)
        if kind == "ball"
        else Section("long", radius_m, 12.0 * radius_m, 0.2, cells_r=20, cells_z=12)
    )
    scenario = Scenario(
        title="pieces",
        oven=TunnelSpec("oven", zones, belt_speed_m_min=24.0 / 20.0),
        sensors=(
            SensorSpec("core", "core", time_constant_s=2.0),
            SensorSpec("air", "air", time_constant_s=5.0),
            SensorSpec("wall", "wall", time_constant_s=5.0),
        ),
        product=BodySpec(
            section,
            solid(
                "dry", density=1000.0, heat_capacity=capacity / 1000.0, conductivity=conductivity
            ),
            25.0,
            emissivity=0.85,
            evaporates=False,
            dries=False,
        ),
        modules=(ModuleSpec("gateway"),),
        interval_s=4.0,
        step_s=4.0,
        product_step_s=4.0,
    )
    run = record(scenario, seed=seed)
    core, air, wall = (
        Line(name, run.time_s, run.reading_c[:, i], lag_s=lag, noise_k=0.1)
        for i, (name, lag) in enumerate((("core", 2.0), ("air", 5.0), ("wall", 5.0)))
    )
    heating = begin(
        f"seed {seed}",
        mean_line((air, wall)),
        (core,),
        until_s=scenario.load_out_s,
        load_in_s=run.load_in_s,
    )
    truth = {"diffusivity": conductivity / capacity, "coefficient": coefficient}
    known = {"half_size_m": radius_m, "shape": SHAPES[kind] * 0.999 + 0.0005, "position": 0.0005}
    return heating, truth, known


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seeds", type=int, default=100)
    asked.add_argument("--members", type=int, default=6000)
    asked.add_argument("--anything-around", action="store_true")
    args = asked.parse_args()
    bare = None if args.anything_around else False
    held: dict[str, list[bool]] = {"diffusivity": [], "coefficient": []}
    widths: dict[str, list[float]] = {"diffusivity": [], "coefficient": []}
    off: dict[str, list[float]] = {"diffusivity": [], "coefficient": []}
    spent = []
    for seed in range(args.seeds):
        heating, truth, known = one_run(seed)
        prior = draw_prior(
            args.members, seed=1, knots=len(KNOTS), kinds="dry", known=known, in_sleeve=bare
        )
        begun = time.process_time()
        fitted = fit(heating, prior, all_channels=True)
        spent.append(time.process_time() - begun)
        if "core" not in fitted.channels:
            print(f"seed {seed}: refused, {fitted.refused['core']}")
            continue
        cast = fitted.channels["core"].ensemble
        values = {
            "diffusivity": cast.value("conductivity_w_m_k") / cast.value("heat_capacity_j_m3_k"),
            "coefficient": cast.value("coefficient_w_m2_k"),
        }
        for name, drawn in values.items():
            low, mid, high = np.quantile(drawn, [0.05, 0.5, 0.95])
            held[name].append(bool(low <= truth[name] <= high))
            widths[name].append(float(np.log(high / low)))
            off[name].append(float(np.log(mid / truth[name])))
    for name, inside in held.items():
        n = len(inside)
        print(
            f"{name}: truth in the 90 % interval {sum(inside)} of {n} "
            f"({100 * sum(inside) / n:.0f} %), median width ×{np.exp(np.median(widths[name])):.2f}, "
            f"median off {100 * np.expm1(np.median(off[name])):+.0f} %"
        )
    print(f"CPU of a fit: median {np.median(spent):.1f} s")


if __name__ == "__main__":
    main()
