"""The expected error of the made board: layers land somewhere within their tolerances, not where they are drawn.

Mask and legend are shifted many times against the copper, and each outcome is compared with the artwork as the score
compares the nominal board: CIEDE2000 pixel by pixel, and S-CIELAB from the viewing distance. To take a second, not a
minute, both look at an even lattice of pixels, and S-CIELAB at a picture of limited size: so the nominal board is
scored here too, in the same way, and the figures are meant to be compared with each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Srgb, check_array
from worker.engine.colorimetry import lab_to_xyz, srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.fabrication.planes import (
    BOARD,
    COPPER,
    HATCHED,
    LEGEND,
    NO_FINISH,
    OPENING,
    LayerPlanes,
    Stack,
    finish_by_layers,
)
from worker.engine.fabrication.shifts import NOMINAL, Shift, directed_shifts, drawn_shifts
from worker.engine.fabrication.stack_blocks import art_blocks, board_blocks
from worker.engine.fabrication.stack_colours import stack_lab, stack_name
from worker.engine.threads import run_all
from worker.engine.vision import SeenPicture, pixels_per_degree, see, seen_difference, working_step
from worker.fab_profile import FabProfile

DRAWS = 8
_MOST_BLOCKS = 250_000
_MOST_SAMPLES = 6_000_000
_MOST_PIXELS = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftError:
    """Mean difference from the artwork where the layers landed so."""

    shift: Shift
    ciede2000: float
    s_cielab: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedError:
    """Errors over the tolerance.

    nominal : nothing shifted. directed : the whole tolerance in eight directions. drawn : at random within it.
    stand_ins : stacks that shifts uncover and that the profile has no finish for, by name: they were scored in the
    colour of the finish with the nearest layers. block_px, sample_px : sides of S-CIELAB's blocks and of the lattice.
    """

    nominal: ShiftError
    directed: tuple[ShiftError, ...]
    drawn: tuple[ShiftError, ...]
    stand_ins: tuple[str, ...]
    block_px: int
    sample_px: int

    @property
    def mean(self) -> tuple[float, float]:
        """Expected CIEDE2000 and S-CIELAB: the mean of the drawn shifts."""
        n = len(self.drawn)
        return sum(error.ciede2000 for error in self.drawn) / n, sum(error.s_cielab for error in self.drawn) / n

    @property
    def worst(self) -> ShiftError:
        """The shift of the largest S-CIELAB; `shifts.shifted_labels` gives its picture."""
        return max((*self.directed, *self.drawn), key=lambda error: error.s_cielab)


def expected_error(
    planes: LayerPlanes,
    fab: FabProfile,
    colours_lab: Floats,
    srgb: Srgb,
    *,
    viewing_distance_mm: float,
    rng: np.random.Generator,
    draws: int = DRAWS,
    threads: int = 1,
) -> ExpectedError:
    """Errors of the board against its artwork, over shifts of mask and legend within the fab's tolerances.

    Parameters
    ----------
    colours_lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid of the planes.
    rng : where the drawn shifts come from. draws : how many, 1 at least.
    """
    check_array("srgb", srgb, dtype=np.uint8, shape=(*planes.stack.shape, 3))
    view = _view(planes, stack_lab(fab, colours_lab), srgb, viewing_distance_mm, threads)
    directed, drawn = directed_shifts(fab, planes.pitch_um), drawn_shifts(fab, planes.pitch_um, draws, rng)
    shifts = (NOMINAL, *directed, *drawn)
    found: dict[int, ShiftError] = {}
    shown = np.zeros((len(shifts), 16), dtype=np.bool_)

    def score(number: int) -> None:
        found[number] = _score(view, planes.stack, shifts[number], shown[number])

    run_all(score, [(number,) for number in range(len(shifts))], threads)
    nominal, *errors = (found[number] for number in range(len(shifts)))
    uncovered = {_bits(int(number)) & ~BOARD for number in np.flatnonzero(shown.any(axis=0))}
    return ExpectedError(
        nominal=nominal,
        directed=tuple(errors[: len(directed)]),
        drawn=tuple(errors[len(directed) :]),
        stand_ins=_stand_ins(fab, uncovered),
        block_px=view.block,
        sample_px=view.step,
    )


def _stand_ins(fab: FabProfile, uncovered: set[int]) -> tuple[str, ...]:
    table = finish_by_layers(fab)
    return tuple(stack_name(fab, bits) for bits in sorted(uncovered) if table[bits | BOARD] == NO_FINISH)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """The artwork as it is compared: seen from the distance, and pixel by pixel on a coarse lattice.

    block, step : pixels of a block's side, and from one sample to the next. xyz : float32 (256, 3), of each stack.
    art : float32 (3, h, w). weights : float32 (h, w), samples on the board. errors : float32 (p, 16), CIEDE2000 of each
    of 16 stacks from pixels at rows and columns.
    """

    block: int
    step: int
    ppd: float
    xyz: Float32s
    art_xyz: Float32s
    seen: SeenPicture
    weights: Float32s
    rows: npt.NDArray[np.int64]
    columns: npt.NDArray[np.int64]
    errors: Float32s


def _view(planes: LayerPlanes, lab: Floats, srgb: Srgb, distance_mm: float, threads: int) -> _View:
    height, width = planes.stack.shape
    full = pixels_per_degree(distance_mm, planes.pitch_um)
    block = max(working_step(full), math.ceil(math.sqrt(height * width / _MOST_BLOCKS)))
    step = min(block, max(1, math.ceil(math.sqrt(height * width / _MOST_SAMPLES))))
    art, weights = art_blocks(planes.stack, srgb, block, step, threads=threads)
    coarse = max(1, math.ceil(math.sqrt(height * width / _MOST_PIXELS)))
    rows, columns = _lattice(planes.stack, coarse)
    pixels = srgb_to_lab(srgb[rows, columns])
    return _View(
        block=block,
        step=step,
        ppd=full / block,
        xyz=lab_to_xyz(lab).astype(np.float32),
        art_xyz=art,
        seen=see(art.copy(), working_ppd=full / block, step=block, threads=threads),
        weights=weights,
        rows=rows,
        columns=columns,
        errors=_errors_of_stacks(pixels, lab, int(np.bitwise_or.reduce(planes.stack, axis=None)), threads),
    )


def _errors_of_stacks(pixels: Floats, lab: Floats, drawn: int, threads: int) -> Float32s:
    """float32 (p, 16), CIEDE2000 of each pixel, float64 (p, 3) CIELAB, from each stack of layers that are `drawn`."""
    errors = np.zeros((16, len(pixels)), dtype=np.float32)
    alike: dict[bytes, list[int]] = {}
    for number in range(16):
        if _bits(number) & ~BOARD & ~drawn == 0:
            alike.setdefault(lab[_bits(number)].tobytes(), []).append(number)

    def fill(numbers: list[int]) -> None:
        errors[numbers] = ciede2000(pixels, lab[_bits(numbers[0])]).astype(np.float32)

    run_all(fill, [(numbers,) for numbers in alike.values()], threads)
    return np.ascontiguousarray(errors.T)


def _bits(number: int) -> int:
    """The stack of four bits in a row: copper, opening, legend, hatch; on the board."""
    return BOARD | (number & 7) | (HATCHED if number & 8 else 0)


def _lattice(stack: Stack, step: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Rows and columns of an even lattice's pixels on the board."""
    rows, columns = np.mgrid[step // 2 : stack.shape[0] : step, step // 2 : stack.shape[1] : step]
    on_board = (stack[rows, columns] & np.uint8(BOARD)) != 0
    return rows[on_board].astype(np.int64), columns[on_board].astype(np.int64)


def _score(view: _View, stack: Stack, shift: Shift, shown: npt.NDArray[np.bool_]) -> ShiftError:
    """`shown` : bool (16,), set for each stack that is seen. On one thread: shifts are scored side by side."""
    board = board_blocks(stack, view.xyz, view.art_xyz, view.block, view.step, shift=shift)
    seen = see(board, working_ppd=view.ppd, step=view.block)
    difference = seen_difference(view.seen, seen)
    errors = np.empty(len(view.rows), dtype=np.float32)
    _at_pixels(stack, view.rows, view.columns, *shift.solder_mask_px, *shift.legend_px, view.errors, errors, shown)
    return ShiftError(
        shift=shift,
        ciede2000=float(errors.mean(dtype=np.float64)) if len(errors) else 0.0,
        s_cielab=float(np.average(difference, weights=view.weights)) if view.weights.any() else 0.0,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _at_pixels(  # type: ignore[no-untyped-def]
    stack, rows, columns, mask_x, mask_y, legend_x, legend_y, errors, out, shown
):  # pragma: no cover - compiled
    """The error at each pixel of the coarse lattice, by its stack as four bits in a row, and which stacks are shown."""
    height, width = stack.shape
    for i in range(rows.shape[0]):
        y, x = rows[i], columns[i]
        bits = stack[y, x] & (COPPER | HATCHED)
        bits |= stack[min(max(y - mask_y, 0), height - 1), min(max(x - mask_x, 0), width - 1)] & OPENING
        bits |= stack[min(max(y - legend_y, 0), height - 1), min(max(x - legend_x, 0), width - 1)] & LEGEND
        shown[bits] = True
        out[i] = errors[i, bits]


assert (COPPER, OPENING, LEGEND, HATCHED) == (1, 2, 4, 8)  # four bits in a row
