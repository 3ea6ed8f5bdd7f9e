"""Rims: where the edges of two layers coincide, one of them is drawn past the other, as far as they may shift.

For one pair of layers, a border lies between both and neither, or between one alone and the other alone. Either has two
possible rims, and each can lie on either side. A connected border takes the rim and the side that cost least against
the artwork, so that it looks alike along its whole length. What the rim leaves of a part, where that is narrower than
the fab can make, goes to the rim too, and is counted: so a thin part between two rims is swapped for their finish
where that is cheaper than rims outside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, read_only
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.fabrication.bit_morphology import (
    WORD,
    Bits,
    Region,
    dilate,
    disc,
    disc_within,
    erode,
    region_of,
    wider,
)
from worker.engine.fabrication.bit_parts import Parts, Totals, connected_parts, lowest_bit, pixels_in_parts, run_mask
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING
from worker.engine.painted import Painted, PixelColours
from worker.engine.threads import row_strips, run_all

Choices = npt.NDArray[np.uint8]

_STEPS = 32
_ONE = np.uint64(1)
_STRIP = 128
SPARSE = 0.15
NO_SUCH_FINISH = 1000.0
"""CIEDE2000 added for a pixel of a rim that the profile has no finish for: such a rim is the last resort."""
LEAVE = 4
"""The choice of no rim."""
SWAPPED_AT_MOST = 0.25
"""Pixels beyond a rim that may be swapped for it, of the rim's own: a network of dots that are hardly larger than the
limit would be swapped altogether, and what its rims can't hold they would break to pieces."""
DOUBLED = 30.0
"""The same for each pixel of an older rim of the other kind between the two sides: it would need a rim of its own."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Artwork:
    """What rims are judged by.

    srgb : encoded, of (H, W, 3). column : uint8 (256,), each stack's finish or the nearest. known : bool (256,),
    whether it is a finish. forbidden : bool (256,), whether no rim may show it. errors : float32 (32^3, n), CIEDE2000
    of each finish from the middle of each cell of a cube of sRGB.
    """

    srgb: PixelColours
    column: npt.NDArray[np.uint8]
    known: npt.NDArray[np.bool_]
    forbidden: npt.NDArray[np.bool_]
    errors: Float32s


def colour_errors(colours_lab: Floats) -> Float32s:
    """float32 (32^3, n): CIEDE2000 of each colour from the middle of each cell of a cube of encoded sRGB."""
    middle = np.minimum(np.arange(_STEPS) * 8 + 4, 255)
    cube = np.stack(np.meshgrid(middle, middle, middle, indexing="ij"), axis=-1).reshape(-1, 1, 3)
    lab = srgb_to_lab(cube.astype(np.uint8))
    return np.ascontiguousarray(ciede2000(lab, colours_lab[None, :, :]), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Border:
    """A kind of border to settle, between stacks `one` and `other` of two layers.

    one, other : packed planes. rims : the two stacks that may stand between, as (first layer, second layer), and the
    full stack of bits that each shows. reach_px : the rim's width. least_px : the narrowest part that may be left.
    barred : where no rim may set the second layer; None where it may everywhere.
    """

    one: Bits
    other: Bits
    rims: tuple[tuple[bool, bool], tuple[bool, bool]]
    shows: tuple[int, int]
    reach_px: int
    least_px: int
    barred: Bits | None = None


def settle(border: Border, first: Bits, second: Bits, artwork: Artwork, bits: LayerBits, *, threads: int = 1) -> int:
    """Draw the rims of one kind of border into the packed planes of its two layers, in place.

    `bits` : all layers, of which `first` and `second` are two.
    Returns how many pixels beyond the rims were swapped, since too little of their part would have been left.
    """
    reach = disc_within(float(border.reach_px))
    region = if_sparse(meeting(border.one, border.other, border.reach_px))
    by_one = dilate(border.one, reach, region=region, threads=threads)
    by_other = dilate(border.other, reach, region=region, threads=threads)
    rim_one, rim_other = border.one & by_other, border.other & by_one
    if not rim_one.any():
        return 0
    left_one = _too_thin(border.one & ~rim_one, rim_one, border.least_px, threads)
    left_other = _too_thin(border.other & ~rim_other, rim_other, border.least_px, threads)
    on_one, on_other = rim_one | left_one, rim_other | left_other
    between = [_older(first, second, rim, by_one & by_other) for rim in border.rims]
    parts = connected_parts(on_one | on_other | between[0] | between[1], corners=True, threads=threads)
    dear = [
        pixels_in_parts(left, parts) > SWAPPED_AT_MOST * pixels_in_parts(rim, parts)
        for left, rim in ((left_other, rim_other), (left_one, rim_one))
    ]
    choices = _choose(parts, on_one, on_other, between, dear, border, artwork, bits, threads)
    _draw(parts, choices, on_one, on_other, border, first, second, threads)
    drawn = choices < LEAVE
    swapped = [
        int(pixels_in_parts(left, parts)[drawn & (choices & 1 == side)].sum())
        for side, left in ((0, left_other), (1, left_one))
    ]
    return sum(swapped)


def _older(first: Bits, second: Bits, rim: tuple[bool, bool], near: Bits) -> Bits:
    return np.asarray((first if rim[0] else ~first) & (second if rim[1] else ~second) & near)


def _too_thin(left: Bits, rim: Bits, least_px: int, threads: int) -> Bits:
    """What is left of parts beside their rims, and narrower than `least_px`; corners of wide parts are none."""
    near = if_sparse(region_of(rim, blocks(least_px)))
    around = None if near is None else widened(near, blocks(least_px))
    inner = erode(left, disc(least_px), region=around, threads=threads)
    whole = dilate(inner, disc_within(least_px / math.sqrt(2.0) + 1.5), region=near, threads=threads)
    return np.asarray(left & ~whole & dilate(rim, disc_within(float(least_px)), region=near, threads=threads))


def blocks(reach_px: int) -> int:
    """How many blocks of a region a disc of this radius reaches beyond its own."""
    return -(-(reach_px + 2) // WORD)


def widened(region: Region, by_blocks: int) -> Region:
    """The region and so many blocks more to every side."""
    for _ in range(by_blocks):
        region = wider(region)
    return region


def meeting(one: Bits, other: Bits, reach_px: int) -> Region:
    """The region in which pixels of both planes lie within this distance."""
    return np.asarray(region_of(one, blocks(reach_px)) & region_of(other, blocks(reach_px)))


def if_sparse(region: Region) -> Region | None:
    """The region, or None, which is everywhere, where picking its blocks out would cost more than it saves."""
    return region if region.mean() < SPARSE else None


@njit(cache=True, nogil=True, error_model="numpy")
def _sum_runs(  # type: ignore[no-untyped-def]
    first_run,
    starts,
    ends,
    on_one,
    on_other,
    srgb,
    cells,
    copper,
    opening,
    legend,
    column,
    errors,
    rim_x,
    rim_y,
    pad_px,
    first,
    last,
    sums,
):  # pragma: no cover - compiled
    """For each run, what rim x and rim y would cost on the other side and on this one.

    srgb : uint8 (H, W, 3); or labels, uint8 (H, W), of which `cells` has the cell of each.
    """
    for y in range(first, last):
        row = y - pad_px
        for n in range(first_run[y], first_run[y + 1]):
            for side in range(2):
                plane = on_one[y] if side else on_other[y]
                total_x = total_y = np.float32(0.0)
                for j in range(starts[n] >> 6, (ends[n] + 63) >> 6):
                    word = plane[j] & run_mask(starts[n], ends[n], j)
                    if word == np.uint64(0):
                        continue
                    while word != np.uint64(0):
                        i = lowest_bit(word)
                        word &= word - _ONE
                        x = j * 64 + i - pad_px
                        if srgb.ndim == 2:
                            cell = cells[srgb[row, x]]
                        else:
                            r, g, b = srgb[row, x, 0], srgb[row, x, 1], srgb[row, x, 2]
                            cell = (np.int64(r >> 3) << 10) | (np.int64(g >> 3) << 5) | np.int64(b >> 3)
                        one = np.uint64(i)
                        here = errors[
                            cell,
                            column[
                                BOARD
                                + COPPER * ((copper[y, j] >> one) & _ONE)
                                + OPENING * ((opening[y, j] >> one) & _ONE)
                                + LEGEND * ((legend[y, j] >> one) & _ONE)
                            ],
                        ]
                        total_x += errors[cell, rim_x] - here
                        total_y += errors[cell, rim_y] - here
                sums[n, side] = total_x
                sums[n, 2 + side] = total_y


@njit(cache=True, nogil=True, error_model="numpy")
def _add_up(part, sums, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for n in range(part.shape[0]):
        for k in range(4):
            out[part[n], k] += sums[n, k]


def _choose(
    parts: Parts,
    on_one: Bits,
    on_other: Bits,
    between: list[Bits],
    dear: list[npt.NDArray[np.bool_]],
    border: Border,
    artwork: Artwork,
    bits: LayerBits,
    threads: int,
) -> Choices:
    """For each part 2 x rim + side, side 0 being the other: the cheapest, the first of equals. LEAVE where none may be.

    `dear` : for each side, bool (n,), the parts for which too much beyond the rim would have to be swapped there.
    """
    sums = np.zeros((len(parts.starts), 4), dtype=np.float32)
    columns = [int(artwork.column[bits]) for bits in border.shows]
    if isinstance(artwork.srgb, Painted):
        picture, colours = read_only(artwork.srgb.labels), artwork.srgb.colours.astype(np.int64) >> 3
        cells = (colours[:, 0] << 10) | (colours[:, 1] << 5) | colours[:, 2]
    else:
        picture, cells = read_only(artwork.srgb), np.empty(0, dtype=np.int64)

    def work(first: int, last: int) -> None:
        _sum_runs(  # type: ignore[call-arg, unused-ignore]
            parts.first_run,
            parts.starts,
            parts.ends,
            on_one,
            on_other,
            picture,
            cells,
            bits.copper,
            bits.opening,
            bits.legend,
            artwork.column,
            artwork.errors,
            *columns,
            bits.frame.pad_px,
            first,
            last,
            sums,
        )

    inside = row_strips(bits.frame.height_px, _STRIP)
    run_all(work, [(bits.frame.pad_px + a, bits.frame.pad_px + b) for a, b in inside], threads)
    costs = np.zeros((parts.count, 4))
    _add_up(parts.part, sums, costs)
    pixels = [pixels_in_parts(plane, parts) for plane in (on_other, on_one)]
    older = [pixels_in_parts(plane, parts) for plane in between]
    barred = [] if border.barred is None else [_barred(border, plane, parts) for plane in (on_other, on_one)]
    for rim in range(2):
        for side in range(2):
            if not artwork.known[border.shows[rim]]:
                costs[:, 2 * rim + side] += NO_SUCH_FINISH * pixels[side]
            costs[:, 2 * rim + side] += DOUBLED * older[1 - rim]
            if border.barred is not None and border.rims[rim][1]:
                costs[:, 2 * rim + side] += DOUBLED * barred[side]
            costs[dear[side] | artwork.forbidden[border.shows[rim]], 2 * rim + side] = np.inf
    choices = np.asarray(np.argmin(costs, axis=1), dtype=np.uint8)
    choices[np.isinf(costs).all(axis=1)] = LEAVE
    return choices


def _barred(border: Border, plane: Bits, parts: Parts) -> Totals:
    assert border.barred is not None
    return pixels_in_parts(plane & border.barred, parts)


@njit(cache=True, nogil=True, error_model="numpy")
def _draw_rows(  # type: ignore[no-untyped-def]
    first_run, starts, ends, part, choices, on_one, on_other, rims, top, bottom, first, second
):  # pragma: no cover - compiled
    for y in range(top, bottom):
        for n in range(first_run[y], first_run[y + 1]):
            choice = choices[part[n]]
            if choice == LEAVE:
                continue
            plane = on_one[y] if choice & 1 else on_other[y]
            rim = rims[choice >> 1]
            for j in range(starts[n] >> 6, (ends[n] + 63) >> 6):
                mask = plane[j] & run_mask(starts[n], ends[n], j)
                first[y, j] = (first[y, j] | mask) if rim[0] else (first[y, j] & ~mask)
                second[y, j] = (second[y, j] | mask) if rim[1] else (second[y, j] & ~mask)


def _draw(
    parts: Parts,
    choices: Choices,
    on_one: Bits,
    on_other: Bits,
    border: Border,
    first: Bits,
    second: Bits,
    threads: int,
) -> None:
    rims = np.array(border.rims, dtype=np.bool_)

    def work(top: int, bottom: int) -> None:
        _draw_rows(
            parts.first_run,
            parts.starts,
            parts.ends,
            parts.part,
            choices,
            on_one,
            on_other,
            rims,
            top,
            bottom,
            first,
            second,
        )

    run_all(work, row_strips(first.shape[0], _STRIP), threads)
