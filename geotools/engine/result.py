"""What a Python call gives back: a plan's layers as frames, its rasters as arrays, and where they can be put."""

from __future__ import annotations

import shutil
import sqlite3
import warnings
from collections.abc import Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import pandas as pd
from geopandas import GeoDataFrame
from pyproj import CRS

from geotools.engine.frames import fitting, same, schema_of
from geotools.engine.plan_files import carry, files_of, put, refuse_existing, unwritten
from geotools.engine.plan_html import plan_html
from geotools.engine.runner import SUMMARY_NAME
from geotools.engine.step import discover
from geotools.errors import GeotoolsWarning, InputError
from geotools.io.files import local_file
from geotools.io.private_folder import PrivateFolder
from geotools.io.raster import Raster
from geotools.io.vector_kind import check_database
from geotools.plan import gpkg
from geotools.plan.schema import PROVENANCE
from geotools.plan.workspace import PLAN_NAME, Workspace, plan_crs_of

if TYPE_CHECKING:
    Frame: TypeAlias = GeoDataFrame | pd.DataFrame

__all__ = ["Plan", "Said", "open_plan"]


@dataclass(frozen=True)
class Said:
    """What the step said that made a result: its name and layers, figures, notes and warnings.

    ``before`` holds the steps that were run before it, with their warnings; ``stale`` those whose results are out of
    date since.
    """

    step: str = ""
    made: tuple[str, ...] = ()
    summary: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    before: tuple[tuple[str, tuple[str, ...]], ...] = ()
    stale: tuple[str, ...] = ()


class Plan:
    """A plan in memory: every layer made so far as a frame, every raster as an array.

    A layer is an attribute by its name (``plan.zones``, ``found.dead_spots``), and so is a raster by its file's name
    without ending (``found.crawl_gap``); where a layer has that name, the raster is in ``rasters``. Frames are in the
    plan's own coordinate system. What is edited in a frame, or assigned as another frame
    (``plan.heads = edited``), is input to the next call. Each call gives back a new plan; the one it was given stays.

    Attributes
    ----------
    step : str
        Step that made it last; ``made`` : tuple of str, the layers it made.
    summary : dict
        Its figures.
    notes, warnings : tuple of str
        What it said.
    crs : pyproj.CRS
        Coordinate system of all layers and rasters.
    files : dict of str to pathlib.Path
        Files made so far by name (reports, drawings, tables), in a folder that lives as long as the plan; `to_folder`
        puts them where they stay.
    rasters : dict of str to Raster
        The rasters among them by name without ending.
    """

    def __init__(self, folder: PrivateFolder, crs: CRS, said: Said | None = None) -> None:
        self._folder = folder
        self._workspace = Workspace(folder.path, crs)
        self._said = said or Said()
        self._frames: dict[str, Frame] = {}
        self._read: dict[str, Frame] = {}
        self._known = tuple(name for name in self._workspace.layer_names() if schema_of(name) is not None)

    # what it holds ---------------------------------------------------------------------------------------------------

    @property
    def crs(self) -> CRS:
        """Coordinate system of all layers and rasters."""
        return self._workspace.plan_crs

    @property
    def step(self) -> str:
        """The step that made this plan last; empty where it was read from a folder."""
        return self._said.step

    @property
    def made(self) -> tuple[str, ...]:
        """Names of the layers that step made."""
        return self._said.made

    @property
    def summary(self) -> dict[str, Any]:
        """Figures of that step."""
        return dict(self._said.summary)

    @property
    def notes(self) -> tuple[str, ...]:
        """What that step said is worth knowing."""
        return self._said.notes

    @property
    def warnings(self) -> tuple[str, ...]:
        """What that step said weakens the answer."""
        return self._said.warnings

    @property
    def stale(self) -> tuple[str, ...]:
        """Steps whose layers and files are out of date: what they stand on was edited, or made anew, since."""
        return self._said.stale

    @property
    def said(self) -> Said:
        """All of that."""
        return self._said

    @property
    def layers(self) -> tuple[str, ...]:
        """Names of all layers, in the order they were made."""
        return (*self._known, *(name for name in self._frames if name not in self._known))

    @cached_property
    def files(self) -> dict[str, Path]:
        """Files beside the layers by name; they are there as long as the plan is."""
        return {name: self._folder.path / name for name in files_of(self._workspace)}

    @cached_property
    def rasters(self) -> dict[str, Raster]:
        """Rasters by name without ending, read when first needed."""
        return {path.stem: Raster.open(path) for path in self.files.values() if path.suffix == ".tif"}

    def _raster_names(self) -> list[str]:
        return [path.stem for path in self.files.values() if path.suffix == ".tif"]

    def __getitem__(self, name: str) -> Frame:
        if name in self._frames:
            return self._frames[name]
        schema = schema_of(name) if name in self._known else None
        if schema is None:
            raise KeyError(name)
        if schema.made_by in self.stale:
            text = f"out of date: run geotools.{schema.made_by}(site, plan) again"
            warnings.warn(GeotoolsWarning(text, where=f"layer {name}"), stacklevel=3)
        frame = self._workspace.read(schema)
        if isinstance(frame, GeoDataFrame) and self._workspace.work_crs != self.crs:
            frame = frame.to_crs(self.crs)
        self._frames[name], self._read[name] = frame, frame.copy()
        return frame

    def __contains__(self, name: object) -> bool:
        return name in self.layers

    def __iter__(self) -> Iterator[str]:
        return iter(self.layers)

    def __len__(self) -> int:
        return len(self.layers)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        if name in self.layers:
            return self[name]
        if name in self._raster_names():
            return self.rasters[name]
        schema = schema_of(name)
        hint = f"; geotools.{schema.made_by} makes it" if schema is not None and schema.made_by in discover() else ""
        raise AttributeError(f"the plan holds no layer or raster named {name!r}{hint}")

    def __setattr__(self, name: str, value: Any) -> None:
        if name.startswith("_"):
            object.__setattr__(self, name, value)
            return
        self._take(name, value)

    def __dir__(self) -> list[str]:
        return sorted(
            {*object.__dir__(self), *self.layers, *(p.stem for p in self.files.values() if p.suffix == ".tif")}
        )

    def __getstate__(self) -> Any:
        raise TypeError("a plan lives in this process; hand over plan.to_folder(path) and read it with open_plan")

    # edits -----------------------------------------------------------------------------------------------------------

    def with_layers(self, **frames: Frame) -> Plan:
        """The same plan with other frames in it.

        Parameters
        ----------
        **frames : geopandas.GeoDataFrame or pandas.DataFrame
            By layer name, with the layer's fields; fields of your own are left out.

        Returns
        -------
        Plan
            A new plan; this one stays as it is.

        Raises
        ------
        InputError
            There is no such layer, or a frame does not fit the layer's declaration.
        """
        other = copy(self)
        for name, frame in self._frames.items():
            other._frames[name] = frame.copy()
        for name, frame in frames.items():
            other._take(name, frame)
        return other

    def __copy__(self) -> Plan:
        other = object.__new__(type(self))
        for name, value in vars(self).items():
            object.__setattr__(other, name, dict(value) if isinstance(value, dict) else value)
        return other

    def _take(self, name: str, frame: Any) -> None:
        schema = schema_of(name)
        if schema is None or name == PROVENANCE.name:
            raise InputError("a plan takes no such layer", where=f"plan.{name}", expected=", ".join(self.layers))
        fitting(schema, frame, self._workspace.work_crs)
        self._frames[name] = frame

    def edited(self) -> tuple[str, ...]:
        """Names of the layers whose frames differ from what was computed or read."""
        return tuple(n for n, frame in self._frames.items() if n not in self._read or not same(frame, self._read[n]))

    # where it goes ---------------------------------------------------------------------------------------------------

    def place(self, folder: Path) -> None:
        """Put the plan with its edits, and its files, into an empty folder."""
        if self._workspace.plan.exists():
            gpkg.copy(self._workspace.plan, folder / PLAN_NAME)
        for name, path in self.files.items():
            carry(path, folder / name)
        carry(self._folder.path / SUMMARY_NAME, folder / SUMMARY_NAME)
        ready = folder / PLAN_NAME
        changed = {name: schema_of(name) for name in self.edited()}
        for name, schema in changed.items():
            assert schema is not None  # nothing else is taken
            frame = fitting(schema, self._frames[name], self._workspace.work_crs)
            placed = frame.to_crs(self.crs) if isinstance(frame, GeoDataFrame) else frame
            gpkg.write_layer(ready, schema, placed, self.crs)
        gpkg.finish(ready, [schema for schema in changed.values() if schema is not None])

    def to_folder(self, path: Path | str, *, overwrite: bool = False) -> Path:
        """Write the plan: ``plan.gpkg`` with every layer, and the files beside it.

        Parameters
        ----------
        path : pathlib.Path or str
            Folder, made where there is none.
        overwrite : bool, default False
            Whether a plan and files that are there may be replaced.

        Returns
        -------
        pathlib.Path
            The folder.

        Raises
        ------
        OutputError
            There is a plan already, or the folder cannot be written.
        """
        out = Path(path)
        staged = PrivateFolder()
        self.place(staged.path)
        names = [PLAN_NAME, *self.files, *([SUMMARY_NAME] if (staged.path / SUMMARY_NAME).exists() else [])]
        refuse_existing([out / name for name in names], overwrite)
        try:
            for name in names:
                put(staged.path / name, out / name)
        except OSError as problem:
            raise unwritten(out, problem) from problem
        finally:
            staged.close()
        return out

    def to_gpkg(self, path: Path | str, *, overwrite: bool = False) -> Path:
        """Write every layer, with field notes and styles, as one GeoPackage.

        Parameters
        ----------
        path : pathlib.Path or str
            The file.
        overwrite : bool, default False
            Whether a file that is there may be replaced.

        Returns
        -------
        pathlib.Path
            The file.

        Raises
        ------
        OutputError
            There is a file already, or it cannot be written.
        """
        target = Path(path)
        refuse_existing([target], overwrite)
        staged = PrivateFolder()
        self.place(staged.path)
        try:
            put(staged.path / PLAN_NAME, target)
        except OSError as problem:
            raise unwritten(target, problem) from problem
        finally:
            staged.close()
        return target

    # what it looks like ----------------------------------------------------------------------------------------------

    def __repr__(self) -> str:
        last = f"made by {self.step}" if self.step else "read from a folder"
        return f"<Plan, {last}: {', '.join(self.layers)}>"

    def _repr_html_(self) -> str:
        return plan_html(self)


def open_plan(folder: Path | str) -> Plan:
    """Read a plan that was written into a folder, by the command line, the desktop GIS or `Plan.to_folder`.

    Parameters
    ----------
    folder : pathlib.Path or str
        Folder that holds ``plan.gpkg``, or that file.

    Returns
    -------
    Plan
        As it is now, edits made in a GIS included; later changes in the folder do not reach it.

    Raises
    ------
    InputError
        There is no plan, or it is damaged.

    Examples
    --------
    >>> plan = open_plan(plan.to_folder("job"))
    >>> "zones" in plan
    True
    """
    given = Path(folder)
    file = local_file(given if given.suffix == ".gpkg" else given / PLAN_NAME, "plan")
    check_database(file, "plan")
    held = PrivateFolder()
    try:
        gpkg.copy(file, held.path / PLAN_NAME)
        crs = plan_crs_of(held.path / PLAN_NAME)
        source = Workspace(file.parent, crs)
        beside = [*files_of(source), SUMMARY_NAME] if file.name == PLAN_NAME else []
        for name in beside:
            if (file.parent / name).is_file() and not (file.parent / name).is_symlink():
                (held.path / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file.parent / name, held.path / name)
    except (OSError, sqlite3.Error) as problem:
        raise InputError("the plan cannot be read", where=file, found=problem) from problem
    return Plan(held, crs)
