"""The plugin's zip keeps the rules of the GIS's public repository of plugins, and the GIS's own installer takes it.

The rules are from memory: no published text was at hand. Red as soon as a field, the licence or an address is missing,
a compiled, hidden or foreign file comes along, or the GIS's installer finds a fault in the zip or in what it makes.
"""

import configparser
import io
import json
import re
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from geotools import __version__
from geotools.cli import cli
from geotools.errors import InputError, OutputError
from geotools.gis.archive import PLUGIN_NAME, Publisher, plugin_files, write_plugin_zip
from tests.gis.conftest import Gis

HERE = Path(__file__).parent
ROOT = Path(__file__).parents[2]
PUBLISHED = Publisher(
    homepage="https://example.org/pages",
    tracker="https://example.org/faults",
    repository="https://example.org/source",
    email="someone@example.org",
)
REQUIRED = ("name", "qgisMinimumVersion", "description", "about", "version", "author", "email", "repository", "tracker")
ADVISED = ("homepage", "tags", "category", "icon")
CATEGORIES = {"Raster", "Vector", "Database", "Mesh", "Web", "Analysis"}
MOST_BYTES = 20_000_000


def faults(content: bytes) -> list[str]:
    """Which rules of the repository a zip breaks."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        if archive.testzip() is not None:
            return ["damaged"]
        held = {name: archive.read(name) for name in archive.namelist()}
    tops = {name.split("/")[0] for name in held}
    if len(tops) != 1 or not all("/" in name for name in held):
        return [f"top folders: {sorted(tops)}"]
    (top,) = tops
    found = [] if len(content) <= MOST_BYTES else ["too large"]
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", top) is None:
        found.append(f"folder name: {top}")
    for name in held:
        parts = name.split("/")
        if any(part.startswith(".") or part in ("__pycache__", "__MACOSX", "..") for part in parts):
            found.append(f"hidden: {name}")
        if re.search(r"\.(pyc|pyo|so|dll|pyd|exe|dylib)$", name):
            found.append(f"compiled: {name}")
    found += [f"missing: {name}" for name in ("__init__.py", "metadata.txt", "LICENSE") if f"{top}/{name}" not in held]
    if b"def classFactory(iface)" not in held.get(f"{top}/__init__.py", b""):
        found.append("no classFactory")
    about = configparser.ConfigParser()  # as the GIS reads it: with references by %
    about.optionxform = str
    about.read_string(held.get(f"{top}/metadata.txt", b"[general]").decode("utf-8"))
    field = dict(about["general"])
    found += [f"field: {name}" for name in (*REQUIRED, *ADVISED) if not field.get(name, "").strip()]
    if found:
        return found
    if not all(re.fullmatch(r"\d+(\.\d+){1,2}", field[name]) for name in ("version", "qgisMinimumVersion")):
        found.append("version")
    found += [f"address: {n}" for n in ("homepage", "tracker", "repository") if not _opens(field[n])]
    if re.fullmatch(r"[^@\s]+@[^@\s]+", field["email"]) is None or field["email"].endswith(".invalid"):
        found.append("address: email")
    found += [f"markup: {n}" for n in ("name", "description", "about", "tags") if re.search(r"<[a-z/]", field[n])]
    if not field["name"].isascii() or re.search(r"plugin", field["name"], re.I):
        found.append("name")
    if field["category"] not in CATEGORIES:
        found.append("category")
    if field.get("experimental") not in ("True", "False") or field.get("deprecated") not in ("True", "False"):
        found.append("stage")
    if not field["icon"].endswith(".png") or not held.get(f"{top}/{field['icon']}", b"").startswith(b"\x89PNG"):
        found.append("icon")
    return found


def _opens(address: str) -> bool:
    return re.match(r"https?://[\w.-]+\.\w+(/|$)", address) is not None and ".invalid" not in address


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    return write_plugin_zip(tmp_path_factory.mktemp("zip") / "plugin.zip", PUBLISHED).read_bytes()


def changed(content: bytes, *, add=None, leave="", old=b"", new=b"") -> bytes:
    """The same zip with a file more, a file less, or other words in its metadata."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(made, "w") as target:
        for name in source.namelist():
            if not leave or not name.endswith(leave):
                held = source.read(name)
                target.writestr(name, held.replace(old, new) if name.endswith("metadata.txt") and old else held)
        if add:
            target.writestr(add, b"x")
    return made.getvalue()


def test_a_published_zip_keeps_every_rule(published):
    assert faults(published) == []
    with zipfile.ZipFile(io.BytesIO(published)) as archive:
        assert archive.read(f"{PLUGIN_NAME}/LICENSE") == (ROOT / "LICENSE").read_bytes()
        assert f"version={__version__}\n".encode() in archive.read(f"{PLUGIN_NAME}/metadata.txt")
        assert b"@" not in archive.read(f"{PLUGIN_NAME}/metadata.txt").replace(b"someone@example.org", b"")


def test_each_rule_finds_what_breaks_it(published):
    folder = f"{PLUGIN_NAME}/"
    broken = {
        "compiled": changed(published, add=folder + "client.pyc"),
        "hidden": changed(published, add=folder + "__pycache__/client.py"),
        "hidden: perimeter_geotools/.git": changed(published, add=folder + ".git"),
        "top folders": changed(published, add="other/file.py"),
        "missing: LICENSE": changed(published, leave="LICENSE"),
        "missing: __init__": changed(published, leave="__init__.py"),
        "field: tracker": changed(published, old=b"tracker=https://example.org/faults", new=b"tracker="),
        "address: repository": changed(published, old=b"/example.org/source", new=b"/somewhere.invalid/source"),
        "icon": changed(published, leave="icon.png"),
        "category": changed(published, old=b"category=Analysis", new=b"category=Fences"),
        "markup": changed(published, old=b"description=", new=b"description=<b>"),
        "version": changed(published, old=b"version=" + __version__.encode(), new=b"version=new"),
    }
    for rule, content in broken.items():
        found = faults(content)
        assert any(text.startswith(rule) for text in found), (rule, found)


def test_the_same_files_make_the_same_bytes_and_nothing_else_comes_along(published, tmp_path):
    assert write_plugin_zip(tmp_path / "again.zip", PUBLISHED).read_bytes() == published
    kept = {p.name for p in (ROOT / "geotools" / "gis" / "plugin").iterdir() if p.is_file()}
    assert set(plugin_files()) == {name for name in kept if not name.startswith(".")}


def test_the_command_names_the_addresses_that_nobody_gave(tmp_path):
    target = tmp_path / "plugin.zip"
    words = ["gis-plugin", "zip", str(target)]
    dry = CliRunner().invoke(cli, [*words, "--dry-run"])
    assert dry.exit_code == 0 and "Would write" in dry.output and not target.exists()
    bare = CliRunner().invoke(cli, [*words, "--tracker", "https://example.org/faults", "--json"])
    told = json.loads(bare.stdout)
    assert bare.exit_code == 0 and "metadata.txt" in told["files"]
    assert "--homepage, --repository, --email;" in told["warnings"][0]
    assert faults(target.read_bytes()) == ["address: homepage", "address: repository", "address: email"]
    assert CliRunner().invoke(cli, words).exit_code == 6
    given = [f"--{name}={getattr(PUBLISHED, name)}" for name in ("homepage", "tracker", "repository", "email")]
    whole = CliRunner().invoke(cli, [*words, *given, "--overwrite"])
    assert whole.exit_code == 0 and "warning" not in whole.output and faults(target.read_bytes()) == []


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("tracker", "example.org"),
        ("homepage", "https://a.org/%20x"),
        ("email", "someone"),
        ("repository", "https://[x"),
    ],
)
def test_what_is_no_address_is_refused(name, value, tmp_path):
    with pytest.raises(InputError, match=f"--{name}"):
        write_plugin_zip(tmp_path / "plugin.zip", Publisher(**{name: value}))
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(OutputError, match="the zip could not be written"):
        write_plugin_zip(tmp_path / "absent" / "plugin.zip")


@pytest.mark.gis
def test_the_gis_installs_the_zip_and_runs_what_it_makes(tmp_path):
    archive = write_plugin_zip(tmp_path / "plugin.zip", PUBLISHED)
    gis = Gis(tmp_path / "gis", archive=archive)
    about = gis.python(HERE / "installed_zip.py", gis.folder / "config/profiles/default/python/plugins", PLUGIN_NAME)
    assert about["error"] == "", about["error_details"]
    assert (about["name"], about["version"]) == ("Perimeter geotools", __version__)
    assert about["icon_reads"] and about["tracker"] == PUBLISHED.tracker
    # no command.json came along: the command on the path was found, and a step plugged into it too
    assert "perimeter:fence-ends" in gis.process("list")["providers"]["perimeter"]["algorithms"]
