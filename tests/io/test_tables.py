"""Tables that people open, fill in and send back."""

import csv
import io

import numpy as np
import pandas as pd
import pytest

from geotools.errors import InputError
from geotools.io import tables
from geotools.io.tables import csv_text, read_csv, safe_cell

# the dangerous first characters: OWASP, "CSV Injection"
ATTACKS = ["=1+1", "+1", "-1+cmd", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("x","y")', " =1"]


@pytest.mark.parametrize("text", ATTACKS)
def test_formulas_are_disarmed_and_come_back(text, tmp_path):
    assert safe_cell(text).startswith("'")
    f = tmp_path / "t.csv"
    f.write_text(csv_text(["id", "note"], [{"id": 1, "note": text}]), encoding="utf-8", newline="")
    assert read_csv(f, ["id"])[0]["note"] == text


@pytest.mark.parametrize("text", ["a;=1+1", "a; @SUM(A1)", "two\n=lines", "tab\t+1", "\uff1d1+1", ";-1;=2;@3"])
def test_formulas_in_the_midst_are_disarmed_and_come_back(text, tmp_path):
    for separator in ";\t\n":
        for cell in safe_cell(text).split(separator):
            assert cell.lstrip(" ")[:1] not in ("=", "+", "-", "@", "\uff1d")
    f = tmp_path / "t.csv"
    f.write_text(csv_text(["id", "note"], [{"id": 1, "note": text}]), encoding="utf-8", newline="")
    assert read_csv(f, ["id"])[0]["note"] == text


def test_words_with_signs_in_them_stay_as_they_are():
    for text in ("A-1", "x = 3", "a; b", "50 % - 60 %", "me@example.org"):
        assert safe_cell(text) == text


def test_tables_beyond_any_form_are_refused(tmp_path, monkeypatch):
    f = tmp_path / "t.csv"
    f.write_text('id\n"' + "a" * 200_000)
    with pytest.raises(InputError, match="not CSV"):
        read_csv(f, ["id"])
    f.write_text("id," * 1000)
    with pytest.raises(InputError, match="too many columns"):
        read_csv(f, ["id"])
    monkeypatch.setattr(tables, "MAX_FORM_ROWS", 2)
    f.write_text("id\n1\n2\n3\n")
    with pytest.raises(InputError, match="too many rows"):
        read_csv(f, ["id"])


def test_numbers_stay_numbers():
    assert safe_cell(-0.25) == "-0.25"
    assert safe_cell(np.float64(-3.0)) == "-3"
    assert safe_cell(np.int64(7)) == "7"
    # a level below the datum, written out to the millimetre
    assert safe_cell("-0.250") == "-0.250"
    assert safe_cell(float("nan")) == safe_cell(None) == safe_cell(pd.NA) == ""


def test_the_table_is_what_another_reader_reads():
    text = csv_text(["a", "b,c"], [{"a": 'say "hi"', "b,c": "two\nlines"}])
    assert list(csv.reader(io.StringIO(text, newline=""))) == [["a", "b,c"], ['say "hi"', "two\nlines"]]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_any_spreadsheet_dialect(mark, tmp_path):
    f = tmp_path / "t.csv"
    f.write_bytes(b"\xef\xbb\xbf" + f"id{mark}result\r\n1{mark}yes\r\n{mark}\r\n2\r\n".encode())
    assert read_csv(f, ["id", "result"]) == [{"id": "1", "result": "yes"}, {"id": "2", "result": ""}]


def test_wrong_tables_are_refused(tmp_path):
    f = tmp_path / "t.csv"
    with pytest.raises(InputError, match="cannot be read"):
        read_csv(f, ["id"])
    f.write_bytes(b"")
    with pytest.raises(InputError, match="lacks columns"):
        read_csv(f, ["id"])
    f.write_bytes("id,größe\n".encode("latin-1"))
    with pytest.raises(InputError, match="UTF-8"):
        read_csv(f, ["id"])
