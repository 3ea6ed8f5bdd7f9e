"""Which finishes are mixed where: a mixture never holds both legend and bare metal or substrate.

Legend may not stand beside an opening of the solder mask, so a fine mixture of the two can't be made: a dither that
tries is stuck in one of them and pays the error elsewhere, in streaks. The finishes in use therefore fall into two
families, those without legend and those without openings; finishes that are neither belong to both. Each block of
cells takes the family whose hull lies nearer to its colours, smoothed over its neighbours, and is dithered in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import linear_rgb_to_xyz, srgb_decoded, xyz_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab
from worker.engine.palette.hull import LINEAR_RGB_TO_OPPONENT, Packed, hull_table, project_onto_hull
from worker.engine.palette.tables import TableStore
from worker.engine.threads import run_all, shared_strips
from worker.engine.vision import blur
from worker.finish import LayerRecipe

BLOCK = 4
"""Cells along the side of a block that takes one family."""
_SMOOTHING = 12.0
"""Variance, in blocks, of the smoothing of the choice."""
_STEPS = 32
_MANY_CELLS = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Families:
    """The families of the finishes in use.

    members : for each family, places in the list of finishes. bits : uint16 (f,), the same as bit sets.
    hulls : int64 (f, 33^3), packed targets of each family, from `hull_table`.
    preference : float32 (32^3,), how much less CIEDE2000 the second family's hull leaves at
    the middle of each cell of a cube of encoded sRGB; None where there is one family.
    """

    members: tuple[tuple[int, ...], ...]
    bits: npt.NDArray[np.uint16]
    hulls: Packed
    preference: Float32s | None


def find_families(
    colours: FinishColours,
    recipes: Sequence[LayerRecipe],
    *,
    occupied: npt.NDArray[np.bool_] | None = None,
    tables: TableStore | None = None,
) -> Families:
    """The families of these finishes, which are those in use.

    occupied : bool (32^3,), the cells of the cube that are asked for; all of them where None.
    """
    everyone = tuple(range(len(recipes)))
    members = [
        tuple(i for i in everyone if not recipes[i].legend),
        tuple(i for i in everyone if not recipes[i].mask_opening),
    ]
    if everyone in members or not all(members):
        members = [everyone]
    subsets = [colours_from_lab(tuple(colours.ids[i] for i in family), colours.lab[list(family)]) for family in members]
    hulls = np.stack([hull_table(subset, tables=tables) for subset in subsets])
    return Families(
        members=tuple(members),
        bits=np.array([sum(1 << i for i in family) for family in members], dtype=np.uint16),
        hulls=hulls,
        preference=None if len(members) == 1 else _preference(subsets, occupied, tables),
    )


def _middles() -> Floats:
    """Linear sRGB of the middle of each cell of the cube, float64 (32^3, 3)."""
    middle = srgb_decoded((np.arange(_STEPS) * 8 + 3.5) / 255.0)
    return np.stack(np.meshgrid(middle, middle, middle, indexing="ij"), axis=-1).reshape(-1, 3)


def _preference(
    subsets: Sequence[FinishColours], occupied: npt.NDArray[np.bool_] | None, tables: TableStore | None
) -> Float32s:
    if occupied is not None:
        out = np.zeros(_STEPS**3, dtype=np.float32)
        out[occupied] = _preferences_at(_middles()[occupied], subsets)
        return out
    key = subsets[0].key("family-2") + "-" + subsets[1].key("and")
    kept = tables.get(key) if tables is not None else None
    if kept is not None and len(kept) == 4 * _STEPS**3:
        return np.frombuffer(kept, dtype=np.float32)
    preference = _preferences_at(_middles(), subsets)
    if tables is not None:
        tables.put(key, preference.tobytes())
    return preference


def _preferences_at(points: Floats, subsets: Sequence[FinishColours]) -> Float32s:
    """How much less CIEDE2000 the second family's hull leaves at these colours, linear sRGB float64 (m, 3)."""
    opponent = points @ LINEAR_RGB_TO_OPPONENT.T
    back = np.linalg.inv(LINEAR_RGB_TO_OPPONENT).T
    lab = xyz_to_lab(linear_rgb_to_xyz(points))
    left = [
        ciede2000(
            lab,
            xyz_to_lab(
                linear_rgb_to_xyz(project_onto_hull(opponent, subset.linear_rgb @ LINEAR_RGB_TO_OPPONENT.T) @ back)
            ),
        )
        for subset in subsets
    ]
    return np.asarray(left[0] - left[1], dtype=np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_blocks(cells, preference, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    height, width = cells.shape[0], cells.shape[1]
    for i in range(first, last):
        for y in range(i * BLOCK, min((i + 1) * BLOCK, height)):
            for x in range(width):
                place = (
                    ((np.int64(cells[y, x, 0]) >> 3) << 10)
                    | ((np.int64(cells[y, x, 1]) >> 3) << 5)
                    | (np.int64(cells[y, x, 2]) >> 3)
                )
                out[i, x // BLOCK] += preference[place]


def choose_families(cells: Srgb, families: Families, *, threads: int = 1) -> Labels:
    """uint8 (ceil(h / BLOCK), ceil(w / BLOCK)): the family of each block of cells, encoded sRGB uint8 (h, w, 3)."""
    height, width = cells.shape[:2]
    shape = (-(-height // BLOCK), -(-width // BLOCK))
    if families.preference is None:
        return np.zeros(shape, dtype=np.uint8)
    # Fewer cells than this are counted before a second thread has begun.
    threads = threads if height * width > _MANY_CELLS else 1
    nearer = np.zeros(shape, dtype=np.float32)
    preference = read_only(families.preference)
    run_all(
        lambda first, last: _sum_blocks(cells, preference, first, last, nearer),
        shared_strips(shape[0], threads),
        threads,
    )
    return (blur(nearer, _SMOOTHING, _SMOOTHING, threads=threads) > 0.0).astype(np.uint8)
