"""What the thermocouple functions promise besides the numbers."""

from __future__ import annotations

import numpy as np
import pytest

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics import thermocouple
from ovenwright.physics.arrays import FloatArray
from ovenwright.physics.thermocouple_tables import PIECES


def test_a_number_gives_a_number_and_an_array_an_array() -> None:
    assert isinstance(thermocouple.emf(100.0, "K"), float)
    assert isinstance(thermocouple.temperature(4.0, "K"), float)
    grid = np.linspace(0.0, 300.0, 12).reshape(2, 3, 2)
    assert thermocouple.emf(grid, "T").shape == (2, 3, 2)
    assert thermocouple.temperature(thermocouple.emf(grid, "T"), "T").shape == (2, 3, 2)
    assert thermocouple.temperature(np.array([]), "K").shape == (0,)
    assert thermocouple.emf(np.array([]), "K").shape == (0,)
    assert thermocouple.temperature(np.array(4.0), "K").shape == ()


def test_values_are_not_changed_in_place() -> None:
    mv = np.array([1.0, np.nan, 4.0])
    kept = mv.copy()
    thermocouple.temperature(mv, "K", reference_c=25.0)
    np.testing.assert_array_equal(mv, kept)


@pytest.mark.parametrize("kind", thermocouple.KINDS)
def test_missing_stays_missing_and_the_rest_is_read(kind: str) -> None:
    temp_c = np.array([np.nan, 300.0, np.nan, 310.0])
    back = thermocouple.temperature(thermocouple.emf(temp_c, kind), kind)
    assert np.isnan(back).tolist() == [True, False, True, False]
    assert back[[1, 3]] == pytest.approx([300.0, 310.0], abs=1e-8)
    assert np.isnan(thermocouple.temperature(np.full(3, np.nan), kind)).all()
    assert np.isnan(thermocouple.sensitivity(np.array([np.nan]), kind)).all()


@pytest.mark.parametrize("kind", thermocouple.KINDS)
def test_long_arrays_read_as_short_ones_do(kind: str) -> None:
    # more than one chunk, every stretch in one chunk, in no order
    low = 250.0 if kind == "B" else thermocouple.temperature_range_c(kind)[0]
    temp_c = np.linspace(low, thermocouple.temperature_range_c(kind)[1], 20_011)
    shuffled = np.random.default_rng(3).permutation(temp_c)
    whole = thermocouple.temperature(thermocouple.emf(shuffled, kind), kind)
    assert np.max(np.abs(whole - shuffled)) < 1e-6
    ordered = thermocouple.temperature(thermocouple.emf(temp_c, kind), kind)
    assert np.max(np.abs(ordered - temp_c)) < 1e-6


def test_reference_junction_may_be_an_array() -> None:
    terminals = np.array([[0.0, 1.0], [2.0, 3.0]])
    junction = np.array([[20.0], [30.0]])
    both = thermocouple.temperature(terminals, "K", reference_c=junction)
    for row in range(2):
        one = thermocouple.temperature(terminals[row], "K", reference_c=float(junction[row, 0]))
        np.testing.assert_array_equal(both[row], one)
    spread = thermocouple.temperature(1.0, "K", reference_c=np.array([20.0, 30.0]))
    assert np.asarray(spread).tolist() == pytest.approx(
        [thermocouple.temperature(1.0, "K", reference_c=c) for c in (20.0, 30.0)]
    )


@pytest.mark.parametrize(("kind", "mv", "end_c"), [("K", -6.458, -270.0), ("N", 47.513, 1300.0)])
def test_printed_end_points_are_read(kind: str, mv: float, end_c: float) -> None:
    # the printed value is rounded away from the range; a strict test would refuse it
    assert thermocouple.temperature(mv, kind) == pytest.approx(end_c, abs=1e-6)


@pytest.mark.parametrize("kind", thermocouple.KINDS)
def test_exact_end_points_are_read(kind: str) -> None:
    low_mv, high_mv = thermocouple.emf_range_mv(kind)
    low_c, high_c = thermocouple.temperature_range_c(kind)
    ends = thermocouple.temperature(np.array([low_mv, high_mv]), kind)
    assert ends == pytest.approx([250.0 if kind == "B" else low_c, high_c], abs=1e-6)
    thermocouple.emf(ends, kind)  # and a round trip does not fall off the end


def test_out_of_range_says_value_type_and_range() -> None:
    with pytest.raises(OutOfRange, match=r"type T .*temperature is 401 °C.*-270 to 400 °C"):
        thermocouple.emf(np.array([20.0, np.nan, 401.0]), "T")
    with pytest.raises(OutOfRange, match=r"type K .*EMF is 60 mV.*-6\.4577 to 54\.8864 mV"):
        thermocouple.temperature(np.array([1.0, np.nan, 60.0]), "K")
    with pytest.raises(OutOfRange, match="reference junction"):
        thermocouple.temperature(1.0, "K", reference_c=-300.0)
    with pytest.raises(OutOfRange):
        thermocouple.emf(np.inf, "K")
    with pytest.raises(OutOfRange):
        thermocouple.temperature(-np.inf, "K")


def test_a_bad_value_deep_in_a_long_array_is_found() -> None:
    mv = np.full(50_000, 4.0)
    mv[41_234] = 99.0
    with pytest.raises(OutOfRange, match="99 mV"):
        thermocouple.temperature(mv, "K")


@pytest.mark.parametrize("kind", ["k", "C", "", "Pt100"])
def test_unknown_type_is_named_with_the_known_ones(kind: str) -> None:
    for call in (thermocouple.emf, thermocouple.temperature, thermocouple.sensitivity):
        with pytest.raises(UnknownName, match="B, E, J, K, N, R, S, T"):
            call(1.0, kind)


def test_type_b_is_not_read_where_its_emf_is_ambiguous() -> None:
    # from 0 to 42 °C the EMF falls and comes back: no single temperature belongs to it
    for mv in (0.0, -0.002, 0.05, 0.29):
        with pytest.raises(OutOfRange, match="below 250 °C"):
            thermocouple.temperature(mv, "B")
    assert thermocouple.temperature(0.2914, "B") == pytest.approx(250.0, abs=0.1)
    # forward it is well defined, and a reference junction needs it
    assert thermocouple.emf(21.0, "B") == pytest.approx(-0.0026, abs=1e-4)
    hot = thermocouple.emf(900.0, "B") - thermocouple.emf(25.0, "B")
    assert thermocouple.temperature(hot, "B", reference_c=25.0) == pytest.approx(900.0, abs=1e-6)


@pytest.mark.parametrize("kind", thermocouple.KINDS)
def test_no_step_where_pieces_or_tables_meet(kind: str) -> None:
    # 0 °C of K has the Gaussian term on one side only, J changes at 760 °C, N has a kink at 0 °C
    low = 250.0 if kind == "B" else thermocouple.temperature_range_c(kind)[0]
    edges = [p.low_c for p in PIECES[kind][1:]] + [-200.0]
    for edge in (e for e in edges if e > low):
        near = edge + np.array([-1e-3, -1e-6, 0.0, 1e-6, 1e-3])
        back = thermocouple.temperature(thermocouple.emf(near, kind), kind)
        assert np.max(np.abs(back - near)) < 2e-6
        assert np.all(np.diff(back) > 0)


def test_restating_as_the_same_type_changes_nothing() -> None:
    temp_c = np.array([20.0, 100.0, np.nan, 250.0])
    same = thermocouple.restate(temp_c, recorded_as="T", actual="T", reference_c=25.0)
    np.testing.assert_allclose(same, temp_c, atol=1e-9)


def test_restating_there_and_back_returns_the_reading() -> None:
    temp_c = np.linspace(0.0, 260.0, 27)
    junction = np.linspace(20.0, 45.0, 27)
    there = thermocouple.restate(temp_c, recorded_as="T", actual="K", reference_c=junction)
    back = thermocouple.restate(there, recorded_as="K", actual="T", reference_c=junction)
    np.testing.assert_allclose(back, temp_c, atol=1e-8)


def test_restating_out_of_range_names_both_types() -> None:
    with pytest.raises(OutOfRange, match="recorded as type K, restated as type T"):
        thermocouple.restate(600.0, recorded_as="K", actual="T", reference_c=25.0)
    with pytest.raises(OutOfRange, match=r"type T .*reading is 500 °C"):
        thermocouple.restate(500.0, recorded_as="T", actual="K", reference_c=25.0)


@pytest.mark.parametrize(("recorded", "actual"), [("K", "T"), ("T", "K"), ("J", "K"), ("K", "J")])
def test_restate_uncertainty_is_the_slope_of_restate(recorded: str, actual: str) -> None:
    temp_c, junction, h = np.linspace(60.0, 240.0, 10), 30.0, 1e-3

    def restated(reference_c: float) -> FloatArray:
        return thermocouple.restate(
            temp_c, recorded_as=recorded, actual=actual, reference_c=reference_c
        )

    slope = np.abs(restated(junction + h) - restated(junction - h)) / (2 * h)
    found = thermocouple.restate_uncertainty(
        temp_c,
        recorded_as=recorded,
        actual=actual,
        reference_c=junction,
        reference_standard_k=1.5,
    )
    np.testing.assert_allclose(found, 1.5 * slope, rtol=1e-5)


def test_restate_uncertainty_of_the_instruments_own_junction_sensor() -> None:
    # the terminals were 1 K warmer than the instrument believed: 26 for 25 °C
    terminals_mv = thermocouple.emf(200.0, "T") - thermocouple.emf(26.0, "T")
    shown = thermocouple.temperature(terminals_mv, "K", 25.0)
    off = 200.0 - thermocouple.restate(shown, recorded_as="K", actual="T", reference_c=25.0)
    found = thermocouple.restate_uncertainty(
        shown,
        recorded_as="K",
        actual="T",
        reference_c=25.0,
        reference_standard_k=0.0,
        instrument_standard_k=1.0,
    )
    assert found == pytest.approx(off, rel=2e-2)
    assert found == pytest.approx(0.766, abs=6e-3)
