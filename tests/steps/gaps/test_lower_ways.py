"""A threat judged at its fence's height is detected on a condition where it passes lower, wherever that is said."""

from __future__ import annotations

import geopandas as gpd

import geotools
from geotools.detection.verdict_rows import conditions
from geotools.detection.walked import _changed
from geotools.engine.runner import Job
from geotools.steps.report.answer import answer
from tests.steps.layout.test_layout_as_gaps import LINE

HEAD = '[[stack]]\nlevel = "{level}"\nhead_type = "10 GHz"\nheight_m = {height}\nmin_height_m = {height}\n'
#: A head at one metre and one at the fence's top: 3.3 m between them, and a body of half a metre.
FAR_APART = HEAD.format(level="main", height=0.9) + HEAD.format(level="top", height=4.5)
#: Heads no farther apart than a body is high, from the ground to the fence's top.
CLOSE = "".join(HEAD.format(level=level, height=h) for level, h in (("low", 0.4), ("main", 0.9), ("top", 1.3)))


def judged(make_site, folder, stack, height_m):
    toml = f'[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 50.0\n{stack}'
    threats = f'["walk", "bridge"]\nfence_height_m = {height_m}'
    site = geotools.open_site(make_site(points=LINE, threats=threats, toml=toml))
    with Job(site, folder / "out") as job:
        for step in ("inspect", "layout"):
            job.run(step)
        outcome = job.run("gaps")
    layers = ("verdicts", "crossings", "conflicts")
    return site, outcome, {name: gpd.read_file(folder / "out" / "plan.gpkg", layer=name) for name in layers}


def test_what_passes_lower_stands_beside_every_verdict(make_site, tmp_path):
    """A bridge over a fence of 4.5 m was called detected; layout alone said that 0.7 to 3.9 m passes."""
    site, outcome, layers = judged(make_site, tmp_path, FAR_APART, 4.5)
    verdicts = layers["verdicts"]
    bridge = verdicts[(verdicts.threat == "bridge") & (verdicts.verdict == "detected")]
    assert len(bridge), "this site has a bridge that is detected at the fence's height"
    # the same bands as layout's, word for word: one engine, one answer
    conflicts = layers["conflicts"]
    listed = [text.split(" passes")[0] for text in conflicts[conflicts["rule"] == "stack misses bridge"].found]
    (heights,) = bridge.passes_lower.unique()
    assert heights.split(", ") == listed and listed
    assert (verdicts[verdicts.threat == "walk"].passes_lower.isna()).all()
    over_all = verdicts[(verdicts.threat == "all") & (verdicts.zone_id.notna())]
    assert (over_all.passes_lower == f"bridge: {heights}").all()
    # said on the screen beside the metres, in the closing table and as a warning
    for band in listed:
        (warning,) = [text for text in outcome.warnings if band in text]
        assert "undetected" in warning and "F01-Z001" in warning
    (said,) = [note for note in outcome.notes if note.startswith("bridge: ") and "95 %" not in note and "95%" in note]
    assert "as high as the fence alone" in said
    rows = {row[0]: row for row in outcome.summary["table"]["rows"]}
    assert "bridge, as high as the fence alone" in rows and "walk" in rows
    assert [way["heights"] for way in outcome.summary["passes_lower"]] == listed
    # on the report's first page no green without it
    layers["dead_spots"] = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="dead_spots")
    _, sentence, facts, others, *_ = answer(layers, site.threats, 0.2, site.prices)
    (fact,) = [fact for fact in facts.facts if fact.label == "Fence, bridge"]
    assert "on a condition" in fact.value and "above" in fact.note and fact.state != "good"
    assert "on the condition that bridge is as high as the fence" in sentence.text and heights in sentence.text
    (dead,) = [fact for fact in others.facts if fact.label == "Dead length, bridge"]
    assert "lower it passes" in dead.note and dead.state != "good"
    seen = layers | {"verdicts": verdicts[verdicts.verdict == "detected"]}
    _, sentence, *_ = answer(seen, site.threats, 0.2, site.prices)
    assert "on the condition that bridge is as high as the fence" in sentence.text and heights in sentence.text


def test_nothing_is_said_where_nothing_passes_lower(make_site, tmp_path):
    _, outcome, layers = judged(make_site, tmp_path, CLOSE, 1.3)
    assert not set(layers["conflicts"]["rule"]) & {"stack misses bridge"}
    assert layers["verdicts"].passes_lower.isna().all()
    assert not [text for text in outcome.warnings if "lower" in text]
    assert [note for note in outcome.notes if "none passes" in note]
    assert "as high as the fence" not in conditions(layers["verdicts"])


def test_a_walk_at_the_fences_height_does_not_take_the_condition_away():
    """Whoever was detected on a plank from top to top has shown nothing of a plank that slopes down."""
    row = {"zone_id": "Z1", "verdict": "unproven", "cause": "not_known_exactly", "confidence": 0.7}
    row |= {"passes_lower": "underside from 0.7 to 3.9 m", "conditional_on": None}
    assert (row | _changed(row, "shown", {"Z1": 0.95}))["passes_lower"] == "underside from 0.7 to 3.9 m"
