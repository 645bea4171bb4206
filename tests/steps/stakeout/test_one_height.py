"""The height of a head is one in every paper, or the one as laid out stands beside it."""

import csv
import io

import pyogrio
import pypdf
import pytest


def layer(out, name):
    return pyogrio.read_dataframe(out / "plan.gpkg", layer=name, read_geometry=False).set_index("head_id")


@pytest.fixture(scope="module")
def heights(set_by_hand):
    """Heights to set and as laid out of every head, and the heads where they differ."""
    sheet, heads = layer(set_by_hand, "stakeout"), layer(set_by_hand, "heads")
    both = sheet[["height_m", "laid_out_height_m"]].assign(height_m_heads=heads["height_m"])
    return both, both[(both["height_m"] - both["height_m_heads"]).abs() > 0.0005]


def test_the_set_up_sheet_has_the_layouts_height_beside_its_own(set_by_hand, heights):
    both, others = heights
    assert len(others) >= 1  # the fixture sets one
    assert (both["laid_out_height_m"] - both["height_m_heads"]).abs().max() == 0.0
    proposed = layer(set_by_hand, "proposed_heads")
    assert (both["height_m"] - proposed["height_m"]).abs().max() < 1e-9
    assert (both["laid_out_height_m"] - proposed["existing_height_m"]).abs().max() < 1e-9
    rows = csv.DictReader(io.StringIO((set_by_hand / "stakeout.csv").read_text(encoding="utf-8-sig")))
    table = {row["head_id"]: (float(row["height_m"]), float(row["laid_out_height_m"])) for row in rows}
    for head, row in others.iterrows():
        assert table[head] == pytest.approx((row["height_m"], row["laid_out_height_m"]), abs=0.0005)


def test_drawings_and_report_show_both(set_by_hand, heights):
    _, others = heights
    stacks = " ".join(page.extract_text() for page in pypdf.PdfReader(set_by_hand / "stacks.pdf").pages)
    report = (set_by_hand / "report.html").read_text(encoding="utf-8")
    assert stacks.count("laid out ") == len(others)
    assert "height to set, m" in report and "height as laid out, m" in report
    for row in others.itertuples():
        assert f"{row.height_m:.2f} m (laid out {row.laid_out_height_m:.2f})" in stacks
        assert f">{row.height_m:.3f}</td>" in report and f">{row.laid_out_height_m:.3f}</td>" in report
