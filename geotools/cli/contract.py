"""What every step takes and gives, as other programs read it: kept beside this module, so that none has to be loaded.

``python -m geotools.cli.contract`` writes it anew, and the package's type stub with it; a test keeps both equal to the
declarations.
"""

from __future__ import annotations

import json
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from geotools import __version__
from geotools.engine.step import ENTRY_POINT_GROUP, discover

__all__ = ["CONTRACT", "contract", "contract_text"]

CONTRACT = Path(__file__).with_name("contract.json")


def contract() -> dict[str, Any]:
    """Version, steps with what they take and give, the catalogues of targets and heads, the settings for dialogs."""
    from geotools.cli.catalogue_page import catalogue_data
    from geotools.site.dialog import dialog_settings

    steps = [step.describe() for step in discover().values()]
    return {"version": __version__, "steps": steps, "catalogues": catalogue_data(), "settings": dialog_settings()}


def contract_text() -> str:
    """The contract as JSON; where other distributions bring steps, all are loaded and described."""
    if entry_points(group=ENTRY_POINT_GROUP) or not CONTRACT.is_file():
        return _text()
    return CONTRACT.read_text(encoding="utf-8")


def _text() -> str:
    """One line for each step, so that two versions of the file compare step by step."""
    whole = contract()
    steps = ",\n".join(json.dumps(step, separators=(",", ":")) for step in whole.pop("steps"))
    rest = "".join(f",\n{json.dumps(key)}: {json.dumps(value)}" for key, value in whole.items() if key != "version")
    return f'{{"version": {json.dumps(whole["version"])},\n"steps": [\n{steps}\n]{rest}}}'


if __name__ == "__main__":
    from geotools.engine.stub import STUB, stub_text

    CONTRACT.write_text(_text(), encoding="utf-8", newline="\n")
    STUB.write_text(stub_text(), encoding="utf-8", newline="\n")
