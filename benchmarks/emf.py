"""EMF to temperature: values per second beside the PyPI libraries, and how far from exact.

Run: python benchmarks/emf.py [values]
"""

from __future__ import annotations

import importlib
import sys
import time
from collections.abc import Callable
from decimal import Decimal, getcontext

import numpy as np
from numpy.typing import NDArray

from ovenwright.physics import thermocouple
from ovenwright.physics.thermocouple_tables import PIECES

VALUES = 10_000_000
SLOW_VALUES = 20_000  # what a scalar library is given; its rate is per value
CHECKED = 400
ASKED_RATE, ASKED_RATIO, ASKED_ERROR_K = 5e7, 50.0, 1e-3


def best_of(run: Callable[[], object], times: int) -> float:
    """Return the shortest of some runs, after one to warm up."""
    run()
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        spent.append(time.perf_counter() - start)
    return min(spent)


def exact_emf(temp_c: Decimal, kind: str) -> Decimal:
    """Evaluate the reference function with 40 digits."""
    pieces = PIECES[kind]
    piece = next((p for p in pieces if temp_c <= Decimal(p.high_c)), pieces[-1])
    total = Decimal(0)
    for c in reversed(piece.coefficients):
        total = total * temp_c + Decimal(repr(c))
    if piece.bump is not None:
        a0, a1, a2 = (Decimal(repr(a)) for a in piece.bump)
        total += a0 * (a1 * (temp_c - a2) ** 2).exp()
    return total


def exact_temperature(emf_mv: Decimal, kind: str) -> Decimal:
    """Invert the reference function by bisection with 40 digits."""
    low_c, high_c = thermocouple.temperature_range_c(kind)
    low, high = Decimal(250.0 if kind == "B" else low_c), Decimal(high_c)
    for _ in range(70):
        middle = (low + high) / 2
        low, high = (middle, high) if exact_emf(middle, kind) < emf_mv else (low, middle)
    return (low + high) / 2


def worst_error_k(kind: str, low_c: float, high_c: float) -> float:
    """Return the largest departure from exact inversion, on values spread over a range."""
    getcontext().prec = 40
    rng = np.random.default_rng(11)
    mv = thermocouple.emf(rng.uniform(low_c, high_c, CHECKED), kind)
    ours = thermocouple.temperature(mv, kind)
    exact = [float(exact_temperature(Decimal(float(e)), kind)) for e in mv]
    return float(np.max(np.abs(ours - exact)))


def its90_rate(mv: NDArray[np.float64], kind: str) -> float:
    """Values per second of thermocouple-its90, which takes one value at a time."""
    import thermocouple_its90

    read = thermocouple_its90.get(kind).temperature
    some = [float(e) for e in mv[:SLOW_VALUES]]
    return len(some) / best_of(lambda: [read(e) for e in some], 2)


def reference_rate(mv: NDArray[np.float64], kind: str) -> float | None:
    """Values per second of thermocouples-reference, None when it is missing or does not run."""
    try:
        library = importlib.import_module("thermocouples_reference")
        read = library.thermocouples[kind].inverse_CmV
        some = [float(e) for e in mv[:500]]
        return len(some) / best_of(lambda: [read(e, Tref=0) for e in some], 1)
    except Exception as cause:  # noqa: BLE001 - any failure of a stranger's code is a finding
        print(f"    thermocouples-reference does not run: {type(cause).__name__}: {cause}")
        return None


def main() -> None:
    values = int(sys.argv[1]) if len(sys.argv) > 1 else VALUES
    rng = np.random.default_rng(7)
    for kind, high_c in (("K", 300.0), ("K", 1372.0), ("T", 300.0)):
        mv = thermocouple.emf(rng.uniform(0.0, high_c, values), kind)
        spent = best_of(lambda mv=mv, kind=kind: thermocouple.temperature(mv, kind), 9)  # type: ignore[misc]
        copied = best_of(mv.copy, 5)
        rate = values / spent
        theirs = its90_rate(mv, kind)
        low_c, top_c = thermocouple.temperature_range_c(kind)
        error = worst_error_k(kind, 0.0, high_c)
        print(f"type {kind}, 0 to {high_c:g} °C, {values:,} values")
        print(
            f"    ours                {rate / 1e6:8.1f} M/s   {spent / copied:.1f} x copying them"
        )
        print(f"    thermocouple-its90  {theirs / 1e6:8.3f} M/s   ratio {rate / theirs:.0f}")
        other = reference_rate(mv, kind)
        if other is not None:
            print(f"    thermocouples-reference {other / 1e6:.4f} M/s   ratio {rate / other:.0f}")
        print(
            f"    worst error in use {error:.1e} K, whole range {worst_error_k(kind, low_c, top_c):.1e} K"
        )
        met = rate >= ASKED_RATE and rate >= ASKED_RATIO * theirs and error <= ASKED_ERROR_K
        print(
            f"    asked for: {ASKED_RATE:.0e} /s, ratio {ASKED_RATIO:g}, 1 mK: {'met' if met else 'MISSED'}"
        )


if __name__ == "__main__":
    main()
