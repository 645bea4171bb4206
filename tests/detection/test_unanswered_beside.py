"""A zone that lies wholly beside strips whose ground is not known has no answer, though its own ground is known."""

from shapely import box

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.detection.level_ground import LEVEL
from geotools.detection.perimeter import Perimeter
from geotools.detection.unanswered import zones_beside
from geotools.plan.model import BeamPair, FenceChain, Zone

PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
LINES = [BeamLine(0, 0, 20, 0), BeamLine(16, 0.2, 60, 0.2)]
ZONES = tuple(Zone(f"Z{n}", line, (PAIR,), "F", n) for n, line in enumerate(LINES, 1))


def test_no_answer_is_given_where_all_of_a_zone_lies_beside_unknown_ground():
    chain = FenceChain("F", ZONES, False, True)
    rules = Rules(0.2, 1.0, 0.5, {"crawl": TARGETS["crawl"]})
    # strips at both ends of the first zone: what lies up to its ends is unanswered with them, and so all of it
    silent = [box(-5, -1, 9, 1), box(9, -1, 12, 1)]
    made = Perimeter.of([chain], LEVEL, rules, silent)
    assert not made.answered("Z1") and made.answered("Z2")
    assert list(zones_beside(made)) == ["Z1"] and "no answer for Z1" in zones_beside(made)["Z1"]
    assert zones_beside(Perimeter.of([chain], LEVEL, rules, silent[:1])) == {}
