"""The least envelope over winding ways, against every way there is."""

import numpy as np
import pytest

from geotools.detection.envelope import LevelRange, crossable_within, swept
from tests.one_strip import crossed_over, least_envelope

SHAPE = (4, 5)
MIDDLE = SHAPE[1] // 2


def half_ways(columns):
    """Every simple way over half the grid from its outer edge to a node of the beam line, as lists of nodes."""
    ways = {row: [] for row in range(SHAPE[0])}

    def go(way):
        row, column = way[-1]
        if column == columns[-1]:
            ways[row].append(list(way))
        for r in range(max(row - 1, 0), min(row + 2, SHAPE[0])):
            for c in columns:
                if abs(c - column) <= 1 and (r, c) not in way:
                    go([*way, (r, c)])

    for row in range(SHAPE[0]):
        go([(row, columns[0])])
    return {row: at_once(found) for row, found in ways.items()}


def at_once(ways):
    """Flat numbers of the nodes of every way, one way a row; shorter ones say their last node again."""
    longest = max(len(way) for way in ways)
    return np.array([[r * SHAPE[1] + c for r, c in way + way[-1:] * (longest - len(way))] for way in ways])


RIGHT, LEFT = half_ways(list(range(MIDDLE + 1))), half_ways(list(range(SHAPE[1] - 1, MIDDLE - 1, -1)))


def hulls(ways, beams):
    """Lowest and highest level of each way in each beam, the undisturbed level among them, ways that are alike once.

    Shape (ways, beams, 2).
    """
    found = np.empty((len(ways), len(beams), 2))
    for k, beam in enumerate(beams):
        found[:, k, 0] = np.minimum(beam.quiet, beam.lowest.ravel()[ways].min(axis=1))
        found[:, k, 1] = np.maximum(beam.quiet, beam.highest.ravel()[ways].max(axis=1))
    return innermost(np.unique(found.reshape(len(ways), -1), axis=0).reshape(-1, len(beams), 2))


def innermost(found):
    """Hulls in which no other one lies: with whatever it is joined, a hull gives no less than one within it."""
    kept = np.empty((0, *found.shape[1:]))
    for hull in found[np.argsort((found[..., 1] - found[..., 0]).sum(axis=1))]:
        within = (kept[..., 0] >= hull[:, 0]) & (kept[..., 1] <= hull[:, 1])
        if not within.all(axis=1).any():
            kept = np.concatenate([kept, hull[None]])
    return kept


def spread_of(hulls):
    """Envelope of each hull, the largest of all beams."""
    return (hulls[..., 1] - hulls[..., 0]).max(axis=-1)


def least_of_all(row, beams):
    """Least envelope over all pairs of half ways that meet at this node of the beam line, the largest of all beams."""
    right, left = hulls(RIGHT[row], beams), hulls(LEFT[row], beams)
    least = np.inf
    # no pair has less than either of it: the narrowest come first, and those wider than the best pair never count
    right, left = (hull[np.argsort(spread_of(hull), kind="stable")] for hull in (right, left))
    for some in np.array_split(right, len(right) // 32 + 1):  # all pairs at once would take gigabytes
        if spread_of(some[:1])[0] >= least:
            break
        left = left[spread_of(left) < least]
        high = np.maximum(some[:, None, :, 1], left[None, :, :, 1])
        low = np.minimum(some[:, None, :, 0], left[None, :, :, 0])
        least = min(least, float((high - low).max(axis=-1).min()))
    return least


def random_beam(seed, spread=0.5):
    rng = np.random.default_rng(seed)
    level = 1.0 + rng.normal(0.0, spread, SHAPE)
    return LevelRange(level, level + rng.uniform(0.0, 0.2, SHAPE), 1.0)


@pytest.mark.parametrize("seed", range(6))
def test_the_least_envelope_is_that_of_the_best_of_all_ways(seed):
    beam = random_beam(seed)
    expected = [least_of_all(row, [beam]) for row in range(SHAPE[0])]
    assert least_envelope(beam) == pytest.approx(np.array(expected), abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_threshold_is_met_by_all_beams_on_one_way(seed, count):
    beams = [random_beam(10 * seed + number, 0.25) for number in range(count)]
    found = [least_of_all(row, beams) for row in range(SHAPE[0])]
    for threshold in np.quantile(found, [0.0, 0.3, 0.6, 1.0]) + 1e-3:
        exact = crossable_within(beams, threshold, crossed_over, step=0.0)
        expected = np.array(found) < threshold
        # a way along the beam line itself is right of it: it may be counted at the station where it leaves the line
        assert exact.any() == expected.any() and (exact <= expected).all()
        coarse = crossable_within(beams, threshold, crossed_over, step=0.02)
        assert (coarse >= exact).all(), "a way below the threshold is never left out"
        assert not coarse[np.array(found) > threshold + 0.02 + 1e-9].any()


def test_avoiding_each_beam_on_a_way_of_its_own_is_not_avoiding_both():
    quiet = np.ones((6, 5))
    one, other = quiet.copy(), quiet.copy()
    one[:3], other[3:] = 0.5, 0.5
    beams = [LevelRange(level, level, 1.0) for level in (one, other)]
    assert crossable_within(beams[:1], 0.2, crossed_over)[3:].all()
    assert crossable_within(beams[1:], 0.2, crossed_over)[:3].all()
    assert not crossable_within(beams, 0.2, crossed_over).any()


def test_a_level_that_rises_here_and_falls_there_counts_whole():
    level = np.ones((6, 5))
    level[:, 1], level[:, 3] = 1.15, 0.85
    beam = LevelRange(level, level, 1.0)
    assert least_envelope(beam) == pytest.approx(0.30, abs=1e-5)
    assert not crossable_within([beam], 0.25, crossed_over).any()
    assert crossable_within([beam], 0.35, crossed_over).all()


def test_a_swaying_body_meets_what_lies_within_its_sway():
    level = np.ones((9, 9))
    level[4, 4] = 0.0
    thread = swept(level, 1.0, (0.5, 0.25), 0.0)
    assert np.array_equal(thread.lowest, level)
    assert np.array_equal(thread.highest, level)
    wide = swept(level, 1.0, (0.5, 0.25), 0.15)
    assert wide.lowest[4, 5] == pytest.approx(1.0 - 0.15 / 0.25)
    assert wide.lowest[5, 4] == pytest.approx(1.0 - 0.15 / 0.5)
    assert wide.lowest[4, 6] == 1.0
    assert wide.highest[4, 4] == pytest.approx(1.0 - (1 - 0.3) * (1 - 0.6))
    wider = swept(level, 1.0, (0.5, 0.25), 0.30)
    assert wider.lowest[4, 5] == 0.0
    assert wider.lowest[4, 6] == pytest.approx(1.0 - 0.05 / 0.25)


def test_a_person_sways_by_fifteen_centimetres_to_either_side():
    """Who passes within 0.15 m of a spike meets it, between nodes by its share (common practice, no source)."""
    level = np.ones((21, 21))
    level[10, 10] = 0.0
    found = swept(level, 1.0, (0.1, 0.1))
    # a node 0.1 m aside meets the spike; one 0.2 m aside the place half way to it; one 0.3 m aside nothing of it
    assert found.lowest[10, 11] == 0.0 and found.lowest[10, 12] == pytest.approx(0.5) and found.lowest[10, 13] == 1.0
    assert found.lowest[11, 10] == 0.0 and found.lowest[12, 10] == pytest.approx(0.5) and found.lowest[13, 10] == 1.0


def test_stations_that_are_settled_are_not_looked_for():
    """Of six stations three are within the threshold; two of them are settled, and only the third costs a search."""
    level = np.ones((6, 5))
    level[3:] = 0.5
    beam = LevelRange(level, level, 1.0)
    sought = []

    def crossed(open_nodes):
        sought.append(crossed_over(open_nodes))
        return sought[-1]

    every = crossable_within([beam], 0.2, crossed, steppable=crossed_over)
    assert every.tolist() == [True] * 3 + [False] * 3 and sought
    settled = np.arange(6) == 1
    left = crossable_within([beam], 0.2, crossed, steppable=crossed_over, settled=settled)
    assert left.tolist() == (every & ~settled).tolist() and settled.sum() == 1
    sought.clear()
    assert not crossable_within([beam], 0.2, crossed, steppable=crossed_over, settled=every).any() and not sought
