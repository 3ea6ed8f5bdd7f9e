"""What repairs took from the look, made up for beside them: borders move by a pixel or so where the eye gains by it.

A stroke that had to grow is too bright, or too dark, and nothing can make it narrower again; but the eye blurs it with
what lies beside it. So near to what was repaired, borders move towards whichever finish lessens the CIEDE2000 between
the picture that is wanted and the one that is shown, both as the eye blurs them. What the error of a whole
neighbourhood gains when a pixel changes its finish is its derivative by the colour, blurred once more: a small picture
for each finish. Pixels along borders move all at once, and wherever a rule is broken by that, they go back.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.ndimage import binary_dilation, gaussian_filter1d

from worker.engine.artwork.mean_blocks import mean_blocks
from worker.engine.colorimetry import D65_WHITE, lab_to_xyz, linear_rgb_to_xyz
from worker.engine.difference import ciede2000_pair, exact_lab_f
from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Region, dilate, disc_within, reached, region_of
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts, set_bits
from worker.engine.fabrication.partition import Partition
from worker.engine.fabrication.plane_moves import Planes
from worker.engine.fabrication.sparse_bits import add, common, remove
from worker.engine.fabrication.thin_looks import EYE_MM
from worker.engine.painted import PixelColours
from worker.engine.threads import row_strips, run_all

_STEPS_PX = (2, 1)
"""How far borders move in each turn."""

_LEAST = 3.0
"""What the move of a pixel must take from the sum of all pixels' CIEDE2000: less is not worth a ragged border."""

_NEAR_SIGMAS = 2.0
"""How far from what was repaired borders move, in standard deviations of the eye's blur."""

_BACK_PX = (1, 17, 3, 17, 45, 60)
"""How far around a fault moves are taken back, in turns: what is too thin by itself, then what stands across a gap."""

_PROBE = 0.0005
"""Step of XYZ, of a white of 1, to both sides, that the derivative is taken over."""

_TRUNCATE = 3.0
"""Standard deviations that the blur reaches."""

_FINEST_BLUR = 1.75
"""Standard deviation of the eye's blur in blocks, at least: finer ones moved no border better."""

_LARGEST_BLOCK_PX = 16
_BLUR_STRIP = 128
"""Rows or columns that are blurred at a time."""

Pictures = npt.NDArray[np.float32]
"""float32 (rows, columns, 3): CIE XYZ, D65 white of Y = 1, means of blocks."""


def compensate(board: Partition, before: Planes, srgb: PixelColours | None) -> None:
    """Move borders near to what differs from `before`, in place, where the eye gains by it and no rule is broken.

    Parameters
    ----------
    board : it must break no rule.
    before : the planes as they were before the repair.
    srgb : encoded sRGB of (H, W, 3), the picture that is wanted; None for that of `before`.
    """
    changed = board.empty()
    for old, new in zip(before, board.planes, strict=True):
        changed |= old ^ new
    if not changed.any():
        return
    sigma_px = EYE_MM * 1000.0 / board.pitch_um
    lattice = _Lattice(board, sigma_px)
    xyz = lab_to_xyz(board.lab).astype(np.float32)
    wanted = lattice.shown(before, xyz, None) if srgb is None else lattice.means(srgb)
    near = lattice.held(changed)
    reach = int(np.ceil(_NEAR_SIGMAS * lattice.sigma))
    near = binary_dilation(near, structure=np.ones((3, 3)), iterations=reach)
    asked = binary_dilation(near, structure=np.ones((3, 3)), iterations=lattice.blur_reach)
    aim = lattice.blurred(wanted)
    for step in _STEPS_PX:
        slopes = _slopes_of(lattice, lattice.shown(board.planes, xyz, wanted), aim, asked)
        saved = board.planes.copy()
        moved = lattice.move_borders(board, saved, slopes, xyz, near, step)
        del slopes  # beside which the board's faults need no room
        _take_back(board, saved, moved)


def _slopes_of(lattice: _Lattice, shown: Pictures, aim: Pictures, asked: npt.NDArray[np.bool_]) -> Pictures:
    """What the sum of all errors grows by when a pixel's X, Y and Z do: good where all blocks that the blur reaches are
    `asked` for."""
    slope = np.zeros(shown.shape, dtype=np.float32)
    lattice.run(_slopes, aim, lattice.blurred(shown), asked, D65_WHITE, _PROBE, slope)
    return lattice.blurred(slope)


def _take_back(board: Partition, saved: Planes, moved: Bits) -> None:
    """Undo moves wherever they break a rule: those around a fault, then whole pieces, which leave no ends."""
    threads, reach_px = board.threads, board.fault_reach_px
    board.remember_thin()
    faults = board.faults(reached(moved, region_of(moved, 0), reach_px))
    turn = 0
    while faults.any() and moved.any():
        region = region_of(faults, 1)
        reach = _BACK_PX[min(turn, len(_BACK_PX) - 1)]
        back = common(dilate(faults, disc_within(reach), region=region, threads=threads), moved, region)
        if turn >= len(_BACK_PX):
            pieces = connected_parts(moved, corners=True, threads=threads)
            back = chosen_parts(pieces, pixels_in_parts(back, pieces) > 0, moved.shape, threads=threads)
        if turn >= 2 * len(_BACK_PX):
            far = region_of(faults, turn)
            add(back, common(moved, moved, far), far)
        undone = region_of(back, 0)
        board.take_over(back, saved)
        remove(moved, back, undone)
        faults = board.faults(reached(back, undone, reach_px) | region_of(faults, 0))
        turn += 1
    board.measured = None


class _Lattice:
    """The board in square blocks, so small that the eye's blur hides them, and so large that there are few.

    block_px : a power of two. sigma : the eye's blur in blocks.
    """

    def __init__(self, board: Partition, sigma_px: float) -> None:
        self.block_px = 1
        while self.block_px < _LARGEST_BLOCK_PX and 2 * self.block_px * _FINEST_BLUR <= sigma_px:
            self.block_px *= 2
        self.sigma = sigma_px / self.block_px
        self.frame, self.threads = board.frame, board.threads
        self.shape = (-(-self.frame.height_px // self.block_px), -(-self.frame.width_px // self.block_px))

    def run(self, work, *arguments) -> None:  # type: ignore[no-untyped-def]
        """Let a loop work on all rows of blocks."""
        calls = row_strips(self.shape[0], 16)
        run_all(lambda first, last: work(*arguments, first, last), calls, self.threads)

    def means(self, srgb: PixelColours) -> Pictures:
        """A picture's blocks."""
        return np.asarray(linear_rgb_to_xyz(mean_blocks(srgb, self.block_px, threads=self.threads)), dtype=np.float32)

    def shown(self, planes: Planes, xyz: Pictures, beyond: Pictures | None) -> Pictures:
        """What the planes show; `beyond` is seen where no finish is."""
        out = np.zeros((*self.shape, 3), dtype=np.float32)
        other = out if beyond is None else beyond
        place = (self.frame.pad_px, self.frame.pad_words, self.frame.height_px, self.frame.width_px)
        self.run(_shown_blocks, planes, xyz, other, *place, self.block_px, out)
        return out

    def held(self, bits: Bits) -> npt.NDArray[np.bool_]:
        """Blocks that hold a set bit."""
        one = np.ones((1, 3), dtype=np.float32)
        return np.asarray(self.shown(bits[None], one, None)[..., 0] > 0)

    def blurred(self, picture: Pictures) -> Pictures:
        """The picture as the eye blurs it: down its columns, then along its rows."""
        rows, columns = self.shape
        half, out = np.empty_like(picture), np.empty_like(picture)

        def blur(source: Pictures, axis: int, to: Pictures) -> None:
            gaussian_filter1d(source, self.sigma, axis=axis, output=to, mode="reflect", truncate=_TRUNCATE)

        strips = row_strips(columns, _BLUR_STRIP)
        run_all(lambda a, b: blur(picture[:, a:b], 0, half[:, a:b]), strips, self.threads)
        run_all(lambda a, b: blur(half[a:b], 1, out[a:b]), row_strips(rows, _BLUR_STRIP), self.threads)
        return out

    @property
    def blur_reach(self) -> int:
        """How many blocks the blur reaches."""
        return int(_TRUNCATE * self.sigma + 0.5)

    def move_borders(
        self, board: Partition, old: Planes, slopes: Pictures, xyz: Pictures, near: npt.NDArray[np.bool_], step_px: int
    ) -> Bits:
        """Let borders move by a step where the gain is large enough; what was moved. old : a copy of the planes."""
        moved = board.empty()
        region = self._region(near)
        grown = np.zeros(old.shape, dtype=np.uint64)
        for plane, to in zip(old, grown, strict=True):
            dilate(plane, disc_within(step_px), region=region, threads=self.threads, out=to)
        place = (self.frame.pad_px, self.frame.pad_words, self.frame.height_px)
        self.run(_move, old, grown, slopes, xyz, near, _LEAST, *place, self.block_px, board.planes, moved)
        return moved

    def _region(self, near: npt.NDArray[np.bool_]) -> Region:
        """Blocks of the packed planes that hold such blocks."""
        out = np.zeros((-(-self.frame.shape[0] // BLOCK), self.frame.shape[1]), dtype=np.uint8)
        rows, columns = np.nonzero(near)
        each = BLOCK // self.block_px
        out[rows // each + self.frame.pad_words, columns // each + self.frame.pad_words] = 1
        return out


@njit(cache=True, nogil=True, error_model="numpy")
def _slopes(aim, seen, asked, white, probe, out, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """By how much the CIEDE2000 between `aim` and what is seen grows with each of X, Y and Z, where it is asked for."""
    f, g, xyz = np.empty(3), np.empty(3), np.empty(3)
    for i in range(first, last):
        for k in range(seen.shape[1]):
            if not asked[i, k]:
                continue
            for c in range(3):
                g[c] = exact_lab_f(np.float64(aim[i, k, c]) / white[c])
                xyz[c] = seen[i, k, c]
                f[c] = exact_lab_f(xyz[c] / white[c])
            lightness, red, yellow = 116.0 * g[1] - 16.0, 500.0 * (g[0] - g[1]), 200.0 * (g[1] - g[2])
            for c in range(3):
                kept, slope = f[c], 0.0
                for side in (1.0, -1.0):
                    f[c] = exact_lab_f((xyz[c] + side * probe) / white[c])
                    slope += side * ciede2000_pair(
                        lightness,
                        red,
                        yellow,
                        116.0 * f[1] - 16.0,
                        500.0 * (f[0] - f[1]),
                        200.0 * (f[1] - f[2]),
                    )
                f[c] = kept
                out[i, k, c] = slope / (2.0 * probe)


@njit(cache=True, nogil=True, error_model="numpy")
def _shown_blocks(planes, xyz, beyond, pad_px, pad_words, height, width, block, out, first, last):  # type: ignore[no-untyped-def]  # pragma: no cover
    mask = (np.uint64(1) << np.uint64(block)) - np.uint64(1)
    each = 64 // block
    for i in range(first, last):
        top, bottom = i * block, min((i + 1) * block, height)
        for k in range(out.shape[1]):
            left, right = k * block, min((k + 1) * block, width)
            word, shift = pad_words + k // each, np.uint64(k % each * block)
            one = two = three = np.float32(0.0)
            pixels = rest = (bottom - top) * (right - left)
            for f in range(planes.shape[0]):
                n = 0
                for y in range(pad_px + top, pad_px + bottom):
                    n += set_bits((planes[f, y, word] >> shift) & mask)
                rest -= n
                one += n * xyz[f, 0]
                two += n * xyz[f, 1]
                three += n * xyz[f, 2]
            share = np.float32(1.0) / np.float32(pixels)
            out[i, k, 0] = (one + rest * beyond[i, k, 0]) * share
            out[i, k, 1] = (two + rest * beyond[i, k, 1]) * share
            out[i, k, 2] = (three + rest * beyond[i, k, 2]) * share


@njit(cache=True, nogil=True, error_model="numpy")
def _move(  # type: ignore[no-untyped-def]
    old, grown, slopes, xyz, near, least, pad_px, pad_words, height, block, planes, moved, first, last
):  # pragma: no cover - compiled
    """Pixels of one finish that lie beside another go to that one where it gains enough."""
    each = 64 // block
    count = old.shape[0]
    known = np.empty((count, count), dtype=np.bool_)
    allowed = np.empty((count, count), dtype=np.uint64)
    for i in range(first, last):
        for j in range(pad_words, old.shape[2] - pad_words):
            start = (j - pad_words) * each
            if not near[i, start : start + each].any():
                continue
            known[:] = False
            for y in range(pad_px + i * block, pad_px + min((i + 1) * block, height)):
                for a in range(count):
                    if old[a, y, j] == np.uint64(0):
                        continue
                    for b in range(count):
                        bits = old[a, y, j] & grown[b, y, j] & ~moved[y, j]
                        if a == b or bits == np.uint64(0):
                            continue
                        if not known[a, b]:
                            known[a, b] = True
                            allowed[a, b] = _gaining(slopes[i], near[i], xyz[a], xyz[b], least, start, block)
                        bits &= allowed[a, b]
                        planes[a, y, j] &= ~bits
                        planes[b, y, j] |= bits
                        moved[y, j] |= bits


@njit(cache=True, nogil=True, error_model="numpy")
def _gaining(slopes, near, own, other, least, start, block):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Which pixels of a word, whose first block is `start`, gain enough by the colour of another finish."""
    mask = (np.uint64(1) << np.uint64(block)) - np.uint64(1)
    out = np.uint64(0)
    for k in range(start, min(start + 64 // block, near.shape[0])):
        if near[k]:
            here = slopes[k, 0] * own[0] + slopes[k, 1] * own[1] + slopes[k, 2] * own[2]
            there = slopes[k, 0] * other[0] + slopes[k, 1] * other[1] + slopes[k, 2] * other[2]
            if there - here < -least:
                out |= mask << np.uint64((k - start) * block)
    return out
