"""A finished job scored anew with other references, from its tuning data alone: a preview, not the score itself.

CIEDE2000 is taken between each histogram bin's mean colour and its finish; S-CIELAB between the reduced artwork and the
reduced board, whose blocks mix the finishes' light by their coverage. The finish of every pixel stays as it is; which
clusters would go elsewhere is said beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, check_array
from worker.engine.colorimetry import LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR, lab_to_xyz, srgb_to_lab
from worker.engine.difference import ciede2000, ciede2000_pair, fast_squared
from worker.engine.report.statistics import Statistics, Tally
from worker.engine.report.tuning_data import TuningData
from worker.engine.vision import SeenPicture, pixels_per_degree, see, seen_difference

_F = np.float32
BIN_WIDTH = 1.0 / 128.0
BINS = 160 * 128
WHOLE = 0.98
"""Shares of a block are rounded: from this sum on, all of it is board."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bench:
    """A job's tuning data with all that does not depend on references, ready for one preview after the other.

    colour_lab : float64 (m, 3). artwork_xyz : float32 (3, h, w). artwork : the same as the eye sees it.
    share : float32 (n, h, w), of each block that each finish covers. pixels : int32, the same in pixels.
    outside : float32 (h, w), the rest of it.
    """

    data: TuningData
    colour_lab: Floats
    artwork_xyz: Float32s
    artwork: SeenPicture
    share: Float32s
    pixels: npt.NDArray[np.int32]
    outside: Float32s


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rescored:
    """A job's scores under one set of references, as previews.

    by_finish : mean CIEDE2000 and mean S-CIELAB of each finish, None where it is unused.
    """

    ciede2000: Statistics
    s_cielab: Statistics
    by_finish: tuple[tuple[float, float] | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """A cluster that would go to another finish; finishes by index, `margin` the CIEDE2000 by which it is nearer."""

    cluster: int
    lab: tuple[float, float, float]
    share: float
    before: int
    after: int
    margin: float


def prepare(data: TuningData, *, threads: int = 1) -> Bench:
    """Everything of a preview that the references don't touch: done once for each job."""
    linear = np.moveaxis(SRGB_TO_LINEAR[data.artwork_srgb], 2, 0).reshape(3, -1)
    shape = (3, *data.artwork_srgb.shape[:2])
    xyz = np.ascontiguousarray((LINEAR_RGB_TO_XYZ.astype(np.float32) @ linear).reshape(shape))
    share = np.square(data.share_root.astype(np.float32) * np.float32(1.0 / 255.0))
    inside = share.sum(axis=0)
    whole = inside > WHOLE
    share /= np.where(whole, inside, 1.0)
    return Bench(
        data=data,
        colour_lab=srgb_to_lab(data.colour_srgb / 256.0),
        artwork_xyz=xyz,
        artwork=_seen(data, xyz, threads),
        share=share,
        pixels=np.rint(share * np.float32(data.step**2)).astype(np.int32),
        outside=np.where(whole, 0.0, 1.0 - inside).astype(np.float32),
    )


def _seen(data: TuningData, xyz: Float32s, threads: int) -> SeenPicture:
    ppd = pixels_per_degree(data.viewing_distance_mm, data.pitch_um) / data.step
    return see(xyz, working_ppd=ppd, step=data.step, threads=threads)


def rescore(bench: Bench, lab: Floats, *, threads: int = 1) -> Rescored:
    """Score a job under other references.

    Parameters
    ----------
    lab : float64 (n, 3)
        CIELAB D65/2 degree of each finish, in the job's order.
    """
    data = bench.data
    check_array("lab", lab, dtype=np.float64, shape=(len(data.finish_ids), 3))
    plain = _tally(_count_colours, len(lab), bench.colour_lab, data.colour_finish, data.colour_px, lab)
    seen = _tally(_count_blocks, len(lab), _seen_differences(bench, lab, threads), bench.pixels)
    return Rescored(
        ciede2000=plain.of_all(),
        s_cielab=seen.of_all(),
        by_finish=tuple(_means(plain, seen, i) for i in range(len(lab))),
    )


def reassigned(bench: Bench, lab: Floats) -> tuple[Moved, ...]:
    """The clusters that would go to another finish under these references; pinned ones stay where they are."""
    data = bench.data
    if not len(data.cluster_ids):
        return ()
    distances = np.stack([ciede2000(data.cluster_lab, lab[i]) for i in data.active], axis=1)
    nearest = data.active[distances.argmin(axis=1)]
    moved = []
    for i in np.flatnonzero((nearest != data.cluster_finish) & ~data.cluster_pinned):
        before = int(data.cluster_finish[i])
        lightness, a_star, b_star = data.cluster_lab[i].tolist()
        moved.append(
            Moved(
                cluster=int(data.cluster_ids[i]),
                lab=(lightness, a_star, b_star),
                share=float(data.cluster_share[i]),
                before=before,
                after=int(nearest[i]),
                margin=float(ciede2000(data.cluster_lab[i], lab[before]) - distances[i].min()),
            )
        )
    return tuple(moved)


def rescore_reassigned(bench: Bench, lab: Floats, moved: tuple[Moved, ...]) -> Statistics:
    """CIEDE2000 of the histogram once these clusters went where they would: rims and specks stay as they are."""
    data = bench.data
    finish = data.colour_finish.copy()
    for one in moved:
        finish[(data.colour_cluster == one.cluster) & (data.colour_finish == one.before)] = one.after
    return _tally(_count_colours, len(lab), bench.colour_lab, finish, data.colour_px, lab).of_all()


def _seen_differences(bench: Bench, lab: Floats, threads: int) -> Float32s:
    """S-CIELAB of each block, float32 (h, w). What is off the board shows the artwork, as in the score itself."""
    light = lab_to_xyz(lab).T.astype(np.float32)
    n = len(lab)
    board = (light @ bench.share.reshape(n, -1)).reshape(bench.artwork_xyz.shape)
    board += bench.outside * bench.artwork_xyz
    return seen_difference(bench.artwork, _seen(bench.data, board, threads), threads=threads)


@njit(cache=True, nogil=True, error_model="numpy")
def _count(value, group, pixels, counts, totals, lowest, highest):  # type: ignore[no-untyped-def]  # pragma: no cover
    counts[group, min(np.int64(value * _F(1.0 / BIN_WIDTH)), BINS - 1)] += pixels
    totals[group] += pixels * np.float64(value)
    lowest[group] = min(lowest[group], value)
    highest[group] = max(highest[group], value)


@njit(cache=True, nogil=True, error_model="numpy")
def _count_colours(  # type: ignore[no-untyped-def]
    colour, finish, pixels, lab, counts, totals, lowest, highest
):  # pragma: no cover - compiled
    """CIEDE2000 of every bin's colour to its finish, as the score itself takes it."""
    for i in range(finish.shape[0]):
        j = np.int64(finish[i])
        l_1, a_1, b_1 = _F(colour[i, 0]), _F(colour[i, 1]), _F(colour[i, 2])
        l_2, a_2, b_2 = _F(lab[j, 0]), _F(lab[j, 1]), _F(lab[j, 2])
        square = fast_squared(
            l_1, a_1, b_1, np.sqrt(a_1 * a_1 + b_1 * b_1), l_2, a_2, b_2, np.sqrt(a_2 * a_2 + b_2 * b_2)
        )
        value = np.sqrt(max(square, _F(0.0)))
        if square < _F(0.0):
            value = _F(ciede2000_pair(colour[i, 0], colour[i, 1], colour[i, 2], lab[j, 0], lab[j, 1], lab[j, 2]))
        _count(value, j, np.int64(pixels[i]), counts, totals, lowest, highest)


@njit(cache=True, nogil=True, error_model="numpy")
def _count_blocks(  # type: ignore[no-untyped-def]
    errors, pixels, counts, totals, lowest, highest
):  # pragma: no cover - compiled
    """Each block's difference, once for every pixel of each finish in it."""
    for j in range(pixels.shape[0]):
        for y in range(errors.shape[0]):
            for x in range(errors.shape[1]):
                if pixels[j, y, x] > 0:
                    _count(errors[y, x], j, np.int64(pixels[j, y, x]), counts, totals, lowest, highest)


def _tally(count: Callable[..., None], finishes: int, *arguments: npt.NDArray[Any]) -> Tally:
    tally = Tally(
        counts=np.zeros((finishes, BINS), dtype=np.int64),
        totals=np.zeros(finishes),
        lowest=np.full(finishes, np.inf),
        highest=np.zeros(finishes),
        bin_width=BIN_WIDTH,
    )
    count(*arguments, tally.counts, tally.totals, tally.lowest, tally.highest)
    return tally


def _means(plain: Tally, seen: Tally, i: int) -> tuple[float, float] | None:
    here, there = plain.of_group(i), seen.of_group(i)
    return None if here is None or there is None else (here.mean, there.mean)
