"""Pure numerics of the microwave barrier: arrays in, arrays out; no files, no coordinate systems, no printing."""

from geotools.beam.antenna import HEAD_TYPES, HeadType
from geotools.beam.closed_form import fresnel_radius, knife_edge_loss_db, knife_edge_nu, two_ray_level_db
from geotools.beam.field import BeamField
from geotools.beam.profile import Beam
from geotools.beam.rain import rain_fade_db, specific_attenuation_db_per_km
from geotools.beam.targets import OVER_FENCE, TARGETS, Target
from geotools.beam.wave import solve_beam, solve_beams

__all__ = [
    "HEAD_TYPES",
    "OVER_FENCE",
    "TARGETS",
    "Beam",
    "BeamField",
    "HeadType",
    "Target",
    "fresnel_radius",
    "knife_edge_loss_db",
    "knife_edge_nu",
    "rain_fade_db",
    "solve_beam",
    "solve_beams",
    "specific_attenuation_db_per_km",
    "two_ray_level_db",
]
