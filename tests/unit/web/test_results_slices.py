"""Slices: true to the run, binary and JSON alike, no extreme lost, memory bounded."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from ovenwright.domain.run import NS, Run, Series
from ovenwright.errors import OutOfRange, StorageTrouble, UnknownName
from ovenwright.reporting.thinning import thin_extremes
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.sealed_parts import read_parts
from ovenwright.web.site import Site
from ovenwright.web.slices import decode
from ovenwright.workflow.slicing import OpenedRuns, slice_run

START = 1_772_000_000 * NS


def made_series(n: int, *, seed: int = 0, interval_s: float = 0.25, from_s: float = 0.0) -> Series:
    rng = np.random.default_rng(seed)
    time_ns = START + np.round((from_s + np.arange(n) * interval_s) * NS).astype(np.int64)
    value_c = np.round(20 + np.cumsum(rng.normal(0, 0.05, n)), 2)
    return Series(time_ns, value_c, np.zeros(n, np.uint8))


def sealed(book: Logbook, series: dict[str, Series], name: str = "wide") -> Run:
    return book.seal(Run(name, series))


@pytest.fixture
def book(site: Site) -> Logbook:
    return site.tools.logbook


@settings(deadline=None, max_examples=60)  # time is no part of what is promised
@given(
    st.integers(5, 4000),
    st.integers(4, 300),
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.0, 0.02, 0.5]),
)
def test_every_reading_lies_between_points_that_were_kept_near_it(
    n: int, points: int, seed: int, missing: float
) -> None:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.2, 0.3, n))
    y = rng.standard_cauchy(n)
    y[rng.random(n) < missing] = np.nan
    thin = thin_extremes(x, y, points, gap=1e9)
    there = np.flatnonzero(np.isfinite(y))
    if thin.whole:
        np.testing.assert_array_equal(thin.y, y)
        return
    kept = np.isfinite(thin.y)
    # what is kept are readings of the series, in order
    place = np.searchsorted(x, thin.x[kept])
    np.testing.assert_array_equal(y[place], thin.y[kept])
    assert np.all(np.diff(place) > 0)
    if not there.size:
        return
    assert thin.x.size <= points + 2
    # two points a bucket: each reading lies between kept ones at most one bucket away
    order = np.searchsorted(there, place)
    bucket = there.size / max(points // 2, 2) + 1
    for k, i in enumerate(there):
        near = thin.y[kept][np.abs(order - k) <= bucket]
        assert near.min() <= y[i] <= near.max()


def test_a_single_spike_in_a_long_series_is_kept() -> None:
    x = np.arange(0.0, 125_000.0, 0.25, dtype=np.float64)
    y = np.full(x.shape, 100.0)
    y[123_457], y[400_001] = 260.0, -40.0
    thin = thin_extremes(x, y, 200, gap=1.0)
    assert thin.x[np.argmax(thin.y)] == x[123_457]
    assert thin.x[np.argmin(thin.y)] == x[400_001]


def test_holes_break_the_line_and_nothing_bridges_them() -> None:
    x = np.arange(10_000) * 0.25
    y = np.sin(x)
    y[3000:3100] = np.nan
    late = np.where(np.arange(x.size) >= 7000, x + 60.0, x)  # a hole without rows
    thin = thin_extremes(late, y, 400, gap=1.0)
    broken = thin.x[np.isnan(thin.y)]
    assert broken.size == 2
    assert broken.tolist() == [late[2999], late[6999]]
    assert {late[3100], late[7000]} <= set(thin.x.tolist())


def test_holes_too_narrow_to_be_seen_leave_a_curve() -> None:
    y = np.arange(10_000.0)
    y[::2] = np.nan
    thin = thin_extremes(np.arange(10_000.0), y, 100, gap=3.0)
    assert 99 <= thin.y.size <= 102
    assert np.isfinite(thin.y).all()


def test_nothing_to_draw() -> None:
    thin = thin_extremes(np.arange(100.0), np.full(100, np.nan), 10, gap=3.0)
    assert thin.x.size == 0


def test_parts_are_what_the_whole_run_holds(book: Logbook) -> None:
    """Long channels stand in row groups of their own, short ones share them."""
    series = {
        "long b": made_series(40_000, seed=1),
        "short": made_series(500, seed=2, from_s=3.0),
        "a": made_series(40_000, seed=3),
        "none": Series(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8)),
        "tiny": made_series(1, seed=4),
    }
    run = sealed(book, series)
    facts, parts = read_parts(book.path_of(run.id), ["tiny", "long b", "none", "short"])
    assert facts.digest == run.digest
    assert list(parts) == ["tiny", "long b", "none", "short"]
    for name, one in parts.items():
        np.testing.assert_array_equal(one.time_ns, series[name].time_ns)
        np.testing.assert_array_equal(one.value_c, series[name].value_c)
    _, everything = read_parts(book.path_of(run.id))
    assert list(everything) == list(series)
    assert everything["long b"].time_ns is everything["a"].time_ns
    with pytest.raises(UnknownName, match="core"):
        read_parts(book.path_of(run.id), ["core"])


def test_a_damaged_file_is_told(book: Logbook) -> None:
    run = sealed(book, {"a": made_series(50_000)})
    path = book.path_of(run.id)
    content = bytearray(path.read_bytes())
    content[2000:2100] = b"\0" * 100
    path.chmod(0o644)
    path.write_bytes(content)
    with pytest.raises(StorageTrouble):
        read_parts(path, ["a"])
    with pytest.raises(StorageTrouble):
        slice_run(book, run.id, OpenedRuns())
    path.unlink()
    with pytest.raises(UnknownName):
        slice_run(book, run.id, OpenedRuns())


def test_a_stretch_is_the_readings_inside_it(book: Logbook) -> None:
    series = made_series(2000)
    run = sealed(book, {"a": series})
    opened = OpenedRuns()
    whole = slice_run(book, run.id, opened).channels[0]
    assert whole.readings == 2000
    part = slice_run(book, run.id, opened, from_s=10.0, to_s=20.0).channels[0]
    assert (part.time_s[0], part.time_s[-1], part.readings) == (10.0, 20.0, 41)
    assert not part.thinned
    np.testing.assert_array_equal(part.value_c, series.value_c[40:81])
    edge = slice_run(book, run.id, opened, from_s=10.1, to_s=10.15, around=True).channels[0]
    np.testing.assert_allclose(edge.time_s, [10.0, 10.25])
    assert edge.readings == 0
    assert slice_run(book, run.id, opened, from_s=-9e300, to_s=9e300).channels[0].readings == 2000
    with pytest.raises(OutOfRange):
        slice_run(book, run.id, opened, from_s=2.0, to_s=1.0)
    with pytest.raises(OutOfRange):
        slice_run(book, run.id, opened, from_s=float("nan"))
    with pytest.raises(OutOfRange):
        slice_run(book, run.id, opened, points=2)


def test_opened_runs_stay_within_their_memory(book: Logbook) -> None:
    runs = [sealed(book, {"a": made_series(10_000, seed=i)}, f"run-{i}") for i in range(5)]
    opened = OpenedRuns(most_bytes=400_000)  # two of them
    for _ in range(2):
        for i, run in enumerate(runs):
            found = slice_run(book, run.id, opened, points=20_000).channels[0]
            np.testing.assert_array_equal(found.value_c, made_series(10_000, seed=i).value_c)
            assert opened.held_bytes <= 400_000
    large = sealed(book, {"a": made_series(50_000)}, "large")
    assert slice_run(book, large.id, opened, points=50_000).channels[0].readings == 50_000
    assert opened.held_bytes == 0


def test_a_run_put_in_another_s_place_is_read_anew(book: Logbook, tmp_path: Path) -> None:
    first = sealed(book, {"a": made_series(100, seed=1)}, "x")
    opened = OpenedRuns()
    slice_run(book, first.id, opened)
    other = Logbook(tmp_path / "other").seal(Run("x", {"a": made_series(120, seed=2)}))
    book.path_of("x").unlink()
    Logbook(tmp_path / "other").path_of(other.id).rename(book.runs_dir / "x.parquet")
    assert slice_run(book, "x", opened).channels[0].readings == 120


def test_plain_call_answers_json_for_each_channel(client: TestClient, book: Logbook) -> None:
    gone = made_series(50)
    gone.value_c[10] = np.nan
    run = sealed(book, {"core 1": made_series(50), "air, left": gone})
    answer = client.get(f"/api/runs/{run.id}/series")
    assert answer.headers["content-type"] == "application/json"
    facts = answer.json()
    assert (facts["run"], facts["digest"], facts["from_s"]) == (run.id, run.digest, 0.0)
    assert facts["start"] == "2026-02-25T06:13:20.000000000Z"
    one, two = facts["channels"]
    assert one["name"] == "core 1"
    assert one["value_c"] == run.series["core 1"].value_c.tolist()
    assert one["time_s"] == [0.25 * i for i in range(50)]
    assert two["value_c"][10] is None
    only = client.get(f"/api/runs/{run.id}/series", params={"channels": "air, left"}).json()
    assert [c["name"] for c in only["channels"]] == ["air, left"]
    both = client.get(
        f"/api/runs/{run.id}/series", params={"channels": ["core 1", "air, left"]}
    ).json()
    assert len(both["channels"]) == 2


def test_binary_says_what_json_says(client: TestClient, book: Logbook) -> None:
    run = sealed(
        book,
        {"a": made_series(9001), "b": made_series(9001, seed=5), "ü": made_series(77, from_s=4.1)},
    )
    where = f"/api/runs/{run.id}/series"
    params: dict[str, str | float] = {"points": 300, "from_s": 3, "to_s": 1500}
    plain = client.get(where, params=params).json()
    binary = client.get(where, params=params, headers={"accept": "application/octet-stream"})
    assert binary.headers["content-type"] == "application/octet-stream"
    head, channels = decode(binary.content)
    rows = plain.pop("channels")
    assert {k: head[k] for k in plain} == plain
    for row in rows:
        times, values = channels[row["name"]]
        np.testing.assert_array_equal(times, row["time_s"])
        np.testing.assert_allclose(values, row["value_c"], rtol=1e-6)
    again = client.get(where, params=params | {"form": "binary"})
    assert again.content == binary.content
    assert (len(again.content) - sum(8 * c["points"] for c in head["channels"])) % 4 == 0


@pytest.mark.parametrize(
    ("params", "status"),
    [
        ({"channels": "nothing"}, 404),
        ({"from_s": "5", "to_s": "1"}, 422),
        ({"from_s": "nan"}, 422),
        ({"points": "1"}, 422),
        ({"points": "999999999"}, 422),
        ({"form": "xml"}, 422),
    ],
)
def test_what_can_t_be_answered_is_told(
    client: TestClient, book: Logbook, params: dict[str, str], status: int
) -> None:
    run = sealed(book, {"a": made_series(50)})
    answer = client.get(f"/api/runs/{run.id}/series", params=params)
    assert answer.status_code == status
    assert answer.json()["what"]


@pytest.mark.parametrize("ref", ["..%2Fsecret", "%2Fetc%2Fpasswd", "none", "a%00b"])
def test_no_reference_reaches_a_file(client: TestClient, ref: str) -> None:
    assert client.get(f"/api/runs/{ref}/series").status_code == 404
