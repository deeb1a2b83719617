from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ovenwright.catalogue.catalogue import Catalogue
from ovenwright.testing.catalogue_suite import CatalogueContract


class TestSqliteFile(CatalogueContract):
    @pytest.fixture
    def catalogue(self, tmp_path: Path) -> Iterator[Catalogue]:
        with Catalogue(f"sqlite:///{tmp_path / 'catalogue.sqlite'}") as made:
            yield made


class TestSqliteMemory(CatalogueContract):
    @pytest.fixture
    def catalogue(self) -> Iterator[Catalogue]:
        with Catalogue("sqlite://") as made:
            yield made


class TestPostgres(CatalogueContract):
    @pytest.fixture
    def catalogue(self, postgres: str) -> Iterator[Catalogue]:
        with Catalogue(postgres) as made:
            made.rebuild([])
            yield made
