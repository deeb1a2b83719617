"""The API under a property-based tester: no crash, and answers as the schema promises.

The tester runs as a program of its own against a real server with accounts and a token of an
engineer, so that every address is reached; what starts long work or talks to instruments is left
out, and so is what would take the tester's own rights away.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.request import Request, urlopen

import pytest

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.domain.people import Role
from ovenwright.workflow import people as keeping

pytestmark = pytest.mark.slow

BIN = Path(sys.executable).parent
BUDGET_S = 90
LEFT_OUT = (
    "/api/demo",  # minutes of work a piece
    "/api/recordings/practice",  # starts an oven and a recorder, which outlive the server
    "/api/me/password",
)
CHECKS = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance"
WORD = "four words make one"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """Give the address of a server and a token good for everything."""
    folder = tmp_path_factory.mktemp("fuzz")
    book = folder / "book"
    env = {k: v for k, v in os.environ.items() if not k.startswith("OVENWRIGHT_")}
    program = str(BIN / "ovenwright")
    subprocess.run(
        [program, "demo", "--no-open", "--logbook", str(book)],
        check=True,
        capture_output=True,
        cwd=folder,
        env=env,
    )
    by = keeping.By("tests", Role.ENGINEER)
    people = build(load({"logbook": str(book)}, env={})).people
    keeping.add_account(people, by, "erin", role="engineer", password=WORD, own=True)
    _, held = keeping.make_pass(people, by, "erin", role="engineer", label="fuzz")
    words = [program, "serve", "--port", "0", "--no-open", "--json", "--logbook", str(book)]
    log = (folder / "server.log").open("w")
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=log, text=True, cwd=folder, env=env
    ) as server:
        assert server.stdout is not None
        yield json.loads(server.stdout.readline())["url"].rstrip("/"), held
        server.terminate()
    log.close()
    said = (folder / "server.log").read_text()
    assert "Traceback" not in said, said[-4000:]


def test_api_keeps_its_word(served: tuple[str, str], tmp_path: Path) -> None:
    address, held = served
    bearer = f"Bearer {held}"
    started = time.monotonic()
    done = subprocess.run(
        [
            str(BIN / "schemathesis"), "run", f"{address}/openapi.json",
            "--header", f"Authorization: {bearer}",
            "--checks", CHECKS,
            "--phases", "examples,coverage,fuzzing",
            "--max-time", str(BUDGET_S), "--max-examples", "12",
            "--seed", "1", "--generation-database", "none", "--no-color", "--no-shrink",
            "--continue-on-failure", "--warnings", "off", "--request-timeout", "20",
            *(word for path in LEFT_OUT for word in ("--exclude-path", path)),
        ],
        capture_output=True, text=True, cwd=tmp_path, check=False, timeout=BUDGET_S + 120,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-12_000:] + done.stderr[-2000:]
    assert time.monotonic() - started < BUDGET_S + 60
    # the tester must have been let in, or it tested the door alone
    ask = Request(f"{address}/api/me", headers={"Authorization": bearer})  # noqa: S310 - our own
    with urlopen(ask) as answer:  # noqa: S310
        assert json.load(answer)["role"] == "engineer"
