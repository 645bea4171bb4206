"""Workbooks: text never runs as a formula, equal tables give equal bytes, strangers' files are read with limits."""

import datetime
import zipfile

import openpyxl
import pytest

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
