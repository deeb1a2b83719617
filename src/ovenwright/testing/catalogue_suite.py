"""What every database under the catalogue must do, as a suite that any project can run.

Subclass it in a test module and give it a ``catalogue`` fixture with an empty index::

    class TestMine(CatalogueContract):
        @pytest.fixture
        def catalogue(self) -> Iterator[Catalogue]: ...
"""

# ruff: noqa: S101 - a suite of assertions is what this module is
from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from ovenwright.catalogue.entries import JudgementEntry, MeasureEntry, RunEntry

if TYPE_CHECKING:
    from ovenwright.catalogue.catalogue import Catalogue

RYE = RunEntry(
    id="2026-03-04-1412-rye-7f3a",
    title="Rye, tin, 800 g",
    digest="ab" * 32,
    sealed_ns=1_772_640_000_123_456_789,
    start_ns=1_772_633_520_123_456_789,
    duration_s=2640.25,
    channels=("core left", "Luft Süd"),
    samples=21_128,
    path="runs/2026-03-04-1412-rye-7f3a.parquet",
    oven="Ofen Öst 3",
    product="rye tin loaf",
    notes=("50% of the load", "under_score"),
)
BUN = replace(
    RYE,
    id="2026-03-05-0900-bun-0c1d",
    title="Bun",
    digest="cd" * 32,
    sealed_ns=RYE.sealed_ns + 10**15,
    start_ns=RYE.start_ns + 10**15,
    oven="oven 1",
    product="bun",
    notes=(),
    absolute=False,
    parent_digest="ab" * 32,
)
CORE = MeasureEntry(
    requirement="core hot enough",
    measure="max_temperature",
    channel="core left",
    value=97.123456789012345,
    unit="degC",
    standard_uncertainty=0.61,
    low_95=95.9,
    high_95=98.3,
    probability=0.9987,
    verdict="pass",
)
LOST = MeasureEntry("even", "spread", "", math.nan, "K", verdict="undecided")


def _judged(at: int, verdict: str, *measures: MeasureEntry) -> JudgementEntry:
    return JudgementEntry(RYE.id, RYE.sealed_ns + at, verdict, "plan.toml", "0.1.0", measures)


class CatalogueContract:
    """The suite; each test asks for the fixture ``catalogue``, an empty index."""

    def test_empty(self, catalogue: Catalogue) -> None:
        """An empty index answers with nothing."""
        assert catalogue.find() == ()
        assert catalogue.run_ids() == frozenset()
        assert catalogue.judgements("none") == ()

    def test_comes_back_as_it_was(self, catalogue: Catalogue) -> None:
        """Every fact comes back, numbers to the last bit, text in any script."""
        catalogue.index(RYE, BUN)
        assert catalogue.find() == (BUN, RYE)
        assert catalogue.run_ids() == {RYE.id, BUN.id}

    def test_indexing_again_replaces(self, catalogue: Catalogue) -> None:
        """An entry of the same id takes the old one's place and keeps its judgements."""
        catalogue.index(RYE)
        catalogue.index_judgements(_judged(1, "fail"))
        catalogue.index(replace(RYE, title="Rye, corrected"))
        (found,) = catalogue.find()
        assert found.title == "Rye, corrected"
        assert (found.verdict, found.judgements) == ("fail", 1)

    def test_last_judgement_counts(self, catalogue: Catalogue) -> None:
        """The verdict of a run is that of its last judgement, whatever the order of keeping."""
        catalogue.index(RYE, BUN)
        catalogue.index_judgements(_judged(2, "pass", CORE, LOST), _judged(1, "undecided"))
        rye = catalogue.find(text="rye")[0]
        assert (rye.verdict, rye.judgements) == ("pass", 2)
        first, second = catalogue.judgements(RYE.id)
        assert first.measures == ()
        assert second.measures[0] == CORE
        assert math.isnan(second.measures[1].value)
        assert [r.id for r in catalogue.find(verdict="pass")] == [RYE.id]
        assert [r.id for r in catalogue.find(verdict="none")] == [BUN.id]
        assert catalogue.find(verdict="undecided") == ()
        assert catalogue.judgement_counts() == {RYE.id: 2}

    def test_judgement_kept_twice_stays_one(self, catalogue: Catalogue) -> None:
        """Keeping the same judgement again replaces it."""
        catalogue.index(RYE)
        catalogue.index_judgements(_judged(1, "fail", CORE, LOST))
        catalogue.index_judgements(_judged(1, "pass", CORE))
        (one,) = catalogue.judgements(RYE.id)
        assert (one.verdict, one.measures) == ("pass", (CORE,))

    def test_finding(self, catalogue: Catalogue) -> None:
        """Words are found whatever the case, in any script, and mean themselves."""
        catalogue.index(RYE, BUN)
        for wanted, ids in {
            "RYE": [RYE.id],
            "rye 800": [RYE.id],
            "rye bun": [],
            "öst": [RYE.id],
            "LUFT SÜD": [BUN.id, RYE.id],
            "50%": [RYE.id],
            "5%": [],
            "under_score": [RYE.id],
            "und_r": [],
        }.items():
            assert [r.id for r in catalogue.find(text=wanted)] == ids, wanted
        assert [r.id for r in catalogue.find(oven="OFEN ÖST")] == [RYE.id]
        assert [r.id for r in catalogue.find(product="Tin")] == [RYE.id]
        assert [r.id for r in catalogue.find(digest="cdcd")] == [BUN.id]

    def test_time_and_pages(self, catalogue: Catalogue) -> None:
        """The one sealed last comes first; limits cut as asked; nanoseconds count."""
        catalogue.index(RYE, BUN)
        assert [r.id for r in catalogue.find(since_ns=RYE.start_ns + 1)] == [BUN.id]
        assert [r.id for r in catalogue.find(since_ns=RYE.start_ns, until_ns=BUN.start_ns)] == [
            RYE.id
        ]
        assert [r.id for r in catalogue.find(limit=1)] == [BUN.id]
        assert [r.id for r in catalogue.find(limit=1, offset=1)] == [RYE.id]
        assert [r.id for r in catalogue.find(offset=1)] == [RYE.id]

    def test_counting_what_fits(self, catalogue: Catalogue) -> None:
        """As many are counted as are found, whatever part of them is shown."""
        catalogue.index(RYE, BUN)
        catalogue.index_judgements(_judged(1, "fail", CORE), _judged(2, "pass", CORE))
        assert catalogue.count() == 2
        assert catalogue.count(text="rye") == 1
        assert catalogue.count(verdict="pass") == 1
        assert catalogue.count(verdict="fail") == 0
        assert catalogue.count(verdict="none", since_ns=RYE.start_ns) == 1
        assert catalogue.count(oven="nowhere") == 0

    def test_ovens_and_products(self, catalogue: Catalogue) -> None:
        """Each oven stands with each of its products, last verdicts counted once a run."""
        assert catalogue.pairs() == ()
        catalogue.index(RYE, BUN)
        catalogue.index_judgements(_judged(1, "fail", CORE), _judged(2, "pass", CORE))
        found = {(p.oven, p.product): p for p in catalogue.pairs()}
        rye = found[RYE.oven, RYE.product]
        assert (rye.runs, rye.passed, rye.failed, rye.undecided) == (1, 1, 0, 0)
        assert rye.last_ns == RYE.sealed_ns
        assert (BUN.oven, BUN.product) in found

    def test_history(self, catalogue: Catalogue) -> None:
        """Runs come oldest first, each with the measures of its last judgement alone."""
        catalogue.index(RYE, BUN)
        catalogue.index_judgements(_judged(1, "fail", CORE, LOST), _judged(2, "pass", CORE))
        runs = catalogue.history()
        assert [run.id for run, _ in runs] == [RYE.id, BUN.id]
        assert [measures for _, measures in runs] == [(CORE,), ()]
        assert [run.id for run, _ in catalogue.history(oven=RYE.oven)] == [RYE.id]
        assert [run.id for run, _ in catalogue.history(product=BUN.product)] == [BUN.id]
        assert catalogue.history(oven=RYE.oven[:-1]) == (), "a name counts whole"
        assert [run.id for run, _ in catalogue.history(limit=1)] == [BUN.id]

    def test_forgetting(self, catalogue: Catalogue) -> None:
        """A forgotten run is gone with its judgements; others stay."""
        catalogue.index(RYE, BUN)
        catalogue.index_judgements(_judged(1, "pass", CORE))
        catalogue.forget(RYE.id)
        assert catalogue.run_ids() == {BUN.id}
        assert catalogue.judgements(RYE.id) == ()

    def test_rebuilding(self, catalogue: Catalogue) -> None:
        """Rebuilding leaves exactly what was handed in."""
        catalogue.index(RYE)
        catalogue.index_judgements(_judged(1, "pass", CORE))
        assert catalogue.rebuild([BUN, RYE], [_judged(5, "fail", LOST)]) == 2
        assert [(r.id, r.verdict) for r in catalogue.find()] == [(BUN.id, ""), (RYE.id, "fail")]
        assert catalogue.rebuild([]) == 0
        assert catalogue.find() == ()
