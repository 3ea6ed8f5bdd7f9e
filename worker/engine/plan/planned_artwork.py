"""An artwork made ready for many fabs: everything about it that no fab changes, worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Float32s, Floats, Labels, Srgb, read_only
from worker.engine.artwork.grid import place_on_grid, size_of
from worker.engine.artwork.ground import lay_on_ground
from worker.engine.artwork.mean_blocks import mean_blocks
from worker.engine.artwork.picture import Artwork, GridPicture, WantedSize
from worker.engine.artwork.resample import resample
from worker.engine.colorimetry import linear_rgb_to_xyz
from worker.engine.palette.clustering import cluster_bins, cluster_labs
from worker.engine.palette.histogram import BINS, histogram_of
from worker.engine.separation.rims import dissolve_rims
from worker.engine.threads import row_strips, run_all, shared_strips
from worker.engine.vision import SeenPicture, pixels_per_degree, see
from worker.job_settings import Settings

MOST_PIXELS = 4_000_000
"""A plan looks at no more: at 60 mm that is 30 um a pixel, a fifth of the smallest line of most fabs."""
SEEN_PER_DEGREE = 40.0
"""Blocks per degree that boards are looked at in: the eye's filters pass 4 % of what is finer."""
FLAT_COLOURS = 40
"""Colours that flat art is taken apart into; what anti-aliasing adds dissolves into them."""
CLEAR = np.uint16(0xFFFF)
_SAMPLE = 1000
_STRIP = 32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedArtwork:
    """An artwork on its grid.

    codes : uint16 (H, W), which of its colours each pixel has; CLEAR where it is transparent. lab : float64 (m, 3),
    those colours; shares : float64 (m,), of all pixels that have one. blocks : float32 (3, h, w), mean XYZ of blocks
    of `step` pixels. seen : the same as the eye passes it. sample : int64 (k,), some of the blocks, in no order.
    clear : share of pixels that are transparent. cells : those that `cells_of` made, which one thread does at a time.
    """

    picture: GridPicture
    srgb: Srgb
    codes: npt.NDArray[np.uint16]
    lab: Floats
    shares: Floats
    blocks: Float32s
    seen: SeenPicture
    sample: npt.NDArray[np.int64]
    step: int
    per_degree: float
    clear: float
    cells: dict[tuple[int, int], Srgb]
    making: Lock

    def cells_of(self, cell_um: float, *, threads: int = 1) -> Srgb:
        """The artwork in cells of about this size, uint8 (h, w, 3); each size is made once."""
        height, width = self.srgb.shape[:2]
        rows = max(1, round(height * self.picture.pitch_um / cell_um))
        columns = max(1, round(width * self.picture.pitch_um / cell_um))
        with self.making:
            if (rows, columns) not in self.cells:
                self.cells[rows, columns], _ = resample(
                    self.srgb, None, height_px=rows, width_px=columns, keep_edges=True, threads=threads
                )
            return self.cells[rows, columns]


def grid_for(artwork: Artwork, settings: Settings, smallest_um: float, *, threads: int) -> GridPicture:
    """The artwork on a grid of no more than MOST_PIXELS, nor finer than its own pixels.

    Raises
    ------
    SettingsError
        No size is known, or it makes no sense.
    """
    wanted = WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=settings.pitch_um)
    grid = size_of(artwork, wanted)
    width_um, height_um = grid.width_px * settings.pitch_um, grid.height_px * settings.pitch_um
    coarsest = (width_um * height_um / MOST_PIXELS) ** 0.5
    own = width_um / artwork.srgb.shape[1] if artwork.format != "SVG" else coarsest
    pitch_um = max(settings.pitch_um, coarsest, own)
    size = WantedSize(width_mm=width_um / 1000.0, height_mm=height_um / 1000.0, pitch_um=pitch_um)
    return place_on_grid(artwork, size, smallest_feature_um=smallest_um, threads=threads)


def planned(picture: GridPicture, ground: Srgb, *, viewing_distance_mm: float, threads: int = 1) -> PlannedArtwork:
    """Make an artwork ready. `ground` : uint8 (3,), encoded sRGB, what lies below where it is transparent."""
    srgb, clear = lay_on_ground(picture.srgb, picture.alpha, ground)
    codes, lab, shares = _colours(picture, srgb, clear, threads)
    full = pixels_per_degree(viewing_distance_mm, picture.pitch_um)
    step = max(1, int(full / SEEN_PER_DEGREE))
    blocks = _averaged(srgb, step, threads)
    return PlannedArtwork(
        picture=picture,
        srgb=srgb,
        codes=codes,
        lab=lab,
        shares=shares,
        blocks=blocks,
        seen=see(blocks, working_ppd=full / step, step=step, threads=threads),
        sample=np.random.default_rng(0).permutation(blocks[0].size)[:_SAMPLE],
        step=step,
        per_degree=full,
        clear=0.0 if clear is None else float(clear.mean()),
        cells={},
        making=Lock(),
    )


def _colours(
    picture: GridPicture, srgb: Srgb, clear: npt.NDArray[np.bool_] | None, threads: int
) -> tuple[npt.NDArray[np.uint16], Floats, Floats]:
    """Which colour each pixel has, the colours, and their shares: bins of a histogram, or flat art's few colours."""
    groups = None if clear is None else clear.view(np.uint8)
    histogram = histogram_of(srgb, groups=groups, group=0, threads=threads)
    number = np.zeros(BINS, dtype=np.uint16)
    number[histogram.bins] = np.arange(len(histogram.bins), dtype=np.uint16)
    lab, counts = histogram.lab, histogram.counts
    if picture.flat and len(histogram.bins) > 1:
        found = cluster_bins(histogram, FLAT_COLOURS)
        number[histogram.bins] = found.astype(np.uint16)
        lab = cluster_labs(histogram, found)
    codes = np.empty(srgb.shape[:2], dtype=np.uint16)
    source, away = read_only(srgb), np.zeros((1, 1), dtype=np.bool_) if clear is None else clear
    run_all(
        lambda a, b: _number_pixels(source, number, away, clear is not None, a, b, codes),
        row_strips(len(codes), _STRIP),
        threads,
    )
    if picture.flat and len(histogram.bins) > 1:
        labels: Labels = np.minimum(codes, 255).astype(np.uint8)
        labels = dissolve_rims(
            labels,
            srgb,
            source_px_per_px=picture.source_px_per_px,
            repeated=True,
            frozen=clear,
            threads=threads,
        )
        codes = np.where(codes == CLEAR, CLEAR, labels.astype(np.uint16))
        counts = np.bincount(labels.ravel(), minlength=256)[: len(lab)].astype(np.int64)
    return codes, lab, counts / max(1, int(counts.sum()))


@njit(cache=True, nogil=True, error_model="numpy")
def _number_pixels(srgb, number, clear, use_clear, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for y in range(first, last):
        for x in range(srgb.shape[1]):
            if use_clear and clear[y, x]:
                out[y, x] = CLEAR
                continue
            red, green, blue = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
            out[y, x] = number[((red >> 3) << 10) | ((green >> 3) << 5) | (blue >> 3)]


def _averaged(srgb: Srgb, step: int, threads: int) -> Float32s:
    """Mean XYZ of blocks, float32 (3, h, w)."""
    xyz = linear_rgb_to_xyz(mean_blocks(srgb, step, threads=threads))
    return np.ascontiguousarray(np.moveaxis(xyz, -1, 0), dtype=np.float32)


def block_shares(
    labels: Labels, count: int, step: int, *, shape: tuple[int, int] | None = None, threads: int = 1
) -> Float32s:
    """How much of each block of `step` pixels each label covers: float32 (count, h, w).

    shape : of the grid, where the labels are those of cells that are larger than its pixels.
    """
    rows, columns = labels.shape if shape is None else shape
    height, width = -(-rows // step), -(-columns // step)
    out = np.empty((count, height, width), dtype=np.float32)
    source = read_only(labels)
    # Unsigned, so that no place could count from the end, which a loop would ask of each.
    y = (np.arange(rows) * labels.shape[0] // rows).astype(np.uint64)
    x = (np.arange(columns) * labels.shape[1] // columns).astype(np.uint64)
    bits = (step * step).bit_length()
    for first in range(0, count, 64 // bits):
        ones = np.zeros(256, dtype=np.uint64)
        last = min(first + 64 // bits, count)
        ones[first:last] = np.uint64(1) << np.arange(0, bits * (last - first), bits).astype(np.uint64)
        planes = out[first:last]
        run_all(
            lambda a, b, ones=ones, planes=planes: _count_rows(source, y, x, step, ones, bits, a, b, planes),
            shared_strips(height, threads),
            threads,
        )
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _count_rows(labels, row_of, column_of, step, ones, bits, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """All labels are counted at once, each in its own `bits` of a word, where `ones` has its one."""
    count, _, columns = out.shape
    lowest = np.uint64((1 << bits) - 1)
    counts = np.empty(columns, dtype=np.uint64)
    for row in range(first, last):
        top, end = row * step, min((row + 1) * step, row_of.shape[0])
        counts[:] = 0
        for y in range(top, end):
            line, k, left, found = labels[row_of[y]], 0, step, np.uint64(0)
            for x in range(column_of.shape[0]):
                found += ones[line[column_of[x]]]
                left -= 1
                if left == 0:
                    counts[k] += found
                    k, left, found = k + 1, step, np.uint64(0)
            if left < step:
                counts[k] += found
        for k in range(columns):
            pixels = np.float32((end - top) * (min((k + 1) * step, column_of.shape[0]) - k * step))
            for i in range(count):
                out[i, row, k] = np.float32((counts[k] >> np.uint64(i * bits)) & lowest) / pixels
