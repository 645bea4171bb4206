"""Workbooks: text never runs as a formula, equal tables give equal bytes, strangers' files are read with limits."""

import datetime
import gc
import zipfile

import openpyxl
import pytest
from openpyxl.cell import Cell

from geotools.errors import InputError
from geotools.io.spreadsheet import SheetTable, read_xlsx, write_xlsx

ROWS = [{"id": "a", "n": 1.25, "day": datetime.date(2027, 5, 3), "who": "=1+1"}, {"id": "b", "n": None, "who": "Ä"}]


FORM = SheetTable("form", ["id", "n", "day", "who"], ROWS, {"who": ("x", "y")}, ["who"])


@pytest.fixture
def book(tmp_path):
    write_xlsx(
        tmp_path / "form.xlsx", [SheetTable("form", ["id", "n", "day", "who"], ROWS, {"who": ("x", "y")}, ["who"])]
    )
    return tmp_path / "form.xlsx"


def test_what_is_written_is_read_back(book):
    rows = read_xlsx(book, ["id", "who"])
    assert rows == [
        {"id": "a", "n": "1.25", "day": "2027-05-03", "who": "=1+1"},
        {"id": "b", "n": "", "day": "", "who": "Ä"},
    ]


def test_text_is_no_formula_and_a_list_is_offered(book):
    sheet = openpyxl.load_workbook(book)["form"]
    assert sheet["D2"].data_type == "s" and sheet["B2"].value == 1.25
    assert [str(v.sqref) for v in sheet.data_validations.dataValidation] == ["D2:D3"]


def test_equal_tables_give_equal_bytes(book, tmp_path):
    write_xlsx(
        tmp_path / "again.xlsx", [SheetTable("form", ["id", "n", "day", "who"], ROWS, {"who": ("x", "y")}, ["who"])]
    )
    assert (tmp_path / "again.xlsx").read_bytes() == book.read_bytes()


def test_what_is_no_such_workbook_is_refused(book, tmp_path):
    with pytest.raises(InputError, match="no sheet"):
        read_xlsx(book, ["crossing_id"])
    (tmp_path / "text.xlsx").write_text("id,who\n")
    with pytest.raises(InputError, match="cannot be read"):
        read_xlsx(tmp_path / "text.xlsx", ["id"])
    with zipfile.ZipFile(tmp_path / "empty.xlsx", "w") as archive:
        archive.writestr("nothing.txt", "")
    with pytest.raises(InputError, match="cannot be read"):
        read_xlsx(tmp_path / "empty.xlsx", ["id"])


def test_a_workbook_that_unpacks_without_end_is_refused(tmp_path):
    with (
        zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/workbook.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(420):
            part.write(bytes(1_000_000))
    with pytest.raises(InputError, match="larger than any form"):
        read_xlsx(tmp_path / "bomb.xlsx", ["id"])


def test_a_long_table_is_written_row_by_row(tmp_path):
    alive = []

    class Watched(list):
        def __iter__(self):
            for place, row in enumerate(super().__iter__()):
                if place == len(self) - 1:
                    gc.collect()
                    alive.append(sum(isinstance(held, Cell) for held in gc.get_objects()))
                yield row

    rows = Watched({"id": f"a{k}", "n": k, "day": datetime.date(2027, 5, 3), "who": None} for k in range(200))
    before = sum(isinstance(held, Cell) for held in gc.get_objects())
    write_xlsx(tmp_path / "long.xlsx", [SheetTable("form", ["id", "n", "day", "who"], rows, {}, ["who"])])
    # four cells a row would be 800: memory would follow the length of the fence line
    assert max(alive) - before < 20


def test_the_size_of_a_sheet_is_said(book):
    with zipfile.ZipFile(book) as archive:
        assert b'<dimension ref="A1:D3"/>' in archive.read("xl/worksheets/sheet1.xml")


def test_what_is_left_open_is_marked_with_and_without_a_day(tmp_path):
    day = datetime.date(2027, 5, 3)
    rows = [{"who": None, "day": day}, {"who": "=1+1", "day": None}, {"who": 1.5, "day": "#N/A"}]
    write_xlsx(tmp_path / "open.xlsx", [SheetTable("form", ["who", "day"], rows, {}, ["who", "day"])])
    sheet = openpyxl.load_workbook(tmp_path / "open.xlsx")["form"]
    cells = [cell for row in sheet["A1:B4"] for cell in row]
    assert {cell.fill.fgColor.rgb for cell in cells} == {"00FFF2CC"}
    assert [cell.font.bold for cell in cells] == [True, True] + [False] * 6
    assert [cell.is_date for cell in cells] == [False, False, False, True] + [False] * 4
    assert [cell.value for cell in cells[2:]] == [None, datetime.datetime(2027, 5, 3), "=1+1", None, 1.5, "#N/A"]
    assert (sheet["A3"].data_type, sheet["B4"].data_type) == ("s", "s")
