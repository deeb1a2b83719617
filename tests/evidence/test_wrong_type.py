"""Readings logged under the wrong thermocouple type, and put right."""

from __future__ import annotations

import numpy as np
import pytest
import thermocouple_its90

from ovenwright.physics import thermocouple

# (wire, instrument setting): °C at the junction and °C shown, terminals at 25 °C. Source: computed
# from the reference functions of NIST Monograph 175 by an independent program, two decimals.
SHOWN: dict[tuple[str, str], list[tuple[float, float]]] = {
    ("T", "K"): [
        (20, 19.99),
        (25, 25.0),
        (40, 40.2),
        (60, 60.96),
        (80, 82.39),
        (100, 104.61),
        (150, 164.3),
        (180, 202.66),
        (200, 228.85),
        (220, 255.33),
        (250, 295.49),
    ],
    ("K", "T"): [
        (20, 20.01),
        (25, 25.0),
        (40, 39.8),
        (60, 59.08),
        (80, 77.8),
        (100, 95.91),
        (150, 138.47),
        (180, 162.42),
        (200, 177.95),
        (220, 193.27),
        (250, 215.99),
    ],
    ("J", "K"): [
        (20, 18.61),
        (25, 25.0),
        (40, 44.14),
        (60, 69.7),
        (80, 95.49),
        (100, 121.76),
        (150, 189.84),
        (180, 231.23),
        (200, 258.54),
        (220, 285.58),
        (250, 325.72),
    ],
    ("K", "J"): [
        (20, 21.09),
        (25, 25.0),
        (40, 36.75),
        (60, 52.42),
        (80, 68.02),
        (100, 83.46),
        (150, 121.01),
        (180, 142.88),
        (200, 157.35),
        (220, 171.83),
        (250, 193.72),
    ],
    ("N", "K"): [
        (20, 21.7),
        (25, 25.0),
        (40, 34.98),
        (60, 48.48),
        (80, 62.27),
        (100, 76.37),
        (150, 113.27),
        (180, 136.71),
        (200, 152.9),
        (220, 169.5),
        (250, 195.0),
    ],
    ("K", "N"): [
        (20, 17.41),
        (25, 25.0),
        (40, 47.48),
        (60, 76.74),
        (80, 105.07),
        (100, 132.42),
        (150, 196.46),
        (180, 232.45),
        (200, 255.81),
        (220, 278.9),
        (250, 313.24),
    ],
    ("T", "J"): [
        (20, 21.08),
        (25, 25.0),
        (40, 36.91),
        (60, 53.18),
        (80, 69.88),
        (100, 86.99),
        (150, 131.47),
        (180, 159.27),
        (200, 178.27),
        (220, 197.64),
        (250, 227.37),
    ],
    ("E", "K"): [
        (20, 17.48),
        (25, 25.0),
        (40, 47.62),
        (60, 78.15),
        (80, 109.53),
        (100, 142.21),
        (150, 228.79),
        (180, 281.8),
        (200, 317.28),
        (220, 352.95),
        (250, 406.83),
    ],
}
REFERENCE_C = 25.0


@pytest.mark.parametrize(("wire", "setting"), sorted(SHOWN))
def test_what_the_instrument_shows(wire: str, setting: str) -> None:
    table = np.array(SHOWN[wire, setting])
    terminals_mv = thermocouple.emf(table[:, 0], wire) - thermocouple.emf(REFERENCE_C, wire)
    shown = thermocouple.temperature(terminals_mv, setting, REFERENCE_C)
    assert np.max(np.abs(shown - table[:, 1])) <= 0.00501


@pytest.mark.parametrize(("wire", "setting"), sorted(SHOWN))
def test_restating_brings_the_true_temperature_back(wire: str, setting: str) -> None:
    table = np.array(SHOWN[wire, setting])
    found = thermocouple.restate(
        table[:, 1], recorded_as=setting, actual=wire, reference_c=REFERENCE_C
    )
    # two printed decimals, turned from the scale shown to the true one
    gain = thermocouple.sensitivity(table[:, 1], setting) / thermocouple.sensitivity(
        table[:, 0], wire
    )
    assert np.all(np.abs(found - table[:, 0]) <= 0.00501 * gain * 1.02)


@pytest.mark.parametrize(("wire", "setting"), sorted(SHOWN))
def test_restating_agrees_with_the_library(wire: str, setting: str) -> None:
    # Source: PyPI thermocouple-its90 (MIT), chained by hand.
    as_set, as_is = thermocouple_its90.get(setting), thermocouple_its90.get(wire)
    for _, shown in SHOWN[wire, setting]:
        volt = as_set.emf(shown) - as_set.emf(31.5)
        theirs = as_is.temperature(volt, reference=31.5)
        ours = thermocouple.restate(shown, recorded_as=setting, actual=wire, reference_c=31.5)
        assert ours == pytest.approx(theirs, abs=1e-6)


def test_a_room_temperature_check_does_not_show_the_confusion() -> None:
    # Source: as SHOWN; T wire on a K setting is 0.01 K off at 20 °C, 28.9 K off at 200 °C
    shown = dict(SHOWN["T", "K"])
    found = thermocouple.restate(
        np.array([shown[20], shown[200]]), recorded_as="K", actual="T", reference_c=25.0
    )
    moved = np.abs(found - np.array([shown[20], shown[200]]))
    assert moved[0] < 0.02
    assert moved[1] == pytest.approx(28.85, abs=0.02)


# Reversed extension leads and copper extension, terminals at 25 °C, head at 40 °C, 200 °C true.
# Source: computed from NIST Monograph 175 by an independent program, two decimals.
WIRING = {"T": (176.37, 188.26), "K": (169.37, 184.68)}


@pytest.mark.parametrize("kind", sorted(WIRING))
def test_wiring_faults_read_as_worked_out(kind: str) -> None:
    hot, head, end = (thermocouple.emf(t, kind) for t in (200.0, 40.0, 25.0))
    both_reversed = thermocouple.temperature(hot - head - (head - end), kind, 25.0)
    copper = thermocouple.temperature(hot - head, kind, 25.0)
    assert (both_reversed, copper) == pytest.approx(WIRING[kind], abs=0.0051)


@pytest.mark.parametrize(("kind", "off"), [("T", -1.34), ("K", -0.57), ("J", -0.61)])
def test_leads_swapped_at_the_instrument(kind: str, off: float) -> None:
    # Source: as WIRING; 50 °C true, error against the mirrored temperature 2·25 - 50 = 0 °C
    terminals = thermocouple.emf(50.0, kind) - thermocouple.emf(25.0, kind)
    assert thermocouple.temperature(-terminals, kind, 25.0) == pytest.approx(off, abs=0.0051)
