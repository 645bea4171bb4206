"""A long line's tiles on several processes give the same bytes as on one."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

import geotools
from geotools.engine.runner import Job
from geotools.engine.workers import LocalWorkers
from tests.benchmarks.sites import write_site
from tests.faults.site import digest


def test_two_workers_give_the_same_plan_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan_work = importlib.import_module("geotools.detection.chains")
    monkeypatch.setattr(plan_work, "TILE_ZONES", 3)
    monkeypatch.setattr(plan_work, "MARGIN_ZONES", 1)
    site = geotools.open_site(write_site(tmp_path / "in", 420.0, extra="max_zone_m = 50.0\n[survey]\ndraws = 4"))
    plans, rasters = [], []
    for name, workers in (("one", None), ("two", LocalWorkers(2))):
        with Job(site, tmp_path / name, workers=workers) as job:
            for step in ("inspect", "layout"):
                job.run(step)
            job.run("gaps")
        if workers is not None:
            workers.close()
        plans.append(digest(tmp_path / name / "plan.gpkg"))
        rasters.append((tmp_path / name / "crawl_gap.tif").read_bytes())
    assert plans[0] == plans[1]
    assert rasters[0] == rasters[1]
