"""What moves beside the fence and is no threat: the catalogue, and how the operating window is looked for."""

from __future__ import annotations

from pydantic import field_validator

from geotools.beam.movers import MOVERS, Mover, MoverKind, MoverPlace
from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting


class Nuisance(SiteSection):
    """How responses of movers that are no threat are looked for."""

    reach_m: float = setting(
        "how far to either side of a beam line movers are looked for", unit="m", mark=CHOICE, default=12.0, ge=2, le=40
    )
    size_range: float = setting(
        "share by which movers are larger than their catalogue says, for the uncertainty of a response",
        mark=PLACEHOLDER,
        default=0.15,
        ge=0,
        le=1,
    )
    mapped_accuracy_m: float = setting(
        "how far a mapped road, path or tree may lie off its place in the file (95 %)",
        unit="m",
        mark=PLACEHOLDER,
        default=0.5,
        ge=0,
        le=5,
    )

    depths_m: tuple[float, ...] = setting(
        "depths of grass or snow that windows are looked at under with `geotools window --surfaces`",
        unit="m",
        mark=CHOICE,
        default=(0.05, 0.1, 0.2),
        min_length=1,
        max_length=8,
    )

    @field_validator("depths_m")
    @classmethod
    def _depths(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(not 0.01 <= depth <= 0.5 for depth in value):
            raise ValueError("a depth lies outside 0.01 to 0.5 m")
        return value


class MoverSettings(SiteSection):
    """Something that moves and is no threat."""

    kind: MoverKind = setting(
        "body: an opaque screen, with a flank where it has a length along the beam; surface: grass or water whose "
        "reflecting level moves; fabric: a panel of fence that sways",
        mark=CHOICE,
        default="body",
    )
    height_m: float = setting(
        "height of a body or panel; of a surface, how far its reflecting level moves", unit="m", ge=0.001, le=5
    )
    width_m: float = setting("size across the beam", unit="m", ge=0.01, le=10)
    length_m: float = setting(
        "size along the beam: flank of a body (0: a thin screen), panel of a fence, gust that moves grass",
        unit="m",
        mark=PLACEHOLDER,
        default=0.0,
        ge=0,
        le=30,
    )
    base_m: float = setting("height of its underside above the ground", unit="m", mark=CHOICE, default=0.0, ge=0, le=20)
    reflects: float = setting(
        "share of the field that its flank or panel throws back at grazing incidence",
        mark=PLACEHOLDER,
        default=1.0,
        ge=0,
        le=1,
    )
    sway_m: float = setting("how far a panel of fence moves", unit="m", mark=PLACEHOLDER, default=0.0, ge=0, le=0.5)
    place: MoverPlace = setting(
        "where it lives: outside: anywhere beyond the fence line; mapped: on features of input.movers alone; fence: "
        "on the fence line; strip: anywhere about the beam line",
        mark=CHOICE,
        default="mapped",
    )
    must_not_alarm: bool = setting(
        "whether the threshold has to stay above its response; what is rare is shown and does not count",
        mark=CHOICE,
        default=True,
    )


def default_movers() -> dict[str, MoverSettings]:
    """The catalogue of movers, by name: generic placeholder sizes."""
    names = MoverSettings.model_fields
    return {mover.name: MoverSettings(**{name: getattr(mover, name) for name in names}) for mover in MOVERS.values()}


def mover_of(name: str, settings: MoverSettings) -> Mover:
    """A mover as the beam model takes it."""
    return Mover(name, **settings.model_dump())
