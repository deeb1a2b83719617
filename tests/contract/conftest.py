"""A PostgreSQL for the suites of whatever is kept in a database."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """The address of an empty PostgreSQL: the one named by the environment, or one started here."""
    pytest.importorskip("psycopg", reason="needs psycopg: pip install 'psycopg[binary]'")
    given = os.environ.get("OVENWRIGHT_TEST_POSTGRES")
    if given:
        yield given
        return
    tools = {name: _tool(name) for name in ("initdb", "pg_ctl")}
    missing = sorted(name for name, path in tools.items() if path is None)
    if missing:
        pytest.skip(f"needs PostgreSQL: {', '.join(missing)} not found")
    # not under pytest's own folder: the next pytest on this machine shuts that to other users
    home = Path(tempfile.mkdtemp(prefix="ovenwright-pg-"))
    as_user: list[str] = []
    if os.geteuid() == 0:  # the server refuses to run as root
        if (
            shutil.which("runuser") is None
            or subprocess.run(["id", "postgres"], capture_output=True, check=False).returncode
        ):
            pytest.skip("needs a user postgres: the server refuses root")
        shutil.chown(home, "postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
    data, port = home / "data", _free_port()

    def call(*words: str) -> None:
        subprocess.run([*as_user, *words], check=True, capture_output=True, timeout=60, cwd="/")

    call(str(tools["initdb"]), "-D", str(data), "-U", "ovenwright", "--auth=trust", "-E", "UTF8")
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c fsync=off -k {home}"
    server = [str(tools["pg_ctl"]), "-D", str(data), "-w", "-l", str(home / "log")]
    call(*server, "-o", options, "start")
    try:
        yield f"postgresql+psycopg://ovenwright@127.0.0.1:{port}/postgres"
    finally:
        call(*server, "-m", "immediate", "stop")
        shutil.rmtree(home)


def _tool(name: str) -> str | None:
    found = shutil.which(name)
    if found:
        return found
    homes = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(homes[-1]) if homes else None
