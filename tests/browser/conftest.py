"""A real server and a real browser; a page that fetches elsewhere or logs an error fails its test."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import (
    Browser,
    BrowserContext,
    Page,
    Playwright,
    expect,
    sync_playwright,
)

expect.set_options(timeout=30_000)
"""On a machine with other work five seconds, the library's own patience, tell nothing of a page."""
NAMES = ("chromium", "chromium-browser", "google-chrome")
PROGRAM = str(Path(sys.executable).with_name("ovenwright"))
SHOTS = Path(__file__).parents[2] / "shots"
"""Pictures of the pages are kept here for whoever wants to look; git ignores the folder."""
WIDTHS = {"phone": (360, 780), "desk": (1280, 900), "wall": (1920, 1080)}


def clean_env() -> dict[str, str]:
    return {k: v for k, v in os.environ.items() if not k.startswith("OVENWRIGHT_")}


@contextmanager
def serving(logbook: Path, *words: str) -> Iterator[str]:
    """Start ``ovenwright serve`` on a free port; give its address without the last slash."""
    process = subprocess.Popen(
        [PROGRAM, "serve", "--port", "0", "--no-open", "--json", "--logbook", str(logbook), *words],
        stdout=subprocess.PIPE,
        text=True,
        env=clean_env(),
        cwd=logbook.parent,
    )
    assert process.stdout is not None
    try:
        yield json.loads(process.stdout.readline())["url"].rstrip("/")
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


@pytest.fixture(scope="module")
def play() -> Iterator[Playwright]:
    with sync_playwright() as found:
        yield found


@pytest.fixture(scope="module")
def chromium(play: Playwright) -> Iterator[Browser]:
    program = next((found for name in NAMES if (found := shutil.which(name))), None)
    if program is None:
        pytest.skip(f"needs Chromium: none of {', '.join(NAMES)} found")
    # the sandbox needs rights that a container seldom gives; the pages are our own
    opened = play.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def demo_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with the demo in it; tests that change it take ``own_book`` instead."""
    folder = tmp_path_factory.mktemp("demo") / "ostrel"
    subprocess.run(
        [PROGRAM, "demo", "--logbook", str(folder)],
        env=clean_env(),
        check=True,
        capture_output=True,
        cwd=folder.parent,
    )
    return folder


@pytest.fixture
def own_book(demo_book: Path, tmp_path: Path) -> Path:
    """A copy of the demo's logbook."""
    return Path(shutil.copytree(demo_book, tmp_path / "ostrel"))


@pytest.fixture(scope="session")
def demo_server(demo_book: Path) -> Iterator[str]:
    with serving(demo_book) as address:
        yield address


@pytest.fixture
def served() -> Iterator[Callable[..., str]]:
    """Serve a logbook until the test ends; further words go to the command."""
    with ExitStack() as stack:
        yield lambda book, *words: stack.enter_context(serving(book, *words))


OpenPage = Callable[..., Page]


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[OpenPage]:
    """Open an address in a fresh context; whatever went wrong on the page fails the test."""
    contexts: list[BrowserContext] = []
    wrong: list[str] = []

    def go(
        address: str,
        *,
        width: str = "desk",
        scheme: str = "light",
        scripts: bool = True,
        allow: str = "",
        context: BrowserContext | None = None,
    ) -> Page:
        if context is None:
            size = WIDTHS[width]
            context = chromium.new_context(
                viewport={"width": size[0], "height": size[1]},
                color_scheme="dark" if scheme == "dark" else "light",
                java_script_enabled=scripts,
                reduced_motion="reduce",
                has_touch=width == "phone",
            )
            contexts.append(context)
        page = context.new_page()
        home = "/".join(address.split("/")[:3])
        sockets = home.replace("http", "ws", 1)
        page.on(
            "request",
            lambda r: (
                None
                if r.url.startswith((home, sockets, "data:", "blob:"))
                else wrong.append(f"left the machine: {r.url}")
            ),
        )
        page.on(
            "console",
            lambda m: (
                wrong.append(f"console {m.type}: {m.text}")
                if m.type in {"error", "warning"} and not (allow and re.search(allow, m.text))
                else None
            ),
        )
        page.on("pageerror", lambda e: wrong.append(f"script error: {e}"))
        page.goto(address)
        return page

    yield go
    for one in contexts:
        one.close()
    assert not wrong, "\n".join(wrong)


Shoot = Callable[[Page, str], None]
Accessible = Callable[[Page], None]


@pytest.fixture
def shoot() -> Shoot:
    """Keep a picture of the whole page under the name given."""

    def keep(page: Page, name: str) -> None:
        SHOTS.mkdir(exist_ok=True)
        page.screenshot(path=str(SHOTS / f"{name}.png"), full_page=True)

    return keep


@pytest.fixture
def accessible() -> Accessible:
    """Assert that axe finds nothing against WCAG 2.2 A and AA, and no sideways scrolling."""
    return _accessible


def _accessible(page: Page) -> None:
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate(
        "document.documentElement.scrollWidth <= document.documentElement.clientWidth + 1"
    ), "the page scrolls sideways"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """The port of an MQTT broker of this test's own."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        pytest.skip("needs mosquitto")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    config = tmp_path / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_dest none\n")
    process = subprocess.Popen([program, "-c", str(config)])
    try:
        for _ in range(100):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
                break
            except OSError:
                time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait(10)


@contextmanager
def _virtual_oven(address: str, *words: str) -> Iterator[None]:
    process = subprocess.Popen(
        [PROGRAM, "virtual-oven", "--serve", address, "--json", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=clean_env(),
    )
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


@pytest.fixture
def virtual_oven() -> Callable[..., AbstractContextManager[None]]:
    """Serve the virtual oven at an address while the ``with`` lasts; further words go to the verb."""
    return _virtual_oven


@pytest.fixture
def plan_for() -> Callable[[str, str], str]:
    """The plan that records a scenario of the virtual oven at an address."""

    def printed(address: str, scenario: str) -> str:
        words = ["--serve", address, "--scenario", scenario, "--print-plan"]
        return subprocess.run(
            [PROGRAM, "virtual-oven", *words],
            capture_output=True,
            text=True,
            check=True,
            env=clean_env(),
        ).stdout

    return printed


@pytest.fixture
def keep_plan() -> Callable[[Page, str], str]:
    """Keep a plan's text in the logbook that a page belongs to; give the plan's id."""

    def keep(page: Page, text: str) -> str:
        status, answer = page.evaluate(
            """async (text) => {
              const token = document.querySelector('meta[name="form-token"]').content;
              const answer = await fetch('/api/plans', {method: 'POST',
                body: JSON.stringify({source: 'text', text}),
                headers: {'content-type': 'application/json', 'x-form-token': token}});
              return [answer.status, await answer.json()];
            }""",
            text,
        )
        assert status == 201, answer
        return str(answer["plan"])

    return keep
