"""At which weather a zone's window closes, and on how many days of each month that is expected."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from geotools.beam.rain import HEAVIEST_MM_H, rain_rate_for_fade
from geotools.detection.surface_windows import SurfaceWindow
from geotools.plan.model import Zone
from geotools.site.weather import DAYS, Weather

__all__ = ["Condition", "dry", "grass_height_m", "pond", "rain", "surfaces"]

_NONE = (0.0,) * 12


@dataclass(frozen=True)
class Condition:
    """One kind of weather of one zone.

    kind : dry, rain, pond, snow or grass. closes_at : least that was looked at at which the window closes, None where
    none does. keeps_to : most that was looked at up to which it stays open. days : on which it is closed, by month.
    """

    zone_id: str
    kind: str
    closes_at: float | None
    keeps_to: float | None
    unit: str
    because: str
    days: tuple[float, ...]

    @property
    def year(self) -> float:
        """Days of a year on which it is closed."""
        return sum(self.days)


def _why(one: SurfaceWindow, dry_db: float, margin_db: float) -> str | None:
    """Why a window is closed, None where it is open."""
    window = one.window
    if one.standing_db < dry_db - margin_db:
        return f"the level falls by {dry_db - one.standing_db:.1f} dB, {margin_db:g} dB are in hand"
    if one.keeps:
        return None
    if window.state == "empty" and window.nuisance:
        return (
            f"{window.nuisance[0].mover.name} gives {window.above:.2f}, the weakest crossing "
            f"({window.weakest.threat}) meets {window.weakest.modulation:.2f}"
        )
    return f"the weakest crossing ({window.weakest.threat}) meets {window.weakest.modulation:.2f}"


def dry(one: SurfaceWindow) -> Condition | None:
    """The condition of a zone that is closed on a dry day on cut grass; None where it is open."""
    why = _why(one, one.standing_db, math.inf)
    if why is None:
        return None
    return Condition(one.zone_id, "dry", 0.0, None, "", why, tuple(float(days) for days in DAYS))


def rain(zone: Zone, weather: Weather) -> Condition:
    """Rain that takes a beam's margin, by its loss over the length of the zone (ITU-R P.838-3).

    A day's heaviest rain is taken to be spread exponentially about the month's mean.
    """
    rates = {
        pair.level: rain_rate_for_fade(pair.head_type.frequency_hz, zone.line.length, weather.fade_margin_db)
        for pair in zone.pairs
    }
    known = {level: rate for level, rate in rates.items() if rate is not None}
    if not known:
        words = f"no rain up to {HEAVIEST_MM_H:g} mm/h takes {weather.fade_margin_db:g} dB of {zone.line.length:.0f} m"
        return Condition(zone.zone_id, "rain", None, HEAVIEST_MM_H, "mm/h", words, _NONE)
    level = min(known, key=known.__getitem__)
    rate = known[level]
    days = _days(weather.rain_days, weather.rain_mm_h, rate)
    words = f"rain takes {weather.fade_margin_db:g} dB of the {level} beam"
    return Condition(zone.zone_id, "rain", rate, rate, "mm/h", words, days)


def _days(days: Sequence[float], mean: Sequence[float], limit: float) -> tuple[float, ...]:
    return tuple(d * math.exp(-limit / m) if m > 0.0 else 0.0 for d, m in zip(days, mean, strict=True))


def _limits(rows: Sequence[SurfaceWindow], dry_db: float, margin_db: float) -> tuple[float | None, float, str]:
    """Least depth at which it closes, most up to which it keeps, m, and why; rows : all that were looked at."""
    closes, why = None, ""
    for one in sorted(rows, key=lambda row: row.depth_m):
        found = _why(one, dry_db, margin_db)
        if found is not None:
            closes, why = one.depth_m, found
            break
    keeps = [one.depth_m for one in rows if closes is None or one.depth_m < closes]
    return closes, max(keeps, default=0.0), why or "open at all that was looked at"


def pond(rows: Sequence[SurfaceWindow], dry_one: SurfaceWindow, weather: Weather) -> Condition:
    """Water in the hollows of a zone, in metres of depth; none where it has no hollow."""
    if not rows:
        return Condition(dry_one.zone_id, "pond", None, None, "m", "no water is known to stand in it", _NONE)
    closes, keeps, why = _limits(rows, dry_one.standing_db, weather.fade_margin_db)
    days = _NONE if closes is None else weather.pond_days
    return Condition(dry_one.zone_id, "pond", closes, keeps, "m", why, tuple(days))


def surfaces(rows: Sequence[SurfaceWindow], dry_one: SurfaceWindow, weather: Weather) -> Iterator[Condition]:
    """Snow and grass of a zone, which the model cannot part: both between the same two bounds, whichever closes first.

    Days of snow: depths spread exponentially about the month's mean. Days of grass: were it never cut after the winter.
    """
    closes, keeps, why = _limits(rows, dry_one.standing_db, weather.fade_margin_db)
    snow = _NONE if closes is None else _days(weather.snow_days, weather.snow_depth_m, keeps)
    yield Condition(dry_one.zone_id, "snow", closes, keeps, "m", why, snow)
    grass = _NONE if closes is None else _grass_days(weather, keeps)
    yield Condition(dry_one.zone_id, "grass", closes, keeps, "m", why, grass)


def grass_height_m(weather: Weather) -> Iterator[tuple[int, float]]:
    """Month from 0, and height at the end of every day of a year on which grass is never cut after the winter, m."""
    height = weather.cut_to_m
    for month, days in enumerate(DAYS):
        for _ in range(days):
            height += weather.grass_m_month[month] / days
            yield month, height


def _grass_days(weather: Weather, limit_m: float) -> tuple[float, ...]:
    days = [0.0] * 12
    for month, height in grass_height_m(weather):
        days[month] += float(height > limit_m + 1e-9)
    return tuple(days)
