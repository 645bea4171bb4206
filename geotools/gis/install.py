"""Puts the plugin into a profile of the desktop GIS, whole or not at all."""

from __future__ import annotations

import io
import json
import os
import shutil
import sys
import tempfile
from configparser import RawConfigParser
from contextlib import suppress
from pathlib import Path

from geotools.errors import InputError, OutputError
from geotools.gis.archive import PLUGIN_NAME, plugin_files
from geotools.gis.plugin.client import CommandError, read_contract
from geotools.gis.plugin.environment import COMMAND, write_contract
from geotools.io.files import write_text

__all__ = ["PLUGIN_NAME", "default_profile", "enable_plugin", "install_plugin"]


def default_profile() -> Path:
    """The GIS's default profile folder on this kind of machine."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA", home / "AppData" / "Roaming"))
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME", home / ".local" / "share"))
    return base / "QGIS" / "QGIS3" / "profiles" / "default"


def install_plugin(profile: Path, *, overwrite: bool = False, command: list[str] | None = None) -> Path:
    """Copy the plugin into ``profile``/python/plugins and note in it how to start this very toolkit.

    command : words that start geotools; this interpreter's ``-m geotools`` where left out.

    The old plugin folder is replaced only when the new one is complete. OutputError where there is one already and
    ``overwrite`` was not given, or the profile cannot be written.
    """
    target = profile / "python" / "plugins" / PLUGIN_NAME
    if target.exists() and not overwrite:
        raise OutputError(
            "the plugin is installed already", where=target, mend="add --overwrite to replace it by this version"
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(prefix=f".{PLUGIN_NAME}-", dir=target.parent))
        try:
            made = fresh / PLUGIN_NAME
            made.mkdir()
            for name, content in plugin_files().items():
                (made / name).write_bytes(content)
            words = command or [sys.executable, "-m", "geotools"]
            (made / COMMAND).write_text(json.dumps({"command": words}), encoding="utf-8")
            # a command that does not start is said in the toolbox
            with suppress(CommandError):
                write_contract(str(made), read_contract(words))
            if target.exists():
                target.rename(fresh / "old")
            made.rename(target)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    except OSError as problem:
        raise OutputError(
            "the plugin could not be put into the profile",
            where=target,
            found=problem,
            mend="check the profile folder (in the GIS: Settings, User profiles, Open active profile folder)",
        ) from problem
    return target


def enable_plugin(profile: Path) -> Path:
    """Switch the plugin on in the profile's settings; the GIS must not be running, or it writes its own over them."""
    path = profile / "QGIS" / "QGIS3.ini"
    settings = RawConfigParser(strict=False)
    settings.optionxform = str  # type: ignore[assignment,method-assign]
    try:
        settings.read(path, encoding="utf-8")
    except Exception as problem:
        raise InputError("the profile's settings cannot be read", where=path, found=problem) from problem
    if not settings.has_section("PythonPlugins"):
        settings.add_section("PythonPlugins")
    settings.set("PythonPlugins", PLUGIN_NAME, "true")
    made = io.StringIO()
    settings.write(made, space_around_delimiters=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError("the profile's settings could not be written", where=path, found=problem) from problem
    write_text(path, made.getvalue())
    return path
