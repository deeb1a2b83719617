"""Files that would take the whole machine are refused before anything of them is laid out."""

import gzip
import zipfile
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ovenwright.errors import ReadingsRefused
from ovenwright.storage.readings import Choices, read_file
from ovenwright.storage.readings.weighing import AT_THE_DOOR, Bounds, weigh

SMALL = Bounds(file_bytes=4000, unpacked_bytes=100_000, rows=500, cells=10_000)
HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>'
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
)
MAIN = "application/vnd.openxmlformats-officedocument.spreadsheetml"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"


def xlsx(path: Path, rows: str) -> Path:
    """Write the least that a reader takes for a workbook (ECMA-376 part 1)."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{PACKAGE}/content-types"><Default Extension="rels" ContentType='
            '"application/vnd.openxmlformats-package.relationships+xml"/><Override PartName='
            f'"/xl/workbook.xml" ContentType="{MAIN}.sheet.main+xml"/><Override PartName='
            f'"/xl/worksheets/sheet1.xml" ContentType="{MAIN}.worksheet+xml"/></Types>',
        )
        packed.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="a" Type='
            f'"{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        packed.writestr(
            "xl/workbook.xml",
            '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" '
            f'xmlns:r="{OFFICE}"><sheets><sheet name="S" sheetId="1" r:id="a"/></sheets></workbook>',
        )
        packed.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="a" Type='
            f'"{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        )
        packed.writestr("xl/worksheets/sheet1.xml", HEAD + rows + "</sheetData></worksheet>")
    return path


def table(rows: int, last: str = "") -> str:
    """Return rows of a time and a temperature, and what stands after them."""
    lines = [
        '<row r="1"><c r="A1" t="str"><v>time s</v></c><c r="B1" t="str"><v>core °C</v></c></row>'
    ]
    lines += [
        f'<row r="{i}"><c r="A{i}"><v>{i * 10}</v></c><c r="B{i}"><v>{20 + i}</v></c></row>'
        for i in range(2, rows + 2)
    ]
    return "".join(lines) + last


@pytest.mark.parametrize(
    "far",
    [
        '<row r="1048576"><c r="XFD1048576"><v>2</v></c></row>',
        "<row r='1048576'><c r = 'XFD1048576' ><v>2</v></c></row>",
        '<row r="1048576"><c t=">" r="XFD1048576"><v>2</v></c></row>',
        '<x:row r="1048576"><x:c r="XFD1048576"><x:v>2</x:v></x:c></x:row>',
        '<row r="1048576">' + "<c/>" * 16383 + "<c><v>1</v></c></row>",
        "<row/>" * 60_000 + "<row>" + '<c t="n"/>' * 16383 + '<c t="n"><v>1</v></c></row>',
    ],
    ids=[
        "plain",
        "single quotes",
        "a mark in an attribute",
        "prefixed",
        "no places",
        "no places at all",
    ],
)
def test_one_far_cell_does_not_lay_out_a_whole_sheet(tmp_path: Path, far: str) -> None:
    path = xlsx(tmp_path / "far.xlsx", table(20, far))
    assert path.stat().st_size < 60_000
    for act in (lambda: weigh(path), lambda: read_file(path, Choices())):
        with pytest.raises(ReadingsRefused, match="a sheet reaches over"):
            act()


def test_a_formatted_last_row_without_content_is_no_harm(tmp_path: Path) -> None:
    far = '<row r="1048576"><c r="XFD1048576" s="3"/></row>'
    path = xlsx(tmp_path / "formatted.xlsx", table(20, far))
    weigh(path)
    assert read_file(path, Choices()).channels[0].value.size == 20


@pytest.mark.parametrize("programme", ["openpyxl", "xlsxwriter"])
def test_honest_sheets_pass(tmp_path: Path, programme: str) -> None:
    path = tmp_path / "honest.xlsx"
    if programme == "openpyxl":
        import openpyxl

        book = openpyxl.Workbook()
        for i in range(300):
            book.worksheets[0].append([i, i / 7])
        book.save(path)
    else:
        import xlsxwriter

        with xlsxwriter.Workbook(str(path)) as made:
            sheet = made.add_worksheet()
            for i in range(300):
                sheet.write_row(i, 0, [i, i / 7])
    weigh(path)
    with pytest.raises(ReadingsRefused, match="reaches over"):
        weigh(path, Bounds(1 << 30, 1 << 30, 1000, 500))


def test_repeated_cells_of_an_ods_are_counted(tmp_path: Path) -> None:
    def ods(rows: str) -> Path:
        path = tmp_path / "repeated.ods"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
            packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
            packed.writestr("content.xml", f'<table:table table:name="S">{rows}</table:table>')
        return path

    filled = '<table:table-cell office:value="1" table:number-columns-repeated="16384"/>'
    many = '<table:table-row table:number-rows-repeated="1048576">'
    with pytest.raises(ReadingsRefused, match="a sheet reaches over"):
        weigh(ods(f"{many}{filled}</table:table-row>"))
    empty = '<table:table-cell table:number-columns-repeated="16384"/>'
    weigh(ods(f"{many}{empty}</table:table-row>"))  # what an office program writes below a table


def test_a_binary_workbook_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "old.xlsb"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("[Content_Types].xml", "<Types/>")
        packed.writestr("xl/workbook.bin", b"\x00")
    with pytest.raises(ReadingsRefused, match="binary workbook"):
        weigh(path)


def test_text_is_bounded_in_lines_and_unpacked_size(tmp_path: Path) -> None:
    fine = tmp_path / "fine.csv"
    fine.write_text("t;a\n" + "1;2\n" * 400)
    weigh(fine, SMALL)
    long = tmp_path / "long.csv"
    long.write_text("1;2\n" * 600)
    with pytest.raises(ReadingsRefused, match="more than 500 lines"):
        weigh(long, SMALL)
    packed = tmp_path / "packed.csv.gz"
    packed.write_bytes(gzip.compress(b"0" * 300_000))
    assert packed.stat().st_size < 4000
    with pytest.raises(ReadingsRefused, match="unpacks to more than"):
        weigh(packed, SMALL)
    torn = tmp_path / "torn.csv.gz"
    torn.write_bytes(packed.read_bytes()[:-20])
    with pytest.raises(ReadingsRefused, match="damaged or cut short"):
        weigh(torn, Bounds(4000, 1 << 30, 500, 10_000))
    large = tmp_path / "large.csv"
    large.write_bytes(b"1" * 5000)
    with pytest.raises(ReadingsRefused, match="taken at once"):
        weigh(large, SMALL)


def test_parquet_is_bounded_by_what_its_foot_says(tmp_path: Path) -> None:
    path = tmp_path / "same.parquet"
    pq.write_table(pa.table({"value": np.zeros(2_000_000)}), path, compression="zstd")
    weigh(path, AT_THE_DOOR)
    with pytest.raises(ReadingsRefused, match="cells"):
        weigh(path, Bounds(1 << 30, 1 << 30, 1 << 30, 1000))
