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

_LOOKED_UP = 4
"""Up to this reach, whose double is the bits of a byte, how pixels go on is looked up in a table."""

_MANY = 16
"""Of so many pixels of a row, one at least is at a border where the whole row is looked up."""


def dissolve_rims(
    labels: Labels,
    srgb: Srgb,
    *,
    source_px_per_px: float,
    repeated: bool = False,
    allowed: npt.NDArray[np.uint32] | None = None,
    frozen: npt.NDArray[np.bool_] | None = None,
    in_place: bool = False,
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
    in_place : bool
        Whether `labels` may be written over.
    """
    if repeated and source_px_per_px < _WORTH_THINNING:
        return _dissolve_repeated(labels, srgb, source_px_per_px, allowed, frozen, in_place, threads)
    grid = np.arange(labels.shape[0]), np.arange(labels.shape[1])
    return _dissolved(labels, srgb, grid, source_px_per_px, allowed, frozen, threads)


Grid = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]
"""Rows and columns of a picture that others than its own pixels are taken from."""


def _dissolved(
    labels: Labels,
    srgb: Srgb,
    grid: Grid,
    source_px_per_px: float,
    allowed: npt.NDArray[np.uint32] | None,
    frozen: npt.NDArray[np.bool_] | None,
    threads: int,
) -> Labels:
    """`dissolve_rims` pixel by pixel; the artwork's colours lie at the rows and columns of `grid`."""
    wide = 1.0 if source_px_per_px <= 0.0 else 1.0 / source_px_per_px
    reach = min(max(3, math.ceil(3.0 * wide)), _MOST_REACH)
    step = max(1, round(wide))
    linear, srgb = SRGB_TO_LINEAR, read_only(srgb)
    limits = np.zeros((1, 1), dtype=np.uint32) if allowed is None else allowed
    fixed = np.zeros((1, 1), dtype=np.bool_) if frozen is None else frozen
    strips = row_strips(labels.shape[0], 64)
    given = limits, allowed is not None, fixed, frozen is not None
    before, spare = read_only(labels), (np.empty_like(labels), np.empty_like(labels))
    # First between wide parts, so that several thin parts side by side dissolve at once; then between thinner ones.
    for turn, stable in enumerate((reach, max(1, 2 * reach // 3), 1)):
        out = spare[turn % 2]
        ends = _all_ends(reach, stable) if reach <= _LOOKED_UP else np.zeros(0, dtype=np.int64)

        def work(
            first: int,
            last: int,
            before: Labels = before,
            out: Labels = out,
            stable: int = stable,
            ends: npt.NDArray[np.int64] = ends,
        ) -> None:
            out[first:last] = before[first:last]
            _dissolve(before, srgb, *grid, linear, reach, stable, step, *given, ends, first, last, out)

        run_all(work, strips, threads)
        before = read_only(out)
    return out


def _dissolve_repeated(
    labels: Labels,
    srgb: Srgb,
    source_px_per_px: float,
    allowed: npt.NDArray[np.uint32] | None,
    frozen: npt.NDArray[np.bool_] | None,
    in_place: bool,
    threads: int,
) -> Labels:
    """Dissolve on one grid pixel for each artwork pixel, the middle one of its repeats, then repeat the outcome."""

    def middles(length: int) -> npt.NDArray[np.int64]:
        count = max(1, round(length * source_px_per_px))
        return np.minimum(((np.arange(count) + 0.5) * length / count).astype(np.int64), length - 1)

    rows, columns = middles(labels.shape[0]), middles(labels.shape[1])
    whole, before = read_only(labels), np.empty((len(rows), len(columns)), dtype=np.uint8)
    run_all(lambda a, b: _take(whole, rows[a:b], columns, before[a:b]), row_strips(len(rows), 256), threads)
    grid = np.ix_(rows, columns)
    after = _dissolved(
        before,
        srgb,
        (rows, columns),
        1.0,
        None if allowed is None else allowed[grid],
        None if frozen is None else frozen[grid],
        threads,
    )
    back_y = np.minimum(np.arange(labels.shape[0]) * len(rows) // labels.shape[0], len(rows) - 1)
    back_x = np.minimum(np.arange(labels.shape[1]) * len(columns) // labels.shape[1], len(columns) - 1)
    begins = np.searchsorted(back_x, np.arange(len(columns) + 1))
    out = labels if in_place else np.empty_like(labels)
    choice = np.zeros((1, 1), np.uint32) if allowed is None else allowed
    kept = np.zeros((1, 1), np.bool_) if frozen is None else frozen
    given = allowed is not None, frozen is not None

    def repeat(first: int, last: int) -> None:
        if not in_place:
            out[first:last] = labels[first:last]
        _repeat(before, after, back_y, begins, choice, kept, *given, first, last, out)

    run_all(repeat, row_strips(labels.shape[0], 256), threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _take(labels, rows, columns, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for i in range(out.shape[0]):
        row = labels[rows[i]]
        for k in range(out.shape[1]):
            out[i, k] = row[columns[k]]


@njit(cache=True, nogil=True, error_model="numpy")
def _repeat(  # type: ignore[no-untyped-def]
    before, after, back_y, begins, allowed, frozen, limited, freezes, first, last, out
):  # pragma: no cover - compiled
    """Give pixels what became of those that they repeat. `begins` : the first pixel of each, in a row."""
    for y in range(first, last):
        was, now, to = before[back_y[y]], after[back_y[y]], out[y]
        for k in range(was.shape[0]):
            if was[k] == now[k]:
                continue
            for x in range(begins[k], begins[k + 1]):
                # A pixel beside the seam of two repeats may belong to the other one: it only changes with its own kind.
                if to[x] != was[k]:
                    continue
                if limited and (allowed[y, x] >> np.uint32(now[k])) & np.uint32(1) == np.uint32(0):
                    continue
                if freezes and frozen[y, x]:
                    continue
                to[x] = now[k]


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
def _own_width(flat, place, step, before, after, reach):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Width along `step` of the part that a pixel belongs to, counted up to `reach`.

    flat : the labels in one line. place, step : uint64, without a sign, since signed ones are looked at for places
    from the end. before, after : how many pixels there are to both sides.
    """
    label = flat[place]
    count = np.int64(1)
    at = place
    for _ in range(min(before, reach - 1)):
        at -= step
        if flat[at] != label:
            break
        count += 1
    at = place
    for _ in range(min(after, reach - count)):
        at += step
        if flat[at] != label:
            break
        count += 1
    return count


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _end(flat, place, step, room, reach, stable):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Steps from a pixel to where a part at least `stable` wide begins, and steps to its `reach`th pixel.

    room : how many pixels there are that way. (0, 0) where the picture's edge comes first, or no such part begins
    within `reach` steps.
    """
    own = np.int64(flat[place])
    begin, run = 1, 0
    label = np.int64(-1)
    found, far = 0, 0
    open_end = True
    for n in range(1, 2 * reach + 1):
        if n > room:
            # The edge of the picture ends a part that has begun: as far as one can see, it is wide.
            if run > 0 and label != own:
                found, far = begin, n - 1
            open_end = False
            break
        place += step
        here = np.int64(flat[place])
        if here == label:
            run += 1
        else:
            if run >= stable:
                found, far = begin, n - 1
                open_end = False
                break
            label = here
            begin, run = n, 1
            if n > reach:
                open_end = False
                break
        if run >= reach:
            found, far = begin, n
            open_end = False
            break
    if open_end and run >= stable:
        found, far = begin, begin + run - 1
    return found, far


@njit(cache=True, nogil=True, error_model="numpy")
def _all_ends(reach, stable):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """What `_end` gives for every way that 2 `reach` pixels can go on from another, int64 (4^reach,).

    Of a place's bits, counted from the lowest, the kth says whether pixel k + 1 has the finish of pixel k. Of what it
    gives, the low byte is where the part begins, the next its `reach`th pixel, the next how many pixels have the
    finish of pixel 0.
    """
    out = np.zeros(1 << (2 * reach), dtype=np.int64)
    line = np.zeros(2 * reach + 1, dtype=np.uint8)
    for bits in range(out.shape[0]):
        for k in range(2 * reach):
            line[k + 1] = line[k] + (1 - ((bits >> k) & 1))
        begin, far = _end(line, np.uint64(0), np.uint64(1), 2 * reach, reach, stable)
        same = 0
        while same < 2 * reach and (bits >> same) & 1:
            same += 1
        out[bits] = begin | (far << 8) | (same << 16)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _go_on(labels, y, count, to_left, to_right, up, down):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """How `count` pixels to all sides of a row's go on, as `_all_ends` has it: uint8 (width,) each.

    All pixels of the row at once, since noise can't be guessed. Not for those with fewer than `count` beside them.
    """
    width = labels.shape[1]
    here = labels[y]
    to_left[:], to_right[:], up[:], down[:] = 0, 0, 0, 0
    for k in range(count):
        bit, none = np.uint8(1 << k), np.uint8(0)
        right, left = here[k:], here[k + 1 :]
        for x in range(width - k - 1):
            to_right[x] |= bit if right[x] == left[x] else none
        before = to_left[k + 1 :]
        one, two = here[1:], here
        for x in range(width - k - 1):
            before[x] |= bit if one[x] == two[x] else none
        one, two = labels[y - k], labels[y - k - 1]
        for x in range(width):
            up[x] |= bit if one[x] == two[x] else none
        one, two = labels[y + k], labels[y + k + 1]
        for x in range(width):
            down[x] |= bit if one[x] == two[x] else none


@njit(cache=True, nogil=True, error_model="numpy")
def _dissolve(  # type: ignore[no-untyped-def]
    labels,
    srgb,
    rows,
    columns,
    to_linear,
    reach,
    stable,
    step,
    allowed,
    use_allowed,
    frozen,
    use_frozen,
    ends,
    first,
    last,
    out,
):  # pragma: no cover - compiled
    """`rows` and `columns` : where the colours of each pixel lie in `srgb`."""
    height, width = labels.shape
    flat = labels.reshape(height * width)
    edge = np.ones(width, dtype=np.uint8)
    one_right, one_down = np.uint64(1), np.uint64(width)
    ahead = 2 * reach if ends.shape[0] > 0 else max(height, width)
    to_left, to_right = np.empty(width, dtype=np.uint8), np.empty(width, dtype=np.uint8)
    up, down = np.empty(width, dtype=np.uint8), np.empty(width, dtype=np.uint8)
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
        # Worth it for a whole row where there is much to look up.
        looked_up = min(y, height - 1 - y) >= ahead and _MANY * np.count_nonzero(edge) > width
        if looked_up:
            _go_on(labels, y, ahead, to_left, to_right, up, down)
        for x in range(width):
            if edge[x] == 0:
                continue
            place = np.uint64(y * width + x)
            label = flat[place]
            if label == OUTSIDE or (use_frozen and frozen[y, x]):
                continue
            best = np.float32(TOLERANCE)
            choice = label
            for axis in range(2):
                along_it = one_right if axis == 0 else one_down
                before, after = (x, width - 1 - x) if axis == 0 else (y, height - 1 - y)
                if looked_up and min(x, width - 1 - x) >= ahead:
                    one_side, other_side = (
                        (ends[to_left[x]], ends[to_right[x]]) if axis == 0 else (ends[up[x]], ends[down[x]])
                    )
                    if 1 + (one_side >> 16) + (other_side >> 16) >= reach:
                        continue
                    back, far_back = one_side & 255, (one_side >> 8) & 255
                    on, far_on = other_side & 255, (other_side >> 8) & 255
                else:
                    if _own_width(flat, place, along_it, before, after, reach) >= reach:
                        continue
                    back, far_back = _end(flat, place, np.uint64(0) - along_it, before, reach, stable)
                    on, far_on = _end(flat, place, along_it, after, reach, stable)
                if back == 0 or on == 0 or back + on - 1 > 2 * reach - 1:
                    continue
                one, two = flat[place - np.uint64(back) * along_it], flat[place + np.uint64(on) * along_it]
                if one == two or OUTSIDE in (one, two):
                    continue
                # The neighbours' own colours, a few pixels farther on, where no blending reaches.
                colour = srgb[rows[y], columns[x]]
                if axis == 0:
                    a, b = srgb[rows[y], columns[x - far_back]], srgb[rows[y], columns[x + far_on]]
                else:
                    a, b = srgb[rows[y - far_back], columns[x]], srgb[rows[y + far_on], columns[x]]
                distance, along = _on_segment(colour, a, b, to_linear)
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
