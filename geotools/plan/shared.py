"""A plan for others: a GeoPackage made anew of what an audience may see, with nothing left of the rest."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from geotools.errors import OutputError
from geotools.io.files import disk_words
from geotools.plan import gpkg
from geotools.plan.audiences import Extract
from geotools.plan.metadata import Described, write_metadata
from geotools.plan.project import write_project
from geotools.plan.schema import LayerSchema
from geotools.plan.workspace import PLAN_TROUBLE, Workspace

__all__ = ["copy_whole", "write_extract"]


def write_extract(
    workspace: Workspace, extract: Extract, target: Path, said: Described, rasters: Iterable[Path] = ()
) -> list[LayerSchema]:
    """Write a new GeoPackage that holds the extract's layers and fields, and a project of them.

    Nothing is copied but the values: styles are the toolkit's own, for one that a person made may name what is left
    out; layers and fields that a person added stay behind; a file made anew has no free pages and no history.

    Parameters
    ----------
    workspace : Workspace
        The plan.
    extract : Extract
        The layers to share; layers that the plan does not hold are left out.
    target : Path
        The file to make, in a folder that is there; there must be none of that name.
    said : Described
        What the file says of itself.
    rasters : iterable of Path
        Rasters that will stand beside it.

    Returns
    -------
    list of LayerSchema
        What was written.

    Raises
    ------
    InputError
        The plan cannot be read.
    OutputError
        The file cannot be written.
    """
    written = []
    held = set(workspace.layer_names())
    try:
        for schema in extract.layers:
            if schema.name not in held:
                continue
            full = workspace.read(workspace.known[schema.name])
            shape = [] if schema.geometry is None else ["geometry"]
            frame = workspace.to_plan(full[[*schema.field_names, *shape]], schema)
            gpkg.write_layer(target, schema, frame, workspace.plan_crs)
            written.append(schema)
        if written:
            gpkg.finish(target, written)
            reduced = {schema.name: schema for schema in written}
            write_metadata(target, said)
            write_project(target, workspace.plan_crs, said.title, rasters, reduced, name=target.name)
    except PLAN_TROUBLE as problem:
        raise _unwritten(target, problem) from problem
    return written


def copy_whole(workspace: Workspace, target: Path, said: Described, rasters: Iterable[Path] = ()) -> bool:
    """Write all of the plan, with what people added, as a file without free pages.

    Parameters
    ----------
    workspace, target, said, rasters
        As `write_extract` has them.

    Returns
    -------
    bool
        False where a person saved the project: it stays as it is, and looks for the plan under its old name.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    try:
        with closing(sqlite3.connect(workspace.plan)) as held:
            held.execute("VACUUM INTO ?", (str(target),))
        write_metadata(target, said)
        return write_project(target, workspace.plan_crs, said.title, rasters, workspace.known, name=target.name)
    except PLAN_TROUBLE as problem:
        raise _unwritten(target, problem) from problem


def _unwritten(target: Path, problem: BaseException) -> OutputError:
    return OutputError(
        "the plan for others could not be written",
        where=target,
        found=disk_words(problem, target.parent),
        mend="check free space and write permission of the folder",
    )
