"""Files that nobody sane would write, built by hypothesis from what each format may hold."""

from __future__ import annotations

import csv
import io
import json
import math
import types
from collections.abc import Mapping
from typing import Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MinLen
from hypothesis import strategies as st
from pydantic.fields import FieldInfo

from geotools.plan.schema import HEADS, WALK_PLAN
from geotools.site import Site
from geotools.site.base import SiteSection
from tests.fuzz.mutate import EDGES, WORDS
from tests.fuzz.subjects import BOTTOM, LEFT

TEXT = st.one_of(
    st.sampled_from((*WORDS, "\udcff")),
    st.text(max_size=20),  # every plane, control characters among them
    st.text(alphabet="=+-@;,'\"<>&$\\/[]{}()%#\t\n\r\x00\x1b\u202e", max_size=12),
    st.text(alphabet=st.characters(categories=["Cc", "Cf", "Co", "Cn"]), min_size=1, max_size=3),
)
NUMBER = st.one_of(
    st.sampled_from((0.0, -0.0, math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, 1e-9, 1e10, 0.1, 1.0)),
    st.floats(),
    st.floats(-1000.0, 1000.0),
)
WHOLE = st.one_of(st.sampled_from((*EDGES, -1, 2**63, 2**64, -(2**63) - 1, 10**30)), st.integers(-1000, 1000))
ANYTHING = st.recursive(
    st.one_of(TEXT, NUMBER, WHOLE, st.booleans()),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)),
    max_leaves=5,
)


def toml(value: object) -> str:
    """Any value as TOML writes it; what TOML cannot hold stays, and makes the file a broken one."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else {True: "nan"}.get(math.isnan(value), f"{value:+f}")
    if isinstance(value, int):
        return str(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(str(k))} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def document(tables: Mapping[str, object]) -> bytes:
    """A TOML file: plain settings first, sections as inline tables."""
    text = "".join(f"{toml(name)} = {toml(value)}\n" for name, value in tables.items())
    return text.encode("utf-8", "surrogatepass")


def _sections(annotation: Any) -> list[type[SiteSection]]:
    inner = [a for a in (annotation, *get_args(annotation)) if isinstance(a, type)]
    return [a for a in inner if issubclass(a, SiteSection)]


def legal(field: FieldInfo) -> st.SearchStrategy[Any]:
    """Values that the declaration of a setting allows, its ends among them."""
    kind: Any = field.annotation
    if get_origin(kind) in (Union, types.UnionType):
        kind = next(a for a in get_args(kind) if a is not type(None))
    inner = _sections(kind)
    if inner and kind is inner[0]:
        return section(inner[0])
    if inner:
        if get_origin(kind) is dict:
            return st.dictionaries(TEXT, section(inner[0]), max_size=2)
        return st.lists(section(inner[0]), max_size=3)
    if get_origin(kind) is Literal:
        return st.sampled_from(get_args(kind))
    if get_origin(kind) is tuple:
        return st.lists(st.one_of(st.sampled_from(["walk", "crawl", "prone"]), TEXT), min_size=1, max_size=3)
    least = next((float(v) for m in field.metadata for v in _limit(m, Ge, Gt)), -1e6)
    most = next((float(v) for m in field.metadata for v in _limit(m, Le, Lt)), 1e6)
    if kind is bool:
        return st.booleans()
    if kind is int:
        return st.integers(math.ceil(least), math.floor(most))
    if kind is float:
        return st.one_of(st.floats(least, most), st.sampled_from((least, most)))
    return st.text(min_size=1, max_size=12) if any(isinstance(m, MinLen) for m in field.metadata) else TEXT


def _limit(mark: object, closed: type, opened: type) -> list[Any]:
    name = {Ge: "ge", Le: "le"}[closed]
    if isinstance(mark, closed):
        return [getattr(mark, name)]
    return [getattr(mark, name.replace("e", "t"))] if isinstance(mark, opened) else []


def section(kind: type[SiteSection], *, wild: bool = False) -> st.SearchStrategy[dict[str, Any]]:
    """Some settings of a section; with ``wild`` any value, and names that there are not."""
    fields = {name: field for name, field in kind.model_fields.items() if name != "folder"}
    if not wild:
        needed = {name: legal(field) for name, field in fields.items() if field.is_required()}
        others = {name: legal(field) for name, field in fields.items() if name not in needed}
        return st.fixed_dictionaries(needed, optional=others)
    return st.dictionaries(st.one_of(st.sampled_from(sorted(fields)), TEXT), ANYTHING, min_size=1, max_size=3)


#: What the files of the small site need to be found.
BASE = {
    "name": "Wild yard",
    "threats": ["walk", "prone"],
    "input": {
        "fence": "fence.geojson", "terrain": "terrain.tif", "fence_crs": "EPSG:32632", "terrain_crs": "EPSG:32632",
        "vertical_accuracy_m": 0.05,
    },
    "layout": {"setback_m": 4.0, "max_zone_m": 50.0},
    "detection": {"spacing_m": 1.0},
}  # fmt: skip
#: Settings that name files are left to the wild ones: a legal path leads nowhere.
_PATHS = {"fence", "terrain", "keep_outs", "gates", "positions", "no_dig", "check_points"}


@st.composite
def site_file(draw: st.DrawFn, *, wild: bool) -> bytes:
    """A site file: the small site's, with settings laid over it, legal ones or any."""
    data: dict[str, Any] = json.loads(json.dumps(BASE))
    names = [name for name in Site.model_fields if name != "folder"]
    for name in draw(st.lists(st.sampled_from(names), min_size=1, max_size=3, unique=True)):
        field = Site.model_fields[name]
        inner = _sections(field.annotation)
        nested = bool(inner) and field.annotation is inner[0]
        if nested:
            # what the small site cannot do without is filled in again; the rest may be anything
            given = draw(section(inner[0], wild=wild))
            given = {k: v for k, v in given.items() if wild or k not in _PATHS}
            data[name] = {**data.get(name, {}), **given}
            if not wild and name == "input":
                data[name] |= BASE["input"]  # type: ignore[operator]
        else:
            data[name] = draw(ANYTHING if wild else legal(field))
    if not wild:
        data["threats"] = BASE["threats"]
    elif draw(st.booleans()):
        data[draw(TEXT)] = draw(ANYTHING)
    return document(data)


def _table(rows: list[dict[str, str]], names: list[str], separator: str) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(names)
    writer.writerows([row.get(name, "") for name in names] for row in rows)
    return out.getvalue().encode("utf-8", "surrogatepass")


def table(columns: Mapping[str, st.SearchStrategy[Any]], *, rows: int) -> st.SearchStrategy[bytes]:
    """A CSV file of these columns and some that nobody asked for, comma, semicolon or tab."""
    known = sorted(columns)
    names = st.one_of(st.just(known), st.permutations(known), st.lists(st.one_of(st.sampled_from(known), TEXT)))
    return names.flatmap(
        lambda given: st.builds(
            _table,
            st.lists(st.fixed_dictionaries({name: columns.get(name, TEXT).map(str) for name in given}), max_size=rows),
            st.just(given),
            st.sampled_from(",;\t"),
        )
    )


_FILE = st.one_of(
    st.just("site.toml"),
    st.just("site.toml"),
    TEXT,
    st.sampled_from(("/dev/zero", "/dev/stdin", ".", "..", "../in/site.toml")),
)
MANIFEST_TABLE = table({"file": _FILE, "name": TEXT}, rows=5)
MANIFEST = st.builds(
    lambda sites, more: document({"site": sites, **more}),
    st.lists(st.one_of(st.fixed_dictionaries({"file": _FILE}, optional={"name": TEXT}), ANYTHING), max_size=5),
    st.dictionaries(TEXT, ANYTHING, max_size=1),
)
EAST = st.one_of(st.floats(LEFT, LEFT + 100), NUMBER)
NORTH = st.one_of(st.floats(BOTTOM, BOTTOM + 100), NUMBER)
_HEIGHT = st.one_of(st.floats(240.0, 260.0), NUMBER)
_SOUND = st.tuples(st.floats(LEFT, LEFT + 20), st.floats(BOTTOM, BOTTOM + 20), st.floats(240.0, 260.0))
POINTS_TABLE = st.one_of(
    st.lists(_SOUND, min_size=3, max_size=40).map(
        lambda rows: ("x,y,z\r\n" + "".join(f"{x},{y},{z}\r\n" for x, y, z in rows)).encode()
    ),
    table({"x": EAST, "y": NORTH, "z": _HEIGHT}, rows=30),
    st.lists(st.tuples(EAST, NORTH, _HEIGHT), max_size=30).map(
        lambda rows: ("x,y,z\r\n" + "".join(f"{x},{y},{z}\r\n" for x, y, z in rows)).encode()
    ),
)
_ANSWER = st.one_of(st.sampled_from(("detected", "missed", "yes", "0", "", " Missed ")), TEXT)
_DAY = st.one_of(st.dates().map(str), st.sampled_from(("2027-02-30", "0000-00-00", "1e9", "")), TEXT)
RESULTS = table(
    {
        **{name: TEXT for name in WALK_PLAN.field_names},
        "crossing_id": st.one_of(st.integers(0, 30).map(lambda n: f"F01-Z001-prone-{n:02d}"), TEXT),
        "result": _ANSWER,
        "walked_on": _DAY,
    },
    rows=12,
)


_EDIT = {
    "text": TEXT,
    "real": st.one_of(st.floats(0.1, 3.0), NUMBER),
    "integer": WHOLE.filter(lambda n: abs(n) < 2**63),
    "boolean": st.booleans().map(int),
    "date": _DAY,
}


def edits() -> st.SearchStrategy[list[tuple[str, int, Any]]]:
    """Values typed into the layer of the heads: field, row, value; None empties it."""
    return st.lists(
        st.sampled_from(list(HEADS)).flatmap(
            lambda field: st.tuples(
                st.just(field.name), st.integers(1, 8), st.one_of(_EDIT[field.type], _EDIT["text"], st.none())
            )
        ),
        min_size=1,
        max_size=4,
    )
