"""A spreadsheet on its way to a verdict, in a real browser."""

import csv
import json
import re
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.needs_browser, pytest.mark.slow]

OpenPage = Callable[..., Page]


def told(address: str) -> Any:
    with urllib.request.urlopen(address) as answer:  # noqa: S310 - our own server
        return json.load(answer)


def as_spreadsheet(table: Path, target: Path) -> Path:
    """Write a plant's delimited file as the spreadsheet somebody may have made of it."""
    rows = list(csv.reader(table.read_text("cp1252").splitlines(), delimiter=";"))
    with xlsxwriter.Workbook(str(target)) as book:
        sheet = book.add_worksheet("readings")
        for i, row in enumerate(rows):
            for k, cell in enumerate(row):
                number = re.fullmatch(r"-?\d+(,\d+)?", cell)
                sheet.write(i, k, float(cell.replace(",", ".")) if number else cell)
    return target


def drop(page: Page, place: str, *files: Path) -> None:
    """Drop files as a person does: the events of a drag that carries them."""
    content = [{"name": f.name, "bytes": list(f.read_bytes())} for f in files]
    carried = page.evaluate_handle(
        """files => {
          const carried = new DataTransfer();
          for (const f of files) carried.items.add(new File([new Uint8Array(f.bytes)], f.name));
          return carried;
        }""",
        content,
    )
    for event in ("dragenter", "dragover", "drop"):
        page.dispatch_event(place, event, {"dataTransfer": carried})


def test_a_spreadsheet_gets_the_verdict_the_demo_has(  # noqa: PLR0917
    own_book: Path,
    served: Callable[..., str],
    open_page: OpenPage,
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
    tmp_path: Path,
) -> None:
    sheet = as_spreadsheet(own_book / "demo" / "ostrel-tin-bread.csv", tmp_path / "bake.xlsx")
    server = served(own_book)
    before = {r["id"] for r in told(f"{server}/api/runs")["runs"]}
    page = open_page(f"{server}/bring-in")
    drop(page, "body", sheet)
    page.wait_for_url(re.compile(r"/bring-in/[0-9a-f]{16}$"))
    expect(page.locator("h1")).to_have_text("Bring in bake.xlsx")
    expect(page.locator("#state")).to_contain_text("Understood")
    expect(page.locator(".raw thead")).to_contain_text("core left")
    accessible(page)
    shoot(page, "bring-in-lot-desk-light")
    page.set_input_files("#plan-file", str(own_book / "demo" / "ostrel-tin-bread.toml"))
    page.get_by_role("button", name="Use it").click()
    expect(page.locator("#state")).to_contain_text("ready to be judged")
    accessible(page)
    shoot(page, "bring-in-lot-plan-desk-light")
    page.get_by_role("button", name="Bring in and judge").click()
    page.wait_for_url(re.compile(r"/runs/[^/]+$"), timeout=60_000)
    run = page.url.rsplit("/", 1)[1]
    assert run not in before
    expect(page.locator("main")).to_contain_text("fail", ignore_case=True)
    assert told(f"{server}/api/runs/{run}")["verdict"] == "fail"
    page.goto(f"{server}/")
    first = page.locator(".run").first
    expect(first.locator("a").first).to_have_attribute("href", f"/runs/{run}")
    expect(first).to_contain_text("fail")


def test_a_wrong_unit_is_overruled_by_one_click(
    own_book: Path, served: Callable[..., str], open_page: OpenPage, tmp_path: Path
) -> None:
    table = tmp_path / "headed-wrong.csv"
    lines = ["time s;core [F];air [F]"]
    lines += [f"{i * 10};{28 + i * 0.35:.1f};{200 + i % 4 if i > 3 else 30}" for i in range(200)]
    table.write_text("\n".join(lines))
    page = open_page(f"{served(own_book)}/bring-in")
    page.set_input_files("#file", str(table))
    page.get_by_role("button", name="Look at them").click()
    page.wait_for_url(re.compile(r"/bring-in/[0-9a-f]{16}$"))
    row = page.locator(".col", has_text="core [F]")
    expect(row.locator(".nums")).to_contain_text("−2.2")  # (28 °F − 32) / 1.8
    row.get_by_label("Unit: core [F]").select_option("C")
    expect(row.locator(".nums")).to_contain_text("28.0 → 97.6")
    expect(page.locator(".col", has_text="air [F]").locator(".nums")).to_contain_text("−1.1")
    row.get_by_label("Used as: core [F]").select_option("left out")
    expect(page.locator(".raw th", has_text="core [F]")).to_contain_text("left out")
    lot = told(page.url.replace("/bring-in/", "/api/imports/"))
    assert lot["decided"]["left_out"] == ["core"]


def test_a_far_cell_is_refused_with_words(  # noqa: PLR0917
    own_book: Path,
    served: Callable[..., str],
    open_page: OpenPage,
    shoot: Callable[[Page, str], None],
    accessible: Callable[[Page], None],
    tmp_path: Path,
) -> None:
    sheet = tmp_path / "far.xlsx"
    with xlsxwriter.Workbook(str(sheet)) as book:
        page_of_it = book.add_worksheet()
        page_of_it.write_row(0, 0, ["time s", "core °C"])
        page_of_it.write_number(1_048_575, 16_383, 1.0)
    server = served(own_book)
    page = open_page(f"{server}/bring-in", width="phone", scheme="dark")
    page.set_input_files("#file", str(sheet))
    page.get_by_role("button", name="Look at them").click()
    expect(page.locator("#state")).to_contain_text("can't be brought in")
    expect(page.locator("#state")).to_contain_text("17,179,869,184 cells")
    expect(page.get_by_role("button", name="Bring in", exact=True)).to_have_count(0)
    accessible(page)
    shoot(page, "bring-in-refused-phone-dark")
    assert told(f"{server}/api/health")["ok"], "the server lives"


def test_it_works_without_scripts(
    own_book: Path, served: Callable[..., str], open_page: OpenPage, tmp_path: Path
) -> None:
    table = tmp_path / "bare.csv"
    table.write_text("time s;x;y\n" + "\n".join(f"{i};{60 + i};{61 + i}" for i in range(100)))
    page = open_page(f"{served(own_book)}/bring-in", scripts=False)
    page.set_input_files("#file", str(table))
    page.get_by_role("button", name="Look at them").click()
    expect(page.locator("#state")).to_contain_text("One thing has to be decided")
    page.get_by_role("button", name="All are °F").click()
    expect(page.locator("#state")).to_contain_text("Understood")
    page.get_by_role("button", name="Bring in", exact=True).click()
    expect(page.locator("[data-job]")).to_be_visible()
    for _ in range(100):
        if page.get_by_role("link", name="See the result").count():
            break
        page.wait_for_timeout(100)
        page.reload()
    page.get_by_role("link", name="See the result").click()
    expect(page.locator("h1.trouble")).to_have_count(0)
