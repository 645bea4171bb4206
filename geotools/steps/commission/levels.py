"""The level that a beam is expected to stand at, and the range of it with heads as they get mounted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from geotools.beam.antenna import pointing_loss
from geotools.beam.field import BeamField
from geotools.beam.profile import Beam
from geotools.beam.wave import solve_each
from geotools.detection.perimeter import Perimeter
from geotools.plan import ids
from geotools.site import Site

__all__ = ["BeamLevel", "beams_of", "expected_levels", "levels_of", "pointing_db", "shift_for"]

#: How far both heads are moved, up or down, in the search for heights that explain a level, and in which steps, m.
_SHIFT_M, _SHIFT_STEP_M = 0.20, 0.02
#: No head is looked at below this height, m.
_LOWEST_M = 0.10


@dataclass(frozen=True)
class BeamLevel:
    """Levels against free space, dB: as planned, and the lowest and highest within tolerance."""

    expected: float
    low: float
    high: float


def beams_of(perimeter: Perimeter) -> dict[tuple[str, str], Beam]:
    """Every beam over the ground of its zone, by zone and level."""
    found: dict[tuple[str, str], Beam] = {}
    for zone_id, zone in perimeter.zones.items():
        strip = perimeter.strip(zone_id)
        for pair in zone.pairs:
            name = ids.beam_id(zone_id, pair.level)
            found[zone_id, pair.level] = strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m, name=name)
    return found


def levels_of(beams: Mapping[tuple[str, str], Beam]) -> dict[tuple[str, str], float]:
    """Level of every beam against free space, dB."""
    return dict(zip(beams, solve_each(list(beams.values()), _standing_db), strict=True))


def _standing_db(field: BeamField) -> float:
    return field.standing_level_db


def pointing_db(beam: Beam, aside_deg: float) -> float:
    """Level lost, dB (positive), when one head points so far to the side of the other."""
    x = np.asarray(beam.chainage_m, float)
    return -20.0 * math.log10(max(pointing_loss(beam.head_type, float(x[-1] - x[0]), (aside_deg, 0.0)), 1e-12))


def _shifted(beam: Beam, tx_m: float, rx_m: float) -> Beam:
    return replace(
        beam,
        tx_height_m=max(beam.tx_height_m + tx_m, _LOWEST_M),
        rx_height_m=max(beam.rx_height_m + rx_m, _LOWEST_M),
    )


def expected_levels(site: Site, beams: Mapping[tuple[str, str], Beam]) -> dict[tuple[str, str], BeamLevel]:
    """Expected level and range of every beam.

    The range holds heads off their height by `detection.head_tolerance_m`, each up or down, grass up to
    `detection.grass_m` that reflects at its top, and one head pointing aside by `detection.aim_tolerance_deg`; what the
    survey does not show of the ground is not in it.
    """
    d = site.detection
    moves = list(product((0.0, -d.head_tolerance_m, d.head_tolerance_m), repeat=2))
    # grass that reflects at its top is ground that much nearer to both heads
    shifts = [(a - grass, b - grass) for grass in sorted({0.0, d.grass_m}) for a, b in moves]
    asked = [_shifted(beam, *shift) for beam in beams.values() for shift in shifts]
    # the levels alone are kept: the fields of all beams of a border, each shifted nine ways or more, are gigabytes
    levels = np.array(solve_each(asked, _standing_db)).reshape(len(beams), len(shifts))
    return {
        key: BeamLevel(float(row[0]), float(row.min()) - pointing_db(beam, d.aim_tolerance_deg), float(row.max()))
        for (key, beam), row in zip(beams.items(), levels, strict=True)
    }


def shift_for(beam: Beam, wanted_db: float, close_db: float = 1.0) -> float | None:
    """The smallest move of both heads, m, that makes the beam stand near a level; None where none within 0.2 m does."""
    steps = np.arange(1, round(_SHIFT_M / _SHIFT_STEP_M) + 1) * _SHIFT_STEP_M
    shifts = [float(sign * step) for step in steps for sign in (-1, 1)]
    levels = solve_each([_shifted(beam, shift, shift) for shift in shifts], _standing_db)
    return next((s for s, db in zip(shifts, levels, strict=True) if abs(db - wanted_db) <= close_db), None)
