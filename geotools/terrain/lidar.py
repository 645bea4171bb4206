"""Ground points of LAS and LAZ files (extra ``lidar``), read piece by piece."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from geotools.corridor import Array
from geotools.errors import InputError
from geotools.io.files import local_file
from geotools.terrain.flight_lines import LineStep
from geotools.terrain.points import Survey

#: ASPRS LAS specification 1.4 R15, table 17: class 2 is ground.
GROUND = 2
#: Classes that are ground, too: key points of the model (8) lie on it.
_ON_THE_GROUND = {2, 8}
#: Begins a line of the decoder on a step between flight lines.
_STEP = "step: "
_DATUM_KEY, _UNIT_KEY = 4096, 4099
#: EPSG codes of units.
_UNITS = {9001: "metre", 9002: "foot", 9003: "US survey foot"}


def _trouble(path: Path, problem: BaseException) -> InputError:
    return InputError(
        "the lidar file cannot be read",
        where=path,
        found=f"{type(problem).__name__}: {problem}"[:300],
        expected="a whole LAS or LAZ file",
        mend="copy it again",
    )


def _check_header(path: Path) -> None:
    """Refuse a header that declares more records than the file can hold; reading them would not end.

    Places in the header: ASPRS LAS specification 1.4 R15, table 3. A record's own header takes 54 bytes, an extended
    one's 60.
    """
    size = path.stat().st_size
    with open(path, "rb") as stream:
        head = stream.read(375)
    if head[:4] != b"LASF" or len(head) < 227:
        raise InputError(
            "the lidar file is not LAS or LAZ", where=path, found=repr(head[:4])[2:-1], mend="copy it again"
        )
    records = int.from_bytes(head[100:104], "little") * 54
    if head[25] >= 4 and len(head) >= 247:
        records += int.from_bytes(head[243:247], "little") * 60
    if records > size:
        raise InputError(
            "the lidar file declares more records than it can hold",
            where=path,
            found=f"{records} bytes of record headers in a file of {size}",
            mend="copy it again; it is cut off or damaged",
        )


def _check_chunk_table(path: Path) -> None:
    """Refuse a packed file whose table of chunks declares more of them than it has bytes; it would be held in memory.

    The table's place stands where points begin (at the file's end where that says -1); it begins with a version, 0, and
    the number of chunks (LASzip file format, from memory).
    """
    size = path.stat().st_size
    with open(path, "rb") as stream:
        head = stream.read(105)
        if not head[104] & 0x80:
            return
        stream.seek(int.from_bytes(head[96:100], "little"))
        at = int.from_bytes(stream.read(8), "little", signed=True)
        if at == -1:
            stream.seek(max(size - 8, 0))
            at = int.from_bytes(stream.read(8), "little", signed=True)
        stream.seek(at if 0 < at < size else size)
        table = stream.read(8)
    if len(table) < 8 or table[:4] != bytes(4) or int.from_bytes(table[4:], "little") > size:
        raise InputError(
            "the lidar file's table of chunks is damaged",
            where=path,
            found=f"at byte {at} of {size}",
            mend="copy it again; it is cut off or damaged",
        )


def _unpacked(path: Path, classes: Sequence[int], told: list[str]) -> Iterator[Array]:
    """Ground points of a file, piece by piece, from another process whose memory is limited; its words to ``told``."""
    command = [sys.executable, "-m", "geotools.terrain.unpack", str(path), *map(str, classes)]
    calm = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    home = str(Path(__file__).parents[2])
    surroundings = {**os.environ, **calm, "PYTHONPATH": os.pathsep.join([home, os.environ.get("PYTHONPATH", "")])}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=surroundings) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        try:
            while head := process.stdout.read(8):
                wanted = int.from_bytes(head, "little") * 24
                data = process.stdout.read(wanted)
                if len(data) < wanted:
                    break
                yield np.frombuffer(data, dtype="<f8").reshape(-1, 3)
            words = process.stderr.read().decode("utf-8", "replace").strip().splitlines()
            told += [line for line in words if not line.startswith("note:")]
        finally:
            if process.poll() is None:
                process.kill()
    if process.returncode:
        raise InputError(
            "the lidar file cannot be read",
            where=path,
            found=(told[-1] if told else f"its decoder ended with {process.returncode}")[:300],
            expected="a whole LAS or LAZ file",
            mend="copy it again",
        )


def _chunks(path: Path, classes: Sequence[int], steps: list[LineStep]) -> Iterator[Array]:
    found = 0
    told: list[str] = []
    for piece in _unpacked(path, classes, told):
        found += len(piece)
        yield piece
    steps += [LineStep(**json.loads(line.removeprefix(_STEP))) for line in told if line.startswith(_STEP)]
    if not found:
        ground = ", ".join(map(str, classes))
        raise InputError(
            "the lidar file has no points of the ground class" if GROUND in classes else "no points of such a class",
            where=path,
            found=told[-1] if told else "no points",
            expected=f"points of class {ground}" + (" (ground)" if ground == str(GROUND) else ""),
            mend="classify the ground first; or name the classes to take with --class, knowing what they hold",
        )


def _heights(header: Any) -> tuple[str | None, str | None]:
    """Unit and datum of the heights where GeoTIFF keys tell them, beside or instead of well-known text.

    Keys: GeoTIFF 1.1 (OGC 19-008r4): 4096 a vertical system by its EPSG code, 4099 the unit.
    """
    keys = {
        key.id: key.value_offset
        for record in header.vlrs
        if hasattr(record, "geo_keys")
        for key in record.geo_keys
        if key.tiff_tag_location == 0
    }
    unit, datum = _UNITS.get(keys.get(_UNIT_KEY, 0)), None
    try:
        system = CRS.from_epsg(keys[_DATUM_KEY])
        if system.is_vertical:
            unit, datum = unit or system.axis_info[0].unit_name, system.name
    except (KeyError, CRSError, IndexError):
        pass
    return unit, datum


def read_lidar(path: Path | str, classes: Sequence[int] = (GROUND,)) -> Survey:
    """Ground points of a LAS or LAZ file; InputError where it cannot be read or has none."""
    try:
        import laspy
    except ImportError as problem:
        raise InputError(
            "lidar files need the package `laspy`",
            found=problem,
            mend="install it: pip install 'geotools-perimeter[lidar]'",
        ) from problem
    local = local_file(path, "lidar file")
    _check_header(local)
    _check_chunk_table(local)
    try:
        with laspy.open(local) as reader:
            declared = reader.header.point_count * reader.header.point_format.size
            packed = reader.header.are_points_compressed
            height_unit, datum = _heights(reader.header)
            try:
                crs = reader.header.parse_crs()
            except (CRSError, ValueError, KeyError, IndexError, UnicodeDecodeError):
                crs = None
    except Exception as problem:  # the decoders raise whatever a damaged file leads them to
        raise _trouble(local, problem) from problem
    size = local.stat().st_size
    if declared > (size * 1000 if packed else size):
        raise InputError(
            "the lidar file declares more points than it can hold",
            where=local,
            found=f"{declared} bytes of points in a file of {size}",
            mend="copy it again; it is cut off or damaged",
        )
    system = None if crs is None else CRS.from_user_input(crs)
    kind = "ground" if set(classes) <= _ON_THE_GROUND else "surface"
    steps: list[LineStep] = []
    survey = Survey(system, _chunks(local, classes, steps), height_unit=height_unit, vertical_datum=datum, kind=kind)
    survey.line_steps = steps
    if kind != "ground":
        survey.warnings.append(
            f"{local.name}: classes {', '.join(map(str, classes))} are taken for ground, and others than 2 and 8 hold "
            "plants, roofs and noise"
        )
    return survey
