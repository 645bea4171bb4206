"""Which modules faults are put into, and the narrow tests of each, the quickest first.

Left out are modules that draw or write (sheets, pictures, rows of layers): their tests look at what is drawn, not at
numbers. So are modules that compute and have no test quicker than a whole step: `detection.heights_ahead` and
`null_heights`, `earthwork.applied`, `tin` and `works`. What is asked of a module is less than the whole suite asks; a
fault that survives here may be caught there.
"""

from __future__ import annotations

__all__ = ["MODULES", "narrow_tests"]

_BEAM = tuple(
    f"tests/beam/test_{name}.py"
    for name in (
        "heads_by_hand",
        "grids_by_hand",
        "bodies_by_hand",
        "fields_by_hand",
        "ground_by_hand",
        "heads_differ",
        "closed_forms",
        "terrain_exact",
        "solver",
    )
) + tuple(f"tests/beam/test_{name}.py" for name in ("cross_slope", "cells", "trade", "laws"))
_MOVERS = tuple(
    f"tests/beam/test_{name}.py" for name in ("movers_by_hand", "beside_by_hand", "bodies_by_hand", "nuisance")
)
_SPACE = (
    "a_tilted_mirror_that_is_not_turned_first_is_still_the_image_sum",
    "azimuth_and_elevation_patterns_are_kept_apart",
    "heads_of_different_height_are_not_swapped",
)
_PERIMETER = tuple(
    f"tests/detection/test_{name}.py"
    for name in (
        "short_ways_by_hand",
        "ground_between_by_hand",
        "chain_by_hand",
        "places_by_hand",
        "perimeter_by_hand",
        "silent_strips_by_hand",
        "ways_by_hand",
        "heads_and_rules",
        "perimeter",
        "gaps_kernel",
    )
)
_DRAWN = "tests/detection/test_survey_by_hand.py"
_DRAWN_WAYS = "tests/detection/test_ways_by_hand.py"
_REACH = "tests/detection/test_level_reach.py"
_PLACES = "tests/detection/test_places_by_hand.py"
_ALONG = "tests/detection/test_along_fence_by_hand.py"
_REACHED = (
    "tests/detection/test_ground_between_by_hand.py",
    "tests/detection/test_reach_by_hand.py",
    "tests/detection/test_strongest_by_hand.py",
    "tests/detection/test_operating.py",
    _REACH,
)
_SURVEY = "tests/steps/gaps/test_gaps_uncertainty.py"
_HELD = "tests/detection/test_perimeter_by_hand.py"
_SURE = "tests/detection/test_confidence_by_hand.py"
_UNKNOWN = (
    _SURE,
    "tests/detection/test_worlds_by_hand.py",
    "tests/detection/test_ground_between_by_hand.py",
    "tests/detection/test_heads_and_rules.py",
    "tests/detection/test_unknowns.py",
)
_BY_HAND = tuple(
    f"tests/earthwork/test_{name}_by_hand.py" for name in ("limits", "ways_and_bounds", "windows", "grading", "solving")
)
_GRADING = (*_BY_HAND, *(f"tests/earthwork/test_{name}.py" for name in ("programme", "window")))
_GROUPS = (
    *_BY_HAND,
    *(f"tests/earthwork/test_{name}_by_hand.py" for name in ("choice_of_works", "proofs")),
    "tests/earthwork/test_built.py::test_the_headroom_is_kept_over_the_threshold_not_under_it",
    "tests/earthwork/test_zones.py::test_heads_stay_within_their_limits",
    "tests/earthwork/test_zones.py::test_two_zones_over_one_dip_are_both_proven_on_the_whole_surface",
)
_WATER = (
    "tests/earthwork/test_ways_and_bounds_by_hand.py",
    "tests/earthwork/test_water_by_hand.py",
    "tests/earthwork/test_water_edges_by_hand.py",
    *(f"tests/earthwork/test_{name}.py" for name in ("water", "small_pits")),
)
_CHANNELS = "tests/steps/channels/test_channels_by_hand.py"
_DRAIN = "tests/steps/drain/test_drain_by_hand.py"
_LAID = tuple(
    f"tests/steps/layout/test_{name}_by_hand.py"
    for name in ("beams", "lines", "rules", "priced", "posts", "sieves", "walls")
)
_ZONING = (*_LAID, *(f"tests/steps/layout/test_{name}.py" for name in ("zoning", "layout_kernel")))

_TESTS: dict[str, tuple[str, ...]] = {
    **{f"beam.{name}": _BEAM for name in ("antenna", "closed_form", "cross_section", "field", "grid", "profile")},
    **{f"beam.{name}": _BEAM for name in ("strip", "sweep", "targets", "wave")},
    "beam.standing": (_BEAM[2], "tests/beam/test_two_rays_by_hand.py", "tests/beam/test_heads_by_hand.py", _DRAWN_WAYS),
    "beam.cells": (_BEAM[1], "tests/beam/test_fields_by_hand.py", _BEAM[2], "tests/beam/test_cells.py"),
    "beam.draws": ("tests/beam/test_draws.py",),
    "beam.field3d": (
        *(f"tests/beam/test_{name}_by_hand.py" for name in ("march", "fields")),
        # the quickest of them: what they miss is a survivor
        *(f"tests/beam/test_field3d.py::test_{name}" for name in _SPACE),
    ),
    "beam.interference": (_BEAM[0], *_BEAM[2:5], "tests/beam/test_interference.py"),
    **{f"beam.{name}": _MOVERS for name in ("movers", "nuisance", "response")},
    "beam.rain": ("tests/beam/test_rain.py",),
    **{
        f"detection.{name}": _PERIMETER
        for name in ("areas", "cases", "crossing", "perimeter", "topology", "ways", "solved", "joined")
    },
    "detection.chain": (*_PERIMETER, "tests/detection/test_chain_meeting.py"),
    "detection.spots": _PERIMETER,
    "detection.findings": (_ALONG, *_PERIMETER),
    "detection.chains": (_ALONG, *_PERIMETER),
    "detection.accuracy": (_DRAWN, *_UNKNOWN, _SURVEY),
    "detection.causes": (_DRAWN_WAYS, "tests/detection/test_causes.py"),
    "detection.envelope": (
        _PLACES,
        "tests/detection/test_envelope.py",
        "tests/beam/test_laws.py",
    ),
    "detection.height_band": (
        _DRAWN,
        "tests/detection/test_level_ground.py",
    ),
    "detection.height_search": (
        _SURE,
        _PLACES,
        "tests/detection/test_opened.py",
        "tests/detection/test_height_search.py",
    ),
    "detection.hidden": (
        _DRAWN,
        "tests/detection/test_hidden.py",
    ),
    "detection.level_ground": (_HELD, "tests/detection/test_level_ground.py", "tests/detection/test_one_engine.py"),
    **{f"detection.{name}": _REACHED for name in ("nuisance", "operating", "level_reach")},
    "detection.resurvey": (
        _PLACES,
        "tests/detection/test_resurvey.py",
    ),
    "detection.walked": (_ALONG, "tests/detection/test_walked.py"),
    "detection.second_opinion": ("tests/detection/test_second_opinion.py",),
    "detection.certainty": (_SURE, "tests/detection/test_questions_by_hand.py", _SURVEY),
    "detection.sensitivity": ("tests/detection/test_costs_by_hand.py", *_UNKNOWN, _SURVEY),
    "detection.straight": ("tests/detection/test_straight.py", "tests/detection/test_one_engine.py"),
    "detection.unknowns": _UNKNOWN,
    "detection.stretches": (_ALONG, _SURE, "tests/detection/test_verdicts.py"),
    "detection.verdicts": (_SURE, "tests/detection/test_heads_and_rules.py", "tests/detection/test_verdicts.py"),
    "earthwork.known": ("tests/earthwork/test_known_by_hand.py", *_GRADING),
    **{f"earthwork.{name}": _GRADING for name in ("limits", "linear", "prices", "programme", "solving", "window")},
    **{f"earthwork.{name}": _GROUPS for name in ("demand", "group", "zone_grading", "zones")},
    "earthwork.buildable": ("tests/earthwork/test_machines_by_hand.py",),
    "earthwork.falls": (*_WATER, *_GRADING),
    "earthwork.proof": (
        "tests/earthwork/test_rounds_by_hand.py",
        "tests/earthwork/test_proof.py",
    ),
    "earthwork.volumes": (
        _BY_HAND[2],
        "tests/earthwork/test_volumes.py",
    ),
    "earthwork.water": _WATER,
    **{f"steps.layout.{name}": _ZONING for name in ("edgelist", "edges", "kernel", "lines", "walls", "zoning")},
    "steps.layout.chain": (
        _LAID[1],
        "tests/steps/layout/test_chain.py",
    ),
    "steps.layout.checks": (
        _LAID[2],
        "tests/steps/layout/test_checks.py",
    ),
    "steps.layout.width": (
        *_LAID[:2],
        _LAID[-1],
        "tests/steps/layout/test_width.py",
    ),
    "steps.channels.colouring": (
        _CHANNELS,
        "tests/steps/channels/test_colouring.py",
    ),
    "steps.channels.kernel": (
        _CHANNELS,
        "tests/steps/channels/test_channels_kernel.py",
    ),
    "steps.drain.kernel": (
        _DRAIN,
        "tests/steps/drain/test_drain_kernel.py",
    ),
}

MODULES = tuple(f"geotools.{name}" for name in _TESTS)


def narrow_tests(module: str) -> tuple[str, ...]:
    """Narrow tests of a module."""
    return _TESTS[module.removeprefix("geotools.")]
