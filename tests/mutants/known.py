"""Faults made by hand that the tests once passed, each with the narrow test that fails now."""

from __future__ import annotations

from dataclasses import dataclass

from tests.mutants.trying import path_of


@dataclass(frozen=True)
class KnownFault:
    """A fault in words, the module, the text that stands there once, what takes its place, and the test that fails."""

    fault: str
    module: str
    text: str
    instead: str
    test: str

    def source(self) -> str:
        """The module's source with the fault in it."""
        right = path_of(self.module).read_text(encoding="utf-8")
        if right.count(self.text) != 1:
            raise ValueError(f"{self.module}: {self.text!r} stands there {right.count(self.text)} times, 1 is needed")
        return right.replace(self.text, self.instead)


_RULES = "tests/detection/test_heads_and_rules.py"
_HEADS = "tests/beam/test_heads_differ.py"

KNOWN = (
    KnownFault(
        "heights of transmitter and receiver swapped in the field",
        "geotools.beam.sweep",
        "if reverse else (grid.tx_height_m, grid.rx_height_m)",
        "if not reverse else (grid.tx_height_m, grid.rx_height_m)",
        f"{_HEADS}::test_the_beam_runs_from_the_transmitters_height_to_the_receivers",
    ),
    KnownFault(
        "heights of transmitter and receiver swapped where a strip makes its beam",
        "geotools.beam.strip",
        "            tx_height_m,\n            rx_height_m,\n            name=name,",
        "            rx_height_m,\n            tx_height_m,\n            name=name,",
        f"{_HEADS}::test_a_low_head_has_the_shorter_dead_spot_before_it",
    ),
    KnownFault(
        "heights of transmitter and receiver swapped where a zone's heads are solved",
        "geotools.detection.solved",
        "strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m, name=name)",
        "strip.beam(pair.head_type, pair.rx_height_m, pair.tx_height_m, name=name)",
        f"{_RULES}::test_a_zone_is_solved_with_each_head_at_its_own_end_and_the_sites_grass",
    ),
    KnownFault(
        "grass ignored in a silhouette",
        "geotools.beam.strip",
        "base = max(target.base_m, grass_m)",
        "base = target.base_m",
        f"{_HEADS}::test_grass_hides_the_lower_part_of_a_body",
    ),
    KnownFault(
        "the site's grass ignored where a zone is solved",
        "geotools.detection.solved",
        "grass = self.rules.grass_m if case.grass_m is None else case.grass_m",
        "grass = 0.0 if case.grass_m is None else case.grass_m",
        f"{_RULES}::test_a_zone_is_solved_with_each_head_at_its_own_end_and_the_sites_grass",
    ),
    KnownFault(
        "grass not grown in the sensitivity",
        "geotools.detection.sensitivity",
        "grass_m=rules.grass_m + GRASS_M",
        "grass_m=rules.grass_m",
        f"{_RULES}::test_every_change_tried_is_the_site_with_that_change",
    ),
    KnownFault(
        "one head up and one down moves neither",
        "geotools.detection.sensitivity",
        '"one up, one down": (HEAD_M, -HEAD_M)',
        '"one up, one down": (0.0, 0.0)',
        f"{_RULES}::test_every_change_tried_is_the_site_with_that_change",
    ),
    KnownFault(
        "one head up and one down moves both up",
        "geotools.detection.sensitivity",
        '"one up, one down": (HEAD_M, -HEAD_M)',
        '"one up, one down": (HEAD_M, HEAD_M)',
        f"{_RULES}::test_every_change_tried_is_the_site_with_that_change",
    ),
    KnownFault(
        "worlds are tried on only where less than nothing is kept in hand",
        "geotools.detection.verdicts",
        "headroom=_AMPLE",
        "headroom=-_AMPLE",
        f"{_RULES}::test_a_zone_is_tried_no_more_only_while_half_the_threshold_is_kept_over_it",
    ),
    KnownFault(
        "worlds are tried on only where nothing is kept in hand",
        "geotools.detection.verdicts",
        "_FIRST, _AMPLE = 8, 0.5",
        "_FIRST, _AMPLE = 8, 0.0",
        f"{_RULES}::test_a_zone_is_tried_no_more_only_while_half_the_threshold_is_kept_over_it",
    ),
    KnownFault(
        "share of worlds in which a place must be detected",
        "geotools.detection.verdicts",
        "CONFIDENCE = 0.95",
        "CONFIDENCE = 0.80",
        f"{_RULES}::test_detected_is_95_worlds_of_100_and_95_percent_are_1_96_standard_deviations",
    ),
    KnownFault(
        "95 % of normal errors within one standard deviation",
        "geotools.detection.accuracy",
        "PER_95 = 1.96",
        "PER_95 = 1.0",
        f"{_RULES}::test_detected_is_95_worlds_of_100_and_95_percent_are_1_96_standard_deviations",
    ),
    KnownFault(
        "pattern across the beam with the elevation beamwidth",
        "geotools.beam.antenna",
        "    w0 = waist(k, head_type.beamwidth_az_deg)\n    near = 1.0 / (w0**2 + 2j",
        "    w0 = waist(k, head_type.beamwidth_el_deg)\n    near = 1.0 / (w0**2 + 2j",
        f"{_HEADS}::test_across_the_beam_counts_the_azimuth_beamwidth_and_up_the_elevation",
    ),
    KnownFault(
        "fill priced as cut",
        "geotools.earthwork.prices",
        "+ self.fill_m3 * fill_m3",
        "+ self.cut_m3 * fill_m3",
        "tests/earthwork/test_programme.py::test_fill_and_cut_have_their_own_prices",
    ),
    KnownFault(
        "fill priced as cut in the programme",
        "geotools.earthwork.linear",
        "prices.fill_m3 * cells.area + weight",
        "prices.cut_m3 * cells.area + weight",
        "tests/earthwork/test_programme.py::test_of_cutting_and_filling_the_cheaper_by_its_own_price_is_chosen",
    ),
    KnownFault(
        "layout is paid for dead ground",
        "geotools.steps.layout.edges",
        "+ prices.dead_ground_m * dead",
        "- prices.dead_ground_m * dead",
        "tests/steps/layout/test_zoning.py::test_ground_left_blind_costs_what_a_metre_of_it_is_priced_at",
    ),
    KnownFault(
        "headroom lowers the threshold where one zone is tried",
        "geotools.detection.perimeter",
        "return self._dead([zone_id], trial, self.rules.threshold * (1.0 + headroom))[zone_id]",
        "return self._dead([zone_id], trial, self.rules.threshold * (1.0 - headroom))[zone_id]",
        f"{_RULES}::test_headroom_is_a_higher_threshold",
    ),
    KnownFault(
        "headroom lowers the threshold where a case is tried with its neighbours",
        "geotools.detection.perimeter",
        "return self._dead(list(wanted), trial, self.rules.threshold * (1.0 + headroom))",
        "return self._dead(list(wanted), trial, self.rules.threshold * (1.0 - headroom))",
        f"{_RULES}::test_headroom_is_a_higher_threshold",
    ),
    KnownFault(
        "neighbours' heads ignored",
        "geotools.detection.joined",
        "best[:, link.nodes] = np.maximum(best[:, link.nodes], there)",
        "pass",
        "tests/detection/test_perimeter.py::test_who_passes_a_zones_own_heads_is_detected_by_the_neighbours_low_head",
    ),
    KnownFault(
        "heads that point aside lose no signal",
        "geotools.beam.wave",
        "aim_loss=pointing_loss(head, length, pan)",
        "aim_loss=1.0",
        f"{_HEADS}::test_a_pair_that_points_aside_loses_the_azimuth_patterns_share",
    ),
)
