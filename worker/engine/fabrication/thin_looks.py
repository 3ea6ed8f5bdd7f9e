"""What a thin part may be shown as: another finish of less contrast, as wide as the limit.

Blurred by the eye, a white hairline and a wider line of copper look alike. So where a part is too thin to be made, and
neither growing nor going is near to how it looks, the finish that is nearest takes its place and grows to the limit.
Only parts that stand by themselves, or nearly so, change: a short tail of another finish would look patched.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from worker.engine.colorimetry import lab_to_xyz, xyz_to_lab
from worker.engine.difference import ciede2000
from worker.engine.fabrication.bit_morphology import Bits, Region
from worker.engine.fabrication.bit_parts import areas_and_boxes, chosen_parts, connected_parts, rims_and_neighbours
from worker.engine.fabrication.partition import FinishRule, Partition
from worker.engine.fabrication.sparse_bits import add, common

EYE_MM = 0.14
"""Standard deviation of the blur that an eye at arm's length makes."""

_CLEARLY = 0.8
"""Another finish takes a part's place where it is off by less than this share of the better of growing and going."""

_ALONE = 0.1
"""Largest share of a thin part's edge that may lie beside more of its own finish."""

_SAMPLES = 9


def least_widths(board: Partition) -> npt.NDArray[np.float64]:
    """float64 (n, n): how wide in pixels a line of a finish on a ground of another must be."""
    out = np.zeros((board.count, board.count))
    for rule in board.rules:
        for one in rule.part:
            for ground in rule.rest:
                out[one, ground] = max(out[one, ground], rule.diameter_px)
    return out


def rings(board: Partition) -> npt.NDArray[np.intp]:
    """int (n, n): the finish of the ring that a line of a finish needs on a ground of another; -1 where it needs none,
    -2 where the profile has none for it."""
    out = np.full((board.count, board.count), -1)
    for one, ground in [(i, j) for i in board.open for j in board.legend] + [
        (i, j) for i in board.legend for j in board.open
    ]:
        out[one, ground] = board.nearest_plain(ground) if board.plain else -2
    return out


def looks_of_lines(
    lab: npt.NDArray[np.float64],
    widths_px: npt.NDArray[np.float64],
    ring: npt.NDArray[np.intp],
    *,
    ring_px: int,
    pitch_um: float,
    largest_px: int,
) -> npt.NDArray[np.intp]:
    """What a line too thin is best shown as.

    Parameters
    ----------
    lab : float64 (n, 3), CIELAB of the finishes.
    widths_px, ring : (n, n), as of `least_widths` and `rings`. ring_px : how wide a ring is.

    Returns
    -------
    int (n, n, largest_px + 1): for each finish, ground and width in pixels the finish to show it by; the finish itself
    where no other is clearly nearer than growing or going. Lines are compared in linear light, after the eye's blur, by
    the mean CIEDE2000 across them.
    """
    xyz, count = lab_to_xyz(lab), len(lab)
    sigma = EYE_MM * 1000.0 / pitch_um * np.sqrt(2.0)
    across = np.linspace(0.0, 1.75 * sigma, _SAMPLES)
    width = np.arange(1, largest_px + 1)[None, None, :]
    finish, ground = np.arange(count)[:, None, None], np.arange(count)[None, :, None]

    def share(width_px: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """How much of what is seen at each place is a line of this width: (..., samples, 1)."""
        half = width_px[..., None, None] / 2.0
        place = across[:, None]
        return np.asarray(0.5 * (erf((place + half) / sigma) - erf((place - half) / sigma)))

    def seen(beside: npt.NDArray[np.intp], width_px: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Lines of every finish on every ground, with `beside` next to them: CIELAB, (n, n, widths, samples, 3)."""
        base, next_to = xyz[ground][..., None, :], xyz[beside][..., None, :]
        around = base + share(width_px + 2.0 * ring_px) * (next_to - base)
        return np.asarray(xyz_to_lab(around + share(width_px) * (xyz[finish][..., None, :] - next_to)))

    wanted = seen(ground, np.broadcast_to(width, (count, count, largest_px)).astype(np.float64))
    beside = np.where(ring < 0, np.arange(count)[None], ring)[..., None]
    shown = seen(beside, np.maximum(widths_px[..., None], width))
    # Each wanted line beside all that its ground may show: (finish, other, ground, widths).
    off = ciede2000(wanted[:, None], shown[None]).mean(axis=-1)
    off[np.broadcast_to((ring < -1)[None, ..., None], off.shape)] = np.inf
    best = off.argmin(axis=1)
    same = np.broadcast_to(finish, best.shape)
    growing = np.take_along_axis(off, same[:, None], axis=1)[:, 0]
    going = np.take_along_axis(off, np.broadcast_to(ground, best.shape)[:, None], axis=1)[:, 0]
    least = np.minimum(growing, going)
    other = (best != finish) & (best != ground) & (off.min(axis=1) < _CLEARLY * least)
    out = np.where(other, best, same)
    return np.concatenate([same[..., :1], out], axis=-1)


def looks_on(board: Partition) -> npt.NDArray[np.intp]:
    """`looks_of_lines` for a board's finishes and limits."""
    return looks_of_lines(
        board.lab,
        least_widths(board),
        rings(board),
        ring_px=board.clearance_px,
        pitch_um=board.pitch_um,
        largest_px=max(rule.diameter_px for rule in board.rules),
    )


def change_looks(
    board: Partition, rule: FinishRule, thin: Bits, region: Region, looks: npt.NDArray[np.intp], changed: Bits
) -> None:
    """Show a rule's thin parts that stand by themselves by the finish that looks most like them.

    region : where `thin` lies. changed : what was changed is added, in place.
    """
    threads = board.threads
    for finish in rule.part:
        if (looks[finish] == finish).all():
            continue
        pixels = common(thin, board.planes[finish], region)
        parts = connected_parts(pixels, corners=True, threads=threads)
        if parts.count == 0:
            continue
        rims, beside = rims_and_neighbours(pixels, board.planes, parts, region)
        areas, _ = areas_and_boxes(parts, board.frame)
        widths = np.clip(np.rint(2.0 * areas / np.maximum(rims, 1)).astype(int), 1, looks.shape[2] - 1)
        alone = beside[finish] <= _ALONE * rims
        beside[finish] = 0
        look = looks[finish, beside.argmax(axis=0), widths]
        for other in range(board.count):
            chosen = alone & (look == other)
            if other != finish and chosen.any():
                where = chosen_parts(parts, chosen, pixels.shape, threads=threads)
                board.move(where, other)
                add(changed, where, region)
