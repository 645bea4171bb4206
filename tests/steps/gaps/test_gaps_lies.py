"""A worker of a cluster that hands back something else than the answer: refused in words, and nothing is written.

No beam is solved. Red when a result of another type, shape, zone or threat gets into the plan or brings a run down.
"""

from __future__ import annotations

import importlib
import shutil
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import geotools
from geotools.beam import HEAD_TYPES, TARGETS
from geotools.cli.batch.manifest import read_manifest
from geotools.cli.batch.many import run_batch
from geotools.cli.batch.task import SiteResult
from geotools.corridor import BeamLine, StripGrid
from geotools.detection.cases import Rules
from geotools.detection.chains import Tile
from geotools.detection.verdicts import StationVerdicts
from geotools.engine.runner import Job
from geotools.errors import StepError
from geotools.plan.model import BeamPair, FenceChain, Zone
from geotools.steps.gaps.returned import as_asked
from geotools.steps.gaps.tile import LAYERS, StripValues, TileResult
from tests.faults.site import digest, make_site

RULES = Rules(0.2, 2.0, 1.0, {name: TARGETS[name] for name in ("crawl", "prone")})
PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
LINES = [BeamLine(0, 0, 20, 0), BeamLine(18, 0, 40, 0)]
ZONES = tuple(Zone(f"Z{n}", line, (PAIR,), "F", n) for n, line in enumerate(LINES, 1))
TILE = Tile(FenceChain("F", ZONES, False, True), range(2))
TASK = SimpleNamespace(rules=RULES)


def honest() -> TileResult:
    strips, stations = [], {}
    for zone in ZONES:
        grid = StripGrid.over(zone.line, 2.0, 1.0)
        shape = grid.chainage_m.size, grid.offset_m.size
        strips.append(StripValues(grid, (np.ones(shape), np.ones(shape)), [np.ones(shape)] * 2))
        none = np.zeros(shape[0], dtype=bool)
        one = StationVerdicts(none, np.zeros(shape[0]), none, True, none)
        stations[zone.zone_id] = dict.fromkeys(RULES.targets, one)
    return TileResult({name: [] for name in LAYERS}, strips, stations)


def with_strip(**changes: object) -> TileResult:
    made = honest()
    return replace(made, strips=[replace(made.strips[0], **changes), made.strips[1]])


def with_stations(**changes: object) -> TileResult:
    made = honest()
    made.stations["Z2"]["prone"] = replace(made.stations["Z2"]["prone"], **changes)
    return made


ONES = np.ones((21, 5))
LIES: dict[str, Callable[[], object]] = {
    "nothing": lambda: None,
    "words": lambda: "done",
    "a table of its own": lambda: {"rows": {}},
    "other layers": lambda: replace(honest(), rows={"dead_spots": []}),
    "a row that is none": lambda: replace(honest(), rows={**honest().rows, "crossings": [7]}),
    "fewer zones": lambda: replace(honest(), strips=honest().strips[:1]),
    "zones in another order": lambda: replace(honest(), strips=honest().strips[::-1]),
    "other zones": lambda: replace(honest(), stations={"Z1": {}, "Z9": {}}),
    "fewer threats": lambda: with_strip(modulation=[ONES]),
    "one place more along": lambda: with_strip(modulation=[np.ones((22, 5)), ONES]),
    "along for across": lambda: with_strip(modulation=[ONES.T, ONES]),
    "a gap of another shape": lambda: with_strip(gap=(ONES, np.ones(21))),
    "a list": lambda: with_strip(modulation=[ONES.tolist(), ONES]),
    "words for numbers": lambda: with_strip(modulation=[ONES.astype(str), ONES]),
    "complex numbers": lambda: with_strip(modulation=[ONES + 1j, ONES]),
    "without bounds": lambda: with_strip(modulation=[ONES * np.inf, ONES]),
    "below nothing": lambda: with_strip(modulation=[-ONES, ONES]),
    "fewer stations": lambda: with_stations(dead=np.zeros(3, dtype=bool)),
    "numbers for flags": lambda: with_stations(law=np.zeros(23)),
    "a share above all": lambda: with_stations(open_share=np.full(23, 1.5)),
    "a share that is none": lambda: with_stations(open_share=np.full(23, np.nan)),
}


@pytest.mark.parametrize("lie", LIES)
def test_what_is_not_the_answer_of_these_zones_is_refused(lie):
    with pytest.raises(StepError, match="worker") as caught:
        as_asked(LIES[lie](), TASK, TILE)
    assert caught.value.where == "Z1 to Z2" and caught.value.found and "version" in caught.value.mend


def test_an_answer_is_taken_as_it_is():
    found = honest()
    assert as_asked(found, TASK, TILE) is found
    # of a zone whose ground is not known there is no strip
    count = found.strips[1].grid.chainage_m.size
    nothing = dict.fromkeys(RULES.targets, StationVerdicts.unanswered(count))
    left = replace(
        found, strips=found.strips[:1], stations={**found.stations, "Z2": nothing}, unanswered={"Z2": "no ground"}
    )
    assert as_asked(left, TASK, TILE) is left


class Liar:
    """Workers that answer everything with the same."""

    def __init__(self, answer: object) -> None:
        self.answer, self.count, self.asked = answer, 2, 0

    def map(self, work, items):
        for _ in items:
            self.asked += 1
            yield self.answer

    def each(self, work, items):
        yield from enumerate(self.map(work, items))

    def close(self):
        pass


@pytest.mark.parametrize("answer", [None, honest()], ids=["nothing", "another site's"])
def test_a_run_that_is_lied_to_ends_in_words_and_leaves_the_plan_as_it_was(laid_out, tmp_path, monkeypatch, answer):
    work = importlib.import_module("geotools.detection.chains")
    monkeypatch.setattr(work, "TILE_ZONES", 1)
    monkeypatch.setattr(work, "MARGIN_ZONES", 1)
    out = tmp_path / "out"
    shutil.copytree(laid_out / "out", out)
    before, liar = digest(out / "plan.gpkg"), Liar(answer)
    site = geotools.open_site(laid_out / "input" / "site.toml")
    with (
        pytest.raises(StepError, match="something else than the answer"),
        Job(site, out, overwrite=True, workers=liar) as job,
    ):
        job.run("gaps")
    assert liar.asked == 1 and digest(out / "plan.gpkg") == before
    assert not list(out.glob("*.tif"))


def test_a_batch_that_is_lied_to_says_so_of_every_site(tmp_path):
    for name in ("a", "b"):
        make_site(tmp_path / "sites" / name, name)
    entries = read_manifest(tmp_path / "sites")
    for answer in (7, SiteResult("another", "another", "done")):
        done = run_batch(entries, tmp_path / type(answer).__name__, steps=["inspect"], workers=Liar(answer))
        assert done.failed == 2 and {site.exit_code for site in done.sites} == {StepError.exit_code}
        assert "something else" in done.table.read_text(encoding="utf-8")
