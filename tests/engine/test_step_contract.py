"""The contract, held by every registered step; and a third-party step that joins by its entry point."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import geotools
from geotools.cli import cli
from geotools.engine.step import Param, Step, StepContext, StepResult, discover, get_step
from geotools.errors import SiteError
from geotools.plan.schema import LAYERS

STEPS = list(discover().values())
every_step = pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)


@every_step
def test_words_are_there_and_short(step: Step) -> None:
    assert re.fullmatch(r"[a-z][a-z0-9_-]*", step.name)
    assert step.summary.endswith(".")
    assert 20 <= len(step.summary) <= 120
    assert step.title
    assert step.citations, "a step says what published source it stands on, or that it is common practice"


@every_step
def test_manual_stands_beside_the_declaration(step: Step) -> None:
    assert step.manual().startswith("# ")
    assert f"geotools {step.name}" in step.manual()


@every_step
def test_every_number_has_a_range_and_every_default_fits(step: Step) -> None:
    for param in step.params:
        assert param.help, param.name
        if param.kind in ("real", "integer"):
            assert param.minimum is not None, param.name
            assert param.maximum is not None, param.name
        if param.kind == "real":
            assert param.unit, f"{param.name}: a real number has a unit; '1' for a pure ratio"
        if param.kind == "choice":
            assert param.choices, param.name
    assert set(step.validate_params({})) == {param.name for param in step.params}


@every_step
def test_a_value_out_of_range_and_an_unknown_name_are_refused(step: Step) -> None:
    with pytest.raises(SiteError, match="no parameter"):
        step.validate_params({"no_such_parameter": 1})
    for param in step.params:
        if param.maximum is not None:
            with pytest.raises(SiteError, match=param.name):
                step.validate_params({param.name: param.maximum * 2 + 1})


@every_step
def test_layers_are_declared_in_the_schema(step: Step) -> None:
    for port in (*step.inputs, *step.outputs):
        assert LAYERS[port.schema.name] is port.schema
    for port in step.inputs:
        assert port.intent


@every_step
def test_command_has_every_parameter_and_help(step: Step) -> None:
    shown = CliRunner().invoke(cli, [step.name, "--help"])
    assert shown.exit_code == 0
    for param in step.params:
        assert "--" + param.name.replace("_", "-") in shown.output


@every_step
def test_python_call_has_the_same_parameters(step: Step) -> None:
    function = getattr(geotools, step.name.replace("-", "_"))
    assert list(inspect.signature(function).parameters) == ["site", "plan", *(param.name for param in step.params)]
    for param in step.params:
        held = inspect.signature(function).parameters[param.name]
        assert held.kind is inspect.Parameter.KEYWORD_ONLY
        assert held.default == (inspect.Parameter.empty if param.required else param.default)


@every_step
def test_contract_survives_json(step: Step) -> None:
    assert json.loads(json.dumps(step.describe()))["name"] == step.name


@pytest.mark.parametrize("schema", LAYERS.values(), ids=lambda s: s.name)
def test_layers_say_what_they_are(schema: geotools.plan.schema.LayerSchema) -> None:  # type: ignore[name-defined]
    assert len(schema.description) > 20
    for field in schema:
        assert field.help, field.name
        if field.type == "real" and field.name.endswith(("_m", "_m2", "_m3", "_deg", "_ghz", "_db")):
            assert field.unit, field.name
    if schema.geometry is not None:
        assert schema.style is not None
        assert schema.key is not None


def test_steps_are_listed_in_words_and_as_json() -> None:
    words = CliRunner().invoke(cli, ["steps"])
    contract = json.loads(CliRunner().invoke(cli, ["steps", "--json"]).output)
    for step in STEPS:
        assert step.summary in words.output
    assert [s["name"] for s in contract["steps"]] == [s.name for s in STEPS]


@pytest.mark.parametrize("value", ["x", True, float("nan"), 11.0, -1.0])
def test_numbers_are_checked(value: object) -> None:
    param = Param("depth", "real", "how deep", unit="m", minimum=0.0, maximum=10.0)
    with pytest.raises(SiteError, match="depth"):
        param.check(value, "dig")


def test_integers_are_whole() -> None:
    param = Param("count", "integer", "how many", minimum=0, maximum=10)
    assert param.check("3", "dig") == 3
    with pytest.raises(SiteError):
        param.check(2.5, "dig")


PLUGIN = """
from geotools.plan.schema import FENCE, Field, LayerSchema
from geotools.plan.schema.style import Style, Symbol
from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepResult
from geotools.plan.workspace import frame_of

SIGNS = LayerSchema(
    "warning_signs", "Warning signs", "Where warning signs hang on the fence.", "Point",
    (Field("sign_id", "text", "sign", nullable=False), Field("along_m", "real", "distance along the fence", "m")),
    key="sign_id", style=Style(Symbol()), made_by="signs",
)

def run(ctx):
    every = ctx.params["every_m"]
    rows = []
    for line in ctx.read(FENCE).geometry:
        for number in range(int(line.length // every)):
            along = number * every
            rows.append({"sign_id": f"S{number + 1}", "along_m": along, "geometry": line.interpolate(along)})
    ctx.say(f"{len(rows)} signs")
    frame = frame_of(SIGNS, rows, ctx.workspace.work_crs)
    return StepResult(layers={"warning_signs": frame}, summary={"signs": len(rows)})

STEP = Step(
    "signs", "Warning signs", "Hangs a warning sign on the fence every so many metres.", run,
    params=(Param("every_m", "real", "distance between signs", default=50.0, unit="m", minimum=1, maximum=500),),
    inputs=(LayerIn(FENCE, "the line to hang signs on"),), outputs=(LayerOut(SIGNS),), order=0,
    citations=("common practice, no source",),
)
"""


@pytest.fixture
def plugin(tmp_path: Path) -> dict[str, str]:
    """A distribution with one step, installed in a folder of its own; the environment that sees it."""
    place = tmp_path / "plugin"
    info = place / "perimeter_signs-1.0.dist-info"
    info.mkdir(parents=True)
    (place / "perimeter_signs.py").write_text(PLUGIN)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: perimeter-signs\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[geotools.steps]\nsigns = perimeter_signs:STEP\n")
    import os

    root = str(Path(geotools.__file__).parent.parent)
    return {**os.environ, "PYTHONPATH": f"{place}{os.pathsep}{root}"}


def call(environment: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "geotools", *words], env=environment, capture_output=True, text=True, check=False
    )


#: Commands of one process in turn: exit code and words of each.
IN_TURN = """
import json, sys
from click.testing import CliRunner
from geotools.cli import cli
ends = [CliRunner().invoke(cli, words) for words in json.loads(sys.argv[1])]
print(json.dumps([[end.exit_code, end.stdout, end.stderr] for end in ends]))
"""


def test_third_party_step_gets_everything_for_nothing(plugin: dict[str, str], make_site, tmp_path: Path) -> None:
    site, out = str(make_site()), str(tmp_path / "out")
    commands = [
        ["steps"],
        ["signs", "--help"],
        ["inspect", site, "--out", out],
        ["signs", site, "--out", out, "--every-m", "60"],
        ["signs", site, "--out", out, "--every-m", "0", "--overwrite"],
    ]
    told = subprocess.check_output([sys.executable, "-c", IN_TURN, json.dumps(commands)], env=plugin, text=True)
    listed, helped, inspected, done, refused = json.loads(told.splitlines()[-1])
    assert "Hangs a warning sign" in listed[1]
    assert "1 to 500 m" in helped[1]
    assert inspected[0] == 0
    assert (done[0], done[2]) == (0, "")
    assert "4 signs" in done[1]  # 240 m of fence
    assert refused[0] == 4
    assert "at least" in refused[2] or "1 to 500 m" in refused[2]
    import pyogrio

    assert "warning_signs" in [name for name, _ in pyogrio.list_layers(tmp_path / "out" / "plan.gpkg")]


def test_third_party_step_is_a_python_function(plugin: dict[str, str], make_site, tmp_path: Path) -> None:
    code = f"""
import inspect, geotools
assert 'signs' in dir(geotools) and 'gaps' in dir(geotools)
site = geotools.open_site({str(make_site())!r})
made = geotools.signs(site, every_m=60)
assert made.warning_signs['sign_id'].tolist() == ['S1', 'S2', 'S3', 'S4'], made.warning_signs
assert str(inspect.signature(geotools.signs)).count('every_m: float = 50.0') == 1
assert 'sign_id : text, sign' in geotools.signs.__doc__ and '1 to 500 m' in geotools.signs.__doc__
again = geotools.signs(site, made.with_layers(fence=made.fence), every_m=100)
assert len(again.warning_signs) == 2 and len(made.warning_signs) == 4
"""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code], env=plugin, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_broken_plugin_is_named(plugin: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "plugin" / "perimeter_signs.py").write_text("raise RuntimeError('half installed')")
    done = call(plugin, "steps")
    assert done.returncode == 7
    assert "signs" in done.stderr
    assert "half installed" in done.stderr
    assert "Traceback" not in done.stderr


def test_step_that_hands_back_other_layers_is_stopped(
    make_site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from geotools.engine import runner

    def run(ctx: StepContext) -> StepResult:
        return StepResult(layers={})

    liar = Step("inspect", "t", "s", run, outputs=get_step("inspect").outputs)
    monkeypatch.setattr(runner, "get_step", lambda name: liar)
    with pytest.raises(geotools.errors.StepError, match="other layers"):
        geotools.run_step("inspect", geotools.open_site(make_site()), tmp_path / "out")
    assert not (tmp_path / "out" / "plan.gpkg").exists()
