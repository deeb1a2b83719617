"""The application without a socket: quick checks of answers, roles and headers."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.web.app import create_app
from ovenwright.web.site import Site


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(build(load({"logbook": str(tmp_path / "book")}, env={})))


@pytest.fixture
def client(site: Site) -> Iterator[TestClient]:
    with TestClient(create_app(site), base_url="http://127.0.0.1:8717") as found:
        yield found
