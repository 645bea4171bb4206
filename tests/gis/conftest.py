"""A profile of the desktop GIS with the plugin in it, and a command that knows a plugged-in step too."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from geotools.cli.demo import demo_folder
from geotools.gis.install import enable_plugin, install_plugin

ROOT = Path(__file__).parents[2]
THIRD_PARTY = '''
"""A step of another distribution."""

from geotools.plan.schema import FENCE, LayerSchema, Field
from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepResult
from geotools.plan.workspace import frame_of

ENDS = LayerSchema("fence_ends", "Fence ends", "First point of each fence line.", "Point",
                   (Field("end_id", "text", "fence line", nullable=False), Field("shift_m", "real", "shift", "m")),
                   key="end_id", made_by="fence-ends")


def run(ctx):
    from shapely import Point
    shift = ctx.params["shift_m"]
    rows = [{"end_id": f.fence_id, "shift_m": shift, "geometry": Point(f.geometry.coords[0][0] + shift,
             f.geometry.coords[0][1])} for f in ctx.read(FENCE).itertuples()]
    return StepResult({"fence_ends": frame_of(ENDS, rows, ctx.workspace.work_crs)}, summary={"ends": len(rows)})


STEP = Step("fence-ends", "Ends of the fence", "Marks where each fence line begins.", run,
            params=(Param("shift_m", "real", "Shift to the east.", 1.5, "m", -10, 10),),
            inputs=(LayerIn(FENCE, "fence lines"),), outputs=(LayerOut(ENDS),), uses_terrain=False)
'''


UNZIP = """
import sys
sys.path.insert(0, "/usr/share/qgis/python")
from pyplugin_installer.unzip import unzip
unzip(sys.argv[1], sys.argv[2])
print("{}")
"""


class Gis:
    """Runs the GIS without a screen, in an environment of its own."""

    def __init__(self, folder: Path, archive: Path | None = None):
        """With ``archive`` the plugin comes from that zip by the GIS's own function, and its command from the path."""
        self.folder = folder
        profile = folder / "config" / "profiles" / "default"
        plug_in = folder / "other"
        (plug_in / "other_steps-0.1.dist-info").mkdir(parents=True)
        (plug_in / "other_steps.py").write_text(THIRD_PARTY)
        info = plug_in / "other_steps-0.1.dist-info"
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: other-steps\nVersion: 0.1\n")
        (info / "entry_points.txt").write_text("[geotools.steps]\nfence-ends = other_steps:STEP\n")
        start = folder / "geotools"
        start.write_text(
            f'#!/bin/sh\nPYTHONPATH={plug_in}:{ROOT}\nexport PYTHONPATH\nexec {sys.executable} -m geotools "$@"\n'
        )
        start.chmod(0o755)
        self.command = [str(start)]
        plugins = profile / "python" / "plugins"
        if archive is None:
            install_plugin(profile, command=self.command)
        enable_plugin(profile)
        runtime = folder / "runtime"
        runtime.mkdir(mode=0o700)
        self.environment = {
            "HOME": str(folder),
            "LANG": "C.UTF-8",
            # a virtual environment on the path would hide the GIS's Python
            "PATH": "/usr/bin:/bin" if archive is None else f"{folder}:/usr/bin:/bin",
            "QT_QPA_PLATFORM": "offscreen",
            "XDG_RUNTIME_DIR": str(runtime),
            "QGIS_CUSTOM_CONFIG_PATH": str(folder / "config"),
            "QGIS_PLUGINPATH": str(plugins),
        }
        if archive is not None:
            self._run(["/usr/bin/python3", "-c", UNZIP, str(archive), str(plugins)], check=True)

    def process(self, *words, check=True):
        """One call of the GIS's process runner; its answer as data where it is JSON."""
        return self._run(["/usr/bin/qgis_process.bin", "--json", *map(str, words)], check)

    def python(self, script, *words, check=True):
        """A script under the GIS's own Python."""
        return self._run(["/usr/bin/python3", str(script), *map(str, words)], check)

    def window(self, script, answer, **told):
        """A script in the GIS's window on a screen in memory; it writes its answer, as JSON, to the file ``answer``."""
        surroundings = {n: v for n, v in self.environment.items() if n != "QT_QPA_PLATFORM"}
        words = ["/usr/bin/xvfb-run", "-a", "-s", "-screen 0 1400x1000x24", "/usr/bin/qgis.bin", "--nologo"]
        done = subprocess.run(
            [*words, "--noversioncheck", "--code", str(script)],
            env=surroundings | {"TOLD": json.dumps({"answer": str(answer), **told})},
            capture_output=True,
            text=True,
            timeout=900,
            check=False,
        )
        assert answer.exists(), done.stdout[-3000:] + done.stderr[-3000:]
        found = json.loads(answer.read_text())
        assert "error" not in found, found["error"]
        return found

    def _run(self, words, check):
        done = subprocess.run(words, env=self.environment, capture_output=True, text=True, timeout=900, check=False)
        if check:
            assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
            return json.loads(done.stdout[done.stdout.index("{") :])
        return done


@pytest.fixture(scope="session")
def gis(tmp_path_factory):
    for needed in ("/usr/bin/qgis_process.bin", "/usr/bin/python3", "/usr/bin/xvfb-run"):
        assert os.path.exists(needed), f"{needed} is missing: install qgis and xvfb, or leave out -m gis"
    return Gis(tmp_path_factory.mktemp("gis"))


@pytest.fixture(scope="session")
def demo_input():
    return demo_folder()
