"""Only detection compares a modulation with the threshold: the tree is searched, and each exception has its reason."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "geotools"
#: Names under which the modulation that alarms is held.
NAMES = {"threshold", "m0", "site_m0", "envelope_threshold"}
#: Where a comparison outside detection stays, and why.
ALLOWED = {
    ("beam/field.py", "threshold > 0"): "refuses a threshold that is not positive",
    (
        "steps/walktest/judging.py",
        "estimate.low <= site_m0 <= estimate.high",
    ): "whether a threshold estimated from walks agrees with the site file's: two thresholds, no modulation",
}


def named(node: ast.AST) -> Iterator[str]:
    """Names and attributes within an expression, arithmetic included."""
    for part in ast.walk(node):
        if isinstance(part, ast.Name):
            yield part.id
        elif isinstance(part, ast.Attribute):
            yield part.attr


def comparisons(tree: ast.AST) -> Iterator[str]:
    """Comparisons by size with a threshold on either side, and calls of numpy that compare with one, as source."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            sizes = [isinstance(op, ast.Lt | ast.LtE | ast.Gt | ast.GtE) for op in node.ops]
            sides = [node.left, *node.comparators]
            if any(sizes) and any(name in NAMES for side in sides for name in named(side)):
                yield ast.unparse(node)
        elif isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in {"less", "less_equal", "greater", "greater_equal", "lt", "le", "gt", "ge"} and any(
                name in NAMES for argument in node.args for name in named(argument)
            ):
                yield ast.unparse(node)


def found_in(package: Path) -> list[tuple[str, str]]:
    """Module and source of every comparison outside detection."""
    return [
        (path.relative_to(package).as_posix(), text)
        for path in sorted(package.rglob("*.py"))
        if path.relative_to(package).parts[0] != "detection"
        for text in comparisons(ast.parse(path.read_text("utf-8")))
    ]


def test_no_module_outside_detection_decides_who_is_detected():
    # equal, not less: an exception that is gone from the tree goes from the list too
    assert set(found_in(PACKAGE)) == set(ALLOWED)


@pytest.mark.parametrize(
    "text",
    [
        "seen = best >= threshold",
        "blind = m.max(axis=1) < perimeter.rules.threshold",
        "tight = m < 1.1 * site.detection.threshold",
        "if ctx.site.detection.threshold > m: pass",
        "ok = np.less(m, rules.threshold)",
        "ok = low < m < threshold",
    ],
)
def test_the_search_finds_a_decision_in_its_usual_forms(tmp_path, text):
    (tmp_path / "steps").mkdir()
    (tmp_path / "detection").mkdir()
    (tmp_path / "steps" / "one.py").write_text(text)
    (tmp_path / "detection" / "one.py").write_text(text)
    assert [place for place, _ in found_in(tmp_path)] == ["steps/one.py"]
