"""The bill of the demonstration: sums equal to the report's, a spreadsheet that calculates and runs nobody's text."""

import csv
import io
import re

import openpyxl
import pyogrio
import pytest

import geotools
from geotools.earthwork.state import laid_out_state
from geotools.plan.paper_state import heads_code
from geotools.plan.schema import BILL_SECTIONS
from geotools.steps.bill.kernel import BillLine, UnitPrice
from geotools.steps.bill.step import counted_words
from geotools.steps.bill.workbook import bill_workbook


@pytest.fixture(scope="module")
def bill(reported):
    return pyogrio.read_dataframe(reported / "plan.gpkg", layer="bill")


def layer(folder, name):
    return pyogrio.read_dataframe(folder / "plan.gpkg", layer=name, read_geometry=False)


def test_the_remedy_costs_what_the_report_says(reported, bill):
    options = layer(reported, "options")
    wanted = options.loc[options["recommended"], "cost"].sum()
    assert bill.loc[bill["section"] == "remedy", "amount"].sum() == pytest.approx(wanted, abs=1e-6)
    assert wanted > 0


def test_a_scheme_costs_what_the_maintenance_plan_says(reported, bill):
    cost = layer(reported, "upkeep_cost").set_index("scheme").loc["cleaning", "total"]
    own = bill[bill["item"].str.contains("(scheme cleaning)", regex=False)]
    assert own["amount"].sum() == pytest.approx(cost, abs=1e-6)


def test_heads_and_posts_are_those_of_the_plan(reported, bill):
    heads = layer(reported, "heads")
    assert bill.loc[bill["item"].str.startswith("head "), "quantity"].sum() == len(heads)
    assert bill.loc[bill["item"] == "post", "quantity"].sum() == heads["post_id"].nunique()


def test_the_report_shows_the_bills_total(reported, bill):
    page = (reported / "report.html").read_text(encoding="utf-8")
    total = f"{bill['amount'].sum():,.0f}".replace(",", "\u202f")
    assert f"{total} EUR" in page  # first page
    assert f">{total}</td>" in page  # sheet of the bill


def test_table_and_layer_are_one(reported, bill):
    rows = list(csv.DictReader(io.StringIO((reported / "bill.csv").read_text(encoding="utf-8-sig"))))
    assert len(rows) == len(bill)
    assert sum(float(row["amount"]) for row in rows) == pytest.approx(bill["amount"].sum(), rel=1e-9)


def test_every_price_says_where_it_comes_from(bill):
    origin = dict(zip(bill["price_setting"], bill["price_origin"], strict=True))
    assert origin["prices.head"] == origin["prices.post"] == "site file"
    assert origin["upkeep.hour_rate"] == origin["maintenance.material"] == "placeholder"
    assert (bill["quantity"] * bill["unit_price"] - bill["amount"]).abs().max() < 1e-9
    assert set(bill["section"]) <= set(BILL_SECTIONS)


def calculated(book) -> dict[tuple[str, str], float]:
    """Every formula of the workbook worked out here: references, products, SUM and SUMIFS, no more."""

    def cells(sheet, span):
        return [cell for row in book[sheet][span.replace("$", "")] for cell in row]

    def value(sheet, cell):
        held = book[sheet][cell.replace("$", "")].value
        if not (isinstance(held, str) and held.startswith("=")):
            return held
        text = held[1:]
        if found := re.fullmatch(r"(\w+)!(\$\w\$\d+)", text):
            return value(*found.groups())
        if found := re.fullmatch(r"(\w\d+)\*(\w\d+)", text):
            return value(sheet, found[1]) * value(sheet, found[2])
        if found := re.fullmatch(r"SUM\((\w+:\w+)\)", text):
            return sum(value(sheet, c.coordinate) for c in cells(sheet, found[1]))
        summed, *tests = re.fullmatch(r"SUMIFS\((.*)\)", text)[1].split(",")
        pairs = [(cells(*span.split("!")), value(sheet, want)) for span, want in zip(*[iter(tests)] * 2, strict=True)]
        total = 0.0
        for k, one in enumerate(cells(*summed.split("!"))):
            if all(span[k].value == want for span, want in pairs):
                total += value("Bill", one.coordinate)
        return total

    return {
        (sheet.title, cell.coordinate): value(sheet.title, cell.coordinate)
        for sheet in book
        for row in sheet.iter_rows()
        for cell in row
        if cell.data_type == "f"
    }


LINES = [
    ("B0001", BillLine("heads and posts", "Z1", "head", 4, "piece", UnitPrice(1000.0, "prices.head", True))),
    ("B0002", BillLine("heads and posts", "Z2", "head", 2, "piece", UnitPrice(1000.0, "prices.head", True))),
    ("B0003", BillLine("remedy", "Z1", '=HYPERLINK("http://a")', 2.5, "m3", UnitPrice(18.0, "prices.cut_m3", False))),
    ("B0004", BillLine("spares", "", "spare head", 1, "piece", UnitPrice(1000.0, "prices.head", True))),
]


def test_the_spreadsheet_calculates_what_it_shows(tmp_path):
    path = tmp_path / "bill.xlsx"
    path.write_bytes(bill_workbook(LINES, "EUR"))
    worked = calculated(openpyxl.load_workbook(path))
    shown = openpyxl.load_workbook(path, data_only=True)
    assert worked
    for (sheet, cell), value in worked.items():
        assert shown[sheet][cell].value == pytest.approx(value), (sheet, cell)
    assert worked["Bill", "H6"] == 4000 + 2000 + 45 + 1000
    by_zone = {row[0]: row[-1] for row in shown["By zone"].iter_rows(min_row=2, values_only=True)}
    assert by_zone == {"Z1": 4045, "Z2": 2000, "site": 1000, "Total": 7045}


def test_a_price_changed_on_its_sheet_goes_through(tmp_path):
    path = tmp_path / "bill.xlsx"
    path.write_bytes(bill_workbook(LINES, "EUR"))
    book = openpyxl.load_workbook(path)
    prices = {row[0].value: row[1] for row in book["Prices"].iter_rows(min_row=2)}
    assert sorted(prices) == ["prices.cut_m3", "prices.head"]
    prices["prices.head"].value = 500.0
    assert calculated(book)["Bill", "H6"] == 7 * 500 + 45


def test_text_is_never_a_formula(tmp_path):
    path = tmp_path / "bill.xlsx"
    path.write_bytes(bill_workbook(LINES, "EUR"))
    assert openpyxl.load_workbook(path)["Bill"]["D4"].data_type != "f"


def test_equal_bills_are_equal_bytes():
    assert bill_workbook(LINES, "EUR") == bill_workbook(LINES, "EUR")
    assert bill_workbook([], "EUR")


def test_the_workbook_says_which_state_it_counts(reported):
    book = openpyxl.load_workbook(reported / "bill.xlsx")["Bill"]
    texts = [str(row[3]) for row in book.iter_rows(values_only=True)]
    (said,) = [text for text in texts if text.startswith("Counted: ")]
    # the code is that of the heads as laid out, by which other papers of that state are known
    heads = pyogrio.read_dataframe(reported / "plan.gpkg", layer="heads", read_geometry=True)
    code = heads_code(heads.to_dict("records"))
    assert f"existing state, no revision given, no date given, heads {code};" in said
    assert "take it to the proposed state" in said and texts.index(said) == texts.index("Total") + 2
    plain = counted_words(
        laid_out_state(geotools.open_site(reported.parent / "input" / "site.toml"), heads), remedied=False
    )
    assert plain == said.split(";")[0]
