"""People are kept alike by every database: accounts, sessions, attempts, the trail, signatures."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine

from ovenwright.catalogue.people import People
from ovenwright.catalogue.people_tables import PEOPLE
from ovenwright.testing.people_suite import PeopleContract


class TestSqliteFile(PeopleContract):
    @pytest.fixture
    def people(self, tmp_path: Path) -> Iterator[People]:
        made = People(f"sqlite:///{tmp_path / 'people.sqlite'}")
        yield made
        made.close()


class TestSqliteMemory(PeopleContract):
    @pytest.fixture
    def people(self) -> Iterator[People]:
        made = People("sqlite://")
        yield made
        made.close()


class TestPostgres(PeopleContract):
    @pytest.fixture
    def people(self, postgres: str) -> Iterator[People]:
        engine = create_engine(postgres)
        PEOPLE.drop_all(engine)
        engine.dispose()
        made = People(postgres)
        yield made
        made.close()
