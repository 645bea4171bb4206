"""Points that are no ground by their code are left out and said; the user's own table replaces the toolkit's."""

import numpy as np
import pytest
from click.testing import CliRunner

from geotools.cli import cli
from geotools.errors import InputError
from geotools.terrain.measured import read_table
from geotools.terrain.point_codes import NOT_GROUND, read_codes


@pytest.fixture
def points(tmp_path):
    """Level ground at 250 m with a water level in a pit, the top of a well and a base station among its points."""
    rows = [f"{500_000 + x},{5_400_000 + y},250.0,GR" for x in range(8) for y in range(8)]
    rows += ["500003.5,5400003.5,247.0,WL 1", "500004.5,5400003.5,251.2,Well", "500001.5,5400001.5,251.6,BASE"]
    path = tmp_path / "points.csv"
    path.write_text("x,y,z,code\n" + "\n".join(rows) + "\n")
    return path


def test_water_level_well_top_and_base_station_are_no_ground(points):
    survey = read_table(points, NOT_GROUND)
    heights = np.concatenate(list(survey.chunks))[:, 2]
    assert heights.size == 64 and set(heights) == {250.0}
    (said,) = survey.notes
    for part in ("1 WL 1 (water level)", "1 Well (top of a well)", "1 BASE (base station)"):
        assert part in said
    # levels that are named as such all count
    assert np.concatenate(list(read_table(points).chunks)).shape == (67, 3)


def test_a_table_of_ones_own_replaces_the_toolkits(points, tmp_path):
    codes = tmp_path / "codes.csv"
    codes.write_text("code;meaning;ground\nGR;grass;yes\nwell;ring of a well;no\n")
    survey = read_table(points, read_codes(codes))
    heights = np.concatenate(list(survey.chunks))[:, 2]
    assert 247.0 in heights and 251.6 in heights and 251.2 not in heights
    assert "1 Well (ring of a well)" in survey.notes[0]
    codes.write_text("code,meaning,ground\nGR,grass,perhaps\n")
    with pytest.raises(InputError, match="code table"):
        read_codes(codes)


def test_the_command_says_what_it_left_out(points, tmp_path):
    out = tmp_path / "dtm.tif"
    words = ["terrain", str(points), "--out", str(out), "--crs", "EPSG:32632", "--cell", "0.5"]
    run = CliRunner().invoke(cli, words)
    assert run.exit_code == 0, run.output
    assert "left out as no ground by their code" in " ".join(run.output.split())
