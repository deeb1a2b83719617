"""People and records in a real browser: accounts, throttling, signing, roles, the trail."""

import json
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.domain.people import Role
from ovenwright.workflow import people as keeping

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

WORD = "four words make one"
OWNER = keeping.By("tests", Role.ENGINEER, "here")
REFUSED = r"Failed to load resource: the server responded with a status of 4\d\d"
Shoot = Callable[[Page, str], None]
Accessible = Callable[[Page], None]


@pytest.fixture
def book(own_book: Path) -> Path:
    """The demo's logbook with one account a role."""
    people = build(load({"logbook": str(own_book)}, env={})).people
    for name, full, role in (
        ("erin", "Erin Vale", "engineer"),
        ("otto", "Otto Brandt", "operator"),
        ("vera", "Vera Lind", "viewer"),
    ):
        keeping.add_account(
            people, OWNER, name, role=role, password=WORD, full_name=full, own=True, why="new here"
        )
    return own_book


@pytest.fixture
def address(book: Path, served: Callable[[Path], str]) -> str:
    return served(book)


@pytest.fixture
def browser_of(chromium: Browser) -> Iterator[Callable[..., BrowserContext]]:
    contexts: list[BrowserContext] = []

    def make(width: int = 1280, height: int = 900, **more: object) -> BrowserContext:
        found = chromium.new_context(
            viewport={"width": width, "height": height},
            reduced_motion="reduce",
            **more,  # type: ignore[arg-type]
        )
        contexts.append(found)
        return found

    yield make
    for one in contexts:
        one.close()


def sign_in(page: Page, name: str, word: str = WORD) -> None:
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("Password", exact=True).fill(word)
    page.get_by_role("button", name="Sign in").click()


def test_first_account_is_made_on_the_page(  # noqa: PLR0917
    own_book: Path,
    served: Callable[[Path], str],
    open_page: Callable[..., Page],
    browser_of: Callable[..., BrowserContext],
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    home = served(own_book)
    mine, other = browser_of(), browser_of()
    page = open_page(home + "/people", context=mine, allow=REFUSED)
    shoot(page, "people-first-account")
    accessible(page)
    page.get_by_label("Name to sign in with").fill("Erin")
    page.get_by_label("Full name").fill("Erin Vale")
    page.get_by_label("Password", exact=True).fill(WORD)
    page.get_by_label("Password once more").fill(WORD)
    page.get_by_role("button", name="Make the first account").click()
    expect(page.get_by_text("Signed in as erin, engineer")).to_be_visible()
    page.get_by_text("Add an account").click()
    form = page.locator("details", has_text="Add an account")
    form.get_by_label("Name to sign in with").fill("otto")
    form.get_by_label("Role").select_option("operator")
    form.get_by_label("First password").fill("first word for otto x")
    form.get_by_label("Once more").fill("first word for otto x")
    form.get_by_label("Why").fill("joins the day shift")
    form.get_by_role("button", name="Add the account").click()
    # the password holds the name: refused, and nothing typed is lost
    expect(page.get_by_role("alert")).to_contain_text("does not hold the person's name")
    expect(form.get_by_label("Why")).to_have_value("joins the day shift")
    form.get_by_label("First password").fill("a first word to change")
    form.get_by_label("Once more").fill("a first word to change")
    form.get_by_role("button", name="Add the account").click()
    expect(page.get_by_role("status").first).to_contain_text("The account is there")
    row = page.locator("table.trail tbody tr").filter(has_text="joins the day shift")
    expect(row).to_contain_text("added an account with the role operator")
    expect(page.get_by_text("✓ intact")).to_be_visible()
    shoot(page, "people-engineer-desk-light")
    accessible(page)

    his = open_page(home + "/people", context=other)
    sign_in(his, "otto", "a first word to change")
    expect(his.get_by_role("heading", level=1)).to_have_text("Your password")
    shoot(his, "people-own-password")
    his.get_by_label("Current password").fill("a first word to change")
    his.get_by_label("New password", exact=True).fill(WORD)
    his.get_by_label("New password once more").fill(WORD)
    his.get_by_role("button", name="Set password").click()
    expect(his.get_by_text("Signed in as otto, operator")).to_be_visible()
    expect(his.get_by_text("Add an account")).to_have_count(0)


def test_sign_in_is_throttled(  # noqa: PLR0917
    address: str,
    book: Path,
    open_page: Callable[..., Page],
    browser_of: Callable[..., BrowserContext],
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    page = open_page(address + "/results", context=browser_of(), allow=REFUSED)
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    assert page.url.endswith("/sign-in?next=/results")
    accessible(page)
    for _ in range(3):
        sign_in(page, "vera", "not her word at all")
        expect(page.get_by_role("alert")).to_contain_text("do not belong together")
    people = build(load({"logbook": str(book)}, env={})).people
    now = time.time_ns()
    for i in range(9):  # as many more, a minute after each other, so that the wait is a long one
        people.charge({f"name {keeping._key('vera')}": keeping.PER_NAME}, now + i * 60 * 10**9)
    sign_in(page, "vera")  # the right one, but too early
    expect(page.get_by_role("alert")).to_contain_text("too many attempts failed; wait")
    shoot(page, "people-sign-in-throttled")
    people.forgive(f"name {keeping._key('vera')}")
    sign_in(page, "vera")
    page.wait_for_url("**/results")


def test_result_is_signed_and_a_change_breaks_the_signature(  # noqa: PLR0917
    address: str,
    book: Path,
    open_page: Callable[..., Page],
    browser_of: Callable[..., BrowserContext],
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    run = min(p.stem for p in (book / "runs").glob("*tin*.parquet"))
    context = browser_of()
    page = open_page(f"{address}/runs/{run}/sign", context=context, allow=REFUSED)
    sign_in(page, "erin")
    expect(page.get_by_text("Nobody has signed a result of this run.")).to_be_visible()
    accessible(page)
    page.get_by_label("approved").check()
    page.get_by_label("Remark").fill("released to the day shift")
    page.get_by_label("Your password").fill("not this one, sorry")
    page.get_by_role("button", name="Sign this result").click()
    expect(page.get_by_role("alert")).to_contain_text("that is not your password")
    expect(page.get_by_label("approved")).to_be_checked()
    page.get_by_label("Your password").fill(WORD)
    page.get_by_role("button", name="Sign this result").click()
    row = page.locator("table.signatures tbody tr")
    expect(row).to_contain_text("Erin Vale")
    expect(row).to_contain_text("✓ holds")
    shoot(page, "people-signed")
    record = max((book / "judgements" / run).glob("*.json"))
    facts = json.loads(record.read_text(encoding="utf-8"))
    record.chmod(0o644)
    facts["judgement"]["verdict"] = "pass"
    record.write_text(json.dumps(facts), encoding="utf-8")
    page.goto(f"{address}/people")
    broken = page.locator("table.signatures tbody tr")
    expect(broken).to_contain_text("✕ broken")
    expect(broken).to_contain_text("the judgement was changed after it was signed")
    shoot(page, "people-signature-broken")
    line = page.locator("table.trail tbody tr").filter(has_text="signed a result as approved")
    expect(line).to_contain_text("released to the day shift")
    expect(line).to_contain_text("erin")


def test_viewer_looks_and_changes_nothing(
    address: str,
    book: Path,
    open_page: Callable[..., Page],
    browser_of: Callable[..., BrowserContext],
    accessible: Accessible,
) -> None:
    run = min(p.stem for p in (book / "runs").glob("*.parquet"))
    context = browser_of(360, 780)
    page = open_page(address + "/people", context=context, allow=REFUSED)
    sign_in(page, "vera")
    expect(page.get_by_text("Signed in as vera, viewer")).to_be_visible()
    accessible(page)
    for absent in ("Add an account", "Make a token"):
        expect(page.get_by_text(absent)).to_have_count(0)
    page.goto(f"{address}/runs/{run}/sign")
    expect(page.get_by_text("Signing needs the role operator")).to_be_visible()
    # the page hides it; the server refuses it all the same
    codes = page.evaluate(
        """async (run) => {
          const token = document.querySelector('meta[name="form-token"]').content;
          const ask = (path, body) => fetch(path, {method: "POST", body: JSON.stringify(body),
            headers: {"content-type": "application/json", "x-form-token": token}}).then(r => r.status);
          return [
            await ask(`/api/runs/${run}/signatures`, {meaning: "reviewed", password: "x"}),
            await ask("/api/people", {name: "mallory", role: "engineer", password: "four words make one"}),
            await ask("/api/tokens", {name: "vera", role: "engineer"}),
          ];
        }""",
        run,
    )
    assert codes == [403, 403, 403]


def test_an_altered_record_shows_as_broken(
    address: str,
    book: Path,
    open_page: Callable[..., Page],
    browser_of: Callable[..., BrowserContext],
    shoot: Shoot,
) -> None:
    code = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); "
        "c.execute('DROP TRIGGER trail_no_update'); "
        "c.execute(\"UPDATE trail SET why = 'something else' WHERE number = 2\"); c.commit()"
    )
    subprocess.run(["python3", "-c", code, str(book / "people.sqlite")], check=True)
    page = open_page(address + "/people", context=browser_of())
    sign_in(page, "erin")
    expect(page.get_by_role("alert")).to_contain_text("line 2 was altered")
    shoot(page, "people-record-broken")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height", "name"), [(360, 780, "phone"), (1920, 1080, "wall")])
def test_pages_of_people_are_whole(  # noqa: PLR0917
    address: str,
    book: Path,
    open_page: Callable[..., Page],
    browser_of: Callable[..., BrowserContext],
    shoot: Shoot,
    accessible: Accessible,
    width: int,
    height: int,
    name: str,
    scheme: str,
) -> None:
    page = open_page(address + "/sign-in", context=browser_of(width, height, color_scheme=scheme))
    shoot(page, f"people-sign-in-{name}-{scheme}")
    accessible(page)
    sign_in(page, "erin")
    page.goto(address + "/people")
    for one in page.locator("details").all():
        one.evaluate("e => { e.open = true; }")
    shoot(page, f"people-engineer-{name}-{scheme}")
    accessible(page)


def test_signing_in_and_the_record_work_without_scripts(
    address: str, open_page: Callable[..., Page], browser_of: Callable[..., BrowserContext]
) -> None:
    page = open_page(
        address + "/people?text=account", context=browser_of(java_script_enabled=False)
    )
    sign_in(page, "otto")
    assert "text=account" in page.url
    expect(page.locator("table.trail tbody tr")).to_have_count(3)
    with page.expect_download() as waiting:
        page.get_by_role("link", name="As CSV").click()
    rows = Path(waiting.value.path()).read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("number,time_utc,who,role,what")
    assert len(rows) == 4
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
