"""The door: which host name, which page, which person, which role, how much at once."""

import json
import logging
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.testclient import TestClient
from starlette.websockets import WebSocket

from ovenwright.domain.people import Role
from ovenwright.web import guard, uploads
from ovenwright.web.app import create_app
from ovenwright.web.door import Engineer, Operator, Viewer
from ovenwright.web.origins import Hosts, cross_site_fault, host_of, is_this_machine, shared_hosts
from ovenwright.web.site import Site
from ovenwright.workflow import passwords
from ovenwright.workflow import people as keeping

HOME = "http://127.0.0.1:8717"
WORD = "four words make one"
OWNER = keeping.By("tests", Role.ENGINEER, "here")
BROWSER = {"origin": HOME, "sec-fetch-site": "same-origin"}


@pytest.fixture(autouse=True)
def light_hashes(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Hash with little work here; what real hashes cost has a test of its own."""
    monkeypatch.setattr(passwords, "_MEMORY_KIB", 64)
    monkeypatch.setattr(passwords, "_ROUNDS", 1)
    for cached in (passwords._hasher, passwords._nobody):
        cached.cache_clear()
    yield
    for cached in (passwords._hasher, passwords._nobody):
        cached.cache_clear()


@pytest.fixture
def app(site: Site) -> FastAPI:
    return create_app(site)


@pytest.fixture
def people(site: Site) -> Site:
    """A site with one account a role."""
    book = site.tools.people
    for name, role in (("erin", "engineer"), ("otto", "operator"), ("vera", "viewer")):
        keeping.add_account(book, OWNER, name, role=role, password=WORD, own=True)
    return site


@pytest.fixture
def visit(app: FastAPI) -> Callable[..., TestClient]:
    """Return a browser of its own."""

    def open_one(home: str = HOME, **rest: Any) -> TestClient:
        return TestClient(app, base_url=home, **rest)

    return open_one


def enter(browser: TestClient, name: str, word: str = WORD) -> dict[str, str]:
    """Sign in and return the headers that a page's script sends from then on."""
    token = browser.get("/api/form-token").json()["token"]
    answer = browser.post(
        "/api/sign-in",
        json={"name": name, "password": word},
        headers=BROWSER | {"x-form-token": token},
    )
    assert answer.status_code == 200, answer.text
    return BROWSER | {"x-form-token": answer.json()["form_token"]}


# which host name ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example:8717", "localhost@evil.example", "", "a b"]
)
def test_a_name_made_to_point_here_is_refused(client: TestClient, host: str) -> None:
    answer = client.get("/api/health", headers={"host": host})
    assert answer.status_code == 421
    assert set(answer.json()) >= {"error", "what", "where", "remedy"}
    assert "content-security-policy" in answer.headers


@pytest.mark.parametrize("host", ["127.0.0.1:8717", "localhost:1", "LOCALHOST", "[::1]:8717"])
def test_names_of_this_machine_are_known(client: TestClient, host: str) -> None:
    assert client.get("/api/health", headers={"host": host}).status_code == 200


def test_a_shared_server_knows_addresses_and_its_names() -> None:
    hosts = shared_hosts("0.0.0.0", ("Oven-Room.example",))  # noqa: S104 - only its words matter
    assert hosts.knows("192.0.2.7:8717")  # address of RFC 5737, for examples
    assert hosts.knows("oven-room.example:8717")
    assert hosts.knows("oven-room.example.")
    assert not hosts.knows("evil.example:8717")
    assert not Hosts().knows("192.0.2.7:8717")


@pytest.mark.parametrize("header", ["a:b", "a:99999", "a/b", "x@a", "a:1:2", "[::1", "a\\b/"])
def test_malformed_names_are_none(header: str) -> None:
    assert host_of(header) is None or "/" not in str(host_of(header))
    assert not Hosts().knows(header)


@pytest.mark.parametrize(
    ("peer", "here"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("::ffff:127.0.0.1", True),
     ("192.0.2.7", False), ("::ffff:192.0.2.7", False), ("fe80::1%eth0", False)],
)  # fmt: skip
def test_whose_address_is_this_machine_s(peer: str, here: bool) -> None:
    assert is_this_machine(peer) is here


# which page ---------------------------------------------------------------------------------

PAGES = [
    ({"origin": "https://evil.example"}, True),
    ({"origin": "null"}, True),
    ({"origin": "http://127.0.0.1:9999"}, True),
    ({"origin": "https://127.0.0.1:8717"}, True),
    ({"sec-fetch-site": "cross-site"}, True),
    ({"sec-fetch-site": "same-site"}, True),
    ({"origin": HOME, "sec-fetch-site": "cross-site"}, True),
    ({"origin": HOME}, False),
    ({"origin": HOME, "sec-fetch-site": "same-origin"}, False),
    ({"sec-fetch-site": "none"}, False),
    ({}, False),
]


@pytest.mark.parametrize(("headers", "refused"), PAGES)
def test_what_another_page_sends_is_refused(headers: dict[str, str], refused: bool) -> None:
    host = {"host": urlsplit(HOME).netloc}
    assert bool(cross_site_fault("http", "POST", host | headers)) is refused
    assert bool(cross_site_fault("ws", "GET", host | headers)) is refused


def test_links_from_elsewhere_may_be_followed_but_nothing_else_read() -> None:
    link = {
        "sec-fetch-site": "cross-site",
        "sec-fetch-mode": "navigate",
        "sec-fetch-dest": "document",
    }
    host = {"host": "127.0.0.1:8717"}
    assert not cross_site_fault("http", "GET", host | link)
    assert cross_site_fault("http", "GET", host | link | {"sec-fetch-dest": "iframe"})
    assert cross_site_fault("http", "GET", host | link | {"sec-fetch-mode": "no-cors"})
    assert cross_site_fault("http", "POST", host | link)


@pytest.mark.parametrize(("headers", "refused"), PAGES)
def test_cross_site_posts_change_nothing(
    client: TestClient, site: Site, headers: dict[str, str], refused: bool
) -> None:
    token = client.get("/api/form-token").json()["token"]
    answer = client.post(
        "/api/people",
        json={"name": "mallory", "role": "engineer", "password": WORD},
        headers=headers | {"x-form-token": token},
    )
    assert answer.status_code == (403 if refused else 201), answer.text
    assert site.tools.people.has_accounts() is not refused


def test_a_plain_client_of_this_machine_needs_no_token(client: TestClient) -> None:
    answer = client.post("/api/people", json={"name": "erin", "role": "engineer", "password": WORD})
    assert answer.status_code == 201


@pytest.mark.parametrize("sent", [{}, {"x-form-token": "0" * 64}, {"x-form-token": ""}])
def test_a_page_without_the_token_is_refused(client: TestClient, sent: dict[str, str]) -> None:
    answer = client.post(
        "/api/people",
        json={"name": "m", "role": "engineer", "password": WORD},
        headers=BROWSER | sent,
    )
    assert answer.status_code == 403
    assert answer.json()["error"] == "FormToken"


def test_forms_carry_the_token_in_a_field(client: TestClient, site: Site) -> None:
    token = client.get("/api/form-token").json()["token"]
    form = {"name": "erin", "password": WORD, "again": WORD, "role": "engineer"}
    kinds: list[dict[str, Any]] = [
        {"data": form},
        {"data": form, "files": {"x": ("x.txt", b"name=form-token")}},
        {"data": form | {"form-token": token[:-1] + "x"}},
        {"data": {"form-token": ""} | form, "files": {"x": ("x.txt", b"x" * 300_000)}},
    ]
    for sent in kinds:
        assert client.post("/people/accounts", headers=BROWSER, **sent).status_code == 403
    assert not site.tools.people.has_accounts()
    sent = {"data": {"form-token": token} | form, "files": {"x": ("x.txt", b"x" * 300_000)}}
    answer = client.post("/people/accounts", headers=BROWSER, follow_redirects=False, **sent)
    assert answer.status_code == 303, answer.text


def test_a_token_is_good_for_its_session_alone(
    people: Site, visit: Callable[..., TestClient]
) -> None:
    erin, vera = visit(), visit()
    enter(erin, "erin")
    headers_of_vera = enter(vera, "vera")
    body = {"name": "nobody", "role": "viewer", "password": WORD}
    assert erin.post("/api/people", json=body, headers=headers_of_vera).status_code == 403
    assert people.tools.people.account("nobody") is None


# who ---------------------------------------------------------------------------------------


def test_with_accounts_nobody_gets_in_unknown(
    people: Site, visit: Callable[..., TestClient]
) -> None:
    stranger = visit()
    for path in ("/api/runs", "/api/jobs", "/api/audit", "/openapi.json", "/api/nothing"):
        assert stranger.get(path).status_code == 401, path
    page = stranger.get("/people?text=x", headers={"accept": "text/html"}, follow_redirects=False)
    assert (page.status_code, page.headers["location"]) == (303, "/sign-in?next=/people%3Ftext%3Dx")
    assert stranger.get("/api/health").status_code == 200
    assert stranger.get("/sign-in").status_code == 200


def test_a_shared_server_lets_nobody_in_even_when_its_people_are_gone(site: Site) -> None:
    app = create_app(Site(site.tools, shared=True))
    with TestClient(app, base_url=HOME) as browser:
        assert browser.get("/api/jobs").status_code == 401


@pytest.mark.parametrize("header", ["forwarded", "x-forwarded-for", "x-real-ip", "via"])
def test_what_another_server_passes_on_is_not_this_computer(
    client: TestClient, header: str
) -> None:
    assert client.get("/api/jobs", headers={header: "127.0.0.1"}).status_code == 401


def test_other_machines_are_nobody_without_accounts(app: FastAPI) -> None:
    far = TestClient(app, base_url=HOME, client=("192.0.2.7", 50000))
    assert far.get("/api/jobs").status_code == 401


def test_first_account_closes_the_door_at_once(
    site: Site, visit: Callable[..., TestClient]
) -> None:
    first, other = visit(), visit()
    assert other.get("/api/jobs").status_code == 200
    page = first.post(
        "/people/accounts",
        data={"name": "Erin", "password": WORD, "again": WORD, "role": "engineer"},
    )
    assert page.status_code == 200
    assert "Signed in as <strong>erin</strong>" in page.text
    assert other.get("/api/jobs").status_code == 401
    made = site.tools.people.account("erin")
    assert made is not None
    assert not made.must_change


def test_first_account_must_be_an_engineer_s(client: TestClient, site: Site) -> None:
    body = {"name": "vera", "role": "viewer", "password": WORD}
    answer = client.post("/api/people", json=body)
    assert answer.status_code == 400
    assert not site.tools.people.has_accounts()


def test_cookie_is_for_the_server_alone(people: Site, visit: Callable[..., TestClient]) -> None:
    browser = visit()
    answer = browser.post("/api/sign-in", json={"name": "erin", "password": WORD})
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith("ovenwright-8717=")
    assert {"httponly", "samesite=strict", "path=/"} <= {p.strip() for p in cookie.split(";")}
    assert "secure" not in cookie
    assert "domain" not in cookie
    safe = visit("https://127.0.0.1:8717")
    answer = safe.post("/api/sign-in", json={"name": "erin", "password": WORD})
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith("__host-ovenwright-8717=")
    assert "secure" in {p.strip() for p in cookie.split(";")}
    assert "max-age=" in answer.headers["strict-transport-security"]


def test_only_hashes_are_kept(people: Site, visit: Callable[..., TestClient]) -> None:
    browser = visit()
    enter(browser, "erin")
    held = next(c.value for c in browser.cookies.jar if c.name == "ovenwright-8717")
    kept = b"".join(p.read_bytes() for p in people.tools.logbook.folder.glob("people.sqlite*"))
    assert held
    assert held.encode() not in kept
    assert WORD.encode() not in kept
    assert b"$argon2id$" in kept
    assert people.tools.logbook.folder.joinpath("people.sqlite").stat().st_mode & 0o077 == 0


def test_session_is_new_at_each_sign_in(people: Site, visit: Callable[..., TestClient]) -> None:
    browser, thief = visit(), visit()
    enter(browser, "erin")
    old = next(iter(browser.cookies.jar)).value
    headers = enter(browser, "erin")
    assert next(iter(browser.cookies.jar)).value != old
    thief.cookies.set("ovenwright-8717", str(old))
    assert thief.get("/api/me").status_code == 401
    assert browser.post("/api/sign-out", headers=headers).status_code == 204
    assert browser.get("/api/me").status_code == 401


@pytest.mark.parametrize(
    ("name", "idle_h", "longest_h"), [("erin", 1, 12), ("otto", 1, 12), ("vera", 24, 30 * 24)]
)
def test_sessions_end(  # noqa: PLR0917
    people: Site,
    visit: Callable[..., TestClient],
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    idle_h: int,
    longest_h: int,
) -> None:
    now = time.time_ns()
    hour = 3600 * 10**9
    browser = visit()
    monkeypatch.setattr(time, "time_ns", lambda: now)
    enter(browser, name)
    monkeypatch.setattr(time, "time_ns", lambda: now + idle_h * hour - 1)
    assert browser.get("/api/me").status_code == 200
    monkeypatch.setattr(time, "time_ns", lambda: now + 2 * idle_h * hour)
    assert browser.get("/api/me").status_code == 401
    monkeypatch.setattr(time, "time_ns", lambda: now)
    enter(browser, name)
    for at in range(0, longest_h * 2, idle_h):  # used all the time
        monkeypatch.setattr(time, "time_ns", lambda at=at: now + at * hour)
        alive = browser.get("/api/me").status_code == 200
        assert alive is (at <= longest_h), at
        if not alive:
            break


def test_who_is_put_out_of_use_is_out_at_once(
    people: Site, visit: Callable[..., TestClient]
) -> None:
    erin, otto = visit(), visit()
    enter(otto, "otto")
    headers = enter(erin, "erin")
    assert otto.get("/api/me").json()["role"] == "operator"
    erin.patch("/api/people/otto", json={"role": "viewer", "why": "moved"}, headers=headers)
    assert otto.get("/api/me").json()["role"] == "viewer"
    erin.patch("/api/people/otto", json={"enabled": False, "why": "left"}, headers=headers)
    assert otto.get("/api/me").status_code == 401
    answer = otto.post("/api/sign-in", json={"name": "otto", "password": WORD})
    assert answer.status_code == 401


def test_a_password_set_by_another_must_be_changed_first(
    people: Site, visit: Callable[..., TestClient]
) -> None:
    erin, vera = visit(), visit()
    headers = enter(erin, "erin")
    new = "another four words"
    done = erin.post("/api/people/vera/password", json={"password": new}, headers=headers)
    assert done.status_code == 200
    hers = enter(vera, "vera", new)
    assert vera.get("/api/jobs").status_code == 403
    page = vera.get("/", follow_redirects=False)
    assert page.headers["location"] == "/password"
    assert vera.get("/password").status_code == 200
    wrong = vera.post("/api/me/password", json={"current": "no", "new": WORD}, headers=hers)
    assert wrong.status_code == 403
    same = vera.post("/api/me/password", json={"current": new, "new": new}, headers=hers)
    assert same.status_code == 400
    own = vera.post("/api/me/password", json={"current": new, "new": WORD + "!"}, headers=hers)
    assert own.status_code == 204, own.text
    assert vera.get("/api/jobs").status_code == 200


@pytest.mark.parametrize(
    "word", ["short", "a" * 40, "vera was here 1", "ovenwright is it", "x" * 300, "abcabcabcabcabc"]
)
def test_weak_passwords_are_refused(people: Site, word: str) -> None:
    with pytest.raises(Exception, match="password"):
        keeping.set_password(people.tools.people, OWNER, "vera", word, own=False)


# tokens of scripts ---------------------------------------------------------------------------


def test_a_script_s_token_does_no_more_than_it_may(
    people: Site, visit: Callable[..., TestClient]
) -> None:
    erin, script = visit(), visit()
    headers = enter(erin, "erin")
    body = {"name": "erin", "role": "viewer", "label": "night import"}
    made = erin.post("/api/tokens", json=body, headers=headers).json()
    bearer = {"authorization": f"Bearer {made['token']}"}
    assert script.get("/api/me", headers=bearer).json()["role"] == "viewer"
    body = {"name": "x1", "role": "viewer", "password": WORD}
    assert script.post("/api/people", json=body, headers=bearer).status_code == 403
    kept = people.tools.logbook.folder.joinpath("people.sqlite").read_bytes()
    assert made["token"].encode() not in kept
    assert erin.delete(f"/api/tokens/{made['id']}", headers=headers).json()["revoked"]
    assert script.get("/api/me", headers=bearer).status_code == 401
    # a wrong token is no way round the cookie either
    assert erin.get("/api/me", headers={"authorization": "Bearer x"}).status_code == 401


def test_a_token_falls_with_its_account_s_role(
    people: Site, visit: Callable[..., TestClient]
) -> None:
    book = people.tools.people
    _, held = keeping.make_pass(book, OWNER, "otto", role="engineer", label="x")
    bearer = {"authorization": f"Bearer {held}"}
    assert visit().get("/api/me", headers=bearer).json()["role"] == "operator"
    keeping.change_account(book, OWNER, "otto", enabled=False)
    assert visit().get("/api/me", headers=bearer).status_code == 401


# throttling ----------------------------------------------------------------------------------


def test_failed_sign_ins_make_wait_and_survive_a_restart(
    people: Site, visit: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = time.time_ns()
    monkeypatch.setattr(time, "time_ns", lambda: now)
    browser = visit()

    def attempt(name: str, word: str, at: TestClient = browser) -> Any:
        return at.post("/api/sign-in", json={"name": name, "password": word})

    for _ in range(4):
        assert attempt("vera", "wrong word").status_code == 401
    assert attempt("vera", "wrong word").status_code == 401
    late = attempt("vera", WORD)
    assert late.status_code == 429
    assert int(late.headers["retry-after"]) >= 1
    anew = TestClient(create_app(people), base_url=HOME)
    assert attempt("vera", WORD, anew).status_code == 429
    assert attempt("otto", WORD, visit()).status_code == 200, "others are not held up"
    monkeypatch.setattr(time, "time_ns", lambda: now + 2 * 10**9)
    assert attempt("vera", WORD).status_code == 200


def test_one_address_can_t_try_all_names(
    people: Site, visit: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = time.time_ns()
    monkeypatch.setattr(time, "time_ns", lambda: now)
    browser = visit()
    codes = [
        browser.post("/api/sign-in", json={"name": f"name{i}", "password": "x"}).status_code
        for i in range(22)
    ]
    assert codes[:20] == [401] * 20
    assert 429 in codes[20:]


def test_unknown_names_and_wrong_passwords_read_alike(
    people: Site, visit: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    worked: list[str] = []
    fits = passwords.fits

    def counted(password: str, secret: str) -> bool:
        worked.append(secret)
        return fits(password, secret)

    monkeypatch.setattr(passwords, "fits", counted)
    keeping.change_account(people.tools.people, OWNER, "otto", enabled=False)
    answers = []
    for name in ("vera", "nobody-here", "otto", "not a name!"):
        answer = visit().post("/api/sign-in", json={"name": name, "password": "wrong"})
        answers.append((answer.status_code, answer.json()["what"]))
    assert len(set(answers)) == 1
    assert len(worked) == 4, "each attempt hashes once"
    refused = people.tools.people.trail(text="refused to sign in")
    assert len(refused) == 4, "each attempt writes once"
    nobody = "a name nobody has"
    assert [c.subject for c in refused[::-1]] == ["vera", nobody, "otto", nobody]


@pytest.mark.parametrize(
    ("place", "counted"),
    [("192.0.2.7", "192.0.2.7"), ("2001:db8:1:2:3::4", "2001:db8:1:2::/64"), ("::1", "::1"),
     ("fe80::1%eth0", "fe80::/64"), ("somewhere", "somewhere")],
)  # fmt: skip
def test_attempts_are_counted_by_network(place: str, counted: str) -> None:
    # addresses for examples: RFC 5737, RFC 3849; a /64 is one link: RFC 4291
    assert keeping._neighbours(place) == counted


def test_real_hashes_are_argon2id_of_the_chosen_cost(monkeypatch: pytest.MonkeyPatch) -> None:
    # parameters: RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 KiB
    monkeypatch.setattr(passwords, "_MEMORY_KIB", 64 * 1024)
    monkeypatch.setattr(passwords, "_ROUNDS", 3)
    passwords._hasher.cache_clear()
    assert passwords.hashed(WORD, name="x").startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_passwords_are_the_same_from_every_keyboard() -> None:
    # U+00E9 and e + U+0301 are canonically equivalent: Unicode Standard Annex 15
    secret = passwords.hashed("caf\u00e9 au lait noir", name="x")
    assert passwords.fits("cafe\u0301 au lait noir", secret)
    assert not passwords.fits("cafe au lait noir", secret)
    assert not passwords.fits("", "")


# roles ---------------------------------------------------------------------------------------

UNGUARDED = {
    "/api/health": "monitors ask it",
    "/api/form-token": "gives nothing that is not the asker's own",
    "/api/sign-in": "whoever signs in is nobody yet",
    "/sign-in": "whoever signs in is nobody yet",
}


def routes(app: FastAPI) -> Iterator[APIRoute]:
    waiting: list[Any] = list(app.routes)
    while waiting:
        one = waiting.pop()
        inner = getattr(one, "original_router", None)
        if inner is not None:
            waiting.extend(inner.routes)
        elif hasattr(one, "dependant"):
            yield one


def methods_of(route: APIRoute) -> set[str]:
    return set(getattr(route, "methods", None) or ())  # a socket has none


def role_of(route: APIRoute) -> Role | None:
    waiting, found = [route.dependant], None
    while waiting:
        one = waiting.pop()
        role = getattr(one.call, "role", None)
        found = role if role is not None else found
        waiting.extend(one.dependencies)
    return found


def test_every_address_names_the_role_it_needs(app: FastAPI) -> None:
    found = list(routes(app))
    assert len(found) > 20
    bare = {r.path for r in found if role_of(r) is None}
    assert bare == set(UNGUARDED)
    assert set(UNGUARDED) == guard.OPEN


def test_what_changes_something_needs_more_than_a_viewer(app: FastAPI) -> None:
    own = {"/api/sign-out", "/sign-out", "/api/me/password", "/password"}
    only_work_out = {
        "/api/plans/check",
        "/api/plans/{plan_id}/differences",
        "/plans/{plan_id}/difference",
        "/plans/{plan_id}/draft",
        "/api/runs/{run_id}/proof",
        "/runs/{run_id}/prove",
    }
    loose = {
        f"{sorted(methods_of(r))} {r.path}"
        for r in routes(app)
        if not methods_of(r) <= {"GET", "HEAD"}
        and r.path not in own | only_work_out | set(UNGUARDED)
        and (role_of(r) or Role.NOBODY) < Role.OPERATOR
    }
    assert loose == set()


def test_each_role_gets_exactly_so_far(people: Site, visit: Callable[..., TestClient]) -> None:
    """Every address of the route table, asked by each role: refused below, not refused from."""
    app = visit().app
    assert isinstance(app, FastAPI)
    for name, role in (("vera", Role.VIEWER), ("otto", Role.OPERATOR)):
        browser = visit()
        headers = enter(browser, name)
        for route in routes(app):
            needs = role_of(route)
            if needs is None or needs <= role or not methods_of(route):
                continue
            path = route.path
            for part in route.param_convertors:
                path = path.replace(f"{{{part}}}", "aa").replace(f"{{{part}:path}}", "aa")
            for method in methods_of(route):
                answer = browser.request(method, path, headers=headers, follow_redirects=False)
                # a malformed body or name may be told first: that too does nothing
                assert answer.status_code in {403, 422}, (name, method, path, answer.status_code)


REFUSALS = {303, 307, 400, 404, 405, 415, 422}
NASTY = [
    "..%2f..%2fetc%2fpasswd", "%2e%2e%2f%2e%2e%2fpeople.sqlite", "%2fetc%2fpasswd", "a%00b",
    "..%5c..%5cx", "C:%5cWindows", "%ff%fe", "a%0ab", "~root", "people.sqlite", "x" * 300, "%E2%80%AE",
]  # fmt: skip


def test_no_address_leads_to_a_file(app: FastAPI, site: Site) -> None:
    keeping.note(site.tools.people, OWNER, "made", "the folder")
    wrong = []
    with TestClient(app, base_url=HOME, raise_server_exceptions=False) as browser:
        for route in routes(app):
            if "{" not in route.path or not methods_of(route):
                continue
            for nasty in NASTY:
                path = route.path
                for part in route.param_convertors:
                    path = path.replace(f"{{{part}:path}}", nasty).replace(f"{{{part}}}", nasty)
                for method in methods_of(route) - {"HEAD"}:
                    answer = browser.request(method, path, follow_redirects=False)
                    leaks = b"SQLite format" in answer.content or b"root:" in answer.content
                    nothing = answer.status_code == 200 and not answer.content
                    if leaks or not (nothing or answer.status_code in REFUSALS):
                        wrong.append((method, path, answer.status_code, answer.text[-200:]))
    assert wrong == []


# how much ------------------------------------------------------------------------------------


def test_bodies_are_bounded(client: TestClient) -> None:
    told = client.post("/api/people", content=b"x" * (uploads.ORDINARY + 1))
    assert told.status_code == 413
    assert set(told.json()) >= {"error", "what", "where", "remedy"}

    def pieces() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 65536

    streamed = client.post(
        "/api/people", content=pieces(), headers={"content-type": "application/json"}
    )
    assert streamed.status_code == 413


def test_files_have_room_where_files_are_taken() -> None:
    assert uploads.bound_of("/api/import") == uploads.FILES
    assert uploads.bound_of("/bring-in/x") == uploads.FILES
    assert uploads.bound_of("/api/people") == uploads.ORDINARY


@pytest.mark.parametrize(
    ("body", "refused"),
    [
        ("[" * 65 + "]" * 65, True),
        ("[" * 64 + "]" * 64, False),
        (json.dumps({"why": "[" * 200}), False),
        ('{"a":"\\"[[[", "b":' + "[" * 64 + "]" * 64 + "}", True),
        ("[" * 100_000, True),
        ("[]," * 1000, False),
    ],
)
def test_json_is_only_so_deep(client: TestClient, body: str, refused: bool) -> None:
    assert bool(uploads.depth_fault(body.encode())) is refused
    answer = client.post("/api/people", content=body, headers={"content-type": "application/json"})
    assert answer.status_code == 422


# sockets -------------------------------------------------------------------------------------


@pytest.fixture
def with_socket(app: FastAPI) -> FastAPI:
    @app.websocket("/api/talk")
    async def talk(socket: WebSocket, who: Operator) -> None:
        await socket.accept()
        await socket.send_text(who.name)
        await socket.close()

    return app


def test_sockets_know_who_talks(people: Site, with_socket: FastAPI) -> None:
    from starlette.testclient import WebSocketDenialResponse
    from starlette.websockets import WebSocketDisconnect

    for name, allowed in (("otto", True), ("vera", False), ("", False)):
        browser = TestClient(with_socket, base_url=HOME)
        if name:
            enter(browser, name)
        if allowed:
            with browser.websocket_connect(
                "ws://127.0.0.1:8717/api/talk", headers={"origin": HOME}
            ) as socket:
                assert socket.receive_text() == name
            with (
                pytest.raises((WebSocketDisconnect, WebSocketDenialResponse)),
                browser.websocket_connect(
                    "ws://127.0.0.1:8717/api/talk", headers={"origin": "http://evil.example"}
                ),
            ):
                pass
        else:
            with (
                pytest.raises((WebSocketDisconnect, WebSocketDenialResponse)),
                browser.websocket_connect("ws://127.0.0.1:8717/api/talk"),
            ):
                pass


def test_a_long_answer_ends_with_its_session(
    people: Site, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    from starlette.responses import StreamingResponse

    monkeypatch.setattr(guard, "_LOOK_AGAIN_S", 0.0)
    browser = TestClient(app, base_url=HOME)
    ended = threading.Event()

    @app.get("/api/stream")
    def stream(_: Viewer) -> StreamingResponse:
        def lines() -> Iterator[str]:
            for i in range(100):
                if i == 3:
                    keeping.change_account(people.tools.people, OWNER, "vera", enabled=False)
                    ended.set()
                yield f"{i}\n"

        return StreamingResponse(lines())

    enter(browser, "vera")
    text = browser.get("/api/stream").text
    assert ended.is_set()
    assert text.split() == ["0", "1", "2"]


# what must not be seen -----------------------------------------------------------------------


def test_no_password_in_logs_or_answers(
    people: Site, app: FastAPI, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    browser = TestClient(app, base_url=HOME)
    secret = "do not show this one"
    answers = [
        browser.post("/api/sign-in", json={"name": "vera", "password": secret}),
        browser.post("/api/sign-in", json={"name": secret, "password": secret, "more": secret}),
        browser.post("/api/sign-in", json={"name": ["x"], "password": [secret]}),
        browser.post("/sign-in", data={"name": "vera", "password": secret}),
        browser.post("/sign-in", data={"name": secret, "password": ""}),
        browser.get("/sign-in"),
    ]
    seen = caplog.text + "".join(capfd.readouterr()) + "".join(a.text for a in answers)
    assert secret not in seen
    trail = json.dumps([c.what + c.subject + c.who for c in people.tools.people.trail()])
    assert secret not in trail


@pytest.mark.parametrize(
    ("address", "goes"),
    [("/runs/x?a=1", "/runs/x?a=1"), ("//evil.example", "/"), ("/\\evil.example", "/"),
     ("https://evil.example", "/"), ("javascript:alert(1)", "/"), ("/a\nb", "/"), ("", "/")],
)  # fmt: skip
def test_signing_in_leads_on_within_this_server(address: str, goes: str) -> None:
    from ovenwright.web.places.people import onward

    assert onward(address) == goes


def engineer_only(_: Engineer) -> None:
    """Exist so that the alias is used here as endpoints use it."""
