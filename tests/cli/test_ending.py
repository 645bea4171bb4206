"""What a job says that was stopped: red where it claims more, or less, than what stands in the folder."""

import json

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


def test_results_half_in_place_are_put_there_whole_and_said(site, monkeypatch):
    # stopped after the one instant at which results count, before they are moved
    calls = []
    real = publish.finish
    monkeypatch.setattr(publish, "finish", lambda out: calls.append(out) or stop())
    monkeypatch.setattr("geotools.cli.ending.finish", real)
    said = told(run(site))
    assert len(calls) == 1 and said["found"] == "ended: the step that was at work"
    assert (site / "out" / "plan.gpkg").exists() and not (site / "out" / ".commit").exists()
