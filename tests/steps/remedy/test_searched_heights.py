"""Heights that the layer head_heights has are those of a search, and count only where it is of this very state."""

from dataclasses import replace

import pandas as pd
import pytest

from geotools.detection.height_search import best_heights
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings
from geotools.plan import ids
from geotools.steps.remedy import trial
from geotools.steps.remedy.limits import RemedyLimits, searched_heights
from geotools.terrain.design import DesignSurface
from tests.invented_ground import MAIN, RULES, Formula, zone

COSTS = Prices(cut_m3=18, fill_m3=32, surface_m2=4, set_head=120, head=2500, post=1800)
LIMITS = {"main": (0.2, 0.91)}
SETTINGS = GradeSettings(
    GradingRules(COSTS, max_slope=0.33), {"walk": 0.15, "crawl": 0.15, "prone": 0.075}, height_limits=LIMITS
)


@pytest.fixture(scope="module")
def flat() -> Perimeter:
    # a 10 GHz head alone, 30 m: the prone crawler passes under it at 0.91 m and not when it hangs low
    return Perimeter([zone(length=30.0, pairs=[MAIN])], Formula(lambda x, y: 100.0), RULES)


@pytest.fixture(scope="module")
def layer(flat: Perimeter) -> pd.DataFrame:
    """As the step `heights` writes it."""
    found = best_heights(flat, "Z1", "main", LIMITS["main"])
    return pd.DataFrame(
        [
            {
                "beam_id": ids.beam_id("Z1", "main"),
                "zone_id": "Z1",
                "level": "main",
                "tx_now_m": MAIN.tx_height_m,
                "rx_now_m": MAIN.rx_height_m,
                "tx_best_m": found.tx_height_m,
                "rx_best_m": found.rx_height_m,
                "dead_now_m": found.dead_length_now_m,
                "dead_best_m": found.dead_length_m,
                "tried": len(found.tried),
            }
        ]
    )


def lowered(perimeter: Perimeter, rows: pd.DataFrame | None, monkeypatch) -> tuple[object, int]:
    """The option, and how often a search was made for it."""
    searches = []

    def counted(*given):
        searches.append(given)
        return best_heights(*given)

    monkeypatch.setattr(trial, "best_heights", counted)
    known = {} if rows is None else searched_heights(rows)
    limits = RemedyLimits(SETTINGS, COSTS, searched=known)
    surface = DesignSurface(perimeter.ground, (-10, -10, 60, 10))
    made = trial.Trial(perimeter, surface, perimeter.zones["Z1"], limits, None).lower()
    assert made is not None
    return replace(made, grading=None), len(searches)


def test_what_is_searched_already_gives_the_same_option_without_a_search(flat, layer, monkeypatch):
    by_itself, searches = lowered(flat, None, monkeypatch)
    assert searches == 1 and by_itself.dead_after_m < by_itself.dead_before_m
    assert lowered(flat, layer, monkeypatch) == (by_itself, 0)


@pytest.mark.parametrize(
    "other",
    [
        {"tx_now_m": 0.80},
        {"dead_now_m": 0.5},
        {"tx_best_m": 0.85, "rx_best_m": 0.85},
        {"dead_best_m": 0.0, "tx_best_m": 0.9},
        {"tx_best_m": None},
    ],
    ids=["other heads", "other ground", "heights edited", "too good", "no figure"],
)
def test_a_layer_of_another_state_is_not_believed(flat, layer, other, monkeypatch):
    by_itself, _ = lowered(flat, None, monkeypatch)
    assert lowered(flat, layer.assign(**other), monkeypatch) == (by_itself, 1)
