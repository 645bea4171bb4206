"""Every writer of documents takes any text that a name may be, and shows it as it is."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import icalendar
import pypdf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree
from shapely import LineString

from geotools.errors import file_part, unprintable
from geotools.io.paper import Document, Sheet
from geotools.io.tables import csv_rows, csv_text
from geotools.plan.schema import BEAMS
from geotools.steps.export.kml import KmlLayer, kml_text
from geotools.steps.report.blocks import Fact, Facts, Heading, Notes, Report, Table, Text
from geotools.steps.report.html import to_html
from geotools.steps.report.pdf import to_pdf
from geotools.steps.upkeep.calendar import calendar_bytes
from geotools.steps.upkeep.kernel import Visit
from tests.fuzz.wild import TEXT

#: What the site file and the plan let through.
NAME = TEXT.filter(lambda text: unprintable(text) is None)
SOME = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
FEW = settings(SOME, max_examples=15)


def report(a: str, b: str, c: str) -> Report:
    made = Report(a, b, c)
    made.blocks += [
        Heading(a),
        Text(b),
        Notes((a, c), "caution", b),
        Facts((Fact(a, b, c, "bad"),)),
        Heading(b, 2),
        Table.of(c, [a, b], [[b, c], [c, a]]),
        Table.of(a, [c], [[b]], aside=True),
    ]
    return made


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.elements.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@SOME
@given(NAME, NAME, NAME)
def test_a_page_has_the_elements_it_has_with_plain_names(a: str, b: str, c: str) -> None:
    page, plain = _Page(), _Page()
    page.feed(to_html(report(a, b, c)))
    # where a text is empty a part may be left out; "x" stands for one that is there
    plain.feed(to_html(report(*("x" if text else "" for text in (a, b, c)))))
    assert page.elements == plain.elements
    assert all(" ".join(text.split()) in " ".join(page.text.split()) for text in (a, b, c))


@FEW
@given(NAME, NAME, NAME)
def test_paper_takes_any_name(a: str, b: str, c: str) -> None:
    assert pypdf.PdfReader(io.BytesIO(to_pdf(report(a, b, c)))).pages


@SOME
@given(NAME, NAME)
def test_a_map_file_shows_any_name(site: str, zone: str) -> None:
    row = {"beam_id": zone, "zone_id": zone}
    text = kml_text(site, [KmlLayer(BEAMS, [(row, LineString([(9, 48), (9, 49)]))])], site)
    tree = etree.fromstring(text.encode("utf-8"))
    names = tree.xpath("//*[local-name() = 'Placemark']/*[local-name() = 'name']/text()")
    assert "".join(names).split() == zone.split()


@SOME
@given(NAME, NAME)
def test_a_drawing_sheet_takes_any_name(a: str, b: str) -> None:
    document = Document(a, size="A3", landscape=True)
    sheet = Sheet(document)
    sheet.words((10.0, 10.0), a, 8.0)
    sheet.words((10.0, 20.0), b, 8.0, bold=True)
    assert len(pypdf.PdfReader(io.BytesIO(bytes(document.output()))).pages) == 1


@SOME
@given(NAME, NAME, NAME)
def test_a_calendar_holds_one_visit_whatever_its_names_are(site: str, place: str, task: str) -> None:
    day = dt.date(2027, 5, 3)
    visit = Visit(day=day, task=task, scope="head", place=place, minutes=5.0, instruction="x")
    data = calendar_bytes([visit], site, day)
    events = icalendar.Calendar.from_ical(data).walk("VEVENT")
    assert len(events) == 1
    assert len(events[0].walk("VALARM")) == 1


@SOME
@given(st.lists(st.tuples(NAME, NAME), max_size=4))
def test_a_table_has_its_rows_and_no_formula(tmp_path_factory, rows: list[tuple[str, str]]) -> None:
    text = csv_text(["id", "name", "note"], [{"id": "1", "name": a, "note": b} for a, b in rows])
    read = list(csv.reader(io.StringIO(text, newline="")))
    assert len(read) == len(rows) + 1
    signed = [cell for line in read for cell in line if cell.strip()[:1] in tuple("=+-@")]
    # a level below 0 stays a number: instruments refuse one with an apostrophe
    assert all(re.fullmatch(r"-[0-9]+(\.[0-9]+)?", cell) for cell in signed)
    path = tmp_path_factory.getbasetemp() / "rows.csv"
    path.write_text(text, encoding="utf-8", newline="")
    for (a, b), row in zip(rows, csv_rows(path, ["id"]), strict=True):
        for written, back in ((a, row["name"]), (b, row["note"])):
            # who writes apostrophes before a sign cannot be told from us
            assert back.split() == written.split() or "'" in written


@SOME
@given(TEXT)
def test_a_file_is_made_in_its_folder_whatever_it_is_called(tmp_path_factory, name: str) -> None:
    folder: Path = tmp_path_factory.getbasetemp() / "parts"
    folder.mkdir(exist_ok=True)
    path = folder / f"{file_part(name)}.png"
    path.write_bytes(b"x")
    assert path.resolve().parent == folder.resolve()
