"""What is off at a head, and what commonly causes it, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geotools.beam.profile import Beam
from geotools.beam.standing import NULL_DB
from geotools.site import Site
from geotools.steps.commission.levels import pointing_db, shift_for

__all__ = ["OFF_DB", "level_causes", "setting_causes"]

#: A level so far off its prediction is reported with likely causes, dB.
OFF_DB = 3.0
#: Steps in which an aim is looked for that explains a loss, degrees.
_AIM_STEP_DEG = 0.1
#: A loss within so many dB of that between crossed polarisations looks like a head that was turned.
_CROSSED_WITHIN_DB = 6.0


def setting_causes(site: Site, row: Mapping[str, Any]) -> list[str]:
    """Fields that differ from what the head is to be set to by more than their tolerance."""
    d = site.detection
    found = []
    height, aim, tilt = (row.get(name) for name in ("as_set_height_m", "as_set_azimuth_deg", "as_set_tilt_deg"))
    if height is not None and abs(height - row["height_m"]) > d.head_tolerance_m + 1e-9:
        found.append(f"height {height:.2f} m, planned {row['height_m']:.2f} m")
    if aim is not None:
        off = (aim - row["grid_azimuth_deg"] + 180.0) % 360.0 - 180.0
        if abs(off) > d.aim_tolerance_deg + 1e-9:
            found.append(f"aim {abs(off):.1f} degrees {'right' if off > 0 else 'left'} of that planned")
    if tilt is not None and abs(tilt - row["tilt_deg"]) > d.aim_tolerance_deg + 1e-9:
        found.append(f"tilt {tilt:+.1f} degrees, planned {row['tilt_deg']:+.1f}")
    for name in ("polarisation", "channel"):
        got = row.get(f"as_set_{name}")
        if got is not None and row.get(name) is not None and got != row[name]:
            found.append(f"{name} {got}, planned {row[name]}")
    return found


def level_causes(site: Site, beam: Beam, model_db: float, deviation_db: float) -> list[str]:
    """What commonly makes a level stand so far off, with the figures that the model gives for this beam.

    Parameters
    ----------
    site : Site
        Its loss between crossed polarisations.
    beam : Beam
        As set.
    model_db : float
        Level that the model gives for it, against free space, dB.
    deviation_db : float
        Level that was read less that.
    """
    found = []
    shift = shift_for(beam, model_db + deviation_db)
    if shift is not None:
        way = "higher" if shift > 0 else "lower"
        found.append(
            f"both heads {100 * abs(shift):.0f} cm {way} than entered, or the ground that much off, would do it"
        )
    if deviation_db < 0:
        aside = _aside_for(beam, -deviation_db)
        if aside is not None:
            found.append(f"one head pointing {aside:.1f} degrees aside of the other would do it")
        crossed = site.channels.cross_polar_db
        if -deviation_db > crossed - _CROSSED_WITHIN_DB:
            found.append(f"one head of the pair turned by 90 degrees loses about {crossed:.0f} dB")
        found.append("look for an obstacle in the beam, grass or snow, water on the head's front, a poor connection")
    else:
        if model_db < NULL_DB + OFF_DB:
            found.append("the model has the beam in a null, which ground rougher than surveyed fills")
        found.append("look for another transmitter on the channel, and a metal surface beside the beam")
    return found


def _aside_for(beam: Beam, loss_db: float) -> float | None:
    steps = int(beam.head_type.beamwidth_az_deg * 2 / _AIM_STEP_DEG)
    return next(
        (k * _AIM_STEP_DEG for k in range(1, steps + 1) if pointing_db(beam, k * _AIM_STEP_DEG) >= loss_db), None
    )
