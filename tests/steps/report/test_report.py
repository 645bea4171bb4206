"""What the report says and how it is built: HTML that stands alone, PDF with real text."""

import io
import itertools
import json
import re
import shutil
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pyogrio
import pypdf
import pytest
from lxml import etree, html
from openpyxl import load_workbook
from PIL import Image

import geotools
from geotools.errors import StepError
from geotools.steps.report.blocks import Heading, Notes, Report, Table, Text
from geotools.steps.report.charts import Dead, ZoneSection, long_section
from geotools.steps.report.html import to_html
from geotools.steps.report.pdf import to_pdf


@pytest.fixture(scope="module")
def page(reported):
    return html.fromstring((reported / "report.html").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def paper(reported):
    return pypdf.PdfReader(reported / "report.pdf")


def test_nothing_is_asked_of_a_network(page, reported):
    for element in page.iter():
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            value = element.get(name)
            assert value is None or value.startswith(("#", "data:image/svg+xml;base64,")), (element.tag, value[:60])
    text = (reported / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"@import|url\(\s*['\"]?(?!data:)", text)
    assert not page.xpath("//script | //link | //iframe | //object")


def test_the_site_name_cannot_break_out(page):
    assert page.findtext(".//h1") == 'Yard <script>alert(1)</script> & "Sons"'


def test_a_reader_without_eyes_finds_their_way(page):
    assert page.get("lang") == "en" and page.findtext(".//title")
    assert [e.tag for e in page.body if e.tag in ("header", "nav", "main", "footer")] == [
        "header",
        "nav",
        "main",
        "footer",
    ]
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    for link in page.xpath("//a/@href"):
        assert link[1:] in ids
    for picture in page.xpath("//img"):
        assert len(picture.get("alt")) > 30
    for table in page.xpath("//table"):
        assert table.findtext("caption")
        assert all(cell.get("scope") == "col" for cell in table.xpath("./thead//th"))
        assert all(len(row.xpath("./th[@scope='row']")) == 1 for row in table.xpath("./tbody/tr"))
    levels = [int(h.tag[1]) for h in page.xpath("//h1|//h2|//h3")]
    assert levels[0] == 1 and all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert all(e.get("tabindex") == "0" and e.get("aria-label") for e in page.xpath("//*[@class='scroll']"))


def test_first_sheet_is_the_answer_with_the_figures_of_the_plan(page, reported):
    summary = json.loads((reported / "summary.json").read_text())["steps"]["gaps"]
    first = page.xpath("//main/section")[0].text_content()
    for threat, value in summary["weakest_crossing"].items():
        assert f"Weakest crossing, {threat}" in first and f"{value:.2f}," in first
    for length in summary["dead_length_m"].values():
        assert f"{length:.1f}\u202fm" in first or f"{length:.1f} m" in first
    assert "walk-test every zone" in first and "buried services" in first


def test_every_zone_has_its_sheet_with_its_dead_spots(page, reported):
    zones = pyogrio.read_dataframe(reported / "plan.gpkg", layer="zones")["zone_id"]
    spots = pyogrio.read_dataframe(reported / "plan.gpkg", layer="dead_spots")
    sheets = {s.findtext("h2"): s for s in page.xpath("//main/section")}
    for zone in zones:
        sheet = sheets[f"Zone {zone}"]
        assert sheet.xpath(".//img") and sheet.xpath(".//details/summary")
        for spot in spots.loc[spots["zone_id"] == zone, "spot_id"]:
            assert spot in sheet.text_content()


def test_paper_says_what_the_screen_says(page, paper):
    text = "\n".join(p.extract_text() for p in paper.pages)
    for title in page.xpath("//main/section/h2/text()"):
        assert title in text
    squeezed = re.sub(r"\s+", "", text)
    for cell in page.xpath("//main//td/text()"):
        assert re.sub(r"\s+", "", cell) in squeezed, cell
    outline = [o.title for o in paper.outline if not isinstance(o, list)]
    assert outline == page.xpath("//main/section/h2/text()")
    assert paper.metadata.title == page.findtext(".//h1")


def test_the_first_page_of_paper_carries_verdicts_map_and_worst_section(paper):
    text = paper.pages[0].extract_text()
    assert "Fence, prone" in text and "Map, north up" in text and "The weakest zone" in text
    assert len(paper.pages[0].images) == 2


def filled_mm(page):
    """How far down a page of paper its lowest mark stands, mm, without foot and watermark."""
    lowest = [float(page.mediabox.height)]

    def words(text, matrix, place, font, size):
        if text.strip() and abs(place[1]) < 1e-6 and abs(matrix[1]) < 1e-6:
            lowest.append(place[5] if matrix[5] == 0 else place[5] * matrix[3] + matrix[5])

    page.extract_text(visitor_text=words)
    foot = 18 / 25.4 * 72
    return (float(page.mediabox.height) - min(y for y in lowest if y > foot)) * 25.4 / 72


def test_no_page_of_paper_is_half_empty(paper):
    filled = [filled_mm(page) for page in paper.pages]
    # the last may end where it will
    assert [round(mm) for mm in filled[:-1] if mm < 0.55 * 297] == [], filled


def test_a_table_wider_than_paper_stands_in_parts_and_breaks_no_word(tmp_path):
    columns = ["head id", *(f"measured quantity {k} of the transmitter" for k in range(24))]
    rows = [[f"F01-Z00{k}-TX-low", *(f"transmitter-{k}-{j}" for j in range(24))] for k in range(3)]
    made = to_pdf(Report("t", "u", "m", [Heading("A"), Table.of("wide", columns, rows)]))
    lines = pypdf.PdfReader(_file(tmp_path, made)).pages[0].extract_text().splitlines()
    text = " ".join(lines)
    assert all(cell in text for row in rows for cell in row)
    assert text.count("F01-Z000-TX-low") > 1, "rows of the second part have no name"


def test_same_plan_same_bytes(reported, tmp_path):
    shutil.copytree(reported.parent, tmp_path / "demo")
    out = tmp_path / "demo" / "out"
    before = {name: (out / name).read_bytes() for name in ("report.html", "report.pdf")}
    site = geotools.open_site(tmp_path / "demo" / "input" / "site.toml")
    geotools.run_step("report", site, out, overwrite=True)
    for name, content in before.items():
        assert (out / name).read_bytes() == content, name


def test_report_of_a_plan_with_layout_alone(plan):
    site_file, out = plan
    geotools.run_step("report", geotools.open_site(site_file), out)
    assert "not been computed" in (out / "report.html").read_text(encoding="utf-8")


def test_a_plan_without_layout_is_refused(plan):
    site_file, out = plan
    (out / "plan.gpkg").unlink()
    site = geotools.open_site(site_file)
    geotools.run_step("inspect", site, out)
    with pytest.raises(StepError, match="no such layer"):
        geotools.run_step("report", site, out)
    assert not (out / "report.html").exists()


def test_a_summary_out_of_shape_does_no_harm(plan):
    site_file, out = plan
    (out / "summary.json").write_text("[1, 2")
    (out / "report.html").unlink(missing_ok=True)
    geotools.run_step("report", geotools.open_site(site_file), out)
    assert (out / "report.html").read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert isinstance(json.loads((out / "summary.json").read_text(encoding="utf-8")), dict)


LONG = "Donaudampfschifffahrtsgesellschaft " * 12


def test_text_of_any_kind_and_length_reaches_both_files(tmp_path: Path):
    report = Report("Töst – ≥ 日 ✓", "<under>", "made")
    report.blocks = [
        Heading("A & B"),
        Heading("A & B"),
        Text(LONG),
        Notes(("<b>x</b>", LONG), "caution", "T"),
        Table.of("cap", ["a", "b"], [["1", LONG], ["", "<i>"]]),
        Table.of("empty", ["a"], []),
    ]
    page = html.fromstring(to_html(report))
    assert len(set(page.xpath("//section/h2/@id"))) == 2
    assert page.xpath("//td/text()")[-1] == "<i>"
    text = "".join(p.extract_text() for p in pypdf.PdfReader(_file(tmp_path, to_pdf(report))).pages)
    assert re.sub(r"\s+", "", text).count("Donaudampfschifffahrtsgesellschaft") == 36


def _file(folder, content):
    (folder / "r.pdf").write_bytes(content)
    return folder / "r.pdf"


def test_every_page_of_paper_names_whom_it_is_for():
    report = Report("Yard", "under", "made", [Heading("A"), Text("a"), Heading("B"), Text("b")], recipient="Jane  Doe")
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(to_pdf(report))).pages]
    assert len(pages) == 2 and all("Jane Doe" in page for page in pages)


@pytest.mark.parametrize("name", ["stacks.pdf", "walk_test.pdf", "report.pdf"])
def test_every_paper_of_a_job_names_whom_it_is_for_on_every_page(reported, name):
    pages = [page.extract_text() for page in pypdf.PdfReader(reported / name).pages]
    assert pages and all("Dig & Sons Ltd" in page for page in pages)


@pytest.mark.parametrize("name", ["walk_test.xlsx", "bill.xlsx"])
def test_printed_spreadsheets_name_whom_they_are_for(reported, name):
    for sheet in load_workbook(reported / name).worksheets:
        # && : one ampersand begins a code there
        assert sheet.oddHeader.center.text == "For Dig && Sons Ltd"


def test_the_page_names_whom_it_is_for_and_without_a_name_nobody():
    page = to_html(Report("Yard", "under", "made", [Heading("A")], recipient='Dig & "Sons" <b>'))
    assert "For Dig &amp; &#34;Sons&#34; &lt;b&gt;</p>" in page
    (mark,) = re.findall(r"url\(data:image/svg\+xml,([^)]*)\)", page)
    # one more layer of escaping: the name stands in a drawing, in an address
    assert etree.fromstring(unquote(mark)).findtext("{*}text") == 'Dig & "Sons" <b>'
    assert "print-color-adjust: exact" in page and "pointer-events: none" in page
    assert "body::after" not in to_html(Report("Yard", "under", "made", [Heading("A")]))


def test_columns_of_figures_are_found():
    table = Table.of("t", ["id", "n", "mixed"], [["a", "1\u202f234.50", "1"], ["b", "–", "x"], ["c", "-3 %", "2"]])
    assert table.numeric == {1}


def test_every_zone_has_its_long_section_as_a_picture(reported):
    zones = pyogrio.read_dataframe(reported / "plan.gpkg", layer="zones")["zone_id"]
    assert sorted(p.stem for p in (reported / "sections").iterdir()) == sorted(zones)
    for picture in (reported / "sections").glob("*.png"):
        with Image.open(picture) as image:
            assert image.width >= 1000
            assert len(image.convert("RGB").getcolors(1 << 20)) > 50  # something is drawn on it


def test_the_first_page_has_the_verdicts_the_map_and_the_weakest_zones_section(reported):
    first = pypdf.PdfReader(reported / "report.pdf").pages[0]
    text = " ".join(first.extract_text().split())
    assert "detected with 95 % confidence" in text and "Map, north up" in text
    crossings = pyogrio.read_dataframe(reported / "plan.gpkg", layer="crossings")
    weakest = crossings.loc[crossings.modulation.idxmin(), "zone_id"]
    assert f"The weakest zone. Long section of {weakest}" in text
    assert len(first.images) == 2
    ground = np.asarray(first.images[0].image.convert("L"), float)
    # the map lies on shaded ground: greys of many shades, not on white
    assert len(np.unique(ground[(ground > 60) & (ground < 250)])) > 60


def test_a_dead_spots_hatching_does_not_cover_the_ground():
    x = np.linspace(0.0, 50.0, 101)
    ground = 100.0 - 0.4 * np.exp(-(((x - 25.0) / 3.0) ** 2))
    section = ZoneSection(
        "Z", x, ground, beams=[("low", 100.3, 100.3)], dead=[Dead("prone", 20, 30)], threats=["prone"]
    )
    panel = long_section(section, 7.2).axes[0]
    low = panel.get_ylim()[0]
    hatched = [patch for patch in panel.patches if patch.get_hatch()]
    assert hatched
    for patch in hatched:
        box = patch.get_window_extent().transformed(panel.transData.inverted())
        assert box.y0 > ground.max() > low
