"""Declaration of the routes step: from source points along allowed ground to every post."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geotools.engine.step import LayerIn, LayerOut, Step, StepContext, StepResult
from geotools.errors import counted
from geotools.plan import cautions
from geotools.plan.schema import FENCE, FLOW_CROSSINGS, HEADS, ROUTE_CROSSINGS, ROUTES, SUPPLY, WATER_CROSSINGS, ZONES
from geotools.plan.workspace import frame_of
from geotools.site.placeholders import price_mark
from geotools.steps.routes.graph import RouteGraph, build_graph
from geotools.steps.routes.ground import trench_places
from geotools.steps.routes.inputs import NO_SOURCES, ground_of, sources_of, trench_prices, waters_of
from geotools.steps.routes.loops import spare_loops
from geotools.steps.routes.network import CableNetwork, branches_of, foot_of
from geotools.steps.routes.rows import PostLoad, add_voltages, crossing_rows, lost_heads, route_rows, supply_rows
from geotools.steps.routes.supply import ohm_per_m, voltages
from geotools.steps.routes.tree import reached, steiner_tree


def _posts(ctx: StepContext) -> dict[str, PostLoad]:
    heads = ctx.read(HEADS)
    found: dict[str, PostLoad] = {}
    for post, mine in heads.groupby("post_id", sort=True):
        xy = np.array([mine.geometry.x.mean(), mine.geometry.y.mean()])
        found[str(post)] = PostLoad(str(mine["zone_id"].iloc[0]), xy, len(mine))
    return found


def _fence_lines(ctx: StepContext, posts: dict[str, PostLoad]) -> dict[str, shapely.LineString]:
    """The fence line that each post stands beside: its zone's, else the nearest."""
    fences = ctx.read(FENCE).set_index("fence_id").geometry
    of_zone = dict(ctx.read(ZONES).set_index("zone_id")["fence_id"])
    found = {}
    for name, post in posts.items():
        own = of_zone.get(post.zone_id)
        near = fences.index[int(np.argmin(fences.distance(shapely.Point(post.xy)).to_numpy()))]
        found[name] = shapely.force_2d(fences[own if own in fences.index else near])
    return found


def _chords(posts: dict[str, PostLoad]) -> list[tuple[str, str]]:
    by_zone: dict[str, list[str]] = {}
    for name, post in posts.items():
        by_zone.setdefault(post.zone_id, []).append(name)
    return [(names[0], names[1]) for names in by_zone.values() if len(names) == 2]


def _branch_nodes(graph: RouteGraph, network: CableNetwork) -> list[tuple[int, int]]:
    """Nodes of the graph at both ends of each branch; (-1, -1) for the spur from the trench to a post."""
    by_place = {tuple(np.round(xy, 6)): int(graph.node(k)) for k, xy in enumerate(graph.places.xy)}
    found = []
    for branch in network.branches:
        spur = branch.post and branch.start == foot_of(branch.post)
        ends = [by_place.get(tuple(np.round(xy, 6)), -1) for xy in branch.line]
        found.append((-1, -1) if spur else (ends[0], ends[1]))
    return found


def run(ctx: StepContext) -> StepResult:
    """Find the network; see the manual beside this file."""
    site, crs = ctx.site, ctx.workspace.work_crs
    sources, posts = sources_of(site, crs), _posts(ctx)
    if not sources:
        ctx.warn(NO_SOURCES)
        return _result(ctx, [], [], [], {"sources": 0})
    stand = {name: post.xy for name, post in posts.items()}
    ground = ground_of(ctx, np.array([*sources.values(), *stand.values()]))
    prices = trench_prices(site)
    places = trench_places(stand, _fence_lines(ctx, posts), site.routes.beside_m, ground)
    graph = build_graph(ground, prices, sources, places, _chords(posts))
    nodes = {name: int(graph.node(k)) for k, name in enumerate(graph.places.names) if k >= len(sources) and name}
    reach = set(reached(graph, list(nodes.values())))
    cut_off = sorted(name for name, node in nodes.items() if node not in reach)
    if cut_off:
        ctx.warn(
            f"no allowed ground leads from a source to {len(cut_off)} posts, {', '.join(cut_off[:5])}: keep-outs, "
            "no-dig ground or the fence cut it off; move a source, or mark what a trench may cross as road or drain"
        )
    network = branches_of(graph, steiner_tree(graph, sorted(reach)), stand)
    ends = {*posts, *sources}
    cable = [b.length_m + site.routes.slack_m * ((b.start in ends) + (b.end in ends)) for b in network.branches]
    power = [posts[b.post].heads * site.routes.head_w if b.post else 0.0 for b in network.branches]
    ohm = ohm_per_m(float(site.routes.conductor_mm2), site.routes.conductor_temp_c)
    found = voltages(network, cable, power, site.routes.voltage_v, ohm)
    heads = lost_heads(network, posts, [])
    loops = spare_loops(graph, network, _branch_nodes(graph, network), heads)
    rows = route_rows(site, ground, prices, network, cable, posts, loops)
    add_voltages(rows, found)
    crossings = crossing_rows(rows, [*ground.crossed, *waters_of(ctx)])
    supply = supply_rows(site, network, cable, found, posts, sources)
    return _result(ctx, rows, crossings, supply, _told(ctx, rows, supply, crossings) | {"sources": len(sources)})


def _told(
    ctx: StepContext, rows: list[dict[str, Any]], supply: list[dict[str, Any]], crossings: list[dict[str, Any]]
) -> dict[str, Any]:
    """What is worth knowing, said, and as figures."""
    prices = ("trench_m", "cable_m", "conduit_m", "road_m", "drain_crossing", "fence_crossing")
    mark = price_mark(ctx.site, *(f"bill.{name}" for name in prices))
    currency = f"{ctx.site.prices.currency} {mark}".strip()
    laid, loops = [r for r in rows if r["laid"]], [r for r in rows if r["kind"] == "spare loop"]
    trenches = [row for row in rows if row["kind"] == "trench"]
    trench, cable, cost = (sum(row[name] for row in laid) for name in ("length_m", "cable_m", "cost"))
    ctx.say(f"{trench:,.0f} m of trench, {cable:,.0f} m of cable, {cost:,.0f} {currency}")
    low = [row["place_id"] for row in supply if row.get("state") == "beyond"]
    if low:
        ctx.warn(
            f"the voltage drops by more than {ctx.site.routes.max_drop:.0%} on the way to {len(low)} posts, "
            f"{', '.join(low[:5])}: a larger cross-section, more sources or a higher voltage"
        )
    lost, left = (max((r[n] for r in trenches), default=0) for n in ("heads_lost", "heads_lost_with_loops"))
    ctx.say(f"one cut trench loses up to {lost} heads")
    if loops and not ctx.site.routes.spare_loops:
        price = sum(row["cost"] for row in loops)
        ctx.say(
            f"{counted(len(loops), 'spare loop')} for {price:,.0f} {currency} would leave at most {left} lost; "
            "routes.spare_loops lays them"
        )
    drops = [row["drop_share"] for row in supply if row.get("drop_share") is not None]
    # a loop that is only offered crosses nothing yet
    mine = {row["route_id"] for row in laid}
    kinds = [row["kind"] for row in crossings if row["route_id"] in mine]
    return {
        "trench_m": round(trench, 1),
        "cable_m": round(cable, 1),
        "cost": round(cost, 2),
        "worst_drop_share": round(max(drops), 4) if drops and np.isfinite(drops).all() else None,
        "posts_beyond": len(low),
        "posts_without_way": sum(row.get("state") == "no way" for row in supply),
        "most_heads_lost": lost,
        "most_heads_lost_with_loops": left,
        "spare_loops": len(loops),
        "crossings": {kind: kinds.count(kind) for kind in sorted(set(kinds))},
    }


def _result(
    ctx: StepContext,
    rows: list[dict[str, Any]],
    crossings: list[dict[str, Any]],
    supply: list[dict[str, Any]],
    summary: dict[str, Any],
) -> StepResult:
    crs = ctx.workspace.work_crs
    layers = {
        "routes": frame_of(ROUTES, rows, crs),
        "route_crossings": frame_of(ROUTE_CROSSINGS, crossings, crs),
        "supply": frame_of(SUPPLY, supply, crs),
    }
    return StepResult(layers=layers, summary=summary)


STEP = Step(
    name="routes",
    title="Cable routes",
    summary="Finds cable routes from the source points to every post, with crossings, voltage drop and spare loops.",
    run=run,
    inputs=(
        LayerIn(HEADS, "posts and how many heads each has"),
        LayerIn(ZONES, "which posts belong together"),
        LayerIn(FENCE, "the ground within it, and what a trench crosses"),
        LayerIn(FLOW_CROSSINGS, "running water that a trench crosses", required=False),
        LayerIn(WATER_CROSSINGS, "ways for water that a trench crosses", required=False),
    ),
    outputs=(LayerOut(ROUTES), LayerOut(ROUTE_CROSSINGS), LayerOut(SUPPLY)),
    uses_terrain=False,
    order=72,
    citations=(
        "IEC 60228:2004, conductors of insulated cables, table 2 and temperature correction (from memory: verify)",
        "Kou, Markowsky and Berman, Acta Informatica 15 (1981): Steiner trees",
    ),
    cautions=(
        cautions.SERVICES,
        "Protection, earthing and surge arresters are for licensed electrical practice; local codes govern.",
        "Trench fill under a beam settles: keep beside the strip, compact the fill, and survey the ground afterwards.",
    ),
)
