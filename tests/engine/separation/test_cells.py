"""Cells: means in linear light against colour-science, and every pixel in one of them."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.boards import board
from tests.engine.open_pictures import photograph
from worker.engine.separation.cells import FREE, cell_edges, cell_size_px, gather_cells, spread_cells


@given(st.integers(1, 500), st.integers(1, 40))
def test_no_cell_is_thinner_than_asked(length: int, size: int) -> None:
    edges = cell_edges(length, size)
    assert edges[0] == 0 and edges[-1] == length
    assert (np.diff(edges) >= min(size, length)).all()
    assert (np.diff(edges)[:-1] == size).all() and edges[-1] - edges[-2] < 2 * size


@pytest.mark.parametrize(("pitch_um", "wanted"), [(20.0, 8), (50.0, 3), (30.0, 5), (100.0, 2), (5.0, 30), (15.1, 10)])
def test_a_cell_is_no_smaller_than_the_smallest_feature(pitch_um: float, wanted: int) -> None:
    """All limits of the demo profile's cells are 0.15 mm."""
    fab = board("nocturne-gold")
    assert cell_size_px(fab, range(len(fab.finishes)), pitch_um) == wanted
    assert wanted * pitch_um >= 150.0 > (wanted - 1) * pitch_um


@pytest.mark.parametrize("size", [1, 3, 8])
def test_a_cells_colour_is_its_mean_in_linear_light(size: int) -> None:
    srgb = np.ascontiguousarray(photograph("coffee")[:96, :120])
    cells = gather_cells(srgb, size, decided=None, wanted=None, allowed=None, threads=2)
    height, width = 96 // size, 120 // size
    linear = colour.models.eotf_sRGB(srgb[: height * size, : width * size] / 255.0)
    mean = linear.reshape(height, size, width, size, 3).mean(axis=(1, 3))
    wanted = colour.models.eotf_inverse_sRGB(mean) * 255.0
    # Half a level of rounding, and as much for the table that encodes dark colours.
    assert np.abs(cells.srgb - wanted).max() < 1.0
    assert not cells.restricted


def test_what_decides_and_pins_a_cell() -> None:
    srgb = np.full((4, 8, 3), 100, dtype=np.uint8)
    decided, wanted = np.full((4, 8), FREE, dtype=np.uint8), np.full((4, 8), FREE, dtype=np.uint8)
    decided[0, 0] = 3
    wanted[0:2, 4:8] = 2
    allowed = np.full((4, 8), 0b1111, dtype=np.uint32)
    allowed[3, 7] = 0b0110
    cells = gather_cells(srgb, 4, decided=decided, wanted=wanted, allowed=allowed)
    assert cells.decided.tolist() == [[3, FREE]]
    assert cells.wanted.tolist() == [[FREE, 2]]
    assert cells.allowed.tolist() == [[0b1111, 0b0110]]
    assert cells.restricted
    wanted[1, 4] = FREE
    assert (gather_cells(srgb, 4, decided=None, wanted=wanted, allowed=None).wanted == FREE).all()


def test_renumbering() -> None:
    srgb = np.full((2, 4, 3), 100, dtype=np.uint8)
    decided = np.array([[4, FREE, FREE, FREE]] * 2, dtype=np.uint8)
    allowed = np.full((2, 4), 0b10101, dtype=np.uint32)
    cells = gather_cells(srgb, 1, decided=decided, wanted=None, allowed=allowed).renumbered([4, 1, 2])
    assert cells.decided[0].tolist() == [0, FREE, FREE, FREE]
    assert (cells.allowed[:, 1:] == 0b101).all()


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 12))
def test_spreading_undoes_gathering(height: int, width: int, size: int) -> None:
    cells = gather_cells(np.zeros((height, width, 3), dtype=np.uint8), size, decided=None, wanted=None, allowed=None)
    numbers = np.arange(cells.decided.size, dtype=np.int64).reshape(cells.decided.shape).astype(np.uint8)
    spread = spread_cells(numbers, height, width, size)
    assert spread.shape == (height, width)
    rows, columns = cell_edges(height, size)[:-1], cell_edges(width, size)[:-1]
    assert (spread[np.ix_(rows, columns)] == numbers).all()
