"""What a file of points for an instrument is, written beside it: such a file has no room to say so itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pyproj import CRS

from geotools.io.crs import authority, unit_name
from geotools.plan.schema import PROVENANCE
from geotools.plan.workspace import Workspace

__all__ = ["PointFile", "plan_datum", "system_fields", "system_name", "system_words"]


def system_name(crs: CRS) -> str:
    """A coordinate system for people: its name, and its code where one is known."""
    code = authority(crs)
    return crs.name + (f" ({':'.join(code)})" if code else "")


def plan_datum(workspace: Workspace, stated: str | None) -> str:
    """Vertical datum of a plan's heights: as the site file states it, else as the terrain has it."""
    rows = workspace.read(PROVENANCE).to_dict("records") if workspace.has(PROVENANCE) else []
    held = [str(row["vertical_datum"]) for row in rows if row["vertical_datum"]]
    return stated or (held[0] if held else "not stated")


def system_fields(crs: CRS, vertical_datum: str) -> dict[str, str]:
    """System and unit of eastings and northings, and what levels stand on, for a table with a field each."""
    return {"coordinate_system": system_name(crs), "map_unit": unit_name(crs), "vertical_datum": vertical_datum}


def system_words(crs: CRS, vertical_datum: str) -> str:
    """System and unit of x and y, and what levels stand on, for one line of a paper whose levels are in metres."""
    return f"x, y: {system_name(crs)}, {unit_name(crs)}; levels in metres, vertical datum: {vertical_datum}"


@dataclass(frozen=True)
class PointFile:
    """A file of points.

    Attributes
    ----------
    name : str
        Of the file.
    points : int
        How many it holds.
    columns : str
        Their order and meaning.
    site : str
        Name of the site.
    state : str
        Which state it shows, in words.
    crs : CRS
        Of the coordinates; levels are in the same unit.
    vertical_datum : str
        Of the levels.
    """

    name: str
    points: int
    columns: str
    site: str
    state: str
    crs: CRS
    vertical_datum: str

    def sidecar(self, notes: Sequence[str], cautions: Sequence[str]) -> str:
        """The text beside it; ``notes`` are whole lines, ``cautions`` one sentence each."""
        lines = [
            f"site: {self.site}",
            f"state: {self.state}",
            f"file: {self.name}, {self.points} points, one row each",
            f"columns: {self.columns}",
            f"coordinate system: {system_name(self.crs)}",
            f"unit of N, E and Z: {unit_name(self.crs)}",
            f"vertical datum of Z: {self.vertical_datum}",
            *notes,
            *(f"caution: {text}" for text in cautions),
        ]
        return "\n".join(lines) + "\n"
