"""What is left out of the confidence of a verdict is said wherever the verdict is."""

import geopandas as gpd
import pytest

import geotools
from geotools.engine.runner import Job
from geotools.site.detection import Detection
from geotools.steps.report.answer import answer


@pytest.mark.parametrize(
    ("settings", "out"),
    [
        ({}, ()),
        ({"uncertain": ()}, ("survey", "spacing", "build", "body", "surface", "heads", "law")),
        ({"envelope_threshold": 0.0, "body_range": 0.0}, ("body", "law")),
        ({"head_tolerance_m": 0.0}, ()),
        ({"head_tolerance_m": 0.0, "aim_tolerance_deg": 0.0, "dip_length_m": 0.0}, ("spacing", "heads")),
    ],
)
def test_a_source_is_left_out_by_name_or_by_a_tolerance_of_nothing(settings, out):
    assert Detection(**settings).left_out == out


def test_no_confidence_is_stated_without_its_condition(make_site, tmp_path):
    """A site whose uncertainties are all left out was called detected with 95 % confidence without a word."""
    toml = (
        '[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 50.0\nmin_zone_m = 10.0\n\n'
        "[detection]\nuncertain = []\n\n"
        '[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = 0.9\n'
    )
    site = geotools.open_site(make_site(points=((20, 50), (60, 50)), threats='["walk"]', toml=toml))
    with Job(site, tmp_path / "out") as job:
        for step in ("inspect", "layout"):
            job.run(step)
        outcome = job.run("gaps")
    (warning,) = [text for text in outcome.warnings if "exactly known" in text]
    assert "accuracy of the survey" in warning and "law of the receiver" in warning
    assert outcome.summary["taken_as_known"] == list(site.detection.left_out)
    assert "accuracy of the survey" in outcome.summary["table"]["title"]
    frames = {name: gpd.read_file(tmp_path / "out" / "plan.gpkg", layer=name) for name in ("verdicts", "crossings")}
    said = frames["verdicts"]
    assert said[said.verdict == "detected"].conditional_on.str.contains("bodies").all()
    assert said[said.verdict != "detected"].conditional_on.isna().all()
    _, sentence, facts, *_ = answer(frames, ["walk"], 0.2, site.prices)
    (fact,) = [fact for fact in facts.facts if "walk" in fact.label.lower() and "Fence" in fact.label]
    assert "on a condition" in fact.value and "the condition stands above" in fact.note and fact.state != "good"
    assert "on the condition" in sentence.text and "accuracy of the survey" in sentence.text
    everywhere = frames | {"verdicts": said[said.verdict == "detected"]}
    _, sentence, *_ = answer(everywhere, ["walk"], 0.2, site.prices)
    assert "on the condition" in sentence.text and "accuracy of the survey" in sentence.text
