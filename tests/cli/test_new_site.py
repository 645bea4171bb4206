"""A new site file: every setting in it, and it opens."""

import json
import re
import tomllib

import pytest
from click.testing import CliRunner

import geotools
from geotools.cli import cli
from geotools.cli.demo import demo_folder
from geotools.site import Site
from geotools.site.template import section_settings, site_text, subsections, toml_value

DEMO = demo_folder()


def new(folder, *words):
    base = ["new", str(folder / "site.toml"), "--fence", str(DEMO / "fence.geojson")]
    return CliRunner().invoke(cli, [*base, "--terrain", str(DEMO / "terrain.tif"), *words])


def test_it_opens_and_means_what_was_said(tmp_path):
    run = new(
        tmp_path, "--name", 'North "yard" \\ é', "--threat", "prone", "--threat", "walk", "--vertical-unit", "foot"
    )
    assert run.exit_code == 0, run.output
    site = geotools.open_site(tmp_path / "site.toml")
    assert (site.name, site.threats, site.input.vertical_unit) == ('North "yard" \\ é', ("prone", "walk"), "foot")


def test_every_setting_stands_in_it_with_its_default():
    text = site_text(Site, {"": {"name": "x"}, "input": {"fence": "f", "terrain": "t"}})
    # a reader who takes every # away before a setting that has a default gets the defaults
    taken = [
        line[2:] if line.startswith("# ") and " = " in line and "..." not in line else line
        for line in text[: text.index("# Own targets")].splitlines()
    ]
    again = tomllib.loads("\n".join(taken))
    for name, _, section in subsections(Site):
        stated = {s.name for s in section_settings(section) if s.default}
        assert stated <= set(again[name])
    site = Site.model_validate(again)
    assert site.upkeep == Site.model_validate(tomllib.loads(text)).upkeep


def test_paths_beneath_the_site_file_are_relative(tmp_path):
    for name in ("fence.geojson", "terrain.tif"):
        (tmp_path / name).write_bytes((DEMO / name).read_bytes())
    run = CliRunner().invoke(
        cli,
        [
            "new",
            str(tmp_path / "site.toml"),
            "--name",
            "a",
            "--fence",
            str(tmp_path / "fence.geojson"),
            "--terrain",
            str(tmp_path / "terrain.tif"),
        ],
    )
    assert run.exit_code == 0
    assert tomllib.loads((tmp_path / "site.toml").read_text())["input"]["fence"] == "fence.geojson"


def test_nothing_is_overwritten_unasked(tmp_path):
    (tmp_path / "site.toml").write_text("mine")
    run = new(tmp_path, "--name", "a", "--json")
    assert run.exit_code == 6 and json.loads(run.output)["error"] == "there is a site file already"
    assert (tmp_path / "site.toml").read_text() == "mine"
    assert new(tmp_path, "--name", "a", "--overwrite").exit_code == 0


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--name", ""], 4, "name"),
        (["--name", "a", "--threat", "dragon"], 4, "dragon"),
        (["--name", "a", "--fence", "absent.shp"], 3, "absent.shp"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_written(tmp_path, words, code, said):
    run = new(tmp_path, *words)
    assert run.exit_code == code and said in run.output
    assert not (tmp_path / "site.toml").exists()


def test_dry_run_prints_and_writes_nothing(tmp_path):
    run = new(tmp_path, "--name", "a", "--dry-run")
    assert "[upkeep]" in run.output and not (tmp_path / "site.toml").exists()


@pytest.mark.parametrize("text", ['"', "\\", "\n", "\t", "\x7f", "\x00", "é€😀", "[[x]]"])
def test_any_text_survives_toml(text):
    assert tomllib.loads(f"a = {toml_value(text)}")["a"] == text


def test_the_catalogues_stand_in_it_and_mean_what_counts_without_them():
    given = {"": {"name": "x"}, "input": {"fence": "f", "terrain": "t"}}
    text = site_text(Site, given, Site.catalogues())
    plain = Site.model_validate(tomllib.loads(text))
    tail = text[text.index("# Own targets") :]
    taken = [
        line[2:] if re.match(r"# (\[|[a-z_]+ = )", line) and not line.endswith("...") else line
        for line in tail[: tail.index("# Heads on every post")].splitlines()
        + tail[tail.index("# Which threat") :].splitlines()
    ]
    again = Site.model_validate({**given[""], "input": given["input"], **tomllib.loads("\n".join(taken))})
    assert again.targets == plain.all_targets and again.head_types == plain.all_head_types
    assert again.stack_rules == plain.stack_rules and again.maintenance == plain.maintenance
    assert "placeholder" in tail and '[head_types."10 GHz"]' in tail


def test_the_accuracy_of_the_terrain_is_taken_from_the_command(tmp_path):
    said = new(tmp_path, "--name", "Yard", "--vertical-accuracy-m", "0.06")
    assert said.exit_code == 0 and "nothing counts as detected" not in said.output
    assert geotools.open_site(tmp_path / "site.toml").input.vertical_accuracy_m == 0.06
    assert "input.vertical_accuracy_m" in new(tmp_path, "--name", "Yard", "--overwrite").output
    refused = new(tmp_path, "--name", "Yard", "--vertical-accuracy-m", "-1", "--overwrite")
    assert refused.exit_code == 4 and "vertical_accuracy_m" in refused.stderr


def open_fence(folder):
    """The demonstration's fence without its last sides."""
    held = json.loads((DEMO / "fence.geojson").read_text("utf-8"))
    held["features"][0]["geometry"]["coordinates"] = held["features"][0]["geometry"]["coordinates"][:3]
    (folder / "open.geojson").write_text(json.dumps(held), "utf-8")
    return folder / "open.geojson"


def test_it_ends_with_an_inspection(tmp_path):
    run = new(tmp_path, "--name", "a")
    assert run.exit_code == 0, run.output
    assert "1 fence line, 597.9 m" in run.output and "vertical accuracy of the terrain is not stated" in run.output
    quiet = new(tmp_path, "--name", "a", "--overwrite", "--no-inspect")
    assert quiet.exit_code == 0 and "597.9" not in quiet.output
    data = json.loads(new(tmp_path, "--name", "a", "--overwrite", "--json").output)
    assert data["event"] == "finished" and any("597.9 m" in text for text in data["notes"]) and data["warnings"]


def test_an_open_line_is_refused_with_what_to_add(tmp_path):
    words = ["new", str(tmp_path / "site.toml"), "--name", "a", "--fence", str(open_fence(tmp_path))]
    words += ["--terrain", str(DEMO / "terrain.tif")]
    run = CliRunner().invoke(cli, words)
    assert run.exit_code != 0 and "an open fence line has no inside" in run.output
    assert "geotools new --side left" in run.output and (tmp_path / "site.toml").exists()
    run = CliRunner().invoke(cli, [*words, "--side", "left", "--overwrite"])
    assert run.exit_code == 0, run.output
    assert geotools.open_site(tmp_path / "site.toml").layout.side == "left"


def test_any_setting_can_be_given_by_its_name(tmp_path):
    given = ["detection.threshold=0.25", "prices.currency=CHF", "fence_height_m=2.4", 'layout.side="outside"']
    done = new(tmp_path, "--name", "Y", "--no-inspect", *(w for text in given for w in ("--set", text)))
    assert done.exit_code == 0, done.output
    site = geotools.open_site(tmp_path / "site.toml")
    assert (site.detection.threshold, site.prices.currency, site.fence_height_m) == (0.25, "CHF", 2.4)
    assert site.layout.side == "outside"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("detection.treshold=0.2", "threshold"),
        ("detect.threshold=0.2", "SECTION.NAME=VALUE"),
        ("detection.threshold", "SECTION.NAME=VALUE"),
        ("detection.threshold=5", "less than 1"),
    ],
)
def test_a_setting_that_there_is_not_is_refused(tmp_path, text, words):
    done = new(tmp_path, "--name", "Y", "--set", text)
    assert done.exit_code == 4 and words in done.stderr and not list(tmp_path.iterdir())


def test_what_is_not_sound_can_be_left_unwritten(tmp_path):
    far = '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": '
    far += '{"type": "LineString", "coordinates": [[0, 0], [0.001, 0]]}}]}'
    (tmp_path / "f.geojson").write_text(far)
    terrain = str(demo_folder() / "terrain.tif")
    words = ["new", str(tmp_path / "s.toml"), "--name", "Y", "--fence", str(tmp_path / "f.geojson")]
    done = CliRunner().invoke(cli, [*words, "--terrain", terrain, "--if-sound"])
    assert done.exit_code != 0 and not (tmp_path / "s.toml").exists()
    done = CliRunner().invoke(cli, [*words, "--terrain", terrain])
    assert done.exit_code != 0 and (tmp_path / "s.toml").exists()
