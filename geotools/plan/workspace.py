"""The one GeoPackage a plan lives in: reading and writing layers, styles and field notes, whole or not at all."""

from __future__ import annotations

import os
import sqlite3
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.errors import ShapelyError

from geotools.errors import InputError, OutputError, StepError
from geotools.io.crs import metric_twin
from geotools.io.files import disk_words
from geotools.io.vector_kind import check_database
from geotools.plan import gpkg
from geotools.plan.cautions import CAUTIONS
from geotools.plan.conform import conform, refuse_unprintable
from geotools.plan.digest import FileState, LayerDigest, digest_layers, file_state
from geotools.plan.filled import filled_in
from geotools.plan.metadata import Described, write_metadata
from geotools.plan.project import write_project
from geotools.plan.schema import LAYERS, PROVENANCE, LayerSchema

PLAN_NAME = "plan.gpkg"
#: Everything a damaged or protected plan, or a full disk, makes the libraries raise.
PLAN_TROUBLE = (
    OSError,
    RuntimeError,
    ValueError,
    sqlite3.Error,
    CRSError,
    ShapelyError,
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError,
    pyogrio.errors.FieldError,
    pyogrio.errors.CRSError,
)


class Workspace:
    """A folder with one plan in it.

    Parameters
    ----------
    folder : where the plan and the files beside it live; made when something is first written.
    plan_crs : projected coordinate system of the plan. Geometry is handed out and taken in its metric twin (the same
        system counted in metres), so that steps never meet feet.
    """

    def __init__(self, folder: Path | str, plan_crs: CRS) -> None:
        self.folder = Path(folder)
        self.plan_crs = CRS.from_user_input(plan_crs)
        self.work_crs = metric_twin(self.plan_crs)
        self._known = {name: schema for name, schema in LAYERS.items() if name != PROVENANCE.name}
        self._digests: tuple[tuple[FileState, int], dict[str, LayerDigest]] | None = None
        self._names: tuple[FileState, list[str]] | None = None
        #: what was read, by layer; empty again as soon as anybody but `build` wrote to the file
        self._frames: dict[str, tuple[LayerDigest, LayerSchema, gpd.GeoDataFrame | pd.DataFrame]] = {}

    @property
    def plan(self) -> Path:
        """Path of the GeoPackage."""
        return self.folder / PLAN_NAME

    @property
    def known(self) -> dict[str, LayerSchema]:
        """Every declared layer that a plan can hold, those of plug-in steps that were named to `digests` among them."""
        return {**self._known, PROVENANCE.name: PROVENANCE}

    def layer_names(self) -> list[str]:
        """Names of the layers the plan holds now, empty where there is no plan yet; InputError where it is damaged."""
        state = file_state(self.plan)
        if state[0] is None:
            return []
        if self._names is None or self._names[0] != state:
            with self._reading():
                self._names = (state, gpkg.layer_names(self.plan))
        return list(self._names[1])

    def digests(self, schemas: Iterable[LayerSchema] = ()) -> dict[str, LayerDigest]:
        """Codes of the content of the layers that the plan holds, reckoned anew only where the file was written to.

        Parameters
        ----------
        schemas : iterable of LayerSchema
            Layers beside the toolkit's own, of plug-in steps.

        Returns
        -------
        dict of str to LayerDigest
            By name of the layer.

        Raises
        ------
        InputError
            Where the plan is damaged.
        """
        self._known.update({schema.name: schema for schema in schemas})
        state = file_state(self.plan)
        if self._digests is None or self._digests[0] != (state, len(self._known)):
            found: dict[str, LayerDigest] = {}
            if self.plan.exists():
                with self._reading():
                    found = digest_layers(self.plan, self._known.values())
            if self._digests is None or self._digests[0][0] != state:
                self._frames.clear()
            self._digests = ((state, len(self._known)), found)
        return dict(self._digests[1])

    def digests_after(self, built: Path, names: Iterable[str]) -> dict[str, LayerDigest]:
        """Codes as they will be once the file that `build` made is the plan; only the named layers are read.

        Raises
        ------
        InputError
            Where the file is damaged.
        """
        with self._reading():
            made = digest_layers(built, [self._known[name] for name in names if name in self._known])
        return {**self.digests(), **made}

    def take_digests(self, state: FileState, codes: Mapping[str, LayerDigest]) -> None:
        """Take these codes for the plan as long as the file is in this state."""
        self._digests = ((state, len(self._known)), dict(codes))

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except PLAN_TROUBLE as problem:
            raise InputError(
                "the plan cannot be read",
                where=self.plan,
                found=f"{type(problem).__name__}: {problem}"[:400],
                expected="a GeoPackage that this toolkit wrote, with nothing but its values edited",
                mend="put a copy of it back, or move it away and run the job again",
            ) from problem

    def check_free(self) -> None:
        """OutputError where another program is at work in the plan, or the file is protected."""
        if self.plan.exists():
            with self._reading():
                gpkg.check_free(self.plan)
            check_database(self.plan, "plan")

    def has(self, schema: LayerSchema) -> bool:
        """Whether the plan holds the layer."""
        return schema.name in self.layer_names()

    def read(self, schema: LayerSchema) -> gpd.GeoDataFrame:
        """The layer with its declared columns, geometry in metres; fields a person added in a GIS are left out.

        StepError where the layer or a declared field is missing, or the values were edited out of their type.
        """
        if not self.has(schema):
            maker = f"run `geotools {schema.made_by}` first" if schema.made_by else None
            raise StepError(
                "the plan has no such layer yet", where=self.plan, found="no layer " + schema.name, mend=maker
            )
        code = self._code_now(schema)
        held = self._frames.get(schema.name)
        if code is not None and held is not None and held[0] == code and held[1] is schema:
            return held[2].copy()
        frame = self._read_checked(schema)
        if code is not None:
            self._frames[schema.name] = (code, schema, frame.copy())
        return frame

    def _code_now(self, schema: LayerSchema) -> LayerDigest | None:
        """The layer's code where it is known for the file as it is; it is not reckoned for one reading."""
        if self._digests is None or self._digests[0][0] != file_state(self.plan):
            return None
        return self._digests[1].get(schema.name)

    def _read_checked(self, schema: LayerSchema) -> gpd.GeoDataFrame | pd.DataFrame:
        with self._reading():
            frame = pyogrio.read_dataframe(self.plan, layer=schema.name)
        if schema is PROVENANCE:  # a plan of an older version says less of itself
            frame = frame.reindex(columns=[*frame.columns, *(f.name for f in schema if f.name not in frame.columns)])
        keep = [name for name in schema.field_names if name in frame.columns]
        refuse_unprintable(frame, schema, self.plan)
        if schema.geometry is None:
            return conform(pd.DataFrame(frame[keep]), schema)
        if frame.crs is None or CRS(frame.crs).to_2d() != self.plan_crs.to_2d():
            raise StepError(
                "a layer of the plan is in another coordinate system",
                where=f"{self.plan}, layer {schema.name}",
                found=frame.crs,
                expected=self.plan_crs.name,
                mend="save the edited layer in the plan's own system",
            )
        checked = conform(frame[[*keep, "geometry"]].set_crs(self.plan_crs, allow_override=True), schema)
        return checked if self.work_crs == self.plan_crs else checked.to_crs(self.work_crs)

    def build(self, target: Path, layers: Mapping[LayerSchema, gpd.GeoDataFrame | pd.DataFrame]) -> None:
        """Make at ``target`` what the plan will be with these layers in it, replacing those of the same name.

        Geometry comes in metres (work coordinates) and is stored in the plan's own system. The plan itself stays as it
        is. OutputError where the folder cannot be written or is full.
        """
        held = set(self.layer_names())
        ready = {}
        for schema, frame in layers.items():
            given = conform(frame, schema)
            if schema.name in held and schema.key is not None and any(field.by_hand for field in schema):
                given = filled_in(given, self.read(schema), schema)
            ready[schema] = self.to_plan(given, schema)
        if self.plan.exists():
            with self._reading():
                gpkg.check_whole(self.plan)
        try:
            if self.plan.exists():
                gpkg.copy(self.plan, target)
            for schema, frame in ready.items():
                gpkg.write_layer(target, schema, frame, self.plan_crs)
                if schema.name in held:
                    gpkg.carry_over(self.plan, target, schema)
            gpkg.finish(target, list(ready))
        except PLAN_TROUBLE as problem:
            raise self._unwritten(problem) from problem

    def put(self, built: Path, schema: LayerSchema, frame: pd.DataFrame) -> None:
        """Put one more table, without geometry, into the file that `build` made; OutputError where that fails."""
        ready = conform(frame, schema)
        try:
            gpkg.write_layer(built, schema, ready, self.plan_crs)
            gpkg.finish(built, [schema])
        except PLAN_TROUBLE as problem:
            raise self._unwritten(problem) from problem

    def put_project(self, built: Path, title: str, rasters: Iterable[Path], vertical_datum: str) -> None:
        """Put the project, in which the plan opens as one map, and what it is into the file that `build` made."""
        try:
            write_metadata(built, Described(title, self.plan_crs, vertical_datum, " ".join(CAUTIONS)))
            write_project(built, self.plan_crs, title, rasters, self._known)
            gpkg.settle(built)
        except PLAN_TROUBLE as problem:
            raise self._unwritten(problem) from problem

    def _unwritten(self, problem: BaseException) -> OutputError:
        return OutputError(
            "the plan could not be written; what stood there before is untouched",
            where=self.plan,
            found=disk_words(problem, self.folder),
            mend="check free space and write permission of the folder",
        )

    def write(self, layers: Mapping[LayerSchema, gpd.GeoDataFrame | pd.DataFrame]) -> None:
        """Put the layers into the plan: all of them, or on any error none. For a plan that stands alone."""
        self.check_free()
        temporary = self.folder / f".plan-{uuid.uuid4().hex}.gpkg"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self.build(temporary, layers)
            gpkg.settle(temporary)
            with open(temporary, "rb+") as written:
                os.fsync(written.fileno())
            os.replace(temporary, self.plan)
        except OSError as problem:
            raise OutputError("the plan could not be put in place", where=self.plan, found=problem) from problem
        finally:
            for leftover in self.folder.glob(temporary.name + "*"):
                leftover.unlink(missing_ok=True)

    def to_plan(self, frame: gpd.GeoDataFrame | pd.DataFrame, schema: LayerSchema) -> gpd.GeoDataFrame | pd.DataFrame:
        """A layer in metres (work coordinates) as the plan stores it; StepError where it is in another system."""
        if schema.geometry is None:
            return frame
        if frame.crs is not None and frame.crs != self.work_crs:
            raise StepError(
                "a step hands back geometry in another coordinate system",
                where=f"layer {schema.name}",
                found=frame.crs.name,
                expected=self.work_crs.name,
            )
        placed = frame.set_crs(self.work_crs)
        return placed if self.work_crs == self.plan_crs else placed.to_crs(self.plan_crs)


def empty_frame(schema: LayerSchema, crs: CRS | None = None) -> gpd.GeoDataFrame | pd.DataFrame:
    """A frame of that layer without rows."""
    columns: dict[str, list[object]] = {name: [] for name in schema.field_names}
    if schema.geometry is None:
        return pd.DataFrame(columns)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(np.array([], dtype=object)), crs=crs)


def frame_of(
    schema: LayerSchema, rows: list[dict[str, object]], crs: CRS | None = None
) -> gpd.GeoDataFrame | pd.DataFrame:
    """Rows (field names to values, ``geometry`` among them) as a frame of that layer, columns in the schema's order."""
    if not rows:
        return empty_frame(schema, crs)
    data = {name: [row.get(name) for row in rows] for name in schema.field_names}
    if schema.geometry is None:
        return pd.DataFrame(data)
    return gpd.GeoDataFrame(data, geometry=[row["geometry"] for row in rows], crs=crs)


def plan_crs_of(plan: Path) -> CRS:
    """The coordinate system a plan's layers are in; InputError where it is unknown."""
    try:
        for name, kind in pyogrio.list_layers(plan):
            if kind is not None:
                return CRS.from_user_input(pyogrio.read_info(plan, layer=name)["crs"]).to_2d()
    except PLAN_TROUBLE as problem:
        raise InputError("the plan cannot be read", where=plan, found=problem) from problem
    raise InputError("the plan has no layer with geometry", where=plan)
