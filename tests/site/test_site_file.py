"""The site file as it comes from other machines and hasty hands."""

from __future__ import annotations

import codecs
from pathlib import Path

import pytest

import geotools
from geotools.errors import SiteError
from geotools.site.base import SiteSection, setting

TEXT = 'name = "Yard"\n[input]\nfence = "f.geojson"\nterrain = "t.tif"\n[layout]\nsetback_m = 4\n'


@pytest.mark.parametrize(
    "data",
    [
        codecs.BOM_UTF8 + TEXT.encode(),
        TEXT.replace("\n", "\r\n").encode(),
        codecs.BOM_UTF8 + TEXT.replace("\n", "\r\n").encode(),
    ],
)
def test_byte_order_mark_and_line_ends_of_other_systems(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(data)
    site = geotools.open_site(path)
    assert site.name == "Yard"
    assert site.layout.setback_m == 4.0


@pytest.mark.parametrize(
    ("setting", "place"),
    [
        ("[layout]\nsetback_m = true", "layout.setback_m"),
        ('[layout]\nsetback_m = "4.0"', "layout.setback_m"),
        ("[survey]\ndraws = false", "survey.draws"),
        ("[targets.walk]\nheight_m = true", "targets.walk.height_m"),
        ("[detection]\nbody_range = [true, 1]", "detection.body_range"),
    ],
)
def test_what_is_no_number_is_refused_where_a_number_stands(tmp_path: Path, setting: str, place: str) -> None:
    path = tmp_path / "site.toml"
    path.write_text(TEXT.split("[layout]", maxsplit=1)[0] + setting + "\n")
    with pytest.raises(SiteError) as caught:
        geotools.open_site(path)
    assert f"{place}: " in str(caught.value.found)
    assert "expected a number" in str(caught.value.found)


def test_a_number_is_no_switch(tmp_path: Path) -> None:
    class Switches(SiteSection):
        open: bool = setting("a switch", default=False)

    assert Switches.model_validate({"open": True}).open is True
    for wrong in (1, "yes", 0.0):
        with pytest.raises(ValueError, match="expected true or false"):
            Switches.model_validate({"open": wrong})


def test_whole_numbers_and_lists_are_what_they_were() -> None:
    site = geotools.Site.model_validate(
        {"name": "a", "threats": ["walk"], "input": {"fence": "f", "terrain": "t"}, "layout": {"setback_m": 4}}
    )
    assert site.layout.setback_m == 4.0
    assert site.threats == ("walk",)
