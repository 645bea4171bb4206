"""The kept list of faults still fits the code, and a trial tells a fault from none."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.mutants.equal import EQUAL, why_equal
from tests.mutants.known import KNOWN
from tests.mutants.scopes import MODULES, narrow_tests
from tests.mutants.trying import ROOT, path_of

_TRIES = """
from tests.mutants.trying import Trial, attempt, path_of
right = path_of("geotools.earthwork.volumes").read_text(encoding="utf-8")
tests = ("tests/earthwork/test_volumes.py::test_average_end_area_handbook_example",)
for source in (right, right.replace("area[1:]) / 2", "area[1:]) / 3"), "while True: pass"):
    print(attempt(Trial("geotools.earthwork.volumes", source, tests), 20.0 if "def" in source else 2.0).verdict)
"""


@pytest.mark.parametrize("fault", KNOWN, ids=lambda one: one.fault)
def test_every_known_fault_still_fits_the_code_and_names_a_test_that_is_there(fault):
    compile(fault.source(), fault.module, "exec")
    file, _, name = fault.test.partition("::")
    assert f"def {name}(" in (ROOT / file).read_text(encoding="utf-8")


def test_every_module_and_every_narrow_test_is_there():
    assert [module for module in MODULES if not path_of(module).is_file()] == []
    assert [
        file for module in MODULES for file in narrow_tests(module) if not (ROOT / file.partition("::")[0]).is_file()
    ] == []


def test_a_trial_tells_a_fault_from_none_and_changes_no_file():
    before = path_of("geotools.earthwork.volumes").read_bytes()
    said = subprocess.run([sys.executable, "-c", _TRIES], cwd=ROOT, capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["survived", "caught", "timeout"]
    assert path_of("geotools.earthwork.volumes").read_bytes() == before


@pytest.mark.parametrize("one", EQUAL, ids=lambda one: f"{one.module}: {one.line[:30]}")
def test_every_fault_that_changes_nothing_is_of_a_line_that_stands_there_once(one):
    source = "".join(path_of(f"geotools.{one.module}").read_text(encoding="utf-8").split())
    assert source.count("".join(one.line.split())) == 1 and one.why
    assert why_equal(f"geotools.{one.module}", one.line, one.line + one.fault) == one.why
    assert why_equal("geotools.beam.other", one.line, one.line + one.fault) == ""


def test_a_fault_is_found_again_where_its_line_stands_now():
    sampling = pytest.importorskip("tests.mutants.sampling", reason="needs the extra mutants")
    drawn = sampling.places("geotools.earthwork.volumes")[5]
    _, before, after = drawn.where()
    moved = sampling.replace(drawn, occurrence=drawn.occurrence + 2)
    assert sampling.standing(drawn, before, after) == drawn
    found = sampling.standing(moved, before, after)
    assert found is not None and found.where()[1:] == (before, after)
    assert sampling.standing(drawn, before, after + " + 7") is None
