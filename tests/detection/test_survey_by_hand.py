"""Check points, drawn errors, height bands and hidden dips: by hand, by sample covariance, on stand-ins.

Red when check points are misread, an estimate or a covariance is another than its formula, or a head is said to close a
gap that it does not close.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.beam import Target
from geotools.beam.strip import Strip
from geotools.corridor import BeamLine, StripGrid
from geotools.detection import accuracy, hidden
from geotools.detection.accuracy import Accuracy, Measured, correlation_length, error_field, estimate, read_check_points
from geotools.detection.height_band import BandGap, HeightBand, _bodies
from geotools.errors import InputError


def test_check_points_are_read_and_a_wrong_one_is_named(tmp_path):
    file = tmp_path / "points.csv"
    file.write_text("\ufeffid, X ,y,Z\n1,10,20,3.5\n2,11,21,4.5\n3,12,22,5.5\n", encoding="utf-8")
    assert read_check_points(file).tolist() == [[10, 20, 3.5], [11, 21, 4.5], [12, 22, 5.5]]
    for text, words in (
        ("x,y\n1,2\n1,2\n1,2\n", "lack a column"), ("", "lack a column"), ("x,y,z\n1,2,3\n1,2,3\n", "too few"),
        ("x,y,z\n1,2,3\n1,b,3\n1,2,3\n", "not a number"), ("x,y,z\n1,2,3\n1,2\n1,2,3\n", "not a number"),
        ("x,y,z\n1,2,3\n1,inf,3\n1,2,3\n", "not a number"),
    ):  # fmt: skip
        file.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=words) as problem:
            read_check_points(file)
        if words == "not a number":
            assert "line 3, column" in str(problem.value)
    with pytest.raises(InputError, match="cannot be read"):
        read_check_points(tmp_path)


def test_an_estimate_by_hand():
    points = np.array([(0, 0, 1.0), (5, 0, 2.0), (9, 0, 3.0), (9, 9, 7.0)])
    made = estimate(points, np.array([1.2, 2.1, 3.3, np.nan]), 6.0)
    assert (made.points, made.correlation_m) == (3, 6.0)
    assert made.bias_m == pytest.approx(0.2) and made.sigma_m == pytest.approx(0.1)
    assert made.rmse_m == pytest.approx(np.sqrt((0.04 + 0.01 + 0.09) / 3))
    with pytest.raises(InputError, match="2 of 4 inside"):
        estimate(points, np.array([1.0, 2.0, np.nan, np.nan]), 6.0)


def test_the_correlation_length_of_a_made_field_is_found():
    rng = np.random.default_rng(5)
    xy = rng.uniform(0.0, 60.0, (700, 2))
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    for length in (4.0, 9.0, 18.0):
        drawn = np.linalg.cholesky(np.exp(-((apart / length) ** 2)) + 1e-6 * np.eye(700)) @ rng.standard_normal(700)
        assert correlation_length(xy, drawn) == pytest.approx(length, rel=0.25)
    assert correlation_length(xy[:29], drawn[:29]) is None and correlation_length(xy[:30], drawn[:30]) is not None


@pytest.mark.parametrize("measured", [False, True])
def test_drawn_errors_have_the_covariance_they_are_given(measured):
    """Sample covariance of 4000 draws against exp(-(d / length)^2), or what kriging from three places leaves of it."""
    x, y, length, sigma = np.arange(0.0, 6.0, 1.5), np.array([-1.0, 0.0, 1.0]), 3.0, 0.05
    there = Measured(np.array([0.0, 3.2, 9.0]), np.array([0.5, -1.0, 0.0]), 0.2) if measured else None
    drawn = error_field(x, y, Accuracy(sigma, correlation_m=length), np.random.default_rng(1), 4000, there)
    assert drawn.shape == (4000, 4, 3)
    at = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)

    def together(a, b):
        return np.exp(-((a[:, None] - b[None]) ** 2).sum(axis=2) / length**2)

    wanted = together(at, at)
    if there is not None:
        known = np.column_stack([there.chainage_m, there.offset_m])
        inner = together(known, known) + there.noise * np.eye(3)
        wanted = wanted - together(at, known) @ np.linalg.solve(inner, together(known, at))
    found = np.cov(drawn.reshape(4000, -1).T) / sigma**2
    assert np.abs(found - wanted).max() < 0.08
    assert np.abs(drawn.mean(axis=0)).max() < 5 * sigma / np.sqrt(4000)


def test_one_station_and_a_suppliers_word():
    alone = error_field(np.array([2.0]), np.array([-1.0, 1.0]), Accuracy(0.1), np.random.default_rng(0), 3)
    assert alone.shape == (3, 1, 2) and np.isfinite(alone).all()
    word = Accuracy(0.1)
    assert (word.bias_m, word.rmse_m, word.points) == (0.0, 0.0, 0)


class Stack:
    """A perimeter of one zone in the place of the engine: modulation by body is given, who passes follows from it."""

    def __init__(self, seen, more=()):
        self.seen_, self.more = seen, more
        bodies = {f"{base:.1f}": SimpleNamespace(base_m=base) for base in (0.0, 0.1, 0.2, 0.3, 0.4)}
        self.rules, self.zones = SimpleNamespace(targets=bodies), {"Z": SimpleNamespace(zone_id="Z")}
        self.grids = {"Z": StripGrid.over(BeamLine(0, 0, 10, 0), 2.0, 1.0)}

    def own(self, _):
        return {name: np.full((11, 5), m) for name, m in zip(self.rules.targets, self.seen_, strict=True)}

    def dead(self, _, own=None):
        return {name: m.max(axis=1) < 0.2 for name, m in (own or self.own("Z")).items()}

    def strip(self, _):
        return None

    def modulations(self, cases):
        assert [case.pairs for case, _ in cases] == [(pair,) for pair, _ in self.more]
        return [dict(zip(self.rules.targets, self.own_of(each), strict=True)) for _, each in self.more]

    @staticmethod
    def own_of(each):
        return [np.full((11, 5), m) for m in each]


def test_the_first_head_that_leaves_nothing_of_a_gap_closes_it(monkeypatch):
    monkeypatch.setattr("geotools.detection.height_band.replace", lambda zone, pairs: SimpleNamespace(pairs=pairs))
    more = [("low", (0.3, 0.3, 0.1, 0.0, 0.0)), ("half", (0, 0.3, 0.1, 0.3, 0)), ("mid", (0, 0.3, 0.3, 0.0, 0.0))]
    more += [("all", (0.3, 0.3, 0.3, 0.3, 0.3))]
    band = HeightBand("bridge", Stack((0.5, 0.1, 0.1, 0.5, 0.1), more))
    gap = BandGap("bridge", 0.1, 0.2, 0.1, 5.0)
    pairs = [pair for pair, _ in more]
    assert band.closing(gap, 2.0, pairs) == "mid"
    band.perimeter.more = more[:2]
    assert band.closing(gap, 2.0, pairs[:2]) is None
    assert band.closing(BandGap("bridge", 0.1, 0.1, 0.1, 5.0), 2.0, pairs[:2]) == "low"
    middle = band._middle(2.0)
    assert np.flatnonzero(middle).tolist() == [2, 3, 4, 5, 6, 7, 8]


def test_bodies_of_a_band_stand_a_tenth_of_a_metre_apart():
    made = _bodies(Target("bridge", 0.5, 0.4, 0.95))
    bases = [body.base_m for body in made.values()]
    assert bases[0] == 0.0 and bases[-1] == pytest.approx(0.95) and len(bases) == 11
    assert np.diff(bases) == pytest.approx(0.095) and {b.height_m for b in made.values()} == {0.5}
    assert len(_bodies(Target("walk", 1.7, 0.5))) == 1 and len(_bodies(Target("hop", 1.0, 0.5, 0.2))) == 3


def test_the_deepest_dip_of_those_a_survey_could_miss(monkeypatch):
    asked = []
    monkeypatch.setattr(hidden, "roughness_of", lambda levels, spacing, resolves: (levels, spacing, resolves))
    monkeypatch.setattr(
        hidden, "could_hide", lambda quality, rough, length: asked.append(length) or length / (1 + length**2)
    )

    zones = SimpleNamespace(grids={"Z": StripGrid.over(BeamLine(0, 0, 10, 0), 2.0, 0.5)}, levels=lambda _: "levels")

    def found(dip, resolves):
        asked.clear()
        quality = type("Quality", (), {"resolves_m": resolves})()
        made = hidden.hidden_depth(zones, "Z", hidden.Hidden(quality, dip))
        return made, (asked[0], asked[-1]) if asked else None

    assert found(0.0, 5.0) == (0.0, None)
    assert found(2.0, 8.0) == (pytest.approx(0.4), (pytest.approx(2.0), pytest.approx(8.0)))
    assert found(2.0, 50.0)[1] == (pytest.approx(2.0), pytest.approx(12.0))
    assert found(3.0, 1.0)[1] == (pytest.approx(3.0), pytest.approx(3.0))
    assert found(0.25, 4.0)[0] == pytest.approx(0.5) and hidden.Hidden(None, 0.9).spacing_m == pytest.approx(0.3)
    assert hidden.DEEP_ENOUGH_M == 0.01 and accuracy.PER_95 == 1.96


def test_errors_that_are_a_tilt_go_together_as_far_as_may_be_said_and_no_farther():
    """Sixty points in a row, a metre apart. Of their 1770 pairs the nearest third is looked at, 590; the last of its 15
    classes are 39 pairs of the 49 that lie 11 m apart. A tilt has no length of its own: twice those 11 m is the most.
    """
    row = np.column_stack([np.arange(60.0), np.zeros(60)])
    assert correlation_length(row, 0.01 * row[:, 0]) == pytest.approx(22.0)


def test_white_noise_is_smoothed_alike_from_the_first_station_to_the_last():
    """Products of the weights are exp(-(d / length)^2), at both ends of a strip as in its middle and beyond it."""
    at, also, length = np.arange(0.0, 30.5, 0.5), np.array([-4.0, 36.0]), 3.0
    along, there = accuracy._kernel(at.tobytes(), also.tobytes(), length)
    for one, other, a, b in ((along, along, at, at), (along, there, at, also)):
        assert one @ other.T == pytest.approx(np.exp(-((np.subtract.outer(a, b) / length) ** 2)), abs=0.01)
    alone, _ = accuracy._kernel(at.tobytes(), b"", length)
    together = alone @ alone.T
    assert together == pytest.approx(np.exp(-((np.subtract.outer(at, at) / length) ** 2)), abs=0.01)
    # and the same from whichever end it is looked at
    assert together == pytest.approx(together[::-1, ::-1], abs=1e-12)


def test_a_head_closes_a_gap_whatever_is_left_open_below_it():
    """Bodies pass with their undersides at the ground and at 0.2 m: two gaps, each closed by itself."""
    band = HeightBand("bridge", Stack((0.1, 0.5, 0.1, 0.5, 0.1), [("mid", (0.0, 0.0, 0.3, 0.0, 0.0))]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("geotools.detection.height_band.replace", lambda zone, pairs: SimpleNamespace(pairs=pairs))
        assert band.closing(BandGap("bridge", 0.2, 0.2, 0.1, 5.0), 2.0, ["mid"]) == "mid"
        assert band.closing(BandGap("bridge", 0.0, 0.0, 0.1, 5.0), 2.0, ["mid"]) is None


@pytest.mark.parametrize(("before", "after"), [(None, 0.3), (0.05, 0.35)])
def test_in_a_hidden_dip_a_body_lies_that_much_lower_than_it_lies_already(before, after):
    """One who passes above the ground stays where it was."""
    flat = np.zeros((5, 3))
    drop = None if before is None else flat + before
    targets = {"prone": SimpleNamespace(base_m=0.0), "jump": SimpleNamespace(base_m=0.4)}
    stand_in = SimpleNamespace(
        zones={"Z": "zone"},
        rules=SimpleNamespace(targets=targets),
        strip=lambda _: Strip(np.arange(5.0), np.arange(-1.0, 2.0), flat, drop_m=drop),
        own=lambda _: {"prone": flat + 0.9, "jump": flat + 0.8},
        modulation=lambda zone, strip: dict.fromkeys(targets, strip.drop_m),
        dead=lambda zone_id, own: own,
    )
    met = hidden.open_in_a_hidden_dip(stand_in, "Z", 0.3)
    assert met["prone"] == pytest.approx(flat + after) and met["jump"] == pytest.approx(flat + 0.8)
