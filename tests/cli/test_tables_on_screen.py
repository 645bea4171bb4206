"""A closing table on screens of any width: a table where its words fit, else lines that lose nothing."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from geotools.cli.screen import Screen

WHY = "Levels within tolerance, and the run on the ground as built is clear."
PLAN = SimpleNamespace(plan=Path("plan.gpkg"))
COLUMNS, ROW = ["zone", "result", "worst m", "why"], ["F01-Z001", "pass", "+0.00", WHY]


@pytest.mark.parametrize(("width", "table"), [(120, True), (80, True), (60, True), (30, False), (20, False)])
def test_sentences_are_broken_between_words_and_nothing_is_lost(width, table, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", str(width))
    Screen()._table("Yard: As built", COLUMNS, [ROW])
    said = capsys.readouterr().out
    assert ("┃" in said) == table
    words = said.replace("│", " ").split()
    for word in (*WHY.split(), "F01-Z001", "+0.00"):
        assert word in words, word


def test_a_table_without_rows_is_left_out(monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "120")
    made = [{"title": title, "columns": COLUMNS, "rows": rows} for title, rows in (("Empty", []), ("Full", [ROW]))]
    outcomes = [SimpleNamespace(summary={"table": table}) for table in made]
    Screen().finished(SimpleNamespace(outcomes=outcomes, site=SimpleNamespace(name="Yard"), workspace=PLAN))
    said = capsys.readouterr().out
    assert "Yard: Full" in said and "Yard: Empty" not in said
