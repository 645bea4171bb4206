"""A drawing whose blocks ask for copies without bounds is refused before anything opens it."""

from __future__ import annotations

import ezdxf
import pytest

from geotools.errors import InputError
from geotools.io.dxf_copies import copies_in
from geotools.io.vector_kind import MAX_DXF_COPIES, drivers_for


def drawing(path, levels, each, grid=(1, 1)):
    """Blocks within blocks, so many levels of them, each holding so many of the one before."""
    made = ezdxf.new("R2010")
    made.blocks.new("B0").add_line((0, 0), (10, 10))
    for level in range(1, levels + 1):
        block = made.blocks.new(f"B{level}")
        for k in range(each):
            block.add_blockref(f"b{level - 1}", (k, 0))
    space = made.modelspace()
    space.add_lwpolyline([(0, 0), (60, 0), (60, 60)])
    space.add_blockref(f"B{levels}", (0, 0), dxfattribs={"column_count": grid[0], "row_count": grid[1]})
    made.saveas(path)
    return path


def test_copies_of_copies_are_counted(tmp_path):
    path = drawing(tmp_path / "fence.dxf", 2, 3, grid=(2, 5))
    # ten of B2, each with three of B1, each with three of B0
    assert copies_in(path.read_bytes(), 10**6) == 10 * (1 + 3 * (1 + 3))
    assert drivers_for(path, "fence file") == ["DXF"]


@pytest.mark.parametrize(("levels", "each", "grid"), [(12, 10, (1, 1)), (0, 1, (50_000, 50_000)), (190, 2, (1, 1))])
def test_a_drawing_that_would_fill_the_memory_is_refused(tmp_path, levels, each, grid):
    """31 kB with twelve levels of ten: opened, it took two minutes and all memory there was."""
    path = drawing(tmp_path / "fence.dxf", levels, each, grid)
    assert path.stat().st_size < 400_000
    with pytest.raises(InputError, match="repeats a block too often"):
        drivers_for(path, "fence file")


def test_a_block_that_holds_itself_is_refused():
    text = b"0\nBLOCK\n2\nA\n0\nINSERT\n2\nA\n0\nENDBLK\n0\nSECTION\n0\nINSERT\n2\na\n0\nEOF\n"
    assert copies_in(text, MAX_DXF_COPIES) > MAX_DXF_COPIES
