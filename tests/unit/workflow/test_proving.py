"""The check of a plan through its verb, on instruments that are scripted."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from ovenwright.conditioning.proof.fixed_point import Point
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Batch, Clock, Notice, NoticeKind, Reading, Source, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.domain.proof import Grade, Readiness
from ovenwright.domain.run import Run, Series
from ovenwright.errors import (
    InstrumentTrouble,
    OvenwrightError,
    StorageTrouble,
    UnknownName,
    UsageError,
)
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.proofs import keep_proof, latest_proof, proof_note, proofs_dir
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.storage.run_facts import ns_from_iso
from ovenwright.virtual.touching import Touch, TouchBench
from ovenwright.workflow.proving import open_for_check, prove_plan
from ovenwright.workflow.watching import Look, Wanted, usual_seconds

NAMES = ("left", "centre", "right", "core")
PLAN = """title = "Check"
[site]
altitude_m = 0.0
[oven]
kind = "chamber"
name = "oven"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
setpoint_c = 200.0
[product]
name = "stones"
[recording]
interval_s = 0.25
duration_s = 3600.0
[recording.battery]
capacity_mah = 1000.0
draw_ma = 100.0
""" + "".join(
    f'[[channels]]\nname = "{n}"\nsensor = "T"\ntolerance = "IEC 60584-1 class 1"\nrole = "air"\n'
    'module = "gw"\n'
    for n in NAMES
)


class Scripted:
    """A source that delivers what it was given at once, then stays silent."""

    name = "scripted"

    def __init__(self, batches: Sequence[Batch], trouble: Exception | None = None) -> None:
        self.batches = batches
        self.trouble = trouble
        self.acknowledged = 0

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        for batch in self.batches:
            deliver(Batch(batch.readings, batch.notices, self._acknowledge))
        if self.trouble is not None:
            raise self.trouble
        stopping.wait(60.0)

    def _acknowledge(self) -> None:
        self.acknowledged += 1


@pytest.fixture(scope="module")
def library() -> ReferenceLibrary:
    return read_reference_library(None)


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def batches(
    time_s: np.ndarray, shown: np.ndarray, names: Sequence[str] = NAMES, *, unit: str = "degC"
) -> list[Batch]:
    start = 1_760_000_000 * 10**9
    out = []
    for t, row in zip(time_s, shown, strict=True):
        stamp = start + round(float(t) * 1e9)
        out.append(
            Batch(
                tuple(
                    Reading(n, stamp, stamp + 10**7, float(v), unit=unit, module="gw")
                    for n, v in zip(names, row, strict=True)
                )
            )
        )
    return out


def at_rest(until_s: float = 12.0, **more: float) -> list[Batch]:
    bench = TouchBench(NAMES, [3.0] * 4, offset_k=more)
    return batches(*bench.shown([], until_s=until_s))


def opening(*sources: Scripted) -> Callable[[Plan, Clock, Path], Sequence[Source]]:
    return lambda _plan, _clock, _folder: sources


def test_sound_channels_are_ready_and_the_proof_is_kept(
    plan_file: Path, library: ReferenceLibrary, tmp_path: Path
) -> None:
    source = Scripted(at_rest())
    logbook = Logbook(tmp_path / "logbook")
    looks: list[Look] = []
    proved = prove_plan(
        plan_file, library, Wanted(seconds=1.0), stopping=threading.Event(), logbook=logbook,
        watch=looks.append, open_sources=opening(source),
    )  # fmt: skip
    assert proved.proof.readiness is Readiness.READY
    assert [c.readings for c in proved.proof.channels] == [48] * 4
    assert all(abs(c.interval_s - 0.25) < 1e-6 for c in proved.proof.channels)
    assert source.acknowledged == 48
    assert looks[-1].readings == 192
    record = latest_proof(logbook, PLAN)
    assert record is not None
    assert record["proof"]["readiness"] == "ready"
    assert Path(proved.kept).is_file()
    json.dumps(record, allow_nan=False)


def test_a_kept_proof_that_was_altered_is_refused(tmp_path: Path) -> None:
    logbook = Logbook(tmp_path)
    kept = keep_proof(logbook, {"readiness": "not ready", "seconds": float("nan")}, plan_toml="x")
    assert latest_proof(logbook, "another plan") is None
    kept.write_text(kept.read_text().replace("not ready", "ready"))
    with pytest.raises(StorageTrouble, match="altered"):
        latest_proof(logbook, "x")
    assert proofs_dir(logbook, "x") == kept.parent


def test_an_outlier_and_a_gross_outlier(plan_file: Path, library: ReferenceLibrary) -> None:
    for off, expected in ((1.8, Readiness.WITH_REMARKS), (9.0, Readiness.NOT_READY)):
        proved = prove_plan(
            plan_file, library, Wanted(seconds=0.6), stopping=threading.Event(),
            open_sources=opening(Scripted(at_rest(right=off))),
        )  # fmt: skip
        assert proved.proof.readiness is expected
        assert [r.channel for r in proved.proof.remarks if r.check == "ambient"] == ["right"]


def touched(order: Sequence[str], *, dead: Sequence[str] = ()) -> list[Batch]:
    bench = TouchBench(NAMES, [3.0] * 4, dead=dead)
    touches = [Touch(n, 7 + 15 * k, 13 + 15 * k) for k, n in enumerate(order)]
    return batches(*bench.shown(touches, until_s=80.0))


def test_touching_in_order_ends_by_itself_and_names_a_swap(
    plan_file: Path, library: ReferenceLibrary, tmp_path: Path
) -> None:
    text = PLAN + (
        '[[instruments]]\nkind = "mqtt"\nname = "gateway"\nhost = "127.0.0.1"\n'
        'topic = "oven/{module}"\n[instruments.payload]\nvalue = "t[{channel}]"\n'
        "[instruments.channels]\n" + "".join(f'"gw/{k}" = "{n}"\n' for k, n in enumerate(NAMES))
    )
    plan_file.write_text(text, encoding="utf-8")
    proved = prove_plan(
        plan_file, library, Wanted(order=("plan",)), stopping=threading.Event(),
        logbook=Logbook(tmp_path), open_sources=opening(
            Scripted(touched(["centre", "left", "right", "core"]))
        ),
    )  # fmt: skip
    assert proved.proof.seconds < 20  # all are proved: nobody waits for the time to pass
    assert proved.proof.readiness is Readiness.NOT_READY
    assert proved.proof.identity == {"centre": "left", "left": "centre"}
    assert [(r.instrument, r.key, r.was, r.proved) for r in proved.remappings] == [
        ("gateway", "channels.gw/0", "left", "centre"),
        ("gateway", "channels.gw/1", "centre", "left"),
    ]
    taus = [c.time_constant.value_s for c in proved.proof.channels if c.time_constant]
    assert taus == pytest.approx([3.0] * 4, rel=0.15)
    assert [c.turn for c in proved.proof.channels] == [2, 1, 3, 4]


def test_a_dead_sensor_forbids_and_a_slow_plan_is_told(
    plan_file: Path, library: ReferenceLibrary
) -> None:
    plan_file.write_text(PLAN.replace("interval_s = 0.25", "interval_s = 10.0"), encoding="utf-8")
    proved = prove_plan(
        plan_file, library, Wanted(touch=True, seconds=2.0), stopping=threading.Event(),
        open_sources=opening(Scripted(touched(["left", "right", "core"], dead=["centre"]))),
    )  # fmt: skip
    faults = [r for r in proved.proof.remarks if r.grade is Grade.FAULT]
    assert [r.channel for r in faults] == ["centre"]
    interval = [r for r in proved.proof.remarks if "with these sensors" in r.what]
    assert len(interval) == 1
    assert "recording.interval_s = " in interval[0].remedy


def test_ice_then_boiling_make_one_calibration_record(
    plan_file: Path, library: ReferenceLibrary, tmp_path: Path
) -> None:
    logbook = Logbook(tmp_path / "logbook")
    time_s = 0.25 * np.arange(200)
    rng = np.random.default_rng(1)
    for point, at in ((Point.ICE, 0.1), (Point.BOILING, 100.2)):
        shown = np.full((200, 4), 22.0) + 0.02 * rng.normal(size=(200, 4))
        shown[:, 0] += at - 22.0
        proved = prove_plan(
            plan_file, library, Wanted(fixed_point=point, seconds=0.6),
            stopping=threading.Event(), logbook=logbook,
            open_sources=opening(Scripted(batches(time_s, shown))),
        )  # fmt: skip
    (point_found,) = [c.fixed_point for c in proved.proof.channels if c.fixed_point]
    assert point_found.channel == "left"
    assert proved.certificates["left"].count("at_c") == 2
    parse_plan(
        PLAN.replace('module = "gw"\n', 'module = "gw"\n' + proved.certificates["left"], 1)
    )  # the offered record is a plan's own language


def test_millivolts_become_degrees(plan_file: Path, library: ReferenceLibrary) -> None:
    """Type T: 0.000 mV with the junction at 22 °C is 22 °C (NIST Monograph 175)."""
    stamp = 1_760_000_000 * 10**9
    given = [
        Batch(
            tuple(
                Reading(n, stamp + k * 250_000_000, stamp + k * 250_000_000, 0.0005 * (k % 3),
                        unit="mV", reference_c=22.0, module="gw")
                for n in NAMES
            )
        )
        for k in range(40)
    ]  # fmt: skip
    proved = prove_plan(
        plan_file, library, Wanted(seconds=0.6), stopping=threading.Event(),
        open_sources=opening(Scripted(given)),
    )  # fmt: skip
    assert [c.value_c for c in proved.proof.channels] == pytest.approx([22.01] * 4, abs=0.01)
    assert proved.proof.modules[0].reference_c == pytest.approx(22.0)


def test_strangers_are_listed_and_battery_is_weighed(
    plan_file: Path, library: ReferenceLibrary
) -> None:
    stamp = 1_760_000_000 * 10**9
    more = Batch(
        (Reading("gw/9", stamp, stamp, 20.0, known=False),),
        (Notice(NoticeKind.BATTERY, stamp, value=0.1, module="gw"),),
    )
    proved = prove_plan(
        plan_file, library, Wanted(seconds=0.6), stopping=threading.Event(),
        open_sources=opening(Scripted([*at_rest(), more])),
    )  # fmt: skip
    assert proved.proof.strangers == ("gw/9",)
    # 1000 mAh at 100 mA, 80 % usable: 8 h full, 0.8 h at a tenth; the test lasts 1 h
    (battery,) = [r for r in proved.proof.remarks if r.check == "battery"]
    assert battery.grade is Grade.FAULT


def test_one_broken_link_is_told_and_the_other_weighed(
    plan_file: Path, library: ReferenceLibrary
) -> None:
    broken = Scripted(
        [], InstrumentTrouble("the password was refused", remedy="give the right one")
    )
    broken.name = "broken"
    proved = prove_plan(
        plan_file, library, Wanted(seconds=0.6), stopping=threading.Event(),
        open_sources=opening(broken, Scripted(at_rest())),
    )  # fmt: skip
    assert proved.proof.readiness is Readiness.NOT_READY
    assert any("password was refused" in r.what for r in proved.proof.remarks)


def test_nothing_at_all_is_the_instruments_trouble(
    plan_file: Path, library: ReferenceLibrary
) -> None:
    said = Notice(NoticeKind.WAITING, 0, text="no broker answers at 127.0.0.1:1")
    with pytest.raises(InstrumentTrouble, match="no broker answers"):
        prove_plan(
            plan_file, library, Wanted(seconds=0.4), stopping=threading.Event(),
            open_sources=opening(Scripted([Batch(notices=(said,))])),
        )  # fmt: skip
    with pytest.raises(InstrumentTrouble, match="wrong password"):
        prove_plan(
            plan_file, library, Wanted(seconds=30.0), stopping=threading.Event(),
            open_sources=opening(Scripted([], InstrumentTrouble("wrong password"))),
        )  # fmt: skip


def test_stopping_early_weighs_what_came(plan_file: Path, library: ReferenceLibrary) -> None:
    stopping = threading.Event()

    def enough(look: Look) -> None:
        if look.readings > 100:
            stopping.set()

    proved = prove_plan(
        plan_file, library, Wanted(seconds=60.0), stopping=stopping, watch=enough,
        open_sources=opening(Scripted(at_rest())),
    )  # fmt: skip
    assert proved.proof.seconds < 10


@pytest.mark.parametrize(
    ("wanted", "error"),
    [
        (Wanted(order=("left", "nobody")), UnknownName),
        (Wanted(order=("left", "left")), UsageError),
        (Wanted(fixed_point=Point.ICE, in_bath=("nobody",)), UnknownName),
    ],
)
def test_wrong_wishes_are_refused(
    plan_file: Path, library: ReferenceLibrary, wanted: Wanted, error: type[OvenwrightError]
) -> None:
    with pytest.raises(error):
        prove_plan(plan_file, library, wanted, stopping=threading.Event(), open_sources=opening())


def test_boiling_without_a_pressure_is_refused(plan_file: Path, library: ReferenceLibrary) -> None:
    plan_file.write_text(PLAN.replace("altitude_m = 0.0\n", ""), encoding="utf-8")
    with pytest.raises(UsageError, match="air pressure"):
        prove_plan(
            plan_file, library, Wanted(fixed_point=Point.BOILING), stopping=threading.Event(),
            open_sources=opening(),
        )  # fmt: skip


def test_altitude_of_the_place_goes_before_the_plan_s(
    plan_file: Path, library: ReferenceLibrary
) -> None:
    # ISO 2533 standard atmosphere, 89.9 kPa at 1000 m, where water boils at 96.7 °C: both from
    # memory and rounded, hence the tenth of a kelvin
    shown = np.full((200, 4), 22.0) + 0.02 * np.random.default_rng(1).normal(size=(200, 4))
    shown[:, 0] += 96.7 - 22.0
    proved = prove_plan(
        plan_file, library, Wanted(fixed_point=Point.BOILING, altitude_m=1000.0, seconds=0.6),
        stopping=threading.Event(),
        open_sources=opening(Scripted(batches(0.25 * np.arange(200), shown))),
    )  # fmt: skip
    (found,) = [c.fixed_point for c in proved.proof.channels if c.fixed_point]
    assert found.true_c == pytest.approx(96.7, abs=0.1)
    assert found.expanded_uncertainty_k > 0.5  # the weather is left open
    wanted = Wanted(fixed_point=Point.BOILING, altitude_m=9000.0)
    with pytest.raises(UsageError, match="no height"):
        prove_plan(plan_file, library, wanted, stopping=threading.Event(), open_sources=opening())


def test_a_plan_without_instruments_is_told_how_to_find_one() -> None:
    with pytest.raises(UsageError, match="ovenwright find"):
        open_for_check(parse_plan(PLAN), None, Path())  # type: ignore[arg-type]


def test_how_long_is_watched_when_nobody_says() -> None:
    plan = parse_plan(PLAN)
    assert usual_seconds(plan, Wanted()) == 10.0
    assert usual_seconds(plan, Wanted(touch=True)) > 100.0


def test_a_run_notes_the_proof_that_went_before_it(tmp_path: Path) -> None:
    logbook = Logbook(tmp_path)
    facts = {
        "readiness": "ready with remarks",
        "remarks": [
            {"grade": "remark", "channel": "core", "what": "noise 0.7 K"},
            {"grade": "note", "channel": "left", "what": "time constant 3 s"},
        ],
    }
    kept = keep_proof(logbook, facts, plan_toml=PLAN)
    made = ns_from_iso(json.loads(kept.read_text())["proved"])

    def run(start_ns: int, plan: str = PLAN) -> Run:
        series = Series(np.array([start_ns]), np.array([20.0]), np.array([0], dtype=np.uint8))
        return Run(id="r", series={"core": series}, plan_toml=plan)

    (note,) = proof_note(logbook, run(made + 60 * 10**9))
    assert "ready with remarks; core: noise 0.7 K (SHA-256" in note
    assert "time constant" not in note
    assert proof_note(logbook, run(made - 1)) == ()  # made after it began: no proof before it
    assert proof_note(logbook, run(made + 25 * 3600 * 10**9)) == ()
    assert proof_note(logbook, run(made + 10**9, plan="other")) == ()
    kept.write_text("{}")
    (trouble,) = proof_note(logbook, run(made + 10**9))
    assert "can't be read" in trouble
