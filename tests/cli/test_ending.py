"""What a job says that was stopped: red where it claims more, or less, than what stands in the folder."""

import json

import pyogrio
import pytest
from click.testing import CliRunner

from geotools.cli import cli
from geotools.engine import runner
from geotools.io import publish


def stop(*_, **__):
    raise KeyboardInterrupt


@pytest.fixture
def site(tmp_path):
    """A fence on level ground."""
    import numpy as np
    import rasterio
    from rasterio.transform import from_origin

    with rasterio.open(
        tmp_path / "t.tif", "w", driver="GTiff", height=60, width=120, count=1, dtype="float32", crs="EPSG:32632",
        transform=from_origin(500_000, 5_400_060, 1, 1),
    ) as out:  # fmt: skip
        out.write(np.full((60, 120), 300, np.float32), 1)
    line = {"type": "LineString", "coordinates": [[500_010, 5_400_030], [500_110, 5_400_030]]}
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    held = {"type": "FeatureCollection", "crs": crs,
            "features": [{"type": "Feature", "properties": {}, "geometry": line}]}  # fmt: skip
    (tmp_path / "f.geojson").write_text(json.dumps(held))
    text = 'name = "Y"\n[input]\nfence = "f.geojson"\nterrain = "t.tif"\n[layout]\nside = "left"\n'
    (tmp_path / "site.toml").write_text(text)
    return tmp_path


def run(site):
    return CliRunner().invoke(cli, ["run", str(site / "site.toml"), "--out", str(site / "out"), "--json"])


def told(done):
    return next(e for e in map(json.loads, done.stdout.splitlines()) if e["event"] == "error")


def test_what_had_ended_before_is_named(site, monkeypatch):
    real = runner.run_step
    monkeypatch.setattr(runner, "run_step", lambda step, ctx: real(step, ctx) if step.name == "inspect" else stop())
    done = run(site)
    said = told(done)
    assert done.exit_code == 130 and "in place" in said["error"] and said["found"] == "ended: inspect"
    assert "--resume" in said["mend"] and (site / "out" / "plan.gpkg").exists()


def test_where_nothing_had_ended_nothing_was_changed(site, monkeypatch):
    monkeypatch.setattr(runner, "run_step", stop)
    said = told(run(site))
    assert "untouched" in said["error"] and "found" not in said
    assert not (site / "out" / "plan.gpkg").exists()


def stop_before(real):
    return lambda *_, **__: stop()


def stop_after(real):
    def call(*args, **how):
        real(*args, **how)
        stop()

    return call


#: Moments of a step's ending: as its results are gathered, as they begin to count, as they are moved, when they stand,
#: when the plan's codes are taken, as the log is told, and when it was.
MOMENTS = [
    (runner, "summary_text", stop_before),
    (runner, "publish", stop_before),
    (publish, "finish", stop_before),
    (publish, "put_database", stop_before),
    (publish, "put_database", stop_after),
    (runner, "publish", stop_after),
    (runner.Workspace, "take_digests", stop_before),
    (runner, "log", stop_before),
    (runner, "log", stop_after),
]


@pytest.mark.parametrize(
    ("where", "name", "when", "at"),
    [*((*moment, "inspect") for moment in MOMENTS), *((*moment, "layout") for moment in MOMENTS[2:6:3])],
)
def test_stopped_at_any_moment_of_a_step_it_says_what_stands_there(site, monkeypatch, where, name, when, at):
    real, at_work = getattr(where, name), []
    run_real, finish = runner.run_step, publish.finish

    def run_step(step, ctx):
        at_work.append(step.name)
        return run_real(step, ctx)

    def call(*args, **how):
        if at_work and at_work[-1] == at:
            monkeypatch.setattr(where, name, real)  # once: it is one signal
            return when(real)(*args, **how)
        return real(*args, **how)

    monkeypatch.setattr(runner, "run_step", run_step)
    monkeypatch.setattr(where, name, call)
    done = run(site)
    assert done.exit_code == 130, done.output
    said = told(done)
    named = said.get("found", "ended: ").removeprefix("ended: ").split(", ")
    out = site / "out"
    assert finish is publish.finish and not (out / ".commit").exists()
    stands = pyogrio.read_dataframe(out / "plan.gpkg", layer="provenance")["step"].tolist() if named != [""] else []
    assert [n for n in named if n] == stands
    assert ("untouched" in said["error"]) == (not stands) == (not (out / "plan.gpkg").exists())
    assert not [p for p in out.glob(".*") if p.name.startswith((".scratch", ".plan"))]


def test_results_of_an_earlier_run_are_not_called_this_runs(site, monkeypatch):
    real = runner.run_step
    monkeypatch.setattr(runner, "run_step", lambda step, ctx: real(step, ctx) if step.name == "inspect" else stop())
    assert told(run(site))["found"] == "ended: inspect"
    monkeypatch.setattr(runner, "run_step", stop)
    words = ["run", str(site / "site.toml"), "--out", str(site / "out"), "--json", "--overwrite"]
    said = told(CliRunner().invoke(cli, words))
    assert "untouched" in said["error"] and "found" not in said
