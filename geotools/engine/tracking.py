"""Notes what a step reads while it runs: settings by section, layers, files; so that nobody has to declare it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import PrivateAttr

from geotools.io.files import is_remote
from geotools.plan.schema import PROVENANCE, LayerSchema
from geotools.plan.workspace import PLAN_NAME, Workspace
from geotools.site import Site

__all__ = ["RECIPIENT", "Reads", "TrackedWorkspace", "tracked"]

#: Name of the one setting that is noted by itself, not with its section.
RECIPIENT = "sheets.recipient"
_SECTIONS = frozenset(Site.model_fields) - {"folder"}
_DERIVED = {"all_targets": ("targets",), "all_movers": ("movers",), "all_head_types": ("head_types",)}


@dataclass
class Reads:
    """What was read so far, with the codes of the content as it was then.

    Attributes
    ----------
    sections : set of str
        Sections of the site file.
    layers : dict of str to (str or None)
        None for a layer that was looked for and not there.
    files : dict of str to (str or None)
        Input files by their path.
    beside : bool
        Whether files beside the plan may have been read.
    """

    file_code: Callable[[str], str | None]
    sections: set[str] = field(default_factory=set)
    layers: dict[str, str | None] = field(default_factory=dict)
    files: dict[str, str | None] = field(default_factory=dict)
    beside: bool = False

    def file(self, path: object) -> None:
        """Note a file, with its content as it is before it is read."""
        name = str(path) if is_remote(str(path)) else os.path.abspath(str(path))
        if name not in self.files:
            self.files[name] = self.file_code(name)


def _plain(values: dict[str, Any]) -> Site:
    return Site.model_construct(**values)


class _TrackedSite(Site):
    """A site that notes which of its sections are read."""

    _reads: Reads | None = PrivateAttr(default=None)

    def __getattribute__(self, name: str) -> Any:
        if name == "recipient" and self._reads is not None:
            # most papers read this one setting of the section: a revision of drawings does not make them stale
            self._reads.sections.add(RECIPIENT)
            return self.__dict__["sheets"].recipient
        if name in _SECTIONS or name in _DERIVED:
            reads = self._reads
            if reads is not None:
                reads.sections.update(_DERIVED.get(name, (name,)))
        return super().__getattribute__(name)

    def _all(self) -> None:
        if self._reads is not None:
            self._reads.sections.update(_SECTIONS)

    def model_dump(self, **given: Any) -> dict[str, Any]:
        self._all()
        return super().model_dump(**given)

    def model_dump_json(self, **given: Any) -> str:
        self._all()
        return super().model_dump_json(**given)

    def __reduce_ex__(self, protocol: Any) -> Any:
        # what another process reads of it cannot be seen from here
        self._all()
        return _plain, ({name: self.__dict__[name] for name in Site.model_fields},)

    def path(self, given: str) -> Path | str:
        found = super().path(given)
        if self._reads is not None:
            self._reads.file(found)
        return found


def tracked(site: Site, reads: Reads) -> Site:
    """The same site; what is read of it from now on stands in ``reads``."""
    if type(site) is not Site:
        reads.sections.update(_SECTIONS)  # somebody's own kind of site is left alone
        return site
    made = _TrackedSite.model_construct(**{name: site.__dict__[name] for name in Site.model_fields})
    made._reads = reads
    return made


class TrackedWorkspace(Workspace):
    """A workspace that notes which layers are read, and what they held then.

    Parameters
    ----------
    held : Workspace
        The plan's.
    reads : Reads
        Where it is noted.
    inputs : iterable of LayerSchema
        Layers that the step declares: those missing count as looked for where the list of layers is requested.
    """

    def __init__(self, held: Workspace, reads: Reads, inputs: Iterable[LayerSchema] = ()) -> None:
        super().__init__(held.folder, held.plan_crs)
        self._held = held
        self._reads = reads
        self._inputs = tuple(inputs)

    @property
    def folder(self) -> Path:
        """Folder of the plan; whoever takes it may read files beside the plan."""
        self._reads.beside = True
        return self._folder

    @folder.setter
    def folder(self, value: Path) -> None:
        self._folder = value

    @property
    def plan(self) -> Path:
        """Path of the GeoPackage."""
        return self._folder / PLAN_NAME

    def _note(self, schema: LayerSchema) -> None:
        if schema.name != PROVENANCE.name and schema.name not in self._reads.layers:
            self._reads.layers[schema.name] = self._held.digests().get(schema.name)

    def has(self, schema: LayerSchema) -> bool:
        """Whether the plan holds the layer."""
        self._note(schema)
        return self._held.has(schema)

    def layer_names(self) -> list[str]:
        """Names of the layers the plan holds now."""
        names = self._held.layer_names()
        for schema in self._inputs:
            if schema.name not in names:
                self._note(schema)
        return names

    def read(self, schema: LayerSchema) -> Any:
        """The layer; noted before it is read, so that what is edited meanwhile shows."""
        self._note(schema)
        return self._held.read(schema)
