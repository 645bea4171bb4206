"""The GeoPackage validator of GDAL, as Debian's package python3-gdal ships it; for tests marked `validator`."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path


def complaints(path: Path) -> str:
    """What the validator says of a file, warnings as errors: nothing of a valid one; "exit N" where it says no more."""
    words = ["/usr/bin/python3", "-m", "osgeo_utils.samples.validate_gpkg", "--extra", "--warning-as-error", str(path)]
    # nothing of this interpreter's own: the system's Python brings its own GDAL
    surroundings = {
        name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "GDAL", "PROJ"))
    }
    done = subprocess.run(
        words, env=surroundings | {"PATH": "/usr/bin:/bin"}, cwd="/", capture_output=True, text=True, check=False
    )
    said = (done.stdout + done.stderr).strip()
    assert "No module named" not in said, f"{said}: install the system package python3-gdal, or leave out -m validator"
    return said or (f"exit {done.returncode}" if done.returncode else "")
