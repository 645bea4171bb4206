"""Types of the public API. Made by `python -m geotools.engine.stub` from the declarations: do not edit."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from geopandas import GeoDataFrame
from pandas import DataFrame

from geotools.earthwork.proposed_state import ProposedState
from geotools.engine.result import Plan as _Plan
from geotools.engine.runner import Outcome
from geotools.engine.step import Step
from geotools.errors import GeotoolsWarning as GeotoolsWarning
from geotools.io.raster import Raster as Raster
from geotools.site import Site as Site

__version__: str

class Plan(_Plan):
    """A plan in memory: every layer made so far as a frame, every raster as an array."""

    fence: GeoDataFrame
    """The fence lines as they were read, in the plan's coordinate system."""
    corridor: GeoDataFrame
    """The strip of ground the beams illuminate, one area for each fence line."""
    zones: GeoDataFrame
    """Detection zones: the strip between a transmitter post and a receiver post."""
    heads: GeoDataFrame
    """Transmitter and receiver heads. Z is the head's own level: ground plus height."""
    beams: GeoDataFrame
    """Line of sight from each transmitter head to its receiver head."""
    clear_ground: GeoDataFrame
    """Ground that beams and posts may use: beside the fence, or between two fences, keep-outs taken out."""
    widths: GeoDataFrame
    """Free width of the corridor square to the line the beams follow, from obstacle to obstacle."""
    standoffs: GeoDataFrame
    """For each zone why its beam stands where it does, and the ground to keep clear on either side: the beam's own
    width, or the reach of movers that are no threat, over level ground. The step window decides on the real
    ground, a week of logged alarms on site."""
    conflicts: GeoDataFrame
    """Places in conflict with a rule of the layout: what was found, what is required, how to mend it."""
    changes: GeoDataFrame
    """What a re-run changed against the plan that stood before it, why, and what it costs where that plan has been
    built."""
    cameras: GeoDataFrame
    """Cameras that assess the zones. Z is the camera's own level."""
    views: GeoDataFrame
    """Every camera that a zone relies on, with the ground in its picture as far as its own zone's far end."""
    verdicts: GeoDataFrame
    """What may be said of every metre of fence: detected with 95 % confidence, unproven, undetected, or no beam.
    Detection: a model is no acceptance; walk-test every zone. Handle as sensitive: need-to-know."""
    dead_spots: GeoDataFrame
    """Places where the named threat crosses undetected. Detection: a model is no acceptance; walk-test every zone.
    Handle as sensitive: need-to-know."""
    crossings: GeoDataFrame
    """For each zone and threat the easiest way across, from outside to inside: the way whose largest modulation is
    smallest, all beams of all zones taken together. Handle as sensitive: need-to-know."""
    beam_levels: DataFrame
    """Received level of each beam with nobody in it, against the same heads in free space."""
    profiles: DataFrame
    """Along each zone: the ground under the beam line, and the space the easiest straight crossing has."""
    resurvey: GeoDataFrame
    """Places on the beam line where a better ground level would decide whether somebody crosses undetected. Levels
    to a centimetre (total station or levelled), on the bare ground."""
    sensitivity: DataFrame
    """Dead length of each zone and threat when one setting differs a little: threshold by 0.05, grass of 0.08 m,
    heads 0.05 m from their height; and for each source of uncertainty the length that would be detected if it
    were known."""
    nuisance_reach: GeoDataFrame
    """For each zone and mover the ground on which it reaches the threshold of the zone's receivers, whether or not
    it lives there. A model: a week of logged alarms decides."""
    set_off: GeoDataFrame
    """Places of the user's own roads, paths, trees and tracks (input.movers) with the strongest response that each
    mover there gives each zone within reach; the line runs from the place to the beam line."""
    operating_windows: GeoDataFrame
    """For each zone the range of thresholds between the strongest response that must not alarm and the weakest that
    must. A model: the walk test measures the weakest that must alarm, a week of logged alarms the strongest that
    must not."""
    window_options: DataFrame
    """Changes tried for each zone whose window is not open, each with both edges of the window after it, by one
    detection and the same field; the other zones as they stand."""
    window_surfaces: DataFrame
    """For each zone and depth of grass or snow its window, by the best estimate, in two bounds: the surface only
    hides what stands in it, or it reflects at its top. Written with `--surfaces`."""
    window_weather: DataFrame
    """For each zone the rain, standing water, snow and grass at which its operating window closes, by the best
    estimate, and the days of a year on which that is expected by the month table of the site file (placeholders
    until it gives its own). A model: logged alarms and walk tests in bad weather decide."""
    advice: GeoDataFrame
    """What closes each dead spot. Earthworks: locate buried services first; drainage, slopes and erosion are for a
    licensed civil engineer; local codes govern."""
    options: DataFrame
    """Every way to close a zone's dead spots that applies, and what opens an operating window where the user has
    accepted it, tried on the model and priced from the site file. Prices that were not set are placeholders."""
    proposed_heads: GeoDataFrame
    """Every head of the state that the remedy recommends: heads that stay, that are set to another height, that are
    added. With cut_fill.tif beside the plan it is the whole of the proposed state. Z is the head's own level over
    the proposed ground."""
    water_crossings: GeoDataFrame
    """Where the proposed works would dam a flow path and a way for the water is built, from inlet to outlet.
    Drainage is for a licensed civil engineer; local codes govern."""
    head_heights: DataFrame
    """For each level of each zone, the heights within its limits that leave the least dead length, and the price."""
    earthworks: GeoDataFrame
    """Ground to be cut or filled, by depth class, on the design surface as run again. Earthworks: locate buried
    services first; drainage, slopes and erosion are for a licensed civil engineer; local codes govern."""
    gradings: DataFrame
    """Quantities of the least earthwork of each zone by three methods, and the result of the re-run. Earthworks:
    locate buried services first; drainage, slopes and erosion are for a licensed civil engineer; local codes
    govern."""
    grading_points: GeoDataFrame
    """Points to set out before grading. Z is the design level. Earthworks: locate buried services first; drainage,
    slopes and erosion are for a licensed civil engineer; local codes govern."""
    ponds: GeoDataFrame
    """Hollows that hold water in the corridor, now and after grading. Earthworks: locate buried services first;
    drainage, slopes and erosion are for a licensed civil engineer; local codes govern."""
    flow_crossings: GeoDataFrame
    """Places where running water crosses a beam line, now and after grading. Earthworks: locate buried services
    first; drainage, slopes and erosion are for a licensed civil engineer; local codes govern."""
    as_built: GeoDataFrame
    """Ground of the new survey that is out of tolerance with the design, or was not measured closely enough to be
    called so. Earthworks: locate buried services first; drainage, slopes and erosion are for a licensed civil
    engineer; local codes govern."""
    acceptance: GeoDataFrame
    """Pass or fail of each zone by the new survey, or that it was not measured closely enough: levels, and the
    detection run on the ground as built."""
    stakeout: GeoDataFrame
    """Set-up sheet, one row a head: its post's position and levels, height above finished ground, aim. Locate buried
    services before digging for posts."""
    routes: GeoDataFrame
    """Trenches from the source points to every post, shared where they can be, and spare loops. Locate buried
    services before digging. Electrical work is for licensed practice; local codes govern."""
    route_crossings: GeoDataFrame
    """Where a trench crosses a road, a drain, a fence, a flow path or a way for water. Locate buried services before
    digging. Electrical work is for licensed practice; local codes govern."""
    supply: GeoDataFrame
    """Source points, and what reaches every post: way, voltage, drop. Locate buried services before digging.
    Electrical work is for licensed practice; local codes govern."""
    walk_test: GeoDataFrame
    """Crossings to walk: the worst places first, then even cover. Fill result (detected or missed), walked_on,
    walker and note in the field; read them back with `geotools walktest --results`. Notify the alarm station
    first, and agree on who watches the zone meanwhile. Radio exposure: while people work in front of a head,
    switch its transmitter off or keep the distance that the equipment's manual gives; limits of ICNIRP 2020 or
    IEEE C95.1, as the local authority has them. Handle as sensitive: need-to-know."""
    walk_result: DataFrame
    """What the walk test demonstrates for each zone and threat: exact binomial bounds and what to do next."""
    walk_heads: DataFrame
    """Where results contradict the model with its heads as stated: law, threshold and head heights fitted together,
    a row a head. Measure a head before it is moved."""
    commission: GeoDataFrame
    """One row a head: what it is to be set to, the level its beam is expected to stand at, fields for what it was
    set to, and what the model says of that. A model is no acceptance; walk-test every zone."""
    as_set: DataFrame
    """Each zone and threat with the heads at the heights they were set to, against the heights as planned."""
    upkeep: GeoDataFrame
    """Dated maintenance tasks at every head and zone. The equipment's manual governs. Notify the alarm station
    first, and agree on who watches the zone meanwhile. Radio exposure: while people work in front of a head,
    switch its transmitter off or keep the distance that the equipment's manual gives; limits of ICNIRP 2020 or
    IEEE C95.1, as the local authority has them."""
    upkeep_cost: DataFrame
    """What the tasks of each maintenance scheme cost over the plan's years, with the site file's prices."""
    bill: DataFrame
    """What the plan takes, by zone and for the site: quantity, unit price and amount of every item. A price that the
    site file does not state is a placeholder."""
    provenance: DataFrame
    """One row for each step that wrote into this plan: version, parameters, hashes of its input, sources."""
    crawl_gap: Raster
    """crawl gap and detection floor at every place of the corridor"""
    straightness: Raster
    """depth below the straight line between the posts (method straightness)"""
    cut_fill: Raster
    """fill (positive) and cut (negative) of the proposed state"""
    nuisance: Raster
    """largest modulation that each mover gives at every place beside the beams"""
    design: Raster
    """level of the design surface where zones are graded"""

def inspect(
    site: Site,
    plan: _Plan | None = None,
) -> Plan:
    """Checks that fence and terrain are fit for the question, and brings the fence into the plan.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Required layers that are missing are
        made first, with defaults.
    """

def layout(
    site: Site,
    plan: _Plan | None = None,
    *,
    keep: bool = False,
    extend: bool = False,
    redesign: bool = False,
) -> Plan:
    """Finds the cheapest zones along the fence, sets stacked heads at both ends of each, and checks every rule.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``heads``
        (if it is there), ``zones`` (if it is there), ``beams`` (if it is there). Required layers that
        are missing are made first, with defaults.
    keep : bool, default False
        Take the heads as they stand in the plan (edited in a GIS) and only check them against the
        rules.
    extend : bool, default False
        Leave posts and heads as they stand and add the heads that the stack now has and a zone lacks,
        only those.
    redesign : bool, default False
        Lay out anew even where heads, zones or beams were edited by hand, and discard those edits.
    """

def channels(
    site: Site,
    plan: _Plan | None = None,
    *,
    keep: bool = False,
) -> Plan:
    """Gives each zone a channel: no receiver receives a foreign transmitter, all channels used, largest margin.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``heads``, ``beams``,
        ``fence`` (if it is there), ``conflicts`` (if it is there), ``zones`` (if it is there),
        ``changes`` (if it is there). Required layers that are missing are made first, with defaults.
    keep : bool, default False
        Take the channels as they stand in the plan and only compute their margins.
    """

def cameras(
    site: Site,
    plan: _Plan | None = None,
    *,
    redesign: bool = False,
    keep: bool = False,
) -> Plan:
    """Checks whether every zone can be assessed by camera: density, lens, longest zone, line of sight.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``zones``, ``beams``,
        ``clear_ground``, ``heads``, ``fence``, ``cameras`` (if it is there), ``conflicts`` (if it is
        there), ``changes`` (if it is there). Required layers that are missing are made first, with
        defaults.
    redesign : bool, default False
        Propose cameras anew even where they were edited by hand; those that are locked stay.
    keep : bool, default False
        Take the cameras as they stand in the plan (edited in a GIS) and only compute what they cover.
    """

def gaps(
    site: Site,
    plan: _Plan | None = None,
    *,
    method: Literal["wave", "straightness"] = "wave",
    uncertainty: bool = True,
    field: Literal["auto", "2d", "3d"] = "auto",
) -> Plan:
    """Finds where each threat crosses undetected: detection floor, crawl gaps, dead spots, crossings.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``beams``, ``heads`` (if it is there). Required layers that are missing are made first, with
        defaults.
    method : {'wave', 'straightness'}, default 'wave'
        wave: the field of the beams over the ground; straightness: ground against a straight line
        between posts.
    uncertainty : bool, default True
        Also give verdicts with confidence, where to survey again, and the sensitivity to settings (wave
        only).
    field : {'auto', '2d', '3d'}, default 'auto'
        where the field is solved in three dimensions too, as a second opinion: auto where the ground
        beside the beam may decide, 3d for every zone (minutes), 2d for none (wave only, with the
        verdicts).
    """

def heights(
    site: Site,
    plan: _Plan | None = None,
    *,
    zones: Literal["dead", "every"] = "dead",
) -> Plan:
    """Searches for each beam the head heights within limits that leave the least dead length, with their price.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``beams``, ``heads`` (if it is there). Required layers that are missing are made first, with
        defaults.
    zones : {'dead', 'every'}, default 'dead'
        dead: zones with dead ground; every: all of them, to see what could be raised or lowered without
        harm.
    """

def remedy(
    site: Site,
    plan: _Plan | None = None,
    *,
    windows: str | None = None,
) -> Plan:
    """Finds what closes each dead spot, heads or earth, compares prices and runs all zones again as proposed.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``zones``, ``fence``,
        ``beams``, ``dead_spots``, ``clear_ground`` (if it is there), ``heads`` (if it is there),
        ``head_heights`` (if it is there), ``crossings`` (if it is there). Required layers that are
        missing are made first, with defaults.
    windows : str, optional
        Zones whose operating window is to be opened as `geotools window` advises: all, or names with
        commas.
    """

def window(
    site: Site,
    plan: _Plan | None = None,
    *,
    surfaces: bool = False,
    openings: bool = True,
) -> Plan:
    """Finds how far movers that are no threat set a zone off, and the thresholds between them and the threats.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``beams``, ``heads`` (if it is there), ``crossings``, ``clear_ground`` (if it is there),
        ``options`` (if it is there). Required layers that are missing are made first, with defaults.
    surfaces : bool, default False
        Also look at every window under grass and snow (nuisance.depths_m).
    openings : bool, default True
        Also search what opens a window that is not open.
    """

def grade(
    site: Site,
    plan: _Plan | None = None,
    *,
    point_spacing_m: float = 5.0,
    contour_m: float = 0.05,
) -> Plan:
    """Draws the earthwork that the remedy recommends, run again on its design, with the files to build it from.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``zones``, ``fence``,
        ``beams``, ``options``, ``heads``, ``proposed_heads``, ``water_crossings`` (if it is there).
        Required layers that are missing are made first, with defaults.
    point_spacing_m : float, 0.5 to 50 m, default 5.0
        Greatest distance of points to set out along the limit.
    contour_m : float, 0.01 to 5 m, default 0.05
        Contour interval of the drawing.
    """

def drain(
    site: Site,
    plan: _Plan | None = None,
    *,
    margin_m: float = 20.0,
    min_depth_m: float = 0.03,
    min_catchment_m2: float = 100.0,
) -> Plan:
    """Finds where water stands in the zones and where it crosses the beams, now and on the design surface.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``beams``, ``water_crossings`` (if it is there). Required layers that are missing are made
        first, with defaults.
    margin_m : float, 5 to 200 m, default 20.0
        Ground looked at beside the lines, more where a pond reaches on.
    min_depth_m : float, 0.005 to 1 m, default 0.03
        Shallower ponds are left out.
    min_catchment_m2 : float, 1 to 1e+06 m2, default 100.0
        Smaller streams are left out.
    """

def weather(
    site: Site,
    plan: _Plan | None = None,
) -> Plan:
    """Finds the rain, water, snow and grass at which each window closes, and on how many days of a year.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``beams``, ``ponds`` (if it is there). Required layers that are missing are made first, with
        defaults.
    """

def asbuilt(
    site: Site,
    plan: _Plan | None = None,
    *,
    survey: Path | str,
    points: Path | str | None = None,
    edges: Path | str | None = None,
    vertical_unit: Literal["metre", "foot", "US survey foot"] | None = None,
    tolerance_m: float = 0.03,
    least_area_m2: float = 1.0,
) -> Plan:
    """Compares a new survey with the design, runs the detection on it, and passes or fails each zone.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``beams``, ``heads``, ``gradings``, ``proposed_heads``. Required layers that are missing are
        made first, with defaults.
    survey : path
        Raster with the levels as built; required.
    points : path, optional
        The measured points that the raster was made from, a table or vector file: they are held to the
        design, not what was drawn between them.
    edges : path, optional
        A second file of that kind, such as the lines measured along edges of the works; their vertices
        count.
    vertical_unit : {'metre', 'foot', 'US survey foot'}, optional
        unit of the survey's heights where the file does not say it.
    tolerance_m : float, 0.005 to 0.5 m, default 0.03
        Difference from the design that passes, where ground was worked.
    least_area_m2 : float, 0 to 100 m2, default 1.0
        Smaller areas out of tolerance, or not measured, do not fail a zone.
    """

def stakeout(
    site: Site,
    plan: _Plan | None = None,
    *,
    state: Literal["proposed", "existing"] | None = None,
    point_order: Literal["PNEZ", "PENZ"] = "PNEZ",
    bom: bool = False,
) -> Plan:
    """Lists where each post stands, how high each head sits above finished ground, and where it is aimed.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``heads``, ``beams``,
        ``fence`` (if it is there), ``zones`` (if it is there), ``proposed_heads`` (if it is there).
        Required layers that are missing are made first, with defaults.
    state : {'proposed', 'existing'}, optional
        State to set out. Left out: as sheets.state of the site file says.
    point_order : {'PNEZ', 'PENZ'}, default 'PNEZ'
        Order of northing and easting in the point file: PNEZ for satellite receivers, PENZ for total
        stations.
    bom : bool, default False
        Begin tables with a byte order mark; instruments refuse it, some spreadsheets need it.
    """

def routes(
    site: Site,
    plan: _Plan | None = None,
) -> Plan:
    """Finds cable routes from the source points to every post, with crossings, voltage drop and spare loops.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``heads``, ``zones``,
        ``fence``, ``flow_crossings`` (if it is there), ``water_crossings`` (if it is there). Required
        layers that are missing are made first, with defaults.
    """

def walktest(
    site: Site,
    plan: _Plan | None = None,
    *,
    results: Path | str | None = None,
    state: Literal["proposed", "existing"] | None = None,
    trials: int | None = None,
    worst_share: float = 0.5,
    discard_results: bool = False,
) -> Plan:
    """Plans the crossings that demonstrate detection, and reads their results back.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``zones``, ``fence``,
        ``beams``, ``heads``, ``proposed_heads`` (if it is there), ``verdicts`` (if it is there),
        ``crossings`` (if it is there), ``walk_test`` (if it is there). Required layers that are missing
        are made first, with defaults.
    results : path, optional
        Filled-in form to read back: walk_test.csv, .xlsx or .gpkg, or a plan with its layer walk_test
        filled in.
    state : {'proposed', 'existing'}, optional
        State to walk. Left out: as sheets.state of the site file says.
    trials : int, 1 to 1000, optional
        Crossings for each zone and threat. Left out: as many as demonstrate the site file's
        probability.
    worst_share : float, 0 to 1, default 0.5
        Share of the crossings that goes to the predicted weakest places; the rest covers the zone
        evenly.
    discard_results : bool, default False
        Plan anew although results that were filled in are lost.
    """

def commission(
    site: Site,
    plan: _Plan | None = None,
    *,
    results: Path | str | None = None,
    reading: Literal["receiver", "free space"] = "receiver",
    state: Literal["proposed", "existing"] | None = None,
) -> Plan:
    """Writes a page for setting up every head with its expected level, and says what the filled-in fields mean.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``stakeout``,
        ``zones``, ``fence``, ``heads``, ``beams``, ``proposed_heads`` (if it is there),
        ``operating_windows`` (if it is there), ``walk_test`` (if it is there), ``commission`` (if it is
        there). Required layers that are missing are made first, with defaults.
    results : path, optional
        Filled-in form to read back: commission.csv, commission.gpkg, or a plan with its layer.
    reading : {'receiver', 'free space'}, default 'receiver'
        What levels were read against: a level of the receiver's own, or free space.
    state : {'proposed', 'existing'}, optional
        State that is set up. Left out: as sheets.state of the site file says.
    """

def upkeep(
    site: Site,
    plan: _Plan | None = None,
    *,
    scheme: str | None = None,
    state: Literal["proposed", "existing"] | None = None,
    start: str | None = None,
    as_of: str | None = None,
) -> Plan:
    """Dates the maintenance tasks of every head and zone, and compares the cost of maintenance schemes.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``heads``, ``zones``,
        ``fence``, ``beams``, ``proposed_heads`` (if it is there), ``upkeep`` (if it is there),
        ``window_weather`` (if it is there). Required layers that are missing are made first, with
        defaults.
    scheme : str, optional
        Maintenance scheme to follow. Left out: as the site file says.
    state : {'proposed', 'existing'}, optional
        State to maintain. Left out: as sheets.state of the site file says.
    start : str, optional
        First day of the plan, year-month-day. Left out: as the site file says, else today.
    as_of : str, optional
        Day before which open tasks are overdue, year-month-day. Left out: none is overdue.
    """

def bill(
    site: Site,
    plan: _Plan | None = None,
) -> Plan:
    """Lists what the plan takes by zone and for the site, with quantity, price and amount of every item.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``heads``, ``cameras``
        (if it is there), ``options`` (if it is there), ``proposed_heads`` (if it is there),
        ``water_crossings`` (if it is there), ``routes`` (if it is there), ``upkeep`` (if it is there),
        ``upkeep_cost`` (if it is there). Required layers that are missing are made first, with
        defaults.
    """

def report(
    site: Site,
    plan: _Plan | None = None,
) -> Plan:
    """Writes the plan as a report: a summary first, then a sheet for each zone; HTML and PDF.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``,
        ``corridor`` (if it is there), ``zones``, ``heads``, ``beams``, ``clear_ground`` (if it is
        there), ``widths`` (if it is there), ``standoffs`` (if it is there), ``conflicts`` (if it is
        there), ``changes`` (if it is there), ``cameras`` (if it is there), ``views`` (if it is there),
        ``verdicts`` (if it is there), ``dead_spots`` (if it is there), ``crossings`` (if it is there),
        ``beam_levels`` (if it is there), ``profiles`` (if it is there), ``resurvey`` (if it is there),
        ``sensitivity`` (if it is there), ``nuisance_reach`` (if it is there), ``set_off`` (if it is
        there), ``operating_windows`` (if it is there), ``window_options`` (if it is there),
        ``window_surfaces`` (if it is there), ``window_weather`` (if it is there), ``advice`` (if it is
        there), ``options`` (if it is there), ``proposed_heads`` (if it is there), ``water_crossings``
        (if it is there), ``head_heights`` (if it is there), ``earthworks`` (if it is there),
        ``gradings`` (if it is there), ``grading_points`` (if it is there), ``ponds`` (if it is there),
        ``flow_crossings`` (if it is there), ``as_built`` (if it is there), ``acceptance`` (if it is
        there), ``stakeout`` (if it is there), ``routes`` (if it is there), ``route_crossings`` (if it
        is there), ``supply`` (if it is there), ``walk_test`` (if it is there), ``walk_result`` (if it
        is there), ``walk_heads`` (if it is there), ``commission`` (if it is there), ``as_set`` (if it
        is there), ``upkeep`` (if it is there), ``upkeep_cost`` (if it is there), ``bill`` (if it is
        there), ``provenance`` (if it is there). Required layers that are missing are made first, with
        defaults.
    """

def explore(
    site: Site,
    plan: _Plan | None = None,
) -> Plan:
    """Writes the plan as one page to look at: map, zones before and after the remedy, head heights to move.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence``, ``zones``,
        ``heads``, ``beams``, ``verdicts`` (if it is there), ``dead_spots`` (if it is there),
        ``options`` (if it is there), ``proposed_heads`` (if it is there), ``earthworks`` (if it is
        there), ``nuisance_reach`` (if it is there), ``set_off`` (if it is there), ``operating_windows``
        (if it is there), ``window_options`` (if it is there), ``window_weather`` (if it is there),
        ``standoffs`` (if it is there), ``bill`` (if it is there). Required layers that are missing are
        made first, with defaults.
    """

def export(
    site: Site,
    plan: _Plan | None = None,
    *,
    format: Literal["both", "geojson", "kml"] = "both",
    layers: str = "",
    heights: bool = False,
) -> Plan:
    """Writes the plan's layers as GeoJSON and KML, in longitude and latitude.

    Parameters
    ----------
    site : Site
        Fence, terrain and settings.
    plan : Plan, optional
        What another function gave back; edits of its frames count. Read from it: ``fence`` (if it is
        there), ``corridor`` (if it is there), ``zones`` (if it is there), ``heads`` (if it is there),
        ``beams`` (if it is there), ``clear_ground`` (if it is there), ``widths`` (if it is there),
        ``standoffs`` (if it is there), ``conflicts`` (if it is there), ``changes`` (if it is there),
        ``cameras`` (if it is there), ``views`` (if it is there), ``verdicts`` (if it is there),
        ``dead_spots`` (if it is there), ``crossings`` (if it is there), ``resurvey`` (if it is there),
        ``nuisance_reach`` (if it is there), ``set_off`` (if it is there), ``operating_windows`` (if it
        is there), ``advice`` (if it is there), ``proposed_heads`` (if it is there), ``water_crossings``
        (if it is there), ``earthworks`` (if it is there), ``grading_points`` (if it is there),
        ``ponds`` (if it is there), ``flow_crossings`` (if it is there), ``as_built`` (if it is there),
        ``acceptance`` (if it is there), ``stakeout`` (if it is there), ``routes`` (if it is there),
        ``route_crossings`` (if it is there), ``supply`` (if it is there), ``walk_test`` (if it is
        there), ``commission`` (if it is there), ``upkeep`` (if it is there). Required layers that are
        missing are made first, with defaults.
    format : {'both', 'geojson', 'kml'}, default 'both'
        Which files to write.
    layers : str, default ''
        Names of the layers to write, separated by commas; all of them if empty.
    heights : bool, default False
        Whether places in GeoJSON have the plan's own heights, metres above its datum; most readers take
        them for heights above the ellipsoid.
    """

def apply(site: Site, plan: _Plan) -> ProposedState:
    """Make the state that `geotools.remedy` recommends a site of its own, on which every step runs."""

def open_plan(folder: Path | str) -> Plan:
    """Read a plan that was written into a folder."""

def open_site(path: Path | str) -> Site:
    """Read and validate a site file; InputError or SiteError name what is wrong."""

def steps() -> dict[str, Step]:
    """Every step by name, built-in ones first."""

def run(site: Site, out: Path | str, *, overwrite: bool = False) -> list[Outcome]:
    """Run the whole job on a site and write its plan into the folder ``out``."""

def run_step(name: str, site: Site, out: Path | str, *, overwrite: bool = False, **params: Any) -> Outcome:
    """Run one step on the plan in ``out``; ``params`` are the step's own, as its manual lists them."""

def __getattr__(name: str) -> Callable[..., Plan]:
    """The function of a step that another distribution brings."""
