"""In which order states of a grading are proven, and what is put together from them. No beam is solved.

Red when a state or a pair of heads is left out, or one is computed that is not needed for the answer.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from geotools.earthwork import group
from geotools.earthwork.disturb import Tolerances
from geotools.earthwork.group import ZoneGroup
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.proof import Proof
from geotools.earthwork.zone_grading import GradeSettings
from tests.invented_ground import zone

SETTINGS = GradeSettings(GradingRules(), {"prone": 0.1})
#: Modulation of the lowest pair of heads and of those above it, by state; dead below 0.2.
LOW = {"design": 0.5, "low": 0.1, "high": 0.3, "weak": 0.05}
HIGH = {"design": 0.0, "low": 0.4, "high": 0.0, "weak": 0.15}


class Group:
    """What the engine says, from the tables: of so many zones, of which all but the first are seen in any state."""

    def __init__(self, zones=1):
        self.zones, self.asked, self.above = zones, [], []

    def _solved(self, states, pairs, strips):
        assert pairs == slice(0, 1)
        self.asked += states
        return [[{"prone": np.array([LOW[s] if k == 0 else 0.5, 1.0])} for k in range(self.zones)] for s in states]

    def _above(self, of, strips):
        self.above += of
        return [{"prone": np.array([HIGH[state], 1.0])} for state, _ in of]

    def _judged(self, now, *off):
        tried = [one for one in (now, *off) if one is not None]
        dead = [np.any([one[k]["prone"] < 0.2 for one in tried], axis=0) for k in range(self.zones)]
        return [Proof(np.arange(2.0), d, np.zeros(2, dtype=bool)) for d in dead]


@pytest.mark.parametrize("zones", [1, 3])
@pytest.mark.parametrize(
    ("state", "edges", "above", "dead"),
    [
        ("design", ["high"], [], False),
        ("design", ["low", "high"], ["low"], False),
        ("design", ["low", "high", "weak"], ["low", "weak"], True),
        (None, ["low", "high"], ["low"], False),
        (None, ["weak"], ["weak"], True),
        ("weak", ["low"], ["weak", "low"], True),
        ("low", [], ["low"], False),
    ],
)
def test_heads_above_the_lowest_are_computed_where_somebody_gets_past_it_alone(state, edges, above, dead, zones):
    made = Group(zones)
    proof, *others = ZoneGroup._proven(made, state, edges)
    assert made.asked == (edges if state is None else [state, *edges])
    # of the zones that somebody gets past, and of no other
    assert made.above == [(one, 0) for one in above]
    assert proof.open.tolist() == [dead, False]
    assert not any(one.open.any() for one in others)


@pytest.mark.parametrize("first_open", [False, True])
def test_states_that_fail_soonest_come_first_and_the_rest_only_where_those_pass(monkeypatch, first_open):
    monkeypatch.setattr(group, "State", lambda *given: "built")
    monkeypatch.setattr(group, "edge_states", lambda state, draws, tolerances: [f"edge {n}" for n in range(5)])
    asked = []

    def proven(state, edges):
        asked.append((state, [*edges]))
        flags = [first_open, False, False] if state == "built" else [False, True, False]
        return [Proof(np.arange(3.0), np.array(flags), np.zeros(3, dtype=bool))]

    made = SimpleNamespace(_proofs={}, _settled=lambda ends: (), built=None, settings=SETTINGS, _proven=proven)
    grading = SimpleNamespace(design=np.zeros(3), ends=np.zeros((1, 2)))
    (proof,) = ZoneGroup._prove(made, grading)
    built = ("built", ["edge 0", "edge 1", "edge 2"])
    assert asked == ([built] if first_open else [built, (None, ["edge 3", "edge 4"])])
    assert proof.dead.tolist() == ([True, False, False] if first_open else [False, True, False])
    # the same design and heads are proven once, others again
    ZoneGroup._prove(made, grading)
    assert len(asked) == (1 if first_open else 2)
    ZoneGroup._prove(made, SimpleNamespace(design=np.ones(3), ends=grading.ends))
    ZoneGroup._prove(made, SimpleNamespace(design=grading.design, ends=np.ones((1, 2))))
    assert len(asked) == (3 if first_open else 6)


@pytest.mark.parametrize(
    ("build", "settle", "words"),
    [
        (0.0, 0.0, "clear in a re-run"),
        (0.05, 0.1, "clear in a re-run, built within +-5 cm, settled 10 cm"),
        (0.03, 0.0, "clear in a re-run, built within +-3 cm, settled 0 cm"),
        (0.0, 0.6, "clear in a re-run, built within +-0 cm, settled 60 cm"),
        (0.6, 0.02, "clear in a re-run, built within +-60 cm, settled 2 cm"),
    ],
)
def test_what_is_called_clear_states_the_tolerances_it_is_clear_within(build, settle, words):
    assert replace(SETTINGS, tolerances=Tolerances(build, settle, 0.0)).clear_words == words


def test_states_on_one_ground_share_the_strips_of_it():
    """Heads that are off stand on the design as drawn: its strips are laid once, and once for each other ground."""
    laid = []

    class Perimeter:
        def strip(self, zone_id, ground):
            laid.append((zone_id, ground.levels))
            return f"{zone_id} on {ground.levels}"

        def modulations(self, cases):
            return [(one.pairs, strip) for one, strip in cases]

    class Around:
        levels = None

        def apply(self, _, design):
            self.levels = design

    both = zone("A"), zone("B")
    made = object.__new__(ZoneGroup)
    made.zones, made.built, made.perimeter = both, None, Perimeter()
    made.surface = SimpleNamespace(around=lambda _: Around())
    drawn, low = "as drawn", "built low"
    states = [SimpleNamespace(zones=both, design=design) for design in (drawn, low, drawn, drawn)]
    strips = {}
    found = made._solved(states, pairs=slice(0, 1), strips=strips)
    assert [[strip for _, strip in each] for each in found] == [
        [f"A on {design}", f"B on {design}"] for design in (drawn, low, drawn, drawn)
    ]
    assert all(pairs == z.pairs[:1] for each in found for (pairs, _), z in zip(each, both, strict=True))
    assert laid == [("A", drawn), ("B", drawn), ("A", low), ("B", low)]
    made._solved(states, pairs=slice(1, None), strips=strips)
    assert len(laid) == 4
    # a ground that is given is the ground of all of them
    made._solved(states, SimpleNamespace(levels="today"))
    assert laid[4:] == [("A", "today"), ("B", "today")]
