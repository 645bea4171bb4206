"""A walk test of thousands of zones: what is done for each zone does not go through the rows of all others."""

from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import pytest
from shapely import LineString

import geotools
from geotools.plan.schema import VERDICTS
from geotools.steps.walktest import planning, sketch


class CountedName(str):
    """A name that counts how often it is compared with another."""

    compared = 0

    def __eq__(self, other):
        CountedName.compared += 1
        return str.__eq__(self, other)

    __hash__ = str.__hash__


class CountedRows(list):
    """Rows that count how often somebody goes through all of them."""

    passes = 0

    def __iter__(self):
        CountedRows.passes += 1
        return super().__iter__()


def _rows(zones, name=str):
    return [
        {
            "crossing_id": f"Z{zone:03d}-{threat}-{number}",
            "zone_id": name(f"Z{zone:03d}"),
            "threat": threat,
            "number": number,
            "round": 1 if number == 1 else 2,
            "chainage_m": 10.0 * number,
            "expected": "detected",
        }
        for zone in range(zones)
        for threat in ("walk", "prone")
        for number in (1, 2)
    ]


def test_the_order_to_walk_looks_zones_up():
    rows = _rows(100, CountedName)
    CountedName.compared = 0
    planning._set_order(rows)
    # two look-ups a row; a search through the list of zones would make 50 comparisons for each of the 400
    assert CountedName.compared <= 2 * len(rows)
    walked = sorted(rows, key=lambda row: row["walk_order"])
    assert [row["crossing_id"] for row in walked[:4]] == ["Z000-walk-1", "Z000-prone-1", "Z001-walk-1", "Z001-prone-1"]
    assert [row["walk_order"] for row in walked] == list(range(1, 401))


@pytest.fixture
def drawn(monkeypatch):
    """Zones and rows of the sheets that are drawn; the sheets themselves are left empty."""
    found = []
    monkeypatch.setattr(
        sketch,
        "_zone_page",
        lambda sheet, zone, rows, *_: found.append((zone.zone_id, [r["crossing_id"] for r in rows])),
    )
    return found


def test_sketches_go_through_the_rows_as_often_for_many_zones_as_for_few(drawn, tmp_path):
    site, passes = geotools.open_site(Path(__file__).parents[3] / "demo_data" / "site.toml"), {}
    for zones in (3, 30):
        rows = CountedRows({**row, "walk_order": place} for place, row in enumerate(_rows(zones), start=1))
        there = {f"Z{k:03d}": SimpleNamespace(zone_id=f"Z{k:03d}") for k in [*range(zones), 999]}
        paper = SimpleNamespace(words="existing state")
        CountedRows.passes = 0
        sketch.write_sketches(tmp_path / "sketches.pdf", site, rows, SimpleNamespace(zones=there), None, paper)
        passes[zones] = CountedRows.passes
    assert passes[30] == passes[3]
    # a sheet for each zone that is walked, in the perimeter's order, each with its own rows
    assert [zone for zone, _ in drawn[3:]] == [f"Z{k:03d}" for k in range(30)]
    assert drawn[5] == ("Z002", ["Z002-walk-1", "Z002-walk-2", "Z002-prone-1", "Z002-prone-2"])


def test_unproven_stretches_are_sorted_by_zone_and_threat_once():
    shapes = [LineString([(k, 0), (k + 1, 0)]) for k in range(6)]
    verdicts = gpd.GeoDataFrame(
        {
            "zone_id": ["A", "A", "B", None, "B", "A"],
            "threat": ["walk", "walk", "walk", "walk", "prone", "prone"],
            "verdict": ["unproven", "unproven", "detected", "unproven", "unproven", "detected"],
            # a walk test has changed the last but one and the last: the model's own word counts
            "basis": ["model", "model", "model", "model", "walk_test", "walk_test"],
            "model_verdict": ["unproven", "unproven", "detected", "unproven", "detected", "unproven"],
        },
        geometry=shapes,
    )
    ctx = SimpleNamespace(
        workspace=SimpleNamespace(has=lambda schema: schema is VERDICTS), read=lambda schema: verdicts
    )
    found = planning._unproven(ctx, SimpleNamespace(proposes=False))
    assert {key: found.get(key) for key in [("A", "walk"), ("B", "walk"), ("B", "prone"), ("A", "prone")]} == {
        ("A", "walk"): shapes[:2],
        ("B", "walk"): None,
        ("B", "prone"): None,
        ("A", "prone"): [shapes[5]],
    }
    assert planning._unproven(ctx, SimpleNamespace(proposes=True)) == {}
