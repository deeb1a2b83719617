"""A result in a real browser: restated, judged again, compared, looked into, printed, by keys."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from ovenwright.domain.run import NS, Run, Series
from ovenwright.storage.logbook import Logbook

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

Open = Callable[..., Page]
Shoot = Callable[[Page, str], None]
Accessible = Callable[[Page], None]
CHART = "#history .curves"


def bake_of(book: Path) -> str:
    """Return the demo's bake as it was recorded, before its probe was put right."""
    logbook = Logbook(book)
    return next(i for i in logbook.run_ids() if "rye" in i and not logbook.facts(i).parent_digest)


def restated_of(book: Path) -> str:
    logbook = Logbook(book)
    return next(i for i in logbook.run_ids() if logbook.facts(i).parent_digest)


def with_verdict(page: Page) -> None:
    """Wait until limits and load-in lie over the curves: from then on times count from load-in."""
    expect(page.locator(f"{CHART} .under")).to_contain_text("since load-in")


def view_of(page: Page) -> list[float]:
    """Return the first and the last time in the table beside the chart, minutes."""
    words = page.locator(f"{CHART} .as-table tbody th").all_inner_texts()
    return [_minutes(words[0]), _minutes(words[-1])]


def _minutes(words: str) -> float:
    parts = [float(p) for p in words.replace("−", "").split(":")]
    found = sum(p * 60.0**k for k, p in enumerate(reversed(parts))) / 60.0
    return -found if words.startswith("−") else found


@pytest.mark.parametrize(
    ("width", "scheme"), [("phone", "light"), ("desk", "dark"), ("wall", "light")]
)
def test_every_page_of_a_result_is_whole(  # noqa: PLR0917
    width: str,
    scheme: str,
    demo_server: str,
    demo_book: Path,
    open_page: Open,
    shoot: Shoot,
    accessible: Accessible,
) -> None:
    bake, again = bake_of(demo_book), restated_of(demo_book)
    for name, path in {
        "result": f"/runs/{bake}",
        "compare": f"/runs/{bake}/compare?with={again}",
        "restate": f"/runs/{bake}/restate?channel=core+left&recorded_as=T&actual=K",
        "health": f"/runs/{bake}/health",
    }.items():
        page = open_page(demo_server + path, width=width, scheme=scheme)
        expect(page.locator("h1")).to_have_count(1)
        if name in {"result", "health"}:
            expect(page.locator(f"{CHART} canvas")).to_be_visible()
        page.wait_for_timeout(300)
        shoot(page, f"{name}-{width}-{scheme}")
        accessible(page)
        page.close()


def test_the_wrong_type_is_found_seen_and_put_right(
    own_book: Path, served: Callable[[Path], str], open_page: Open
) -> None:
    bake = bake_of(own_book)
    page = open_page(f"{served(own_book)}/runs/{bake}")
    expect(page.locator("#answer")).to_contain_text("fail")
    page.get_by_role("link", name="Restate a sensor type").click()
    expect(page.get_by_text("core left looks like the wrong type")).to_be_visible()
    page.get_by_role("link", name="See what restating it would change").click()
    expect(page.locator(".said")).to_contain_text("recorded as type T, is type K wire")
    cells = page.locator("#before-after tbody tr").nth(2).locator("td.n").all_inner_texts()
    before, after, change = (float(c.replace("−", "-")) for c in cells)
    assert after - before == pytest.approx(change, abs=0.11)
    assert change > 3
    expect(page.locator("figure svg").first).to_be_visible()
    page.get_by_label("Why").fill("the wire is green and white")
    page.get_by_role("button", name="Seal a restated run and judge it").click()
    expect(page.get_by_text("This run restates")).to_be_visible()
    row = page.locator("#asked-and-found tbody tr", has_text="core hot enough at the end")
    expect(row).to_contain_text("pass")
    page.get_by_role("link", name="before and after").first.click()
    expect(page.get_by_role("heading", name="Restate a sensor type")).to_be_visible()
    expect(page.locator("#before-after")).to_be_visible()


def test_judged_again_under_another_plan_keeps_both(
    own_book: Path, served: Callable[[Path], str], open_page: Open, tmp_path: Path
) -> None:
    bake = bake_of(own_book)
    text = Logbook(own_book).facts(bake).plan_toml
    easier = tmp_path / "easier.toml"
    easier.write_text(text.replace("at_most = 5.0", "at_most = 50.0"), encoding="utf-8")
    assert easier.read_text("utf-8") != text
    page = open_page(f"{served(own_book)}/runs/{bake}")
    page.get_by_label("or a plan from a file (TOML)").set_input_files(easier)
    page.get_by_role("region", name="Judge again").get_by_label("Why").fill("a wider limit")
    page.get_by_role("button", name="Judge and keep").click()
    page.wait_for_url(re.compile(r"/judgements/2$"))
    expect(page.locator("#answer")).to_contain_text("undecided")
    page.get_by_role("link", name="judgement 1").click()
    expect(page.locator("#answer")).to_contain_text("fail")
    expect(page.locator("#judgements tbody tr")).to_have_count(2)


def test_parts_are_folded_on_a_phone_and_open_by_their_link(
    demo_server: str, demo_book: Path, open_page: Open, accessible: Accessible
) -> None:
    page = open_page(f"{demo_server}/runs/{bake_of(demo_book)}", width="phone")
    table = page.locator("#requirements-part").locator("xpath=ancestor::details[1]//table").first
    expect(page.locator("details.part").first).to_be_attached()
    expect(table).to_be_hidden()
    page.locator("nav[aria-label='Parts of this result'] a[href='#requirements-part']").click()
    expect(table).to_be_visible()
    accessible(page)
    assert page.evaluate("document.documentElement.scrollHeight") < 12_000
    desk = open_page(f"{demo_server}/runs/{bake_of(demo_book)}")
    expect(desk.locator("details.part")).to_have_count(0)


def test_two_runs_are_compared_with_their_bands(
    demo_server: str, demo_book: Path, open_page: Open
) -> None:
    page = open_page(f"{demo_server}/runs/{bake_of(demo_book)}")
    page.get_by_role("link", name="Compare", exact=True).click()
    page.locator(f"input[value='{restated_of(demo_book)}']").check()
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_text("≠ different")).to_be_visible()
    row = page.locator("#channel-differences tbody tr", has_text="core left")
    assert float(row.locator("td.n").nth(2).inner_text()) > 3
    figure = page.locator("#pair-core-left")
    figure.scroll_into_view_if_needed()
    expect(figure.locator(".curves canvas")).to_be_visible()


def test_a_run_is_held_against_several_others(
    own_book: Path, served: Callable[[Path], str], open_page: Open, accessible: Accessible
) -> None:
    book = Logbook(own_book)
    bake = book.open(bake_of(own_book))
    others = [
        book.seal(
            replace(
                bake,
                id="",
                title=f"Earlier bake {shift}",
                series={n: replace(s, value_c=s.value_c + shift) for n, s in bake.series.items()},
            )
        ).id
        for shift in (-9.0, -8.0, -7.0)
    ]
    address = served(own_book)
    page = open_page(f"{address}/runs/{bake.id}")
    page.get_by_role("link", name="Compare", exact=True).click()
    for shift in (-9.0, -8.0, -7.0):
        page.get_by_label(f"Earlier bake {shift}").check()
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_text("≠ outside the others")).to_be_visible()
    row = page.locator("#standing tbody tr", has_text="core right").first
    expect(row).to_contain_text("above all 3, beyond doubt")
    expect(page.locator("#band-core svg")).to_be_visible()
    accessible(page)
    page.get_by_role("link", name="this run against it alone").first.click()
    expect(page.locator("#channel-differences")).to_be_visible()
    small = open_page(
        f"{address}/runs/{bake.id}/compare?" + "&".join(f"with={o}" for o in others), width="phone"
    )
    expect(small.locator("#band-core svg")).to_be_visible()
    accessible(small)


def test_a_second_of_a_long_run_is_seen(
    served: Callable[[Path], str], open_page: Open, tmp_path: Path
) -> None:
    """900,000 readings; one of them stands out, and can be found and looked at."""
    n, spike = 150_000, 101_237
    time_ns = 1_772_000_000 * NS + np.arange(n, dtype=np.int64) * (NS // 4)
    rng = np.random.default_rng(2)
    series = {}
    for k in range(6):
        value = np.round(180 + 4 * np.sin(np.arange(n) / 4000 + k) + rng.normal(0, 0.1, n), 2)
        if k == 2:
            value[spike] = 260.0
        series[f"air {k + 1}"] = Series(time_ns, value, np.zeros(n, np.uint8))
    book = tmp_path / "long"
    run = Logbook(book).seal(Run("long", series, title="ten hours"))
    page = open_page(f"{served(book)}/runs/{run.id}")
    expect(page.locator(f"{CHART} canvas")).to_be_visible()
    expect(page.locator("[data-proof]")).to_contain_text("verified", timeout=20_000)
    over = page.locator(f"{CHART} .u-over")
    page.locator(f"{CHART} summary").click()
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    assert box is not None
    for _ in range(13):  # towards the spike, as a hand on a wheel would
        a, b = view_of(page)
        share = (spike / 240 - a) / (b - a)
        before = page.locator(CHART).get_attribute("data-finer")
        page.mouse.move(box["x"] + box["width"] * share, box["y"] + 60)
        page.keyboard.down("Control")
        page.mouse.wheel(0, -100)
        page.mouse.wheel(0, -100)
        page.mouse.wheel(0, -100)
        page.keyboard.up("Control")
        for _ in range(100):
            if page.locator(CHART).get_attribute("data-finer") != before:
                break
            page.wait_for_timeout(20)
    a, b = view_of(page)
    assert b - a < 0.05 * 60
    column = page.locator(f"{CHART} .as-table thead th").all_inner_texts().index("air 3")
    page.mouse.move(box["x"] + box["width"] * ((spike / 240 - a) / (b - a)), box["y"] + 60)
    expect(page.locator(f"{CHART} .key li", has_text="air 3").locator(".value")).to_have_text(
        "260.0"
    )
    assert column == 3


def test_the_map_follows_its_slider(demo_server: str, demo_book: Path, open_page: Open) -> None:
    survey = next(i for i in Logbook(demo_book).run_ids() if "uniformity" in i)
    page = open_page(f"{demo_server}/runs/{survey}")
    expect(page.locator(f"{CHART} canvas")).to_be_visible()
    slider = page.get_by_label("Moment, minutes since load-in")
    figure = page.locator("[data-evenness] .figure").first
    slider.evaluate("e => { e.value = e.min; e.dispatchEvent(new Event('input')) }")
    cold = float(figure.text_content() or "nan")
    slider.evaluate("e => { e.value = e.max * 0.8; e.dispatchEvent(new Event('input')) }")
    assert float(figure.text_content() or "nan") > cold + 100
    expect(page.locator("[data-evenness] .range")).to_contain_text("Hottest minus coldest")
    slider.focus()
    before = page.locator("[data-evenness] .moment").inner_text()
    page.keyboard.press("ArrowLeft")
    assert page.locator("[data-evenness] .moment").inner_text() != before


def test_keys_alone_look_closer_hide_a_channel_and_read_the_table(
    demo_server: str, demo_book: Path, open_page: Open
) -> None:
    page = open_page(f"{demo_server}/runs/{bake_of(demo_book)}")
    pane = page.locator(f"{CHART} .pane")
    expect(pane).to_be_visible()
    with_verdict(page)
    page.locator(f"{CHART} summary").focus()
    page.keyboard.press("Enter")
    whole = view_of(page)
    pane.focus()
    page.keyboard.press("+")
    page.keyboard.press("+")
    page.keyboard.press("ArrowRight")
    closer = view_of(page)
    assert closer[1] - closer[0] == pytest.approx(0.36 * (whole[1] - whole[0]), rel=0.03)
    page.keyboard.press("0")
    assert view_of(page) == whole
    count = page.locator(f"{CHART} .as-table thead th").count()
    page.locator(f"{CHART} .key button", has_text="core centre").focus()
    page.keyboard.press("Space")
    expect(page.locator(f"{CHART} .as-table thead th")).to_have_count(count - 1)
    page.get_by_role("button", name="Time of day").focus()
    page.keyboard.press("Enter")
    expect(page.locator(f"{CHART} .under")).to_have_text("time of day, Europe/Riga")
    assert page.locator(f"{CHART} .as-table tbody th").first.inner_text().startswith("06:")


def test_a_drag_and_two_fingers_zoom(demo_server: str, demo_book: Path, open_page: Open) -> None:
    page = open_page(f"{demo_server}/runs/{bake_of(demo_book)}")
    over = page.locator(f"{CHART} .u-over")
    expect(over).to_be_visible()
    with_verdict(page)
    page.locator(f"{CHART} summary").click()
    over.scroll_into_view_if_needed()
    box = over.bounding_box()
    assert box is not None
    whole = view_of(page)
    page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 80)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 90, steps=5)
    page.mouse.up()
    near = view_of(page)
    assert near[1] - near[0] == pytest.approx(0.2 * (whole[1] - whole[0]), rel=0.05)
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, box["y"] + 80)
    assert view_of(page) == whole
    pinch = """over => {
      const box = over.getBoundingClientRect();
      const at = (type, id, share) => over.dispatchEvent(new PointerEvent(type, { pointerId: id,
        pointerType: 'touch', bubbles: true, clientX: box.left + box.width * share, clientY: box.top + 50 }));
      at('pointerdown', 1, 0.4); at('pointerdown', 2, 0.6);
      at('pointermove', 1, 0.2); at('pointermove', 2, 0.8);
      at('pointerup', 1, 0.2); at('pointerup', 2, 0.8);
    }"""
    over.evaluate(pinch)
    page.wait_for_timeout(100)
    pinched = view_of(page)
    assert pinched[1] - pinched[0] == pytest.approx((whole[1] - whole[0]) / 3, rel=0.05)


def test_files_can_be_kept(demo_server: str, demo_book: Path, open_page: Open) -> None:
    bake = bake_of(demo_book)
    page = open_page(f"{demo_server}/runs/{bake}")
    for name, begins in {
        "Report, PDF": b"%PDF",
        "Report, spreadsheet": b"PK",
        "Report, one HTML file": b"<!doctype html>",
        "CSV": b"",
        "Parquet": b"PAR1",
    }.items():
        with page.expect_download() as kept:
            page.get_by_role("link", name=name, exact=True).click()
        content = Path(kept.value.path()).read_bytes()
        assert kept.value.suggested_filename.startswith(bake)
        assert len(content) > 1000
        assert content.startswith(begins)


def test_prints_light_with_drawn_pictures(
    demo_server: str, demo_book: Path, open_page: Open, shoot: Shoot
) -> None:
    page = open_page(f"{demo_server}/runs/{bake_of(demo_book)}", scheme="dark")
    expect(page.locator(f"{CHART} canvas")).to_be_visible()
    page.emulate_media(media="print")
    expect(page.locator("#history > .drawn svg")).to_be_visible()
    expect(page.locator(f"{CHART} canvas")).to_be_hidden()
    ink = page.evaluate("getComputedStyle(document.body).color")
    assert ink == "rgb(0, 0, 0)"
    shoot(page, "result-print")


def test_reads_without_scripts(demo_server: str, demo_book: Path, open_page: Open) -> None:
    page = open_page(f"{demo_server}/runs/{bake_of(demo_book)}?at=20", scripts=False)
    expect(page.locator("#answer")).to_contain_text("fail")
    expect(page.locator("#history > .drawn svg")).to_be_visible()
    expect(page.locator("[data-evenness] svg")).to_be_visible()
    assert page.get_by_role("button", name="Show").is_visible()
