"""The page is made piece by piece; red where all its pictures are held as text at once."""

from geotools.steps.report import html
from geotools.steps.report.blocks import Heading, Picture, Report, Text

PICTURE = Picture("A picture", "Caption", b"<svg>wide</svg>", b"<svg>narrow</svg>", b"png")


def report(zones):
    blocks = [block for k in range(zones) for block in (Heading(f"Zone {k}"), PICTURE, Text(f"Text {k}"))]
    return Report("Yard", "under", "made", blocks)


def test_a_picture_is_turned_into_text_when_its_turn_comes(monkeypatch):
    made = []
    real = html._data_uri
    monkeypatch.setattr(html, "_data_uri", lambda svg: made.append(svg) or real(svg))
    written = ""
    most_ahead = 0
    for piece in html.html_pieces(report(40)):
        written += piece
        most_ahead = max(most_ahead, len(made) - written.count("data:image/svg+xml;base64,"))
    assert len(made) == 80
    # both cuts of a picture, and those of the next block that the template looks ahead to
    assert most_ahead <= 4


def test_the_pieces_are_the_page_and_sheets_of_one_name_are_kept_apart():
    made = Report("Yard", "under", "made", [Heading("A"), Heading("a part", 2), Heading("A"), Heading("Main")])
    page = "".join(html.html_pieces(made))
    assert page == html.to_html(made)
    ids = ("a", "a-2", "main-2")
    assert all(f'<h2 id="{name}">' in page and f'<a href="#{name}">' in page for name in ids)
    assert "<h3>a part</h3>" in page
