"""Page 1 and the sheet of the walk test once results were read: where somebody passed comes first and is found."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.site.works import SitePrices
from geotools.steps.report.answer import answer
from geotools.steps.report.map import MapArt, plan_map
from geotools.steps.report.sheets import walk_sheet
from geotools.steps.report.whole import worst_zone

PRICES = SitePrices(cut_m3=10, fill_m3=20, surface_m2=3, currency="EUR")
CROSSINGS = pd.DataFrame(
    [
        {"threat": "prone", "modulation": 0.25, "zone_id": "F01-Z003", "chainage_m": 9.0, "outcome": "detected"},
        {"threat": "prone", "modulation": 0.44, "zone_id": "F01-Z005", "chainage_m": 4.5, "outcome": "detected"},
    ]
)
SPOTS = pd.DataFrame({"zone_id": [], "threat": [], "length_m": []})
ROWS = [
    ("prone", "F01-Z003", 0.0, 378.7, "detected", None, "model"),
    ("prone", "F01-Z005", 378.7, 380.2, "undetected", "walk_missed", "walk_test"),
    ("prone", "F01-Z005", 380.2, 640.0, "unproven", "walk_missed_near", "walk_test"),
]
VERDICTS = pd.DataFrame(ROWS, columns=["threat", "zone_id", "from_m", "to_m", "verdict", "cause", "basis"]).assign(
    fence_id="F01"
)
FRAMES = {"verdicts": VERDICTS, "crossings": CROSSINGS, "dead_spots": SPOTS}


def fact(label, frames=FRAMES):
    """The only fact of the first page with this label."""
    facts = [f for block in answer(frames, ["prone"], 0.2, PRICES) for f in getattr(block, "facts", ())]
    (one,) = [f for f in facts if f.label == label]
    return one


def test_the_first_sentence_says_where_somebody_crossed_without_an_alarm():
    said = str(answer(FRAMES, ["prone"], 0.2, PRICES))
    assert "prone crossed without an alarm in F01-Z005 (378.7 to 380.2 m along F01)" in said


def test_no_dead_spot_by_the_model_is_no_good_mark_where_somebody_passed():
    one = fact("Dead length, prone")
    assert one.state == "bad" and one.note == "by the model: no dead spot; 1.5 m more by the walk test"
    held = VERDICTS.assign(cause=None, verdict="detected", basis="model")
    one = fact("Dead length, prone", FRAMES | {"verdicts": held})
    assert one.state == "good" and one.note == "no dead spot"


def test_one_crossing_missed_is_one_crossing():
    result = {"verdict": "failed", "walked": 29, "void": 0, "unexpected_misses": 1}
    assert (
        "1 crossing missed that the model expected"
        in fact("Walk test", FRAMES | {"walk_result": pd.DataFrame([result])}).note
    )


def test_the_section_of_the_first_page_is_of_the_zone_in_which_somebody_passed():
    assert worst_zone(FRAMES) == ("F01-Z005", "Where somebody crossed without an alarm.")
    held = VERDICTS.assign(cause=None, verdict="detected", basis="model")
    assert worst_zone(FRAMES | {"verdicts": held}) == ("F01-Z003", "The weakest zone.")


def test_a_threshold_that_the_results_do_not_show_is_not_given_as_a_dash():
    result = {"zone_id": "Z1", "threat": "prone", "walked": 29, "void": 0, "detected": 28, "planned": 29}
    result |= {"lower": 0.8, "upper": 1.0, "verdict": "failed", "next": "mend"}
    frames = {"walk_result": pd.DataFrame([result])}
    said = str(walk_sheet(frames, 0.9, 0.95, {"m0": None, "low": 0.0, "words": "detections follow nothing"}))
    assert "Detections follow nothing." in said and "between" not in said


def test_a_stretch_too_short_to_be_seen_on_the_map_is_ringed():
    ring = np.array([[0.0, 0], [200, 0], [200, 120], [0, 120], [0, 0]])
    zone = np.array([[0.0, 4], [200, 4], [200, 8], [0, 8], [0, 4]])

    def rings(start, end):
        stretch = np.array([[start, 0.0], [end, 0.0]])
        art = MapArt([ring], [("F01-Z001", zone)], [], zone[:1], zone[2:3], verdicts=[("undetected", stretch)])
        marked = [line for line in plan_map(art, 8.0).axes[0].lines if line.get_gid() == "undetected-short"]
        return [tuple(np.ravel(line.get_xydata())) for line in marked]

    assert rings(100.0, 101.5) == [(100.75, 0.0)]
    assert rings(80.0, 120.0) == []
