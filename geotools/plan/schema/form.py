"""The form in which a desktop GIS shows a feature: headings, lists, ranges; what is derived is shown and not edited."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree.ElementTree import Element, SubElement

from geotools.plan.schema.core import Edit, Field

__all__ = ["add_form", "add_reference"]

#: By which the GIS knows an empty value in a list of words.
_EMPTY = "{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}"
#: The row number, which the file keeps for itself; it comes before all fields.
_ROW_NUMBER = "fid"
#: How the GIS writes what a value must be (QgsFieldConstraints: kinds add up; 1 is a strength that refuses).
_NOT_EMPTY, _UNIQUE, _EXPRESSION, _HARD = 1, 2, 4, "1"
_DECIMALS = 3

Options = Mapping[str, object]


def add_form(root: Element, fields: Sequence[Field], key: str | None = None) -> None:
    """Put names with units, widgets and constraints of a layer's fields into its style.

    Parameters
    ----------
    root : Element
        The style.
    fields : sequence of Field
        Of the layer, in order.
    key : str, optional
        The field that identifies a row.
    """
    configuration = SubElement(root, "fieldConfiguration")
    _widget(configuration, _ROW_NUMBER, "Hidden", {})
    for field in fields:
        kind, options = _widget_of(field)
        if kind:
            _widget(configuration, field.name, kind, options)
    aliases = SubElement(root, "aliases")
    for number, field in enumerate(fields, start=1):
        SubElement(aliases, "alias", {"field": field.name, "index": str(number), "name": field.alias})
    _constraints(root, fields, key)
    editable = SubElement(root, "editable")
    for field in fields:
        SubElement(editable, "field", {"name": field.name, "editable": "1" if field.editable else "0"})


def _widget_of(field: Field) -> tuple[str, Options]:
    """The widget's kind, empty for plain text, and what it is told."""
    if field.choices:
        empty = [("", _EMPTY)] if field.nullable and field.editable else []
        return "ValueMap", {"map": [*empty, *((word.replace("_", " "), word) for word in field.choices)]}
    if field.type == "date":
        shown = {"display_format": "yyyy-MM-dd", "field_format": "yyyy-MM-dd", "calendar_popup": True}
        return "DateTime", {**shown, "allow_null": field.nullable}
    if field.type == "boolean":
        return "CheckBox", {}
    if field.edit is None:
        return "", {}
    if field.edit.listed:
        return "UniqueValues", {"Editable": True}
    if field.edit.lowest is not None and field.edit.highest is not None:
        whole = field.type == "integer"
        return "Range", {
            "Min": int(field.edit.lowest) if whole else field.edit.lowest,
            "Max": int(field.edit.highest) if whole else field.edit.highest,
            "Step": 1 if whole else 0.01,
            "Precision": 0 if whole else _DECIMALS,
            "Style": "SpinBox",
            "AllowNull": field.nullable,
        }
    return "", {}


def add_reference(root: Element, field: str, relation: str) -> None:
    """Let a field be filled with the row of another layer; one that has a widget of its own keeps it.

    Parameters
    ----------
    root : Element
        The style.
    field : str
        Name of the field.
    relation : str
        Identifier of the relation; the map must have it.
    """
    configuration = root.find("fieldConfiguration")
    if configuration is None:
        configuration = SubElement(root, "fieldConfiguration")
    if any(node.get("name") == field for node in configuration):
        return
    shown = {"Relation": relation, "AllowNULL": False, "ShowForm": False, "ShowOpenFormButton": True}
    _widget(configuration, field, "RelationReference", {**shown, "AllowAddFeatures": False, "OrderByValue": True})


def _widget(configuration: Element, name: str, kind: str, options: Options) -> None:
    node = SubElement(SubElement(configuration, "field", {"name": name}), "editWidget", {"type": kind})
    told = SubElement(SubElement(node, "config"), "Option", {"type": "Map"})
    for option, value in options.items():
        if isinstance(value, list):
            listed = SubElement(told, "Option", {"name": option, "type": "List"})
            for label, word in value:
                one = SubElement(listed, "Option", {"type": "Map"})
                SubElement(one, "Option", {"name": label, "value": word, "type": "QString"})
        else:
            SubElement(told, "Option", {"name": option, **_typed(value)})


def _typed(value: object) -> dict[str, str]:
    if isinstance(value, bool):
        return {"type": "bool", "value": "true" if value else "false"}
    if isinstance(value, int | float):
        return {"type": "int" if isinstance(value, int) else "double", "value": str(value)}
    return {"type": "QString", "value": str(value)}


def _constraints(root: Element, fields: Sequence[Field], key: str | None) -> None:
    kinds, rules = SubElement(root, "constraints"), SubElement(root, "constraintExpressions")
    for field in fields:
        rule, words = _rule(field.name, field.edit) if field.edit else ("", "")
        must = field.editable and not field.nullable
        total = must * _NOT_EMPTY + (field.name == key) * _UNIQUE + bool(rule) * _EXPRESSION
        if not total:
            continue
        strengths = {
            "notnull_strength": _HARD if must else "0",
            "unique_strength": _HARD if field.name == key else "0",
            "exp_strength": _HARD if rule else "0",
        }
        SubElement(kinds, "constraint", {"field": field.name, "constraints": str(total), **strengths})
        if rule:
            SubElement(rules, "constraint", {"field": field.name, "exp": rule, "desc": words})


def _rule(name: str, edit: Edit) -> tuple[str, str]:
    """What a value must be, as an expression of the GIS and in words; an empty one is another constraint's matter."""
    limits = [(">=", edit.lowest, "not less than"), ("<=", edit.highest, "not more than")]
    given = [(sign, value, words) for sign, value, words in limits if value is not None]
    if not given:
        return "", ""
    rule = " AND ".join(f'"{name}" {sign} {value:g}' for sign, value, _ in given)
    return f'"{name}" IS NULL OR ({rule})', " and ".join(f"{words} {value:g}" for _, value, words in given)
