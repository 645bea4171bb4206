"""Voltages against the closed form of one load and a solver of its own; cut trenches counted by hand."""

import numpy as np
import pytest
from scipy.optimize import fsolve

from geotools.errors import NumericInputError
from geotools.steps.routes.graph import Places, RouteGraph
from geotools.steps.routes.loops import spare_loops
from geotools.steps.routes.network import Branch, CableNetwork, branches_of
from geotools.steps.routes.supply import ohm_per_m, voltages

LINE = np.array([[0.0, 0.0], [1.0, 0.0]])


def chain(*parents: int) -> CableNetwork:
    return CableNetwork(tuple(Branch(f"a{k}", f"b{k}", LINE, parent, "S", f"P{k}") for k, parent in enumerate(parents)))


@pytest.mark.parametrize(
    ("area", "ohm_km"),
    # IEC 60228:2004 table 2, plain copper at 20 degrees (from memory)
    [(0.5, 36.0), (1.5, 12.1), (2.5, 7.41), (4.0, 4.61), (6.0, 3.08), (10.0, 1.83), (50.0, 0.387)],
)
def test_resistance_of_the_standard(area, ohm_km):
    assert ohm_per_m(area, 20.0) == pytest.approx(ohm_km / 1000)
    # 50 kelvin more: a fifth more, 0.00393 a kelvin
    assert ohm_per_m(area, 70.0) == pytest.approx(ohm_km / 1000 * 1.1965)
    # and no conductor beats the metal: resistivity of copper 1/58 ohm mm2/m
    assert ohm_per_m(area, 20.0) * area > 1 / 58


def test_no_other_cross_section():
    with pytest.raises(NumericInputError, match=r"2\.5"):
        ohm_per_m(3.0, 20.0)


def test_one_load_by_the_closed_form():
    volt, power, length, ohm = 48.0, 100.0, 100.0, 0.008
    found = voltages(chain(-1), [length], [power], volt, ohm)
    resistance = 2 * length * ohm
    end = (volt + np.sqrt(volt**2 - 4 * resistance * power)) / 2
    assert found.end[0] == pytest.approx(end, abs=1e-8)
    assert found.current[0] == pytest.approx(power / end)
    assert found.drop[0] == pytest.approx(volt - end, abs=1e-8)


def test_a_branching_network_by_a_solver_of_its_own():
    network = chain(-1, 0, 0, 2)
    metres, watts, volt, ohm = np.array([80.0, 60.0, 120.0, 30.0]), np.array([10.0, 15.0, 20.0, 10.0]), 24.0, 0.005
    r = 2 * ohm * metres

    def balance(v):
        i = watts / v
        through = [i.sum(), i[1], i[2] + i[3], i[3]]
        before = [volt, v[0], v[0], v[2]]
        return [before[k] - r[k] * through[k] - v[k] for k in range(4)]

    wanted = fsolve(balance, np.full(4, volt))
    assert voltages(network, metres, watts, volt, ohm).end == pytest.approx(wanted, abs=1e-6)


def test_more_power_than_a_cable_carries_has_no_voltage():
    # the most that reaches a load is V^2 / 4R
    volt, resistance = 48.0, 1.6
    most = volt**2 / (4 * resistance)
    assert np.isfinite(voltages(chain(-1), [100.0], [0.99 * most], volt, 0.008).end[0])
    assert np.isnan(voltages(chain(-1), [100.0], [1.01 * most], volt, 0.008).end[0])


def test_a_source_that_fails_leaves_the_other():
    network = CableNetwork((Branch("S", "P", LINE, -1, "S", "P"), Branch("T", "Q", LINE, -1, "T", "Q")))
    found = voltages(network, [100.0, 100.0], [1000.0, 10.0], 48.0, 0.008)
    assert np.isnan(found.end[0]) and found.end[1] == pytest.approx(47.66, abs=0.01)


RING = [(0, 0), (0, 10), (40, 10), (40, -10), (0, -10)]


def ring() -> tuple[RouteGraph, CableNetwork]:
    """A source in the middle of the left side of a ring of four posts, the last piece of the ring not dug."""
    xy = np.array(RING, float)
    ends = np.array([(0, 1), (1, 2), (2, 3), (0, 4), (3, 4)])
    cost = np.hypot(*(xy[ends[:, 0]] - xy[ends[:, 1]]).T)
    graph = RouteGraph(Places(xy, ("S", "A", "B", "C", "D"), 1), ends, cost)
    posts = {name: xy[k] for k, name in enumerate("SABCD") if k}
    return graph, branches_of(graph, [(0, 1), (1, 2), (2, 3), (0, 4)], posts)


def test_branches_run_outward_from_the_source():
    _, network = ring()
    assert [(b.start, b.end, b.parent) for b in network.branches] == [
        ("S", "A", -1),
        ("S", "D", -1),
        ("A", "B", 0),
        ("B", "C", 2),
    ]
    assert network.sums([2, 2, 2, 2]).tolist() == [6, 2, 4, 2]
    assert network.fed()[0] == {"A", "B", "C"}
    assert network.way(3) == [3, 2, 0]


def test_the_last_piece_of_a_ring_spares_every_branch():
    graph, network = ring()
    nodes = [(0, 1), (0, 4), (1, 2), (2, 3)]
    (loop,) = spare_loops(graph, network, nodes, [6, 2, 4, 2])
    assert sorted(loop.line.tolist()) == [[0, -10], [40, -10]]
    assert loop.cost == pytest.approx(40.0)
    assert loop.spares == {0, 1, 2, 3}


def test_no_loop_where_none_can_be_dug():
    graph, network = ring()
    assert spare_loops(graph.without(np.arange(5) < 4), network, [(0, 1), (0, 4), (1, 2), (2, 3)], [6, 2, 4, 2]) == []


def test_a_post_beside_the_trench_gets_a_spur():
    xy = np.array([(0, 0), (10, 0)], float)
    graph = RouteGraph(Places(xy + 5e6, ("S", "A"), 1), np.array([(0, 1)]), np.array([10.0]))
    network = branches_of(graph, [(0, 1)], {"A": np.array([10.0, 1.5]) + 5e6})
    assert [(b.start, b.end, b.post, b.parent) for b in network.branches] == [
        ("S", "foot of A", "", -1),
        ("foot of A", "A", "A", 0),
    ]
    assert network.branches[1].length_m == pytest.approx(1.5)
