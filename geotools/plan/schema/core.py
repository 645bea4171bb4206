"""What a layer is: its fields with types and units, its geometry, its words and its style."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from geotools.errors import StepError
from geotools.plan.schema.style import Style

FieldType = Literal["text", "integer", "real", "boolean", "date"]
GeometryType = Literal[
    "Point",
    "PointZ",
    "LineString",
    "LineStringZ",
    "Polygon",
    "PolygonZ",
    "MultiPolygon",
    "MultiLineString",
    "MultiLineStringZ",
]


@dataclass(frozen=True)
class Edit:
    """How a person may change a field in a form.

    Parameters
    ----------
    lowest, highest : numbers between which a value may lie, None for no limit.
    listed : whether the values that the layer holds already are offered; others may be typed.
    """

    lowest: float | None = None
    highest: float | None = None
    listed: bool = False


@dataclass(frozen=True)
class Field:
    """One column of a layer.

    Parameters
    ----------
    name : column name, lower case with underscores; a length in metres ends in ``_m``.
    type : ``text``, ``integer``, ``real``, ``boolean`` or ``date``.
    help : what it means, one sentence in plain words.
    unit : unit of measure, empty where there is none.
    choices : the only values a text field may hold, empty for any.
    nullable : whether the value may be missing.
    by_hand : whether people fill it in; steps that make the layer anew carry it over.
    edit : how a person may change it where a step reads it back; None where it is derived, and forms only show it.
    """

    name: str
    type: FieldType
    help: str
    unit: str = ""
    choices: tuple[str, ...] = ()
    nullable: bool = True
    by_hand: bool = False
    edit: Edit | None = None

    @property
    def editable(self) -> bool:
        """Whether a change by hand counts: what is derived is made anew from what it stands on."""
        return self.by_hand or self.edit is not None

    @property
    def alias(self) -> str:
        """The name as a heading: words, and the unit."""
        words = self.name
        for unit, ending in (
            ("m", "_m"),
            ("m/s", "_m_s"),
            ("m2", "_m2"),
            ("m3", "_m3"),
            ("degree", "_deg"),
            ("dB", "_db"),
            ("GHz", "_ghz"),
        ):
            if self.unit == unit:
                words = words.removesuffix(ending)
        words = words.replace("_", " ")
        return words if self.unit in ("", "1") else f"{words} ({self.unit})"

    @property
    def comment(self) -> str:
        """The meaning with its unit, as it is written into the GeoPackage."""
        return f"{self.help} [{self.unit}]" if self.unit else self.help

    def describe(self) -> dict[str, Any]:
        """The declaration as plain data."""
        return {
            "name": self.name,
            "type": self.type,
            "unit": self.unit,
            "help": self.help,
            "choices": list(self.choices),
            "nullable": self.nullable,
        }


@dataclass(frozen=True)
class LayerSchema:
    """One layer of a plan, declared once: writers, readers, manuals and styles all follow it.

    Parameters
    ----------
    name : layer (table) name, lower case with underscores.
    title : a few words for a legend.
    description : what the layer shows and how to read it.
    geometry : geometry type, None for a table without geometry. ``Z`` heights are metres above the terrain's datum.
    fields : the columns, in order.
    key : the column that identifies a row; its values are unique and stable from run to run.
    style : how a GIS draws it, None for a table.
    made_by : name of the step that writes it.
    """

    name: str
    title: str
    description: str
    geometry: GeometryType | None
    fields: tuple[Field, ...]
    key: str | None = None
    style: Style | None = None
    made_by: str = ""

    def __post_init__(self) -> None:
        names = [field.name for field in self.fields]
        if len(set(names)) != len(names):
            raise StepError("a layer declares a field twice", where=f"layer {self.name}", found=names)
        if self.key is not None and self.key not in names:
            raise StepError("a layer's key is not one of its fields", where=f"layer {self.name}", found=self.key)

    def __iter__(self) -> Iterator[Field]:
        return iter(self.fields)

    def field(self, name: str) -> Field:
        """The field of that name; KeyError where there is none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(name)

    @property
    def field_names(self) -> list[str]:
        """Column names in order."""
        return [field.name for field in self.fields]

    def describe(self) -> dict[str, Any]:
        """The declaration as plain data."""
        return {
            "name": self.name,
            "title": self.title,
            "description": self.description,
            "geometry": self.geometry,
            "key": self.key,
            "made_by": self.made_by,
            "fields": [field.describe() for field in self.fields],
        }
