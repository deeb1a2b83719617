"""The HTML report in a real browser: it zooms, fetches nothing, and can be read by everyone."""

import itertools
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

NAMES = ("chromium", "chromium-browser", "google-chrome")
TEXT_RATIO = 4.5
"""Least contrast of text with what lies behind it (WCAG 2.2, success criterion 1.4.3)."""
SHAPE_RATIO = 3.0
"""Least contrast of lines that carry meaning (WCAG 2.2, success criterion 1.4.11)."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = next((found for name in NAMES if (found := shutil.which(name))), None)
    if program is None:
        pytest.skip(f"needs Chromium: none of {', '.join(NAMES)} found")
    with sync_playwright() as play:
        # the sandbox needs rights that a container seldom gives; the page is our own
        opened = play.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The pages of the demo: the bake, the bake put right, the chamber survey, a comparison."""
    folder = tmp_path_factory.mktemp("demo")
    env = {k: v for k, v in os.environ.items() if not k.startswith("OVENWRIGHT_")}
    env["OVENWRIGHT_LOGBOOK"] = str(folder)
    program = str(Path(sys.executable).with_name("ovenwright"))

    def call(*words: str) -> None:
        subprocess.run([program, *words], env=env, check=True, capture_output=True, cwd=folder)

    call("demo", "--no-open")
    bakes = sorted(p.stem for p in (folder / "runs").glob("*rye*"))
    call("compare", bakes[0], bakes[1])
    found = sorted((folder / "reports").glob("*.html"))
    assert len(found) == 4
    return found


@pytest.fixture(params=["light", "dark"])
def scheme(request: pytest.FixtureRequest) -> str:
    return str(request.param)


class Opened:
    """A page with everything it said and asked for."""

    def __init__(self, browser: Browser, report: Path, *, scheme: str = "light", width: int = 1200):
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page: Page = browser.new_page(
            viewport={"width": width, "height": 900},
            color_scheme=scheme,  # type: ignore[arg-type]  # a literal there, a parameter here
        )
        self.page.on("console", lambda m: self.said.append(m.text))
        self.page.on("pageerror", lambda e: self.said.append(str(e)))
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.goto(report.as_uri())

    def ticks(self, axis: str) -> list[str]:
        texts: list[str] = self.page.locator(f"#history .{axis}-ticks text").all_text_contents()
        return texts

    def act(self, name: str) -> None:
        self.page.locator("#history").get_by_role("button", name=name, exact=True).click()


@pytest.fixture
def bake(reports: list[Path]) -> Path:
    return next(r for r in reports if "rye" in r.name and "against" not in r.name)


def span(ticks: list[str]) -> float:
    values = [float(t.replace("−", "-")) for t in ticks]
    return values[-1] - values[0]


def test_the_buttons_zoom_and_lead_back(browser: Browser, bake: Path) -> None:
    opened = Opened(browser, bake)
    whole = opened.ticks("x")
    opened.act("closer")
    near = opened.ticks("x")
    assert span(near) < 0.6 * span(whole)
    opened.act("later")
    later = opened.ticks("x")
    assert float(later[-1]) > float(near[-1])
    opened.act("earlier")
    assert opened.ticks("x") == near
    opened.act("wider")
    opened.act("whole run")
    assert opened.ticks("x") == whole
    assert len(set(whole)) == len(whole)
    assert opened.said == []


def test_a_drag_shows_what_was_dragged_over(browser: Browser, bake: Path) -> None:
    opened = Opened(browser, bake)
    whole = opened.ticks("y")
    box = opened.page.locator("#history svg").bounding_box()
    assert box is not None
    middle = box["y"] + 0.5 * box["height"]
    opened.page.mouse.move(box["x"] + 0.15 * box["width"], middle)
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + 0.25 * box["width"], middle, steps=4)
    opened.page.mouse.up()
    minutes = [float(t.replace("−", "-")) for t in opened.ticks("x")]
    # the chart runs from 4 min before load-in to 40 min after, over about 0.06 to 0.82 of its width
    assert -1.0 < minutes[0] < minutes[-1] < 9.0
    told = opened.page.locator("#history .readout").text_content() or ""
    assert re.match(r"at \d+\.\d\d min: core left \d", told), told
    opened.page.locator("#history svg").dblclick()
    assert opened.ticks("y") == whole
    assert opened.said == []


def test_the_line_below_a_chart_is_never_an_empty_strip(browser: Browser, bake: Path) -> None:
    opened = Opened(browser, bake)
    told = opened.page.locator("#history .readout").text_content() or ""
    assert re.match(r"at [\d.]+ min: core left [\d.]+ · ", told)
    plain = browser.new_context(java_script_enabled=False)
    page = plain.new_page()
    page.goto(bake.as_uri())
    assert not page.locator("#history .readout").is_visible()
    plain.close()


def test_curves_stay_above_the_rows_of_flagged_stretches(browser: Browser, bake: Path) -> None:
    opened = Opened(browser, bake)
    for step in ("whole run", "closer", "closer"):
        opened.act(step)
        lowest = opened.page.evaluate(
            """() => {
              const svg = document.querySelector("#history svg");
              const [, , , , left, top, width, height, foot] = svg.dataset.frame.split(" ").map(Number);
              const curves = svg.querySelector(".curves"), m = curves.getCTM(), own = svg.getCTM();
              let lowest = -Infinity;
              for (const path of curves.querySelectorAll("path"))
                for (let s = 0; s <= 200; s++) {
                  const p = path.getPointAtLength((path.getTotalLength() * s) / 200)
                    .matrixTransform(own.inverse().multiply(m));
                  if (p.x >= left && p.x <= left + width) lowest = Math.max(lowest, p.y);
                }
              return [lowest, top + height - foot];
            }"""
        )
        assert lowest[0] <= lowest[1] + 0.5


def test_nothing_is_fetched_and_nothing_goes_wrong(browser: Browser, reports: list[Path]) -> None:
    for report in reports:
        opened = Opened(browser, report)
        for act in opened.page.get_by_role("button").all():
            act.click()
        assert opened.asked == [report.as_uri()]
        assert opened.said == []


def test_headings_tables_and_pictures_are_told_in_words(
    browser: Browser, reports: list[Path]
) -> None:
    for report in reports:
        page = Opened(browser, report).page
        assert page.locator("html").get_attribute("lang") == "en"
        assert len(page.title()) > 10
        levels = [int(t[1]) for t in page.evaluate(
            "[...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map((h) => h.tagName)"
        )]  # fmt: skip
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(b <= a + 1 for a, b in itertools.pairwise(levels)), levels
        faults = page.evaluate(
            """() => {
              const bad = [];
              for (const table of document.querySelectorAll("table")) {
                if (!table.caption?.textContent.trim()) bad.push(`${table.id}: no caption`);
                for (const th of table.querySelectorAll("thead th"))
                  if (th.scope !== "col" || !th.textContent.trim()) bad.push(`${table.id}: head`);
                for (const row of table.querySelectorAll("tbody tr"))
                  if (row.cells[0].tagName !== "TH" || row.cells[0].scope !== "row")
                    bad.push(`${table.id}: row head`);
                for (let j = 0; j < (table.tHead?.rows[0].cells.length ?? 0); j++)
                  if ([...table.tBodies[0].rows].every((r) => !r.cells[j].textContent.trim()))
                    bad.push(`${table.id}: column ${j} is empty`);
              }
              for (const svg of document.querySelectorAll("svg"))
                for (const id of svg.getAttribute("aria-labelledby").split(" "))
                  if (!document.getElementById(id)?.textContent.trim()) bad.push(`svg: ${id}`);
              const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
              for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) bad.push(`twice: ${id}`);
              for (const a of document.querySelectorAll("a"))
                if (!document.getElementById(decodeURIComponent(a.hash.slice(1)))) bad.push(`link ${a.hash}`);
              return bad;
            }"""
        )
        assert faults == []


def test_no_page_scrolls_sideways_on_a_telephone(browser: Browser, reports: list[Path]) -> None:
    for report in reports:
        page = Opened(browser, report, width=360).page
        assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_words_of_a_picture_do_not_lie_on_each_other(browser: Browser, reports: list[Path]) -> None:
    for report in reports:
        page = Opened(browser, report).page
        clashes: list[Any] = page.evaluate(
            """() => {
              const bad = [];
              for (const svg of document.querySelectorAll("svg")) {
                const frame = svg.getBoundingClientRect();
                const texts = [...svg.querySelectorAll("text:not([aria-hidden])")]
                  .map((t) => [t.textContent, t.getBoundingClientRect()]);
                texts.forEach(([a, p], i) => {
                  if (p.left < frame.left - 1 || p.right > frame.right + 1 || p.top < frame.top - 1 ||
                      p.bottom > frame.bottom + 1) bad.push([a, "cut off"]);
                  for (const [b, q] of texts.slice(i + 1)) {
                    const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
                    const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
                    if (wide > 2 && high > 5) bad.push([a, b]);
                  }
                });
              }
              return bad;
            }"""
        )
        assert clashes == [], report.name


def luminance(colour: str) -> float:
    """Relative luminance of an opaque sRGB colour (WCAG 2.2, glossary)."""
    parts = [int(colour.removeprefix("#")[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_known_ratios() -> None:
    # black on white is 21:1 by definition; #767676 on white is the palest grey that reaches 4.5:1
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)  # from memory


def test_colours_stand_out_in_light_and_dark(browser: Browser, bake: Path, scheme: str) -> None:
    page = Opened(browser, bake, scheme=scheme).page
    ink: dict[str, str] = page.evaluate(
        """() => {
          const style = getComputedStyle(document.documentElement), out = {};
          const names = ["ink", "faint", "ground", "card", "zone", "good", "poor", "open",
            "good-ground", "poor-ground", "open-ground", ...Array(8).keys()].map(
            (n) => (typeof n === "number" ? `line-${n}` : n));
          for (const n of names) out[n] = style.getPropertyValue(`--${n}`).trim();
          return out;
        }"""
    )
    assert len(ink) == 19
    assert all(re.fullmatch(r"#[0-9a-f]{6}", c) for c in ink.values()), ink
    assert (luminance(ink["ground"]) < 0.1) == (scheme == "dark")
    for text in ("ink", "faint", "good", "poor", "open"):
        for ground in ("ground", "card"):
            assert contrast(ink[text], ink[ground]) >= TEXT_RATIO, (text, ground)
    for tone in ("good", "poor", "open"):
        assert contrast(ink[tone], ink[f"{tone}-ground"]) >= TEXT_RATIO, tone
        assert contrast(ink["ink"], ink[f"{tone}-ground"]) >= TEXT_RATIO, tone
    assert contrast(ink["ink"], ink["zone"]) >= TEXT_RATIO
    for i in range(8):
        for ground in ("ground", "zone"):
            assert contrast(ink[f"line-{i}"], ink[ground]) >= SHAPE_RATIO, (i, ground)
