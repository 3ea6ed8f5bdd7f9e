"""What a diffusion of errors looks up and reckons with: finishes by distance, legal finishes by neighbours, and the
arithmetic of packed errors.

The layer rules, looked at from each cell to its left, upper left, upper and upper right neighbours:
no finish and no layer may touch itself at a corner only, and legend never stands beside an opening of the solder mask,
corners included. The upper neighbour's finish is always legal, so a scan never gets stuck.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats
from worker.engine.colorimetry import srgb_encoded, srgb_to_lab
from worker.engine.difference import distances_to_each
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.hull import FIELD, FIELD_HALF, FIELD_MASK, ONE, Packed, in_all_fields, pack
from worker.engine.separation.families import Families
from worker.engine.separation.fours import MetalGap
from worker.finish import LayerRecipe

CUBE_BITS = 5
_CUBE = 1 << CUBE_BITS
_RANGE_BITS = 13
_SCALE16 = 16 * ONE
_BIAS = _SCALE16 // 2
"""Values run from -1/2 to 3/2 of linear light: a field in [0, 2 _SCALE16) after the bias is in range."""
_RANGE = 2 * _SCALE16
_RANGE_SHIFT = _RANGE.bit_length() - 1 - _RANGE_BITS
_INDEX_MASK = (1 << _RANGE_BITS) - 1


_PACKED_BIAS = in_all_fields(_BIAS)
_OUT_OF_RANGE = in_all_fields(FIELD_MASK ^ (_RANGE - 1))
_WIDE_BIAS = in_all_fields(FIELD_HALF - _BIAS)
_SIXTEENTH_MASK = in_all_fields((_RANGE >> 4) - 1)
_PACKED_BIAS_13 = in_all_fields(_BIAS >> 4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DiffusionTables:
    """What the loop looks up.

    ranked : int64 (32^3,), all finishes from the nearest to the farthest by CIEDE2000, four bits each, lowest first,
    for each cell of a cube of encoded sRGB. companded : uint8 (2^13,), encoded value, in the cube's steps, of a linear
    value in range. finishes : int64 (n,), packed. legal : uint16 (n + 1, n + 1, n + 1, n + 1), bit set of the finishes
    that may stand at a cell whose left, upper left, upper and upper right neighbours are these; n stands for "no cell
    there". square : from `square_rules`. gap : finishes that come in
    fours where metal stands around them, see `legal_by_parity`; None where none do.
    """

    ranked: npt.NDArray[np.int64]
    companded: npt.NDArray[np.uint8]
    finishes: Packed
    legal: npt.NDArray[np.uint16]
    square: npt.NDArray[np.bool_]
    gap: MetalGap | None = None


def layer_planes(recipe: LayerRecipe) -> tuple[int | None, int, int]:
    """Copper, opening and legend of a finish as 0 or 1; copper is None where it may be either."""
    copper = None if recipe.copper == "either" else int(recipe.copper != "none")
    return copper, int(recipe.mask_opening), int(recipe.legend)


def square_rules(recipes: tuple[LayerRecipe, ...], *, rules: bool = True) -> npt.NDArray[np.bool_]:
    """Whether four cells in a square may stand together: bool (n + 1,) * 4 by upper left, upper right, lower left,
    lower right finish; n stands for "no cell there" or "not decided yet", and breaks no rule.
    """
    n = len(recipes)
    may = np.ones((n + 1,) * 4, dtype=np.bool_)
    if not rules:
        return may
    a, b, c, d = np.ix_(*(range(n + 1),) * 4)
    planes = [layer_planes(recipe) for recipe in recipes]
    opening = np.array([plane[1] for plane in planes] + [0], dtype=bool)
    legend = np.array([plane[2] for plane in planes] + [0], dtype=bool)
    # Any two of the four touch, at least at a corner.
    has_legend = legend[a] | legend[b] | legend[c] | legend[d]
    has_opening = opening[a] | opening[b] | opening[c] | opening[d]
    may &= ~(has_legend & has_opening)
    known = (a < n) & (b < n) & (c < n) & (d < n)
    may &= ~(known & (a == d) & (b != a) & (c != a))
    may &= ~(known & (b == c) & (a != b) & (d != b))
    for layer in range(3):
        # 2: either, so it can be drawn as its neighbours need.
        plane = np.array([2 if plane[layer] is None else plane[layer] for plane in planes] + [2])
        drawn = (plane[a] < 2) & (plane[b] < 2) & (plane[c] < 2) & (plane[d] < 2)
        may &= ~(drawn & (plane[a] == plane[d]) & (plane[b] == plane[c]) & (plane[a] != plane[b]))
    return may


def legal_sets(square: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint16]:
    """Bit sets of legal finishes by left, upper left, upper and upper right neighbour; see `DiffusionTables`."""
    n = square.shape[0] - 1
    sets = np.zeros((n + 1,) * 4, dtype=np.uint16)
    for here in range(n):
        left_of_it = np.transpose(square[:, :, :, here], (2, 0, 1))[:, :, :, None]
        right_of_it = square[:, :, here, n][None, None, :, :]
        sets |= (left_of_it & right_of_it).astype(np.uint16) << np.uint16(here)
    return sets


def legal_by_parity(legal: npt.NDArray[np.uint16], bare: int) -> npt.NDArray[np.uint16]:
    """Legal sets by the parity of a cell's row and column, (4, n + 1, n + 1, n + 1, n + 1): even and even, even and
    odd, odd and even, odd and odd.

    Bare laminate, a bit set, comes in fours: it begins at even cells of even rows, and beside and below such a
    cell nothing else stands. Where that is not legal, or nothing else is, as where families meet, any legal finish may.
    So it fills squares of two by two cells, and still meets its neighbours by the rules for single cells.
    """
    n = legal.shape[0] - 1
    fours, one = np.uint16(bare), np.append(1 << np.arange(n), 0).astype(np.uint16) & np.uint16(bare)

    def going_on(before: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint16]:
        wanted = np.where(before, legal & before, legal & ~fours)
        return np.where(wanted, wanted, legal)

    below = going_on(one[None, None, :, None])
    return np.stack([legal, going_on(one[:, None, None, None]), below, below])


def legal_in_families(legal: npt.NDArray[np.uint16], families: Families) -> npt.NDArray[np.uint16]:
    """Legal sets for each family: its members that are legal; where there is none, as where two families meet, any."""
    return np.stack([np.where(legal & bits, legal & bits, legal) for bits in families.bits])


def legal_by_neighbours(legal: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint16]:
    """Legal sets of each family, (f, n + 1, n + 1, n + 1, n + 1), in one line, where the numbers of the neighbours'
    finishes are written one after another in as many bits as n has.
    """
    families, many = legal.shape[0], legal.shape[1]
    side = 1 << (many - 1).bit_length()
    out = np.zeros((families,) + (side,) * 4, dtype=np.uint16)
    out[:, :many, :many, :many, :many] = legal
    return out.ravel()


@functools.cache
def _cube_lab() -> Floats:
    """CIELAB of the middle of each cell of a cube of encoded sRGB, float64 (32^3, 3)."""
    step = 256 // _CUBE
    middle = np.arange(_CUBE) * step + (step - 1) / 2
    return srgb_to_lab(np.stack(np.meshgrid(middle, middle, middle, indexing="ij"), axis=-1).reshape(-1, 3))


def diffusion_tables(
    colours: FinishColours,
    recipes: tuple[LayerRecipe, ...],
    *,
    rules: bool = True,
    gap: MetalGap | None = None,
    distances: Callable[[Floats, Floats], npt.NDArray[np.floating]] = distances_to_each,
) -> DiffusionTables:
    """Tables for these finishes.

    rules : false leaves the layer rules out (for comparisons only). gap : from `fours.metal_gap`. distances : how far
    colours, CIELAB float64 (m, 3), are from each of some others (n, 3): (m, n).
    """
    step = 256 // _CUBE
    ranks = np.argsort(distances(_cube_lab(), colours.lab), axis=1, kind="stable").astype(np.int64)
    ranked = np.zeros(len(ranks), dtype=np.int64)
    for place in range(len(recipes)):
        ranked |= ranks[:, place] << (4 * place)
    linear = ((np.arange(1 << _RANGE_BITS) + 0.5) * (1 << _RANGE_SHIFT) - _BIAS) / _SCALE16
    companded = np.minimum(np.rint(srgb_encoded(linear) * 255.0).astype(np.int64) // step, _CUBE - 1).astype(np.uint8)
    square = square_rules(recipes, rules=rules)
    return DiffusionTables(
        ranked=ranked,
        companded=companded,
        finishes=pack(colours.linear_rgb),
        legal=legal_sets(square),
        square=square,
        gap=gap,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _clamped(value: int) -> int:  # pragma: no cover - compiled
    """A packed, biased value with every field brought into range."""
    value += _WIDE_BIAS
    low = FIELD_HALF - _BIAS
    top = _RANGE - 1
    red = min(max((value & FIELD_MASK) - low, 0), top)
    green = min(max(((value >> FIELD) & FIELD_MASK) - low, 0), top)
    blue = min(max((value >> (2 * FIELD)) - low, 0), top)
    return red + (green << FIELD) + (blue << (2 * FIELD))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def carried(left, upper_left, upper, upper_right):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What the neighbours' packed errors bring to a cell, times 16."""
    return 7 * left + upper_left + 4 * upper + 3 * upper_right


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def in_range(value):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A packed value, times 16, biased and clamped field by field."""
    value += _PACKED_BIAS
    return _clamped(value) if value & _OUT_OF_RANGE else value


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cube_place(value, companded):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Where a value in range lies in the cube of encoded sRGB."""
    return (
        (np.int64(companded[(value >> _RANGE_SHIFT) & _INDEX_MASK]) << (2 * CUBE_BITS))
        | (np.int64(companded[(value >> (FIELD + _RANGE_SHIFT)) & _INDEX_MASK]) << CUBE_BITS)
        | np.int64(companded[(value >> (2 * FIELD + _RANGE_SHIFT)) & _INDEX_MASK])
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def unpaid(value, finish):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The packed error that a finish leaves of a value in range."""
    return ((value >> 4) & _SIXTEENTH_MASK) - _PACKED_BIAS_13 - finish
