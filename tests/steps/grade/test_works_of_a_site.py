"""A small invented site from dead spots to the works as built, and every file read back by somebody else's reader."""

import csv
import sys
import types
from pathlib import Path

import ezdxf
import numpy as np
import pypdf
import pytest
import rasterio
from click.testing import CliRunner
from matplotlib.tri import LinearTriInterpolator, Triangulation

from geotools.cli import cli
from geotools.engine.runner import Job
from geotools.plan.schema import (
    ACCEPTANCE,
    ADVICE,
    AS_BUILT,
    BEAMS,
    DEAD_SPOTS,
    EARTHWORKS,
    FLOW_CROSSINGS,
    GRADING_POINTS,
    GRADINGS,
    HEAD_HEIGHTS,
    HEADS,
    OPTIONS,
    PONDS,
    WATER_CROSSINGS,
    ZONES,
)
from geotools.site import open_site
from tests.making import line, write_fence, write_raster

morphology = pytest.importorskip("skimage.morphology")

STEPS = ("inspect", "layout", "gaps", "heights", "remedy", "grade", "drain")


def ground() -> np.ndarray:
    """120 x 60 m at 0.5 m: a plane with a swale across the fence's middle."""
    y, x = np.mgrid[0:120, 0:240] * 0.5
    z = 250 + 0.01 * x - 0.4 * np.exp(-(((x - 62 - 0.1 * y) / 4) ** 2)) + 0.02 * np.sin(x / 9)
    return z.astype(np.float32)


def site_in(folder: Path, heights: np.ndarray, extra: str = "") -> Path:
    write_raster(folder / "terrain.tif", heights, cell=0.5, top=5_400_060.0)
    write_fence(folder / "fence.geojson", [line([(8, 25), (108, 27)])])
    site = folder / "site.toml"
    site.write_text(
        'name = "Test strip"\nthreats = ["walk", "crawl", "prone"]\n[input]\nfence = "fence.geojson"\n'
        f'terrain = "terrain.tif"\nvertical_accuracy_m = 0.03\n[layout]\nside = "left"\n{extra}\n'
    )
    return site


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("works")
    with Job(open_site(site_in(folder, ground())), folder / "out") as job:
        for step in STEPS:
            job.run(step)
        yield job


def read(done, schema):
    return done.workspace.read(schema)


def raster(done, name):
    with rasterio.open(done.out / name) as file:
        return file.read(1), file.transform, file.tags(ns="IMAGE_STRUCTURE")


def test_every_dead_spot_is_closed_or_said_to_be_impossible(done):
    spots, advice, options = read(done, DEAD_SPOTS), read(done, ADVICE), read(done, OPTIONS)
    assert len(spots) and set(advice.spot_id) == set(spots.spot_id)
    assert (advice.clear | (advice.action == "none")).all() and advice.reason.str.endswith(".").all()
    for _, of_zone in options.groupby("zone_id"):
        assert of_zone.recommended.sum() == 1
        taken = of_zone[of_zone.recommended.astype(bool)].iloc[0]
        assert taken.clear == (taken.option != "none")
        assert taken.option == "none" or taken.cost == of_zone[of_zone.clear.astype(bool)].cost.min()


def test_the_gaps_step_finds_nobody_getting_through_on_the_built_ground(done, tmp_path):
    # the proof by another road: the design as a terrain file, heads moved in the plan, the whole gaps step run on it
    built = ground()
    change, transform, _ = raster(done, "cut_fill.tif")
    add_to(built, np.nan_to_num(change), transform)
    gradings = read(done, GRADINGS).set_index("zone_id")
    assert gradings.clear.all()
    with Job(open_site(site_in(tmp_path, built)), tmp_path / "out", overwrite=True) as job:
        job.run("inspect")
        job.run("layout")
        beams = job.workspace.read(BEAMS)
        for i, row in beams.iterrows():
            if row.zone_id in gradings.index and gradings.level[row.zone_id] == row.level:
                beams.loc[i, ["tx_height_m", "rx_height_m"]] = gradings.loc[
                    row.zone_id, ["tx_height_m", "rx_height_m"]
                ].to_numpy(float)
        job.workspace.write({BEAMS: beams})
        job.run("gaps")
        left = job.workspace.read(DEAD_SPOTS)
    assert not set(left.zone_id) & set(gradings.index)


def add_to(heights: np.ndarray, change: np.ndarray, transform) -> None:
    """Add a change on the same cells to the terrain of `site_in`."""
    r0, c0 = round((5_400_060.0 - transform.f) / 0.5), round((transform.c - 500_000.0) / 0.5)
    rows, columns = np.nonzero(change)
    heights[rows + r0, columns + c0] += change[rows, columns]


def test_rasters_are_cloud_optimised_and_agree_with_the_layers(done):
    design, transform, structure = raster(done, "design.tif")
    change, same, _ = raster(done, "cut_fill.tif")
    assert structure["LAYOUT"] == "COG" and transform == same
    work = read(done, EARTHWORKS)
    for kind, sign in (("cut", -1), ("fill", 1)):
        volume = np.nansum(np.clip(sign * change, 0, None)) * 0.25
        assert work[work.kind == kind].volume_m3.sum() == pytest.approx(volume, rel=1e-3, abs=1e-3)
    assert work.geometry.area.to_numpy() == pytest.approx(work.area_m2.to_numpy())
    existing = ground()
    r0, c0 = round((5_400_060.0 - transform.f) / 0.5), round((transform.c - 500_000.0) / 0.5)
    rows, columns = np.nonzero(np.isfinite(design))
    np.testing.assert_allclose(
        design[rows, columns] - change[rows, columns], existing[rows + r0, columns + c0], atol=1e-4
    )


def test_volumes_by_three_methods_stand_side_by_side(done):
    g = read(done, GRADINGS).iloc[0]
    assert g.fill_grid_m3 > 1
    three = np.array([g.fill_grid_m3, g.fill_end_area_m3, g.fill_prismoidal_m3])
    cuts = np.array([g.cut_grid_m3, g.cut_end_area_m3, g.cut_prismoidal_m3])
    assert g.difference_m3 == pytest.approx(max(np.ptp(three), np.ptp(cuts)))
    # works a few metres long are not to fall between the sections
    assert np.ptp(three) < 0.15 * g.fill_grid_m3
    change, _, _ = raster(done, "cut_fill.tif")
    assert g.fill_grid_m3 == pytest.approx(np.nansum(np.clip(change, 0, None)) * 0.25, rel=0.02)


def test_points_to_set_out_lie_on_the_design(done):
    design, t, _ = raster(done, "design.tif")
    points = read(done, GRADING_POINTS)
    rows = list(csv.DictReader((done.out / "grading_points.csv").open()))
    assert len(rows) == len(points) > 10
    for row in rows:
        e, n = float(row["easting"]), float(row["northing"])
        level = bilinear(design, (n - t.f) / t.e - 0.5, (e - t.c) / t.a - 0.5)
        assert float(row["design_m"]) == pytest.approx(level, abs=0.002)
        assert float(row["design_m"]) - float(row["existing_m"]) == pytest.approx(float(row["cut_fill_m"]), abs=0.0015)


def bilinear(grid: np.ndarray, r: float, c: float) -> float:
    i, j = int(np.floor(r)), int(np.floor(c))
    a, b = r - i, c - j
    block = grid[i : i + 2, j : j + 2]
    return float(np.array([1 - a, a]) @ block @ np.array([1 - b, b]))


def test_landxml_opens_in_another_reader(done):
    survte2 = pytest.importorskip("survte2")
    parser = other_reader(Path(survte2.__file__).parent)((done.out / "earthworks.xml").read_bytes())
    surface, *_ = parser.parse_surfaces()
    points = np.array([(p["y"], p["x"], p["z"]) for p in surface.definition["points"]])  # northing comes first
    faces = np.array([f["vertices"] for f in surface.definition["faces"]]) - 1
    assert faces.min() == 0 and faces.max() == len(points) - 1
    a, b, c = (points[faces[:, k], :2] for k in range(3))
    (ux, uy), (vx, vy) = (b - a).T, (c - a).T
    double = ux * vy - uy * vx
    assert (double > 0).all()
    # the surface handed over rebuilds the design at every cell that is worked
    design, t, _ = raster(done, "design.tif")
    change, t_change, _ = raster(done, "cut_fill.tif")
    row, column = np.nonzero(np.abs(np.nan_to_num(change)) > 0.005)
    x, y = t_change.c + (column + 0.5) * t_change.a, t_change.f + (row + 0.5) * t_change.e
    mesh = Triangulation(points[:, 0] - x.mean(), points[:, 1] - y.mean(), faces)
    level = LinearTriInterpolator(mesh, points[:, 2])(x - x.mean(), y - y.mean())
    wanted = design[((y - t.f) / t.e).astype(int), ((x - t.c) / t.a).astype(int)]
    assert np.abs(np.ma.filled(level, np.nan) - wanted).max() < 0.01
    (zone, *_) = parser.parse_alignments()
    assert float(zone.attributes["length"]) == pytest.approx(graded_length(done), abs=1e-3)


def graded_length(done) -> float:
    zone = read(done, GRADINGS).zone_id.iloc[0]
    return float(read(done, BEAMS).set_index("zone_id").length_m[zone].iloc[0])


def other_reader(folder: Path):
    """The parser of a LandXML viewer, without its windows."""
    for name in ("PyQt5", "PyQt5.QtWidgets", "landxml_exporter"):
        sys.modules.setdefault(name, types.ModuleType(name))
    sys.modules["PyQt5.QtWidgets"].QMessageBox = sys.modules["PyQt5.QtWidgets"].QFileDialog = object
    sys.modules["landxml_exporter"].LandXMLExporter = object
    sys.path.insert(0, str(folder))
    try:
        from landxml_parser import LandXMLParser
    finally:
        sys.path.remove(str(folder))
    return LandXMLParser


def test_drawing_is_clean_for_its_auditor_and_holds_contours_and_sections(done):
    drawing = ezdxf.readfile(done.out / "earthworks.dxf")
    assert not drawing.audit().errors and drawing.units == ezdxf.units.M
    space = drawing.modelspace()
    contour = [e.dxf.elevation for e in space.query('LWPOLYLINE[layer=="DESIGN-CONTOUR"]')]
    assert contour and all(abs(z / 0.05 - round(z / 0.05)) < 1e-6 for z in contour)
    sections = space.query('POLYLINE[layer=="SECTION-DESIGN"]')
    assert (
        len(sections) == len(space.query('POLYLINE[layer=="SECTION-EXISTING"]')) >= int(graded_length(done) // 10) + 2
    )
    assert len(space.query('POLYLINE[layer=="WORKS-LIMIT"]')) >= 1
    ways = read(done, WATER_CROSSINGS)
    drawn = [[tuple(v.dxf.location) for v in line.vertices] for line in space.query('POLYLINE[layer=="WATER-WAY"]')]
    wanted = [[(*a, w.inlet_m), (*b, w.outlet_m)] for w in ways.itertuples() for a, b in [w.geometry.coords]]
    assert drawn and np.allclose(drawn, wanted)


def test_inlets_and_outlets_of_ways_for_water_are_set_out(done):
    with open(done.out / "setting_out.csv", encoding="ascii", newline="") as stream:
        rows = list(csv.reader(stream))
    assert [int(row[0]) for row in rows] == list(range(1, len(rows) + 1))
    found = {(row[4], float(row[2]), float(row[1]), float(row[3])) for row in rows if row[4] in ("INLET", "OUTLET")}
    wanted = set()
    for way in read(done, WATER_CROSSINGS).itertuples():
        for code, (x, y), z in zip(("INLET", "OUTLET"), way.geometry.coords, (way.inlet_m, way.outlet_m), strict=True):
            wanted.add((code, round(x, 3), round(y, 3), round(z, 3)))
    assert found == wanted and found


def test_sheets_carry_stations_levels_and_cautions(done):
    zone = read(done, GRADINGS).zone_id.iloc[0]
    document = pypdf.PdfReader(done.out / "sheets" / "earthworks.pdf")
    state = here_code((done.out / "setting_out.txt").read_text("utf-8"))
    assert all(f"proposed state, heads {state}" in page.extract_text() for page in document.pages)
    assert len(document.pages) >= 3
    text = "\n".join(page.extract_text() for page in document.pages)
    for words in (
        "Locate buried services",
        "chainage [m]",
        "Volumes by method",
        zone,
        "50.0",
        "drawn",
        "checked",
        "approved",
    ):
        assert words in text, words
    assert all("walk-test every zone" in " ".join(page.extract_text().split()) for page in document.pages)


def test_running_again_gives_the_same_earth(done):
    files = {path: path.read_bytes() for path in done.out.rglob("*") if path.is_file() and path.name != "run.log"}
    before = read(done, GRADINGS), raster(done, "cut_fill.tif")[0], read(done, ADVICE)
    done.overwrite = True
    done.run("remedy")
    done.run("grade")
    assert before[0].equals(read(done, GRADINGS)) and before[2].drop(columns="geometry").equals(
        read(done, ADVICE).drop(columns="geometry")
    )
    np.testing.assert_array_equal(before[1], raster(done, "cut_fill.tif")[0])
    kept = {"plan.gpkg", "summary.json"}  # the plan counts its runs; the summary has those since
    other = [path.name for path, data in files.items() if path.name not in kept and path.read_bytes() != data]
    assert other == [] and any(path.name == "earthworks.dxf" for path in files)


def standing(level: np.ndarray, cell: float) -> tuple[np.ndarray, float]:
    """Depth of standing water over the whole terrain, m, and its volume, m3, by scikit-image's reconstruction.

    The swale runs in at the southern edge, where water that is held back does not leave.
    """
    seed = np.full(level.shape, level.max())
    seed[0, :], seed[:-1, 0], seed[:-1, -1] = level[0, :], level[:-1, 0], level[:-1, -1]
    filled = morphology.reconstruction(seed, level, method="erosion", footprint=np.ones((3, 3)))
    return filled - level, float((filled - level).sum()) * cell**2


def whole_terrain(done, ways) -> tuple[np.ndarray, np.ndarray, float]:
    """Existing and proposed ground on the design's cells, the latter dug out along the ways."""
    with rasterio.open(done.out / "cut_fill.tif") as file:
        change, t = file.read(1, masked=True).filled(0.0).astype(float), file.transform
    with rasterio.open(done.out.parent / "terrain.tif") as file:
        ground, g = file.read(1).astype(float), file.transform
    assert abs(g.a) == abs(t.a)
    column, row = round((t.c - g.c) / g.a), round((t.f - g.f) / g.e)
    built = ground.copy()
    r0, c0 = max(row, 0), max(column, 0)
    part = change[r0 - row : r0 - row + built.shape[0] - r0, c0 - column : c0 - column + built.shape[1] - c0]
    built[r0 : r0 + part.shape[0], c0 : c0 + part.shape[1]] += part
    for way in ways.itertuples():
        line = way.geometry
        for share in np.linspace(0, 1, int(line.length / 0.1) + 2):
            p = line.interpolate(share, normalized=True)
            r, c = int((p.y - g.f) // g.e), int((p.x - g.c) // g.a)
            built[r, c] = min(built[r, c], way.inlet_m + share * (way.outlet_m - way.inlet_m))
    return ground, built, abs(g.a)


def test_a_filled_swale_has_ways_for_its_water_and_nothing_new_stands(done):
    ways, ponds = read(done, WATER_CROSSINGS), read(done, PONDS)
    flows = read(done, FLOW_CROSSINGS)
    assert set(flows.state) == {"now", "after"}
    assert len(ways) and (ways.inlet_m >= ways.outlet_m).all() and (ways.cost > 0).all()
    assert set(ponds.state) <= {"now"}
    ground, built, cell = whole_terrain(done, ways)
    before, after = standing(ground, cell)[0], standing(built, cell)[0]
    assert (np.clip(after - before, 0, None)).sum() * cell**2 < 0.05
    # and with the ways left out the works would hold it back: the check can fail
    dammed = whole_terrain(done, ways.iloc[:0])[1]
    assert (np.clip(standing(dammed, cell)[0] - before, 0, None)).sum() * cell**2 > 0.5


def test_heights_names_what_a_change_gains(done):
    heights = read(done, HEAD_HEIGHTS)
    assert len(heights) and (heights.dead_best_m <= heights.dead_now_m).all() and heights.note.str.endswith(".").all()
    assert set(heights.beam_id) <= {f"{h.zone_id}-{h.level}" for h in read(done, HEADS).itertuples()}


@pytest.mark.parametrize("share, result", [(1.0, "pass"), (0.5, "fail")])
def test_as_built_passes_the_design_and_fails_half_the_fill(done, tmp_path, share, result):
    built = ground()
    change, transform, _ = raster(done, "cut_fill.tif")
    add_to(built, share * np.nan_to_num(change), transform)
    survey = write_raster(tmp_path / "survey.tif", built, cell=0.5, top=5_400_060.0)
    done.overwrite = True
    done.run("asbuilt", survey=survey)
    every, out = read(done, ACCEPTANCE), read(done, AS_BUILT)
    assert set(every.zone_id) == set(read(done, ZONES).zone_id)  # graded or not
    worked = read(done, GRADINGS).zone_id
    verdict = every[every.zone_id.isin(worked)]
    assert set(verdict.result) == {result} and set(every[~every.zone_id.isin(worked)].result) <= {"pass"}
    if result == "fail":
        assert verdict.cells_out.iloc[0] > 0 and len(out) and set(out.kind) <= {"high", "low"}
        # half of the fill is missing where the design asks for more than twice the tolerance
        deep = np.abs(np.nan_to_num(change)) / 2 > 0.03
        assert verdict.cells_out.sum() == pytest.approx(deep.sum(), abs=3)
    else:
        assert not len(out) and verdict.dead_built_m.max() == 0


@pytest.mark.parametrize("share, code", [(1.0, 0), (0.5, 9)])
def test_the_commands_exit_code_says_whether_the_works_pass(done, tmp_path, share, code):
    built = ground()
    change, transform, _ = raster(done, "cut_fill.tif")
    add_to(built, share * np.nan_to_num(change), transform)
    survey = write_raster(tmp_path / "survey.tif", built, cell=0.5, top=5_400_060.0)
    words = ["asbuilt", str(done.out.parent / "site.toml"), "--survey", str(survey), "--overwrite", "--no-update"]
    done.__exit__(None, None, None)  # the folder is the command's while it runs
    try:
        ended = CliRunner().invoke(cli, [*words, "--out", str(done.out)])
    finally:
        done.__enter__()
    assert ended.exit_code == code, ended.output
    assert Path(done.out / "acceptance.csv").read_text().count("fail,") == (code != 0)


def here_code(text):
    """Code of the heads in the state of a sidecar."""
    return next(line for line in text.splitlines() if line.startswith("state: "))[-8:]


def test_every_file_of_the_works_that_leaves_says_its_cautions(done):
    rows = list(csv.DictReader((done.out / "grading_points.csv").open()))
    assert all("buried services" in row["caution"] for row in rows)
    for name in ("setting_out.txt", "earthworks.xml", "earthworks.dxf"):
        text = (done.out / name).read_text("utf-8").lower()
        assert "buried services" in text and "sensitive" in text, name
        assert "proposed state, no revision given, no date given, heads" in text, name
    beside = (done.out / "setting_out.txt").read_text("utf-8")
    assert "state: proposed state" in beside and "unit of N, E and Z: metre" in beside
    # the posts and the ground are set out from papers of one state, and say so in the same words
    done.close()  # the folder is held by one run at a time
    with Job(done.site, done.out, overwrite=True) as job:
        job.run("stakeout")
    posts = (done.out / "stakeout_points.txt").read_text("utf-8")
    for what in ("state: ", "vertical datum of Z: "):
        (here,), (there,) = ([line for line in text.splitlines() if line.startswith(what)] for text in (beside, posts))
        assert here == there
    assert {f"{row['state']} {row['state_code']}" for row in rows} == {f"proposed {here_code(beside)}"}
