"""Docstrings, examples and types of the Python call: made from the declarations, and true."""

from __future__ import annotations

import doctest
import subprocess
import sys
import warnings
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from affine import Affine
from shapely import LineString

import geotools
from geotools.engine import result
from geotools.engine.docstrings import docstring, param_type
from geotools.engine.step import Param, Step, discover
from geotools.engine.stub import STUB, stub_text
from geotools.io import raster

STEPS = list(discover().values())
every_step = pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
SECTIONS = ("Parameters", "Returns", "Warns", "Raises", "Notes", "Examples")


@every_step
def test_a_docstring_tells_of_every_parameter_layer_field_and_source(step: Step) -> None:
    text = docstring(step)
    assert text.startswith(step.summary)
    places = [text.index(f"\n{name}\n{'-' * len(name)}\n") for name in SECTIONS]
    assert places == sorted(places)
    taken, returned = text[places[0] : places[1]], text[places[1] : places[2]]
    for param in step.params:
        assert f"\n{param.name} : {param_type(param)}\n" in taken
    words = " ".join(returned.split())
    for out in step.outputs:
        assert f"\n{out.schema.name} : " in returned
        assert " ".join(out.schema.description.split()) in words
        for field in out.schema:
            unit = f" [{field.unit}]" if field.unit not in ("", "1") else ""
            assert f"- {field.name} : {field.type}{unit}, {' '.join(field.help.split())}" in words
    for file in step.files:
        assert file.name in returned or f"\n{Path(file.name).stem} : Raster" in returned
    for source in step.citations:
        assert " ".join(source.split()) in " ".join(text[places[4] :].split())
    assert max(map(len, text.splitlines())) <= 120
    assert getattr(geotools, step.name.replace("-", "_")).__doc__ == text


def test_types_tell_unit_range_and_default() -> None:
    told = param_type(Param("depth_m", "real", "how deep", default=0.25, unit="m", minimum=0.1, maximum=2))
    assert told == "float, 0.1 to 2 m, default 0.25"
    assert param_type(Param("side", "choice", "which", choices=("in", "out"))) == "{'in', 'out'}, optional"
    assert param_type(Param("survey", "path", "levels", required=True)) == "path"


def test_the_stub_is_that_of_the_declarations() -> None:
    assert STUB.read_text(encoding="utf-8") == stub_text(), "run python -m geotools.cli.contract"
    assert (STUB.parent / "py.typed").is_file()


def test_a_type_checker_knows_layers_parameters_and_choices(tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(
        "import geotools\n"
        'site = geotools.Site.from_frames("fence.gpkg", "dtm.tif")\n'
        'found = geotools.gaps(site, geotools.layout(site), method="straightness")\n'
        "reveal_type(found.crawl_gap)\n"
        'geotools.gaps(site, method="magic")\n'
        "geotools.drain(site, margin_m=20.0, margin=3)\n"
    )
    package = Path(geotools.__file__).parent
    # these modules alone are looked into, the rest counts as unknown: a whole check takes a minute
    looked_at = [package / name for name in ("__init__.pyi", "io/raster.py", "engine/result.py")]
    quick = ["--follow-imports=skip", "--ignore-missing-imports", "--cache-dir", str(tmp_path / "cache")]
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *quick, *map(str, looked_at), str(program)],
        cwd=package.parent,
        capture_output=True,
        text=True,
        check=False,
    )
    if "No module named mypy" in done.stderr:
        pytest.skip("mypy is not installed")
    lines = [line.split("program.py:")[1] for line in done.stdout.splitlines() if "program.py:" in line]
    lines = [line for line in lines if ": error:" in line or "Revealed" in line]
    assert [line.split(":")[0] for line in lines] == ["4", "5", "6"], done.stdout
    assert "geotools.io.raster.Raster" in lines[0] and "magic" in lines[1] and "margin" in lines[2]


def test_the_package_is_imported_in_a_moment() -> None:
    """Under 0.05 s of processor, and nothing heavy: the numeric libraries alone would take ten times that."""
    code = (
        "import sys, time\nbegan = time.process_time()\nimport geotools\ntook = time.process_time() - began\n"
        "assert not {'numpy', 'pandas', 'geopandas', 'rasterio', 'pydantic'} & set(sys.modules), sorted(sys.modules)\n"
        "print(took)"
    )
    taken = [float(subprocess.check_output([sys.executable, "-c", code], text=True)) for _ in range(5)]
    assert min(taken) < 0.05


def globals_in(folder: Path) -> dict[str, object]:
    """What examples may use: a yard of 60 m by 60 m whose ground has a ditch, laid out."""
    corners = [(20, 20), (80, 20), (80, 80), (20, 80), (20, 20)]
    fence = gpd.GeoDataFrame(
        geometry=[LineString([(500_000 + x, 5_400_000 + y) for x, y in corners])], crs="EPSG:32632"
    )
    ditch = 0.4 * np.exp(-(((np.arange(100) - 47.0) / 3.0) ** 2))
    terrain = raster.Raster(np.tile(250.0 - ditch, (100, 1)), Affine(1, 0, 500_000, 0, -1, 5_400_100), "EPSG:32632")
    fence.to_file(folder / "fence.geojson", driver="GeoJSON")
    terrain.to_file(folder / "terrain.tif")
    terrain.to_file(folder / "survey.tif")
    site = geotools.Site.from_frames(fence, terrain, threats=["crawl", "prone"], input={"vertical_accuracy_m": 0.05})
    return {"geotools": geotools, "site": site, "plan": None, "Site": geotools.Site, **vars(raster), **vars(result)}


def test_every_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of the job, each on the plan of the one before: the examples of all steps, and of the rest."""
    monkeypatch.chdir(tmp_path)
    space = globals_in(tmp_path)
    finder, told = doctest.DocTestFinder(recurse=False), []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    functions = [getattr(geotools, step.name.replace("-", "_")) for step in STEPS]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", geotools.GeotoolsWarning)
        for thing in (*functions, geotools.apply, geotools.open_plan, geotools.Site.from_frames, geotools.Raster):
            tests = finder.find(thing, name=thing.__name__, globs=space)
            assert tests and tests[0].examples, thing.__name__
            for test in tests:
                runner.run(test, out=told.append, clear_globs=False)
                space["plan"] = test.globs["plan"]
    assert not told, "".join(told)
    assert runner.tries >= 2 * len(STEPS)
