"""Heights answered beforehand are what the detection says of them when it is asked afterwards."""

import numpy as np
import pytest

import geotools
from geotools.detection.chains import perimeter_of
from geotools.detection.height_search import HeightTrials
from geotools.detection.heights_ahead import answers_ahead, floors_of, heights_to_try
from geotools.engine.runner import Job, run_site
from geotools.plan.schema import DEAD_SPOTS, HEADS, PROFILES
from geotools.terrain.design import SharedGround


@pytest.fixture
def yard(make_site, tmp_path):
    """A yard with a swale across its southern and northern side."""
    x = np.arange(100)
    ground = np.full((100, 100), 250.0, np.float32) - 0.5 * np.exp(-(((x - 50) / 4.0) ** 2)).astype(np.float32)
    site = geotools.open_site(make_site(heights=ground))
    run_site(site, tmp_path / "out", steps=["inspect", "layout", "gaps"])
    with Job(site, tmp_path / "out", overwrite=True) as job:
        yield job, perimeter_of(site, job.workspace.read, SharedGround(job.terrain))


def test_todays_heights_give_what_gaps_wrote(yard):
    job, perimeter = yard
    floors = floors_of(perimeter)
    profiles, spots = job.workspace.read(PROFILES), job.workspace.read(DEAD_SPOTS)
    assert len(spots), "the yard is to have dead ground"
    for zone_id, zone in perimeter.zones.items():
        pair = zone.pairs[0]
        (answer,) = answers_ahead(perimeter, floors, zone_id, pair.level, [(pair.tx_height_m, pair.rx_height_m)])
        mine = profiles[profiles["zone_id"] == zone_id].sort_values("chainage_m")
        np.testing.assert_allclose(answer.gap_m, mine["crawl_gap_m"], atol=1e-6)
        assert answer.beside_m == 0.0
        for threat, flags in answer.dead.items():
            stretches = spots[(spots["zone_id"] == zone_id) & (spots["threat"] == threat)]
            assert flags.any() == bool(len(stretches))
            x = perimeter.grids[zone_id].chainage_m
            inside = np.zeros(x.size, bool)
            for row in stretches.itertuples():
                inside |= (x >= row.from_m - 1e-9) & (x <= row.to_m + 1e-9)
            assert (flags == inside).all()


def test_other_heights_give_what_the_height_search_and_gaps_find(yard):
    job, perimeter = yard
    floors = floors_of(perimeter)
    zone_id = next(z for z in perimeter.zones if any(d.any() for d in perimeter.dead(z).values()))
    level = perimeter.zones[zone_id].pairs[0].level
    pairs = [(0.2, 0.2), (0.2, 0.45), (0.45, 0.45)]
    answers = answers_ahead(perimeter, floors, zone_id, level, pairs)
    trials = HeightTrials(perimeter, perimeter.zones[zone_id], level)
    for answer, own in zip(answers, trials.own(pairs), strict=True):
        wanted = perimeter.dead(zone_id, own)
        assert all((answer.dead[threat] == wanted[threat]).all() for threat in wanted)
    # and with the heads set so in the plan, gaps writes the same crawl gap
    heads = job.workspace.read(HEADS)
    mine = (heads["zone_id"] == zone_id) & (heads["level"] == level)
    heads.loc[mine, "height_m"] = 0.2
    job.workspace.write({HEADS: heads})
    out, site = job.out, job.site
    job.close()
    run_site(site, out, steps=["layout", "gaps"], overwrite=True)
    with Job(site, out, overwrite=True) as again:
        profiles = again.workspace.read(PROFILES)
    there = profiles[profiles["zone_id"] == zone_id].sort_values("chainage_m")["crawl_gap_m"]
    np.testing.assert_allclose(answers[0].gap_m, there, atol=1e-6)


@pytest.mark.parametrize("most", [2, 4, 7])
def test_heights_to_try_hold_todays_and_the_limits(most):
    tried = heights_to_try((0.2, 0.45), 0.31, most)
    assert tried == sorted(set(tried)) and {0.2, 0.31, 0.45} <= set(tried)
    assert len(tried) <= most + 1
    assert heights_to_try((0.2, 0.45), 0.3)[:3] == [0.2, 0.25, 0.3]
    assert 0.9 in heights_to_try((0.2, 0.45), 0.9)
