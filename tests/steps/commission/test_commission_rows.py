"""What comes of heights as set, for as many zones as a border has."""

from types import SimpleNamespace

from geotools.steps.commission.rows import as_set_rows


class CountedRows(list):
    """Rows that count how often somebody goes through all of them."""

    passes = 0

    def __iter__(self):
        CountedRows.passes += 1
        return super().__iter__()


def perimeter(zones, dead_m):
    return SimpleNamespace(
        zones=dict.fromkeys(zones),
        rules=SimpleNamespace(targets={"prone": None}),
        dead=lambda zone_id: {"prone": dead_m},
        dead_length=lambda zone_id, dead: dead["prone"],
        weakest=lambda zone_id: 0.1,
    )


def test_heads_are_sorted_by_zone_once():
    passes = {}
    for number in (2, 40):
        zones = [f"Z{k:02d}" for k in range(number)]
        rows = CountedRows(
            {"zone_id": zone, "as_set_height_m": 0.3 if role == "transmitter" else None}
            for zone in zones[1:]
            for role in ("transmitter", "receiver")
        )
        CountedRows.passes = 0
        found = as_set_rows(rows, perimeter(zones, 1.0), perimeter(zones, 2.5))
        passes[number] = CountedRows.passes
        # the first zone has no heads on the sheet
        assert [(row["heads"], row["heads_set"]) for row in found] == [(0, 0)] + [(2, 1)] * (number - 1)
        assert (found[-1]["as_set_id"].startswith(zones[-1]), found[-1]["dead_as_set_m"]) == (True, 2.5)
    assert passes[40] == passes[2]
