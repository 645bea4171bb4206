"""The documentation's commands, outputs and pictures are found, played, compared and renewed; terms are linked once."""

from __future__ import annotations

import io
import os
import re
from pathlib import Path

import pytest
from matplotlib.figure import Figure
from PIL import Image

from docs.shown.blocks import Command, Picture, alike, drawn_pages, items, pages
from docs.shown.drawing import as_png, same_picture
from docs.shown.pictures import PICTURES
from docs.shown.play import Shell, play
from docs.shown.spelling import words_of
from docs.shown.weave import anchored, filled, glossary_terms, linked

ROOT = Path(__file__).parents[2]
PAGE = """# Page

```bash
mkdir -p there
cd there
```

```bash
seq 1 9; pwd
```

<!-- output from "3" to "5" -->

```text
{shown}```

![words](../pictures/one.png)
"""


def played(tmp_path: Path, text: str, *, write: bool = False) -> tuple[list[str], str]:
    page = tmp_path / "page.md"
    page.write_text(text, "utf-8")
    (tmp_path / "pictures").mkdir(exist_ok=True)
    (tmp_path / "pictures" / "one.png").write_bytes(b"kept")
    (tmp_path / "work").mkdir(exist_ok=True)
    shell = Shell(tmp_path / "work", dict(os.environ))
    return play(page, shell, tmp_path / "pictures", write=write), page.read_text("utf-8")


def test_a_page_is_commands_and_pictures_in_their_order():
    first, second, picture = items(PAGE.format(shown=""))
    assert isinstance(first, Command) and first.shown is None and first.text == "mkdir -p there\ncd there\n"
    assert isinstance(second, Command) and (second.first, second.last, second.shown) == ("3", "5", "")
    assert picture == Picture("one.png", "words", 17)


def test_an_output_that_is_another_is_found_and_renewed(tmp_path):
    differs, kept = played(tmp_path, PAGE.format(shown="3\n4\n"))
    assert len(differs) == 1 and "3\n4\n5\n" in differs[0]
    assert kept == PAGE.format(shown="3\n4\n")
    assert len(played(tmp_path, PAGE.format(shown="3\n4\n"), write=True)[0]) == 1
    assert played(tmp_path, PAGE.format(shown="3\n4\n5\n")) == ([], PAGE.format(shown="3\n4\n5\n"))


def test_an_output_ends_at_the_line_that_is_counted(tmp_path):
    text = '```bash\nprintf "a\\nx\\nb\\nx\\nc\\n"\n```\n\n'
    text += '<!-- output from "a" to 2. "x" -->\n\n```text\na\nx\nb\nx\n```\n'
    assert played(tmp_path, text)[0] == []


def test_a_command_that_fails_ends_it(tmp_path):
    with pytest.raises(SystemExit, match="exit code 1 in place of 0"):
        played(tmp_path, "```bash\nfalse\necho on\n```\n")
    with pytest.raises(SystemExit, match="no line of the output holds 'dark'"):
        played(tmp_path, '```bash\necho light\n```\n\n<!-- output from "dark" -->\n\n```text\n```\n')


def test_the_place_and_variables_last_from_block_to_block(tmp_path):
    text = "```bash\nmkdir a\ncd a\nexport WORD=held\n```\n\n```bash\necho $WORD; pwd\n```\n\n"
    text += "<!-- output -->\n\n```text\n```\n"
    differs, _ = played(tmp_path, text)
    assert "held\n~/work/a" in differs[0]


def test_times_alone_make_no_difference():
    assert alike("gaps: done in 3.2 s\n", "gaps: done in 10.9 s\n")
    assert not alike("crawl: 2.0 m\n", "crawl: 2.5 m\n")


def drawing(height: float, colour: str = "black") -> bytes:
    figure = Figure(figsize=(4, 3))
    axes = figure.subplots()
    axes.plot([0, 1], [height, height], color=colour, lw=4)
    axes.set_ylim(0, 1)
    return as_png(figure)


def test_a_moved_line_is_another_picture():
    assert same_picture(drawing(0.5), drawing(0.5)) and same_picture(drawing(0.5), drawing(0.5, "#151515"))
    assert not same_picture(drawing(0.5), drawing(0.6))
    assert Image.open(io.BytesIO(drawing(0.5))).mode == "P"


def test_every_picture_of_a_page_is_drawn_and_every_drawing_shown():
    shown = {item.name for page in [*pages(ROOT), *drawn_pages(ROOT)] for item in items(page.read_text("utf-8"))
             if isinstance(item, Picture)}  # fmt: skip
    assert shown == set(PICTURES)
    assert {path.name for path in (ROOT / "docs" / "pages" / "pictures").iterdir()} == shown


def test_every_step_of_a_tutorial_shows_what_it_prints_or_makes():
    for page in sorted((ROOT / "docs" / "pages" / "tutorials").glob("*.md")):
        for part in re.split(r"^## ", page.read_text("utf-8"), flags=re.M)[1:]:
            held = items(part)
            if any(isinstance(item, Command) for item in held):
                assert any(isinstance(item, Picture) or item.shown for item in held), f"{page.name}: {part[:40]}"


def test_a_term_is_linked_where_it_is_used_first():
    terms = glossary_terms("| term | meaning |\n|---|---|\n| dead spot | x |\n| stack | y |\n| target, threat | z |\n")
    assert terms == {"dead spot": "dead-spot", "stack": "stack", "target": "target-threat", "threat": "target-threat"}
    page = "# Dead spot\n\nA `stack`, two dead spots, a [stack](x.md).\nA dead spot, Stacks.\n\n"
    page += "```bash\nstack\n```\n| threat |\n"
    made = linked(page, terms, "../glossary.md")
    assert made == page.replace("two dead spots", "two [dead spots](../glossary.md#dead-spot){ .term }").replace(
        "Stacks", "[Stacks](../glossary.md#stack){ .term }"
    )


def test_the_glossary_has_an_anchor_for_each_term():
    page = (ROOT / "docs" / "pages" / "glossary.md").read_text("utf-8")
    found = re.findall(r'<span id="([\w-]+)"></span>', anchored(page))
    assert set(found) == set(glossary_terms(page).values()) and len(found) == len(set(found)) > 40


def test_tables_of_needs_and_tolerances_are_those_declared():
    made = filled("<!-- made: survey needs -->\n\n<!-- made: tolerances -->\n\n")
    assert "| 0.85 m or finer | 0.075 m or better |" in made and "`grading.settlement_m` | 0.05 m" in made


@pytest.mark.parametrize("name", ["index.md", "concepts/survey.md", "concepts/tolerance.md"])
def test_a_made_table_stands_in_its_page_as_declared(name):
    page = (ROOT / "docs" / "pages" / name).read_text("utf-8")
    assert "<!-- made: " in page
    assert filled(page) == page, "renew it: python -m docs.shown --tables"


def test_words_are_read_and_code_is_not():
    page = "<h1>Beams<a class='headerlink' href='#x'>Permalnk</a></h1>"
    page += "<p>A <code>zzone</code> isn't F01-Z003 or plan.gpkg.</p>"
    assert words_of(page) == {"Beams", "isn't", "or"}
