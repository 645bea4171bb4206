"""Words as strong as the verdict: nowhere is more said than that a share of the fence is detected with confidence."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import numpy as np
import pytest

import geotools
from tests.making import line, write_fence, write_raster

ROOT = Path(__file__).parents[1]
WHO = r"(threat|crossing|intruder|crawler|person|body|metre|zone|gap)s?"
TOO_STRONG = re.compile(
    rf"\b(every|each|any|all) (the )?{WHO} (is|are|was|were) (detected|seen|found|stopped|closed|safe)"
    r"|\b(detected|seen|covered|closed|safe) everywhere\b"
    rf"|\bcloses (every|each|all) (the )?{WHO}"
    r"|\bno(body| one) (gets|comes|can get|will get|crosses)\b"
    r"|\bguarante"
    r"|\b(fully|wholly|completely) (covered|protected|secure|safe|detected)"
    r"|\b100 ?% (of|detec|cover|safe|sure)",
    re.IGNORECASE,
)
#: What makes such a sentence as strong as a verdict and no stronger.
EARNED = re.compile(r"^.{0,40}with (95 ?%|.{1,12}) confidence", re.DOTALL)


def sentences(path: Path) -> list[str]:
    """The text of a page, or the words that a module can say; docstrings are for contributors and not among them."""
    if path.suffix != ".py":
        return [path.read_text("utf-8")]
    tree = ast.parse(path.read_text("utf-8"))
    inner = (ast.Module, ast.ClassDef, ast.FunctionDef)
    silent = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, inner) and node.body and isinstance(node.body[0], ast.Expr)
    }
    found = [n for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    return [node.value for node in found if id(node) not in silent]


def claims(text: str) -> list[str]:
    return [m.group() for m in TOO_STRONG.finditer(text) if not EARNED.match(text[m.end() : m.end() + 80])]


def test_the_search_finds_what_it_is_for():
    assert claims("No dead spots: every threat is detected.") == ["every threat is detected"]
    assert claims("prone: seen everywhere") and claims("This closes every gap.")
    assert not claims("By the model, every metre of fence is detected with 95 % confidence for each threat.")


def shipped() -> list[Path]:
    pages = [*(ROOT / "docs").rglob("*.md"), ROOT / "README.md", ROOT / "CHANGELOG.md"]
    inside = [p for p in (ROOT / "geotools").rglob("*") if p.suffix in (".py", ".md", ".html", ".js", ".css")]
    return sorted(pages + inside)


def test_no_page_and_no_module_says_more_than_a_verdict():
    found = {
        str(path.relative_to(ROOT)): said
        for path in shipped()
        if (said := [claim for text in sentences(path) for claim in claims(text)])
    }
    assert found == {}


@pytest.fixture(scope="module")
def barely(tmp_path_factory):
    """Flat ground, low heads alone and a threshold just below what the prone person gives: over it by 0.015."""
    folder = tmp_path_factory.mktemp("barely")
    write_raster(folder / "terrain.tif", np.full((240, 480), 250.0, np.float32), cell=0.25, top=5_400_060.0)
    write_fence(folder / "fence.geojson", [line([(15.0, 30.0), (105.0, 30.0)])])
    text = (
        'name = "Barely"\nthreats = ["prone"]\n\n[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\n'
        'vertical_accuracy_m = 0.05\n\n[layout]\nside = "left"\n\n[detection]\nthreshold = {}\n'
    )
    site = folder / "site.toml"
    site.write_text(text.format(0.2))
    for step in ("inspect", "layout"):
        geotools.run_step(step, geotools.open_site(site), folder / "out")
    first = geotools.run_step("gaps", geotools.open_site(site), folder / "out")
    weakest = first.summary["weakest_crossing"]["prone"]
    site.write_text(text.format(round(weakest - 0.015, 3)))
    said = geotools.run_step("gaps", geotools.open_site(site), folder / "out", overwrite=True)
    geotools.run_step("report", geotools.open_site(site), folder / "out")
    return said, (folder / "out" / "report.html").read_text("utf-8")


def test_a_weakest_crossing_just_over_the_threshold_is_called_no_more_than_unproven(barely):
    outcome, page = barely
    metres = outcome.summary["verdicts"]["prone"]
    assert metres["unproven"] > 10.0 and metres["undetected"] == 0.0
    text = "\n".join(outcome.notes)
    assert "by the best estimate" in text and f"{metres['unproven']:.1f} m unproven" in text
    assert not claims(text)
    words = re.sub(r"<[^>]+>", " ", page)
    assert "part of the fence is unproven" in words and not claims(words)
