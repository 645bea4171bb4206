"""The step contract: one typed declaration from which command, Python call, manual, validation and schema all follow.

A step is a small geoprocessing tool. It reads the site, the terrain and layers of the plan, and hands back layers and
files; the runner validates what it hands back and writes it whole or not at all. A step in another distribution joins
by the entry-point group ``geotools.steps`` and gets everything the built-in ones have::

    [project.entry-points."geotools.steps"]
    my_step = "my_package.my_step:STEP"
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeVar

from geotools.errors import SiteError, StepError
from geotools.plan.schema.core import LayerSchema

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geotools.engine.workers import Workers
    from geotools.plan.workspace import Workspace
    from geotools.site import Site
    from geotools.terrain.model import Terrain

T = TypeVar("T")
R = TypeVar("R")

ENTRY_POINT_GROUP = "geotools.steps"

#: The steps of this distribution, in the order of the job. Their modules are loaded when they are requested.
BUILT_IN = (
    "inspect",
    "layout",
    "channels",
    "cameras",
    "gaps",
    "heights",
    "remedy",
    "window",
    "grade",
    "drain",
    "weather",
    "asbuilt",
    "stakeout",
    "routes",
    "walktest",
    "commission",
    "upkeep",
    "bill",
    "report",
    "explore",
    "export",
)

ParamKind = Literal["real", "integer", "text", "flag", "choice", "path"]


@dataclass(frozen=True)
class Param:
    """One parameter of a step.

    Parameters
    ----------
    name : Python identifier; the command line shows it with dashes.
    kind : ``real``, ``integer``, ``text``, ``flag``, ``choice`` or ``path`` (a file that is read).
    help : what it does, one sentence.
    default : value where none is given; None means "as the site file says" or "not used", which ``help`` says.
    unit : unit of measure, empty where there is none.
    minimum, maximum : inclusive range of a number, None for unbounded.
    choices : the values of a ``choice``.
    required : whether the step refuses to run without it; it has no default then.
    """

    name: str
    kind: ParamKind
    help: str
    default: Any = None
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[str, ...] = ()
    required: bool = False

    def check(self, value: Any, step: str) -> Any:
        """The value in the parameter's own type; SiteError names parameter and range where it does not fit."""
        if value is None:
            return None
        where = f"step {step}, parameter {self.name}"
        if self.kind == "flag":
            if not isinstance(value, bool):
                raise SiteError("a flag is yes or no", where=where, found=repr(value), expected="true or false")
            return value
        if self.kind in ("real", "integer"):
            return self._number(value, where)
        text = str(value)
        if self.kind == "choice" and text not in self.choices:
            raise SiteError(
                "a parameter has a value that is not offered", where=where, found=text, expected=", ".join(self.choices)
            )
        return Path(text) if self.kind == "path" else text

    def _number(self, value: Any, where: str) -> float | int:
        expected = self.range_text() or "a number"
        if isinstance(value, bool):
            raise SiteError("a parameter is not a number", where=where, found=value, expected=expected)
        try:
            number = int(value) if self.kind == "integer" else float(value)
            exact = float(value) == number
        except (TypeError, ValueError):
            raise SiteError("a parameter is not a number", where=where, found=repr(value), expected=expected) from None
        too_low = self.minimum is not None and not number >= self.minimum
        too_high = self.maximum is not None and not number <= self.maximum
        if too_low or too_high or not exact:
            raise SiteError("a parameter is out of range", where=where, found=value, expected=expected)
        return number

    def range_text(self) -> str:
        """The range in words with its unit, empty where there is none."""
        unit = "" if self.unit in ("", "1") else f" {self.unit}"
        if self.minimum is not None and self.maximum is not None:
            return f"{self.minimum:g} to {self.maximum:g}{unit}"
        if self.minimum is not None:
            return f"at least {self.minimum:g}{unit}"
        if self.maximum is not None:
            return f"at most {self.maximum:g}{unit}"
        return ", ".join(self.choices) or unit.strip()

    def describe(self) -> dict[str, Any]:
        """The declaration as plain data."""
        default = str(self.default) if isinstance(self.default, Path) else self.default
        return {
            "name": self.name,
            "kind": self.kind,
            "help": self.help,
            "default": default,
            "unit": self.unit,
            "minimum": self.minimum,
            "maximum": self.maximum,
            "choices": list(self.choices),
            "required": self.required,
        }


@dataclass(frozen=True)
class LayerIn:
    """A layer of the plan that the step reads; ``intent`` says what for."""

    schema: LayerSchema
    intent: str
    required: bool = True


@dataclass(frozen=True)
class LayerOut:
    """A layer of the plan that the step writes, replacing the one of that name.

    ``updates`` marks a layer that another step makes and this one fills in: finding it there is no overwriting, and
    where there is nothing to fill in it may be left out.
    """

    schema: LayerSchema
    updates: bool = False


@dataclass(frozen=True)
class FileOut:
    """A file, or a folder of files ending in ``/``, that the step writes beside the plan.

    ``updates`` marks a file that another step makes and this one makes anew: finding it there is no overwriting.
    """

    name: str
    kind: Literal["raster", "picture", "table", "document", "drawing", "data"]
    help: str
    updates: bool = False


class Progress(Protocol):
    """Called with how far a step has come: ``done`` of ``total`` pieces of work."""

    def __call__(self, done: int, total: int, what: str = "") -> None:
        """Report progress; raises CancelledError where the user wants to stop."""
        ...


def _no_progress(done: int, total: int, what: str = "") -> None:
    return None


@dataclass
class StepContext:
    """What a step is given to work with.

    ``scratch`` is an empty folder: files written there under the names declared in ``files`` are moved beside the plan
    once everything has been validated. ``edited`` names layers that a person changed since a step wrote them, ``kept``
    those and what was edited before and taken as it stood by the steps since. ``causes`` says what changed since the
    step last ran. ``notes`` collects what the user should know.
    """

    site: Site
    workspace: Workspace
    params: Mapping[str, Any]
    scratch: Path
    open_terrain: Callable[[], Terrain]
    progress: Progress = _no_progress
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    workers: Workers | None = None
    edited: frozenset[str] = frozenset()
    kept: frozenset[str] = frozenset()
    causes: tuple[str, ...] = ()

    @property
    def terrain(self) -> Terrain:
        """The site's terrain, opened when first needed."""
        return self.open_terrain()

    def read(self, schema: LayerSchema) -> GeoDataFrame:
        """A layer of the plan in metres (work coordinates); StepError names its maker where it is missing."""
        return self.workspace.read(schema)

    def map(self, work: Callable[[T], R], items: Sequence[T], what: str = "") -> Iterator[R]:
        """``work`` of every item, in order, on the run's workers, with progress.

        ``work`` is a module's function (or a partial of one); it, items and results must pickle, and nothing may
        depend on which worker did what. The terrain can be part of an item: it is opened anew where it arrives.
        """
        done = map(work, items) if self.workers is None else self.workers.map(work, items)
        self.progress(0, len(items), what)
        for number, result in enumerate(done, start=1):
            self.progress(number, len(items), what)
            yield result

    def say(self, text: str) -> None:
        """Tell the user something worth knowing."""
        self.notes.append(text)

    def warn(self, text: str) -> None:
        """Tell the user about something that weakens the answer."""
        self.warnings.append(text)


@dataclass
class StepResult:
    """What a step hands back: one frame for each declared layer, files in ``scratch``, figures for the summary."""

    layers: dict[str, GeoDataFrame] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)
    summary: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Step:
    """The declaration of a step.

    Parameters
    ----------
    name : command name, lower case with dashes or underscores.
    title : a few words for a menu.
    summary : one sentence: what it answers.
    run : does the work; takes a StepContext, returns a StepResult.
    params, inputs, outputs, files : what it takes, reads and writes.
    uses_terrain : whether it samples the terrain model.
    order : place in the job, for listings and for ``geotools run``; 0 leaves it out of ``run``.
    citations : published sources it stands on.
    cautions : what a reader must know before acting on the result.
    sparing : flags with which a run spares what stands, named before results are replaced.
    """

    name: str
    title: str
    summary: str
    run: Callable[[StepContext], StepResult]
    params: tuple[Param, ...] = ()
    inputs: tuple[LayerIn, ...] = ()
    outputs: tuple[LayerOut, ...] = ()
    files: tuple[FileOut, ...] = ()
    uses_terrain: bool = True
    order: int = 0
    citations: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    sparing: tuple[str, ...] = ()

    def validate_params(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Every declared parameter with its checked value; SiteError for an unknown name or a bad value."""
        known = {param.name: param for param in self.params}
        for name in given:
            if name not in known:
                raise SiteError(
                    "a step has no parameter of that name",
                    where=f"step {self.name}",
                    found=name,
                    expected=", ".join(known) or "no parameters",
                )
        return {name: param.check(given.get(name, param.default), self.name) for name, param in known.items()}

    def manual(self) -> str:
        """The step's manual page (README.md beside its declaration), empty where it has none."""
        page = Path(inspect.getfile(self.run)).with_name("README.md")
        return page.read_text(encoding="utf-8") if page.is_file() else ""

    def describe(self) -> dict[str, Any]:
        """The whole contract as plain data."""
        return {
            "name": self.name,
            "title": self.title,
            "summary": self.summary,
            "order": self.order,
            "uses_terrain": self.uses_terrain,
            "params": [param.describe() for param in self.params],
            "inputs": [
                {"layer": i.schema.name, "intent": i.intent, "required": i.required, "schema": i.schema.describe()}
                for i in self.inputs
            ],
            "outputs": [{"layer": o.schema.name, "schema": o.schema.describe()} for o in self.outputs],
            "files": [{"name": f.name, "kind": f.kind, "help": f.help} for f in self.files],
            "citations": list(self.citations),
            "cautions": list(self.cautions),
        }


def _load_entry_point(name: str, load: Callable[[], Any]) -> Step:
    try:
        step = load()
    except Exception as problem:
        raise StepError(
            "a plug-in step cannot be loaded",
            where=f"entry point {name} of {ENTRY_POINT_GROUP}",
            found=f"{type(problem).__name__}: {problem}",
            mend="repair or uninstall the distribution that offers it",
        ) from problem
    if not isinstance(step, Step):
        raise StepError(
            "a plug-in offers something that is not a step",
            where=f"entry point {name} of {ENTRY_POINT_GROUP}",
            found=type(step).__name__,
            expected="geotools.engine.step.Step",
        )
    return step


@cache
def discover() -> dict[str, Step]:
    """Every step by name: the built-in ones in the order of the job, then those of other distributions by name.

    StepError where an entry point cannot be loaded, is not a Step, or takes a name that is taken.
    """
    found: dict[str, Step] = {}
    for name in BUILT_IN:
        found[name] = built_in(name)
    for point in sorted(entry_points(group=ENTRY_POINT_GROUP), key=lambda p: (p.name, p.value)):
        step = _load_entry_point(point.name, point.load)
        if step.name in found:
            raise StepError(
                "two steps have one name", where=f"entry point {point.name} of {ENTRY_POINT_GROUP}", found=step.name
            )
        found[step.name] = step
    return found


def built_in(name: str) -> Step:
    """A step of this distribution, by its name in BUILT_IN; its module alone is loaded."""
    step = import_module(f"geotools.steps.{name}.step").STEP
    assert isinstance(step, Step)
    return step


def get_step(name: str) -> Step:
    """The step of that name; StepError lists the names there are."""
    steps = discover()
    if name not in steps:
        raise StepError("there is no step of that name", found=name, expected=", ".join(steps))
    return steps[name]
