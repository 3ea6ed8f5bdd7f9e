"""The grid on the board: the one place where pixels become lengths and y turns upward.

Lattice points are the corners of pixels: column 0 to W, row 0 to H. Lengths are whole nanometres, so that two layers
that share a point share it in every file. The origin is the grid's lower left corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.planes import LayerPlanes
from worker.errors import SettingsError

Points = npt.NDArray[np.int64]
"""int64 (n, 2): x and y in nm, y upward."""

NM_PER_UM = 1000
NM_PER_MM = 1_000_000


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def x_nm(column: int, pitch_nm: int) -> int:
    """x of a lattice point in nm, from the grid's left edge."""
    return column * pitch_nm


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def y_nm(row: int, height_px: int, pitch_nm: int) -> int:
    """y of a lattice point in nm, upward from the grid's lower edge."""
    return (height_px - row) * pitch_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """height_px, width_px : pixels. pitch_nm : side of a pixel, whole nanometres."""

    height_px: int
    width_px: int
    pitch_nm: int

    @property
    def width_nm(self) -> int:
        """The grid's width."""
        return self.width_px * self.pitch_nm

    @property
    def height_nm(self) -> int:
        """The grid's height."""
        return self.height_px * self.pitch_nm


def grid_of(planes: LayerPlanes) -> Grid:
    """The grid of a side's planes. SettingsError unless the pitch is a whole number of nanometres."""
    pitch_nm = round(planes.pitch_um * NM_PER_UM)
    if pitch_nm < 1 or abs(planes.pitch_um * NM_PER_UM - pitch_nm) > 1e-6:
        raise SettingsError(
            f"The pitch is {planes.pitch_um!r} um, which is no whole number of nanometres.",
            mend="Fabrication files are written in whole nanometres: choose a pitch such as 20um or 12.5um.",
        )
    return Grid(height_px=planes.height_px, width_px=planes.width_px, pitch_nm=pitch_nm)


def seen_from_the_top(planes: LayerPlanes) -> LayerPlanes:
    """A bottom side's planes, which are drawn as seen from below, as seen from the top through the board.

    Gerber files of all layers are drawn as seen from the top (Gerber Layer Format Specification, from memory).
    """
    return LayerPlanes(stack=np.ascontiguousarray(planes.stack[:, ::-1]), pitch_um=planes.pitch_um)


def nanometres(mm: float) -> int:
    """A length in mm as the nearest whole number of nanometres."""
    return round(mm * NM_PER_MM)


def points_nm(ring_mm: npt.NDArray[np.float64]) -> Points:
    """A ring of the board's outline, float64 (n, 2) in mm, in whole nanometres."""
    return np.rint(np.asarray(ring_mm, np.float64) * NM_PER_MM).astype(np.int64)
