"""Rims: the thin third finish that anti-aliasing leaves between two others, dissolved into its neighbours.

A rim is a part of a finish narrower than about three artwork pixels, between two other finishes, whose colour lies on
the segment between its two neighbours' colours: in linear light, or in encoded values, since drawing programs blend in
either. Each of its pixels goes to the neighbour that covers more than half of it. A stroke between two parts of one
finish is no rim, whatever its colour.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import OUTSIDE, Labels, Srgb, read_only
from worker.engine.colorimetry import SRGB_TO_LINEAR
from worker.engine.threads import row_strips, run_all

TOLERANCE = 0.07
"""Distance from the segment, of 1 for the whole range of a channel, up to which a colour lies on it."""

OVERSHOOT = 0.25
"""How far beyond the ends of the segment, of its length, a rim may lie: sharpening leaves halos there."""


_WORTH_THINNING = 0.6
_MOST_REACH = 12
"""Pixels searched to each side at most, however far a photograph was enlarged: its ramps are no rims by then."""


def dissolve_rims(
    labels: Labels,
    srgb: Srgb,
    *,
    source_px_per_px: float,
    repeated: bool = False,
    allowed: npt.NDArray[np.uint32] | None = None,
    frozen: npt.NDArray[np.bool_] | None = None,
    threads: int = 1,
) -> Labels:
    """Labels without rims.

    Parameters
    ----------
    labels : uint8 (H, W)
    srgb : uint8 (H, W, 3), encoded sRGB
        The artwork on the grid.
    source_px_per_px : float
        How many artwork pixels a grid pixel is wide.
    repeated : bool
        Whether the artwork was enlarged by repeating its pixels: then the work is done on these.
    allowed : uint32 (H, W) or None
        Bit set of the finishes that may stand at each pixel.
    frozen : bool (H, W) or None
        Pixels that stay as they are.
    """
    if repeated and source_px_per_px < _WORTH_THINNING:
        return _dissolve_repeated(labels, srgb, source_px_per_px, allowed, frozen, threads)
    wide = 1.0 if source_px_per_px <= 0.0 else 1.0 / source_px_per_px
    reach = min(max(3, math.ceil(3.0 * wide)), _MOST_REACH)
    step = max(1, round(wide))
    linear, srgb = SRGB_TO_LINEAR, read_only(srgb)
    limits = np.zeros((1, 1), dtype=np.uint32) if allowed is None else allowed
    fixed = np.zeros((1, 1), dtype=np.bool_) if frozen is None else frozen
    strips = row_strips(labels.shape[0], 64)
    # First between wide parts, so that several thin parts side by side dissolve at once; then between thinner ones.
    for stable in (reach, max(1, 2 * reach // 3), 1):
        out = labels.copy()
        before = labels

        def work(first: int, last: int, before: Labels = before, out: Labels = out, stable: int = stable) -> None:
            _dissolve(
                before,
                srgb,
                linear,
                reach,
                stable,
                step,
                limits,
                allowed is not None,
                fixed,
                frozen is not None,
                first,
                last,
                out,
            )

        run_all(work, strips, threads)
        labels = out
    return labels


def _dissolve_repeated(
    labels: Labels,
    srgb: Srgb,
    source_px_per_px: float,
    allowed: npt.NDArray[np.uint32] | None,
    frozen: npt.NDArray[np.bool_] | None,
    threads: int,
) -> Labels:
    """Dissolve on one grid pixel for each artwork pixel, the middle one of its repeats, then repeat the outcome."""

    def middles(length: int) -> npt.NDArray[np.int64]:
        count = max(1, round(length * source_px_per_px))
        return np.minimum(((np.arange(count) + 0.5) * length / count).astype(np.int64), length - 1)

    rows, columns = middles(labels.shape[0]), middles(labels.shape[1])
    grid = np.ix_(rows, columns)
    before = labels[grid]
    after = dissolve_rims(
        np.ascontiguousarray(before),
        np.ascontiguousarray(srgb[grid]),
        source_px_per_px=1.0,
        threads=threads,
        allowed=None if allowed is None else allowed[grid],
        frozen=None if frozen is None else frozen[grid],
    )
    back_y = np.minimum(np.arange(labels.shape[0]) * len(rows) // labels.shape[0], len(rows) - 1)
    back_x = np.minimum(np.arange(labels.shape[1]) * len(columns) // labels.shape[1], len(columns) - 1)
    full = np.ix_(back_y, back_x)
    outcome = after[full]
    # A pixel beside the seam of two repeats may belong to the other one: it only changes with its own kind.
    change = (outcome != labels) & (before[full] == labels)
    if allowed is not None:
        change &= (allowed >> outcome.astype(np.uint32)) & 1 == 1
    if frozen is not None:
        change &= ~frozen
    return np.where(change, outcome, labels)


@njit(cache=True, nogil=True, error_model="numpy")
def _on_segment(p, a, b, to_linear):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Distance of colour p from the segment a b, and how far along it p lies: the better of linear and encoded."""
    best = np.float32(9.0)
    along = np.float32(0.0)
    for space in range(2):
        dot = length = own = np.float32(0.0)
        for i in range(3):
            if space == 0:
                ea = to_linear[a[i]]
                d = to_linear[b[i]] - ea
                q = to_linear[p[i]] - ea
            else:
                ea = np.float32(a[i]) * np.float32(1 / 255)
                d = np.float32(b[i]) * np.float32(1 / 255) - ea
                q = np.float32(p[i]) * np.float32(1 / 255) - ea
            dot += d * q
            length += d * d
            own += q * q
        if length < np.float32(1e-6):
            continue
        t = dot / length
        if t < np.float32(-OVERSHOOT) or t > np.float32(1.0 + OVERSHOOT):
            continue
        distance = np.sqrt(max(own - t * dot, np.float32(0.0)))
        if distance < best:
            best = distance
            along = t
    return best, along


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _own_width(labels, y, x, dy, dx, reach):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Width along (dy, dx) of the part that (y, x) belongs to, counted up to `reach`."""
    height, width = labels.shape
    label = labels[y, x]
    count = 1
    for direction in (-1, 1):
        yy, xx = y + direction * dy, x + direction * dx
        while count < reach and 0 <= yy < height and 0 <= xx < width and labels[yy, xx] == label:
            count += 1
            yy += direction * dy
            xx += direction * dx
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _end(labels, y, x, dy, dx, reach, stable):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Steps from (y, x) along (dy, dx) to where a part at least `stable` wide begins, and steps to its `reach`th pixel.

    (0, 0) where the picture's edge comes first, or no such part begins within `reach` steps.
    """
    height, width = labels.shape
    begin, run = 1, 0
    label = np.int64(-1)
    for n in range(1, 2 * reach + 1):
        yy, xx = y + n * dy, x + n * dx
        if yy < 0 or yy >= height or xx < 0 or xx >= width:
            # The edge of the picture ends a part that has begun: as far as one can see, it is wide.
            return (begin, n - 1) if run > 0 and label != labels[y, x] else (0, 0)
        if labels[yy, xx] == label:
            run += 1
        else:
            if run >= stable:
                return begin, n - 1
            label = labels[yy, xx]
            begin, run = n, 1
            if n > reach:
                return 0, 0
        if run >= reach:
            return begin, n
    return (begin, begin + run - 1) if run >= stable else (0, 0)


@njit(cache=True, nogil=True, error_model="numpy")
def _dissolve(labels, srgb, to_linear, reach, stable, step, allowed, use_allowed, frozen, use_frozen, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    height, width = labels.shape
    edge = np.ones(width, dtype=np.uint8)
    for y in range(first, last):
        if step == 1:
            # Only pixels at a border can be rim pixels or the sides of a rim; wider rims are eaten from both sides.
            here, above, below = labels[y], labels[max(y - 1, 0)], labels[min(y + 1, height - 1)]
            for x in range(width):
                edge[x] = (here[x] ^ above[x]) | (here[x] ^ below[x])
            for x in range(1, width):
                edge[x] |= here[x] ^ here[x - 1]
            for x in range(width - 1):
                edge[x] |= here[x] ^ here[x + 1]
        for x in range(width):
            if edge[x] == 0:
                continue
            label = labels[y, x]
            if label == OUTSIDE or (use_frozen and frozen[y, x]):
                continue
            best = np.float32(TOLERANCE)
            choice = label
            for axis in range(2):
                dy, dx = (0, 1) if axis == 0 else (1, 0)
                if _own_width(labels, y, x, dy, dx, reach) >= reach:
                    continue
                back, far_back = _end(labels, y, x, -dy, -dx, reach, stable)
                if back == 0:
                    continue
                on, far_on = _end(labels, y, x, dy, dx, reach, stable)
                if on == 0 or back + on - 1 > 2 * reach - 1:
                    continue
                one, two = labels[y - back * dy, x - back * dx], labels[y + on * dy, x + on * dx]
                if one == two or OUTSIDE in (one, two):
                    continue
                # The neighbours' own colours, a few pixels farther on, where no blending reaches.
                ay, ax = y - far_back * dy, x - far_back * dx
                by, bx = y + far_on * dy, x + far_on * dx
                distance, along = _on_segment(srgb[y, x], srgb[ay, ax], srgb[by, bx], to_linear)
                if distance < best:
                    wanted = one if along < np.float32(0.5) else two
                    other = two if along < np.float32(0.5) else one
                    if use_allowed and not (allowed[y, x] >> wanted) & 1:
                        wanted = other
                        if not (allowed[y, x] >> wanted) & 1:
                            continue
                    best = distance
                    choice = wanted
            if choice != label:
                out[y, x] = choice
