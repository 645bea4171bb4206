"""The manual tells of every declaration, and nothing else."""

import json
import re

import pytest
from click.testing import CliRunner

from geotools import errors
from geotools.cli import cli
from geotools.cli.manual import command_page, files_page, layers_page, pages, site_page, step_page
from geotools.cli.sharing_page import sharing_page
from geotools.engine.step import discover
from geotools.plan.schema import LAYERS
from geotools.site import Site
from geotools.site.template import repeated, section_settings, subsections


@pytest.mark.parametrize("step", discover().values(), ids=lambda s: s.name)
def test_a_step_page_has_every_parameter_layer_and_file(step):
    page = step_page(step)
    for param in step.params:
        assert f"--{param.name.replace('_', '-')}`" in page and f"`{param.name}`" in page
    for item in step.outputs:
        assert f"[{item.schema.name}](../layers.md#{item.schema.name})" in page
    for item in step.files:
        assert f"`{item.name}`" in page
    assert step.manual(), f"step {step.name} has no manual beside its declaration"


def test_every_layer_and_field_is_told():
    page = layers_page()
    for layer in LAYERS.values():
        part = page[page.index(f"{{ #{layer.name} }}") :]
        part = part[: part.index("\n## ")] if "\n## " in part else part
        assert [f"`{n}`" for n in layer.field_names] == re.findall(r"^\| (`\w+`)", part, flags=re.M)


def test_every_file_is_told_with_the_step_that_writes_it():
    rows = re.findall(r"^\| `([^`]+)` \| \[(\w+)\]", files_page(), flags=re.M)
    assert sorted(rows) == sorted((f.name, s.name) for s in discover().values() for f in s.files)


def test_every_setting_is_told():
    page = site_page()
    for section in [Site, *(s for _, _, s in subsections(Site)), *(s for _, _, s in repeated(Site))]:
        for setting in section_settings(section):
            assert f"| `{setting.name}` |" in page
            assert not setting.default or f"`{setting.default}`" in page


def test_the_sharing_page_has_a_row_for_every_layer_and_the_fields_of_each_audience():
    page = sharing_page()
    rows = {m[1]: m[0] for m in re.findall(r"^(\| \[(\w+)\]\(.*)$", page, flags=re.M)}
    assert set(rows) == set(LAYERS)
    assert rows["fence"].count("`fence_id`, `closed`, `length_m`, `height_m`") == 2 and rows["fence"].endswith(
        "| all |"
    )
    assert rows["verdicts"].endswith("| - | - | all |") and rows["sensitivity"].endswith("| - | - | - |")
    assert "| `cut_fill.tif` | - | yes | yes |" in page


def test_exit_codes_are_those_of_the_errors():
    told = dict(re.findall(r"^\| (\d+) \| (.+?) \|$", command_page(cli), flags=re.M))
    kinds = [k for k in vars(errors).values() if isinstance(k, type) and issubclass(k, errors.GeotoolsError)]
    assert {kind.exit_code for kind in kinds} <= {int(c) for c in told}
    assert told["0"] == "done" and "stopped" in told["130"] and "batch" in told["8"]


def test_tables_are_whole():
    for path, text in pages(cli).items():
        for table in re.findall(r"(?:^\|.*\|$\n?)+", text, flags=re.M):
            widths = {len(re.findall(r"(?<!\\)\|", line)) for line in table.splitlines()}
            assert len(widths) == 1, f"{path}:\n{table}"
        # a table that follows words without an empty line is set as words
        assert not re.findall(r"^[^|#\n].*\n\|", text, flags=re.M), path


def test_catalogues_stand_with_figures_and_marks_in_their_pages():
    layout, upkeep, site = (*(step_page(discover()[name]) for name in ("layout", "upkeep")), site_page())
    for page in (layout, site):
        assert "| crawl | 0.7 | 0.5 |" in page and "common practice, no source" in page
        assert re.search(r"\| 10 GHz \| 10\.525 \| 6 \| 6 \| 5 \| 150 \|.*placeholder \|", page)
    for page in (upkeep, site):
        assert re.search(r"\| inspection \|.*placeholder", page)


def test_catalogues_are_part_of_the_contract():
    run = CliRunner().invoke(cli, ["steps", "--json"])
    held = json.loads(run.output)["catalogues"]
    assert set(held) == {"targets", "movers", "head_types", "stack_rules", "maintenance"}
    assert all(row["source"] for rows in held.values() for row in rows)
    crawl = next(row for row in held["targets"] if row["name"] == "crawl")
    assert (crawl["height_m"], crawl["width_m"]) == (0.7, 0.5)
