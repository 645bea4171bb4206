"""Expected levels against the two-ray sum, readings with a reference of their own, and causes that hold when re-run."""

import math
import weakref
from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HeadType, wave
from geotools.beam.profile import Beam
from geotools.beam.wave import solve_beams
from geotools.errors import InputError
from geotools.site import Site
from geotools.steps.commission.causes import level_causes, setting_causes
from geotools.steps.commission.levels import expected_levels, levels_of, pointing_db, shift_for
from geotools.steps.commission.reading import deviations, read_form

HEAD = HeadType("10 GHz", 10.5e9, 6.0, 6.0, 150.0)
SITE = Site.model_validate({"name": "A", "input": {"fence": "f.geojson", "terrain": "t.tif"}})


def flat(height: float, length: float = 100.0) -> Beam:
    x = np.arange(0.0, length + 0.25, 0.5)
    return Beam(HEAD, x, np.zeros_like(x), height, height)


def two_ray(height: float, length: float = 100.0) -> float:
    """Direct and mirrored ray in decibels against the direct one; a Gaussian beam, 3 dB down at half its width."""
    phase = 2 * math.pi * HEAD.frequency_hz / 299_792_458.0 * 2 * height**2 / length
    off_axis = math.degrees(2 * height / length)
    mirrored = 10 ** (-2 * 12 * (off_axis / HEAD.beamwidth_el_deg) ** 2 / 20)
    return 20 * math.log10(abs(1 - mirrored * complex(math.cos(phase), math.sin(phase))))


@pytest.mark.parametrize("height", [0.9, 1.0])
def test_the_range_holds_the_two_ray_levels_of_heads_mounted_a_little_off(height):
    d = SITE.detection
    (level,) = expected_levels(SITE, {("Z", "main"): flat(height)}).values()
    ends = [two_ray(height + s * d.head_tolerance_m) for s in (-1, 1)]
    assert level.expected == pytest.approx(two_ray(height), abs=0.2)
    # pointing aside takes from the low end alone
    assert level.low == pytest.approx(min(ends) - pointing_db(flat(height), d.aim_tolerance_deg), abs=0.5)
    assert level.high == pytest.approx(max(ends), abs=0.5)


def test_grass_widens_the_range():
    mown, grown = (
        expected_levels(
            SITE.model_copy(update={"detection": SITE.detection.model_copy(update={"grass_m": g})}),
            {("Z", "main"): flat(0.9)},
        )
        for g in (0.0, 0.1)
    )
    (a,), (b,) = mown.values(), grown.values()
    assert b.expected == a.expected
    # a mirror at the top of the grass is a head 0.1 m lower
    assert b.low <= a.low and b.high >= a.high and b.high - b.low > a.high - a.low
    assert b.low - 0.5 <= two_ray(0.8) <= b.high + 0.5


def test_a_move_that_is_named_gives_the_level_that_was_read():
    beam = flat(0.9)
    lower = levels_of({("Z", "main"): flat(0.80)})["Z", "main"]
    shift = shift_for(beam, lower)
    assert shift is not None and abs(shift) <= 0.12
    moved = replace(beam, tx_height_m=0.9 + shift, rx_height_m=0.9 + shift)
    assert solve_beams([moved])[0].standing_level_db == pytest.approx(lower, abs=1.0)


def test_a_loss_names_an_aim_that_loses_as_much_and_a_head_turned():
    beam = flat(0.9)
    model = levels_of({("Z", "main"): beam})["Z", "main"]
    said = "; ".join(level_causes(SITE, beam, model, -4.0))
    aside = float(said.split("one head pointing ")[1].split(" ")[0])
    assert pointing_db(beam, aside) >= 4.0 > pointing_db(beam, aside - 0.11)
    assert "turned by 90" not in said and "obstacle" in said
    assert "turned by 90" in "; ".join(level_causes(SITE, beam, model, -19.0))


def test_a_gain_names_the_null_only_where_there_is_one():
    beam = flat(0.9)
    assert "in a null" in "; ".join(level_causes(SITE, beam, -14.0, 5.0))
    said = "; ".join(level_causes(SITE, beam, 4.0, 5.0))
    assert "null" not in said and "another transmitter" in said


def test_readings_find_their_own_reference():
    model = {"a": -40.0, "b": -42.0, "c": -44.0, "d": -41.0}
    read = {head: value - 37.5 for head, value in model.items()}
    read["c"] -= 4.0
    apart, few = deviations(read, model, dict.fromkeys(model, "10 GHz"))
    assert few == []
    assert apart == pytest.approx({"a": 0.0, "b": 0.0, "c": -4.0, "d": 0.0})


def test_two_readings_of_a_type_say_nothing():
    apart, few = deviations({"a": 1.0, "b": 9.0}, {"a": 0.0, "b": 0.0}, {"a": "24 GHz", "b": "24 GHz"})
    assert (apart, few) == ({}, ["24 GHz"])


def a_row(**filled):
    planned = {"height_m": 0.9, "grid_azimuth_deg": 359.5, "tilt_deg": 0.2, "polarisation": "vertical", "channel": 2}
    return planned | {f"as_set_{name}": value for name, value in filled.items()}


@pytest.mark.parametrize(
    ("filled", "said"),
    [
        ({"height_m": 0.92}, []),
        ({"height_m": 0.86}, ["height 0.86 m, planned 0.90 m"]),
        ({"azimuth_deg": 0.4}, []),
        ({"azimuth_deg": 2.0}, ["aim 2.5 degrees right of that planned"]),
        ({"azimuth_deg": 357.0}, ["aim 2.5 degrees left of that planned"]),
        ({"tilt_deg": -1.5}, ["tilt -1.5 degrees, planned +0.2"]),
        (
            {"polarisation": "horizontal", "channel": 3},
            ["polarisation horizontal, planned vertical", "channel 3, planned 2"],
        ),
    ],
)
def test_settings_off_by_more_than_their_tolerance_are_named(filled, said):
    assert setting_causes(SITE, a_row(**filled)) == said


def form(tmp_path, *lines: str):
    path = tmp_path / "commission.csv"
    head = "head_id,as_set_height_m,as_set_level_db,as_set_polarisation,as_set_channel,set_on,remark"
    path.write_text("\n".join([head, *lines]), "utf-8")
    return path


def test_a_form_is_read_as_people_fill_it_in(tmp_path):
    filled = read_form(form(tmp_path, "A,0.91,-61.5,h,3,2027-05-03,dry", "B,,,,,,", '"C","0,87","−60,25",Vertical,,,'))
    assert set(filled) == {"A", "C"}
    assert filled["A"]["as_set_polarisation"] == "horizontal" and filled["A"]["as_set_channel"] == 3
    assert filled["A"]["set_on"].isoformat() == "2027-05-03" and filled["A"]["remark"] == "dry"
    assert (filled["C"]["as_set_height_m"], filled["C"]["as_set_level_db"]) == (0.87, -60.25)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("A,91,,,,,", "out of range"),
        ("A,high,,,,,", "not a number"),
        ("A,0.9,,slanted,,,", "vertical or horizontal"),
        ("A,0.9,,,,3 May,", "not a date"),
        (",0.9,,,,,", "names no head"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_place(tmp_path, line, said):
    with pytest.raises(InputError, match=said) as caught:
        read_form(form(tmp_path, line))
    assert "row 2" in str(caught.value)


def test_a_head_filled_in_twice_is_refused(tmp_path):
    with pytest.raises(InputError, match="twice"):
        read_form(form(tmp_path, "A,0.9,,,,,", "A,0.8,,,,,"))


@pytest.mark.parametrize("levels", [lambda beams: expected_levels(SITE, beams), levels_of], ids=["expected", "as set"])
def test_fields_are_dropped_once_their_level_is_read(monkeypatch, levels):
    """A border has thousands of beams, each asked about with its heads a little off: half a megabyte a field."""
    alive: list[weakref.ref] = []
    most = []
    real = wave._field

    def watched(*given):
        field = real(*given)
        alive.append(weakref.ref(field))
        most.append(sum(one() is not None for one in alive))
        return field

    monkeypatch.setattr(wave, "_field", watched)
    found = levels({("Z", f"{k}"): flat(0.9 + 0.01 * k, 20.0) for k in range(12)})
    assert len(found) == 12 and len(most) >= 12
    assert max(most) <= 2


def test_what_is_made_of_each_field_comes_in_the_order_of_the_beams():
    beams = [flat(height, length) for height, length in ((0.9, 40.0), (0.3, 20.0), (0.6, 40.0), (0.5, 25.0))]
    assert wave.solve_each(beams, lambda field: field.standing_level_db) == [
        field.standing_level_db for field in solve_beams(beams)
    ]
