"""What the site file says: threats, heads, limits, files; every setting validated, with unit and range."""

from __future__ import annotations

import tomllib
from functools import cached_property
from pathlib import Path
from typing import Any

from pydantic import PrivateAttr, ValidationError, model_validator

from geotools.errors import InputError, SiteError
from geotools.io.files import local_file
from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting
from geotools.site.bill import BillPrices
from geotools.site.care import MaintenanceTask, Upkeep, WalkTest, default_maintenance
from geotools.site.catalogue import HeadTypeSettings, TargetSettings, default_head_types, default_targets
from geotools.site.detection import Detection
from geotools.site.faults import FROM_FRAMES, explain, refuse_unprintable
from geotools.site.inputs import Inputs
from geotools.site.layout import Layout
from geotools.site.movers import MoverSettings, Nuisance, default_movers
from geotools.site.radio import Channels
from geotools.site.routes import Routes
from geotools.site.sharing import Sharing
from geotools.site.sheets import Sheets
from geotools.site.sight import Cameras
from geotools.site.stacks import Level, StackRule, cross_polarised, default_stack_rules, stack_for
from geotools.site.survey import SurveySettings
from geotools.site.weather import Weather
from geotools.site.works import GradingLimits, SitePrices

MAX_SITE_FILE_BYTES = 1_000_000

__all__ = [
    "BillPrices",
    "Cameras",
    "Channels",
    "Detection",
    "GradingLimits",
    "HeadTypeSettings",
    "Inputs",
    "Layout",
    "Level",
    "MaintenanceTask",
    "MoverSettings",
    "Nuisance",
    "Routes",
    "Sharing",
    "Sheets",
    "Site",
    "SitePrices",
    "StackRule",
    "SurveySettings",
    "TargetSettings",
    "Upkeep",
    "WalkTest",
    "Weather",
    "open_site",
    "parse_site",
]


class Site(SiteSection):
    """One site: what ``site.toml`` says. Build it with `open_site`, or with `Site.from_frames`."""

    name: str = setting("name of the site", min_length=1, max_length=100)
    threats: tuple[str, ...] = setting(
        "threats the perimeter must detect, names of targets",
        mark=CHOICE,
        default=("walk", "crawl", "prone"),
        min_length=1,
    )
    fence_height_m: float | None = setting(
        "height of the fence lines whose features have no field height_m; needed where a threat crosses the fence "
        "at its height",
        unit="m",
        default=None,
        gt=0.5,
        le=10,
    )
    input: Inputs = setting("files")
    detection: Detection = setting("detection", default_factory=Detection)
    nuisance: Nuisance = setting("movers that are no threat", default_factory=Nuisance)
    layout: Layout = setting("layout", default_factory=Layout)
    channels: Channels = setting("channels", default_factory=Channels)
    cameras: Cameras = setting("cameras", default_factory=Cameras)
    survey: SurveySettings = setting("accuracy of the terrain model", default_factory=SurveySettings)
    weather: Weather = setting("the year's weather, for operating windows", default_factory=Weather)
    walktest: WalkTest = setting("walk test", default_factory=WalkTest)
    upkeep: Upkeep = setting("upkeep", default_factory=Upkeep)
    grading: GradingLimits = setting("earthwork", default_factory=GradingLimits)
    prices: SitePrices = setting("prices", default_factory=SitePrices)
    routes: Routes = setting("cable routes", default_factory=Routes)
    bill: BillPrices = setting("bill of quantities", default_factory=BillPrices)
    sheets: Sheets = setting("drawing sheets", default_factory=Sheets)
    sharing: Sharing = setting("who may read the results", default_factory=Sharing)
    targets: dict[str, TargetSettings] = setting("own targets, or changed ones", default_factory=dict)
    movers: dict[str, MoverSettings] = setting(
        "what moves and is no threat: own movers, or changed ones", mark=PLACEHOLDER, default_factory=dict
    )
    head_types: dict[str, HeadTypeSettings] = setting("own head types, or changed ones", default_factory=dict)
    stack: tuple[Level, ...] = setting("heads on every post; empty to take those that the threats call for", default=())
    stack_rules: tuple[StackRule, ...] = setting(
        "which threat calls for which head; given here, they replace all of the catalogue's",
        mark=PLACEHOLDER,
        default_factory=default_stack_rules,
        min_length=1,
    )
    maintenance: tuple[MaintenanceTask, ...] = setting(
        "maintenance tasks; given here, they replace all of the catalogue's",
        mark=PLACEHOLDER,
        default_factory=default_maintenance,
    )

    folder: Path = setting("folder of the site file, from which its paths count", default=Path("."), exclude=True)
    #: What was handed in as frames or arrays lies in a folder that lives as long as the site.
    _held: Any = PrivateAttr(default=None)

    def hold(self, folder: Any) -> None:
        """Keep a private folder with files of the site for as long as the site is there."""
        self._held = folder

    @classmethod
    def from_frames(
        cls,
        fence: Any,
        dtm: Any,
        *,
        name: str = "Site",
        keep_outs: Any = None,
        gates: Any = None,
        **settings: Any,
    ) -> Site:
        """A site from what a Python program holds, without a site file.

        Parameters
        ----------
        fence : geopandas.GeoDataFrame, geopandas.GeoSeries, shapely geometry or list of them, or path
            The fence lines, in any coordinate system that is named.
        dtm : path, Raster, or tuple (array, transform, crs)
            Height of the ground: shape (rows, columns), NaN or masked where unknown; metres, unless the raster or
            ``input={"vertical_unit": ...}`` says otherwise.
        name : str, default "Site"
            Name of the site, 1 to 100 characters.
        keep_outs : as ``fence``, points and areas too, optional
            What no beam may touch.
        gates : as ``fence``, optional
            Gates, each across its opening; each gets a zone of its own.
        **settings
            Every other setting of the site file by its name: ``threats=["crawl", "prone"]``, ``fence_height_m=2.4``;
            a section as a dictionary: ``layout={"side": "inside", "setback_m": 4.0}``,
            ``input={"vertical_accuracy_m": 0.06}``.

        Returns
        -------
        Site
            Frames and arrays are taken as they are now; later changes of them do not reach the site.

        Raises
        ------
        InputError
            A frame, shape, array or file cannot be used, or names no coordinate system.
        SiteError
            A setting is not known or cannot be; the message names it.

        Examples
        --------
        >>> import geopandas
        >>> fence = geopandas.read_file("fence.geojson")
        >>> site = Site.from_frames(fence, dtm="terrain.tif", threats=["crawl", "prone"], layout={"setback_m": 4.0})
        >>> site.threats, site.layout.setback_m
        (('crawl', 'prone'), 4.0)
        """
        from geotools.site.frames import place_inputs

        where = FROM_FRAMES
        inputs = settings.pop("input", {})
        refuse_unprintable({"name": name, "input": inputs, **settings}, where)
        if "folder" in settings:
            raise SiteError("there is no setting of that name", where=where, found="folder", mend="take it out")
        vectors = {"fence": fence, "keep_outs": keep_outs, "gates": gates}
        placed, held = place_inputs(vectors, dtm, inputs)
        folder = Path.cwd() if held is None else held.path
        try:
            site = cls.model_validate({"name": name, **settings, "input": placed, "folder": folder})
        except ValidationError as problem:
            raise explain(problem, where) from None
        site.hold(held)
        return site

    @model_validator(mode="after")
    def _names_exist(self) -> Site:
        for threat in self.threats:
            if threat not in self.all_targets:
                raise ValueError(f"threat {threat!r} is no known target; known: {', '.join(self.all_targets)}")
        if len(set(self.threats)) != len(self.threats):
            raise ValueError("a threat is named twice")
        known = ", ".join(self.all_head_types)
        for level in (*self.stack, *self.stack_rules):
            if level.head_type not in self.all_head_types:
                raise ValueError(f"stack level {level.level!r} names head type {level.head_type!r}; known: {known}")
        for task in self.maintenance:
            strange = [name for name in task.head_types if name not in self.all_head_types]
            if strange:
                raise ValueError(f"maintenance task {task.name!r} names head type {strange[0]!r}; known: {known}")
        names = [level.level for level in self.stack]
        if len(set(names)) != len(names):
            raise ValueError("a level of the stack is named twice")
        return self

    @classmethod
    def catalogues(cls) -> dict[str, Any]:
        """What counts where the site file names nothing of its own, by section: as mappings by name, or in order."""
        return {
            "targets": default_targets(),
            "movers": default_movers(),
            "head_types": default_head_types(),
            "stack_rules": default_stack_rules(),
            "maintenance": default_maintenance(),
        }

    @cached_property
    def all_targets(self) -> dict[str, TargetSettings]:
        """The catalogue with the site's own targets laid over it."""
        return {**default_targets(), **self.targets}

    @cached_property
    def all_movers(self) -> dict[str, MoverSettings]:
        """The catalogue with the site's own movers laid over it."""
        return {**default_movers(), **self.movers}

    @cached_property
    def all_head_types(self) -> dict[str, HeadTypeSettings]:
        """The catalogue with the site's own head types laid over it."""
        return {**default_head_types(), **self.head_types}

    @property
    def recipient(self) -> str:
        """Whom paper is for, of section `sheets`."""
        return self.sheets.recipient

    def stack_levels(self, fence_height_m: float | None = None) -> tuple[Level, ...]:
        """Heads on every post, lowest first: the site's own stack, else what the threats ask for (common practice).

        Parameters
        ----------
        fence_height_m : float, optional
            Height of the fence they stand beside, m; `fence_height_m` of the site if not given.

        Raises
        ------
        SiteError
            A head is to stand at the fence's height, and nobody says how high that is.
        """
        bands = {name: kind.frequency_ghz for name, kind in self.all_head_types.items()}
        if self.stack:
            return cross_polarised(sorted(self.stack, key=lambda level: level.height_m), bands)
        height = self.fence_height_m if fence_height_m is None else fence_height_m
        return stack_for(self.threats, self.stack_rules, height, bands)

    def path(self, given: str) -> Path | str:
        """A path of the site file, counted from the site file's folder; other addresses come back as they are."""
        if "://" in given or given.startswith("/vsi"):
            return given
        return self.folder / given


def open_site(path: Path | str) -> Site:
    """Read and validate a site file (TOML).

    InputError where the file cannot be read or is not TOML; SiteError names every setting that is wrong, with what was
    found.
    """
    local = Path(local_file(path, "site file"))
    try:
        size = local.stat().st_size
        if size > MAX_SITE_FILE_BYTES:
            raise InputError("the site file is too large", where=local, found=f"{size} bytes", expected="at most 1 MB")
        text = local.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as problem:
        raise InputError("the site file is not TOML", where=local, found=problem, mend="save it as UTF-8") from problem
    except OSError as problem:
        raise InputError("the site file cannot be read", where=local, found=problem) from problem
    return parse_site(text, local)


def parse_site(text: str, path: Path) -> Site:
    """The site that a site file's text describes; ``path`` is where the file stands or will stand."""
    try:
        data: dict[str, Any] = tomllib.loads(text.removeprefix("\ufeff"))
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise InputError("the site file is not TOML", where=path, found=problem, mend="correct that line") from problem
    refuse_unprintable(data, path)
    if "folder" in data:
        raise SiteError("the site file names a setting that is not one", where=path, found="folder", mend="take it out")
    try:
        return Site.model_validate({**data, "folder": path.resolve().parent})
    except ValidationError as problem:
        raise explain(problem, path) from None
