"""The contract that other programs read: that of the declarations, and there without loading a step."""

import json
import subprocess
import sys

from geotools.cli.contract import CONTRACT, contract, contract_text


def test_the_contract_kept_is_that_of_the_declarations():
    assert json.loads(CONTRACT.read_text("utf-8")) == json.loads(json.dumps(contract())), (
        "run python -m geotools.cli.contract"
    )


def test_reading_it_loads_no_library():
    code = (
        "import sys\nfrom geotools.cli import cli\ntry:\n    cli(['steps', '--json'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'pandas', 'geopandas', 'rasterio', 'pydantic', 'shapely'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == json.loads(CONTRACT.read_text("utf-8"))


def test_steps_of_others_stand_in_it(monkeypatch):
    asked = []
    monkeypatch.setattr("geotools.cli.contract.entry_points", lambda group: asked.append(group) or ["somebody's"])
    monkeypatch.setattr("geotools.cli.contract.contract", lambda: {"version": "1", "steps": [{"name": "theirs"}]})
    assert json.loads(contract_text()) == {"version": "1", "steps": [{"name": "theirs"}]}
    assert asked == ["geotools.steps"]
