"""What is kept of a finished job so that it can be scored anew with other references: tuning.npz.

Three things, small whatever the size of the board: the artwork's colours with the finish that each got; artwork and
board reduced to REDUCED_PX pixels at most; the clusters. No reference stands in the first two, so any may be put in.
"""

from __future__ import annotations

import io
import math
import struct
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from isal import isal_zlib
from numba import njit

from worker.engine.arrays import OUTSIDE, Float32s, Floats, Labels, Srgb, read_only
from worker.engine.colorimetry import LINEAR_TO_SRGB, SRGB_TO_LINEAR
from worker.engine.palette.clusters import Cluster
from worker.engine.report.statistics import Statistics
from worker.engine.threads import row_strips, run_all
from worker.engine.vision import pixels_per_degree, working_step
from worker.errors import StorageError

PATH = "tuning.npz"
VERSION = 1
REDUCED_PX = 512
FINE_PPD = 40.0
"""Blocks per degree from which plain blocks are fine enough: they pass nothing above half of that to the eye's blur."""
HALVING: Float32s = np.array([1, 3, 3, 1], dtype=np.float32) / np.float32(8)
ROWS_OF_A_BLOCK = 2
"""At least so many rows of a block are looked at, spread over it, where it has more."""
BINS = 1 << 18
"""6 bits of each channel: the mean of a coarser bin of dark greys hides too much of what CIEDE2000 tells apart."""
COUNTED_PX = 1 << 19
"""Of a larger board about so many pixels' colours are counted, a run of them in each cell of a grid."""
RUN_PX = 16
SLOTS = 2
"""So many clusters are told apart in one bin of one finish; where there are more, the rest count with the last."""
NO_CLUSTER = 255
_F = np.float32
_TO_LIGHT = np.rint(SRGB_TO_LINEAR * 65535.0).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TuningData:
    """A finished job, ready to be scored with other references.

    finish_ids, reference_lab : the finishes, and float64 (n, 3) CIELAB D65/2 degree that the job was scored with.
    conditions : the viewing conditions. edges : threshold or dither. active : uint8, finishes that might be used.
    ciede2000, s_cielab : the job's own scores, over every pixel.

    colour_srgb : uint16 (m, 3), mean encoded sRGB of a bin's pixels, 0 to 255 * 256. colour_finish, colour_cluster :
    uint8 (m,), NO_CLUSTER where there is none. colour_px : uint32 (m,), how many pixels.

    artwork_srgb : uint8 (h, w, 3), mean light of blocks of `step` pixels, encoded. share_root : uint8 (n, h, w), 255
    times the root of each finish's share of each block. pitch_um, viewing_distance_mm : of the whole grid.

    cluster_ids : uint8 (k,). cluster_lab : float64 (k, 3). cluster_finish : uint8 (k,). cluster_share : float64 (k,).
    cluster_pinned : bool (k,).
    """

    finish_ids: tuple[str, ...]
    reference_lab: Floats
    conditions: str
    edges: str
    active: npt.NDArray[np.uint8]
    ciede2000: Statistics
    s_cielab: Statistics
    colour_srgb: npt.NDArray[np.uint16]
    colour_finish: npt.NDArray[np.uint8]
    colour_cluster: npt.NDArray[np.uint8]
    colour_px: npt.NDArray[np.uint32]
    step: int
    pitch_um: float
    viewing_distance_mm: float
    artwork_srgb: Srgb
    share_root: npt.NDArray[np.uint8]
    cluster_ids: npt.NDArray[np.uint8]
    cluster_lab: Floats
    cluster_finish: npt.NDArray[np.uint8]
    cluster_share: Floats
    cluster_pinned: npt.NDArray[np.bool_]


def tuning_data(
    srgb: Srgb,
    labels: Labels,
    cluster_of: Labels,
    *,
    finish_ids: tuple[str, ...],
    reference_lab: Floats,
    conditions: str,
    edges: str,
    active: Sequence[int],
    clusters: Sequence[Cluster],
    ciede2000: Statistics,
    s_cielab: Statistics,
    pitch_um: float,
    viewing_distance_mm: float,
    threads: int = 1,
) -> TuningData:
    """Gather what a later preview needs, in one pass over the pixels.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), encoded sRGB, the opaque artwork. labels : uint8 (H, W). cluster_of : uint8 (H, W).
    """
    step, halves = reducing_step(labels.shape, pitch_um, viewing_distance_mm)
    n = len(finish_ids)
    light, share = _reduced(srgb, labels, n, step // 2 if halves else step, threads=threads)
    if halves:
        light, share = _halved(light, threads=threads), _halved(share, threads=threads)
    encoded, roots = np.empty(light.shape, dtype=np.uint8), np.empty((n, *light.shape[:2]), dtype=np.uint8)
    _encode(light, share, LINEAR_TO_SRGB, encoded, roots)
    return TuningData(
        finish_ids=finish_ids,
        reference_lab=reference_lab,
        conditions=conditions,
        edges=edges,
        active=np.array(active, dtype=np.uint8),
        ciede2000=ciede2000,
        s_cielab=s_cielab,
        **_colours(srgb, labels, cluster_of, n, threads=threads),
        step=step,
        pitch_um=pitch_um,
        viewing_distance_mm=viewing_distance_mm,
        artwork_srgb=encoded,
        share_root=roots,
        cluster_ids=np.array([cluster.id for cluster in clusters], dtype=np.uint8),
        cluster_lab=np.array([cluster.lab for cluster in clusters], dtype=np.float64).reshape(-1, 3),
        cluster_finish=np.array([finish_ids.index(cluster.finish) for cluster in clusters], dtype=np.uint8),
        cluster_share=np.array([cluster.share for cluster in clusters], dtype=np.float64),
        cluster_pinned=np.array([cluster.pinned for cluster in clusters], dtype=np.bool_),
    )


def reducing_step(shape: tuple[int, ...], pitch_um: float, viewing_distance_mm: float) -> tuple[int, bool]:
    """Side in pixels of the blocks of the reduced picture, and whether it is made by halving one of half the blocks.

    No finer than the eye sees, REDUCED_PX blocks at most. Blocks that are coarse for the eye would show the dither's
    dots as false coarse patterns (aliasing), which halving with overlapping weights keeps down.
    """
    ppd = pixels_per_degree(viewing_distance_mm, pitch_um)
    step = max(-(-max(shape) // REDUCED_PX), working_step(ppd))
    if ppd / step >= FINE_PPD:
        return step, False
    return 2 * -(-max(shape) // (2 * REDUCED_PX)), True


@njit(cache=True, nogil=True, error_model="numpy")
def _reduce_rows(  # type: ignore[no-untyped-def]
    srgb, labels, step, every, to_light, ones, first, last, light, coverage
):  # pragma: no cover - compiled
    """Block rows first..last, from each `every`-th row of theirs: mean light, and the share of each finish."""
    height, width = labels.shape
    columns, finishes = coverage.shape[1:]
    totals = np.empty((columns, 3), dtype=np.int64)
    for row in range(first, last):
        totals[:] = 0
        covered = coverage[row]
        y_0, y_1 = row * step, min((row + 1) * step, height)
        rows = 0
        for y in range(y_0 + row % min(every, y_1 - y_0), y_1, every):
            rows += 1
            for column in range(columns):
                red = green = blue = low = high = np.int64(0)
                x_0, x_1 = column * step, min((column + 1) * step, width)
                for x in range(x_0, x_1):
                    red += to_light[srgb[y, x, 0]]
                    green += to_light[srgb[y, x, 1]]
                    blue += to_light[srgb[y, x, 2]]
                    low += ones[0, labels[y, x]]
                if finishes > 8:
                    for x in range(x_0, x_1):
                        high += ones[1, labels[y, x]]
                totals[column, 0] += red
                totals[column, 1] += green
                totals[column, 2] += blue
                # Eight counts of a byte each stand in one integer, so that no pixel waits for the one before it.
                for label in range(min(finishes, 8)):
                    covered[column, label] += _F((low >> (8 * label)) & 255)
                for label in range(8, finishes):
                    covered[column, label] += _F((high >> (8 * label - 64)) & 255)
        for column in range(columns):
            inverse = _F(1.0) / _F(rows * (min((column + 1) * step, width) - column * step))
            for i in range(3):
                light[row, column, i] = totals[column, i] * (inverse / _F(65535.0))
            for label in range(finishes):
                covered[column, label] *= inverse


@njit(cache=True, nogil=True, error_model="numpy")
def _halve(fine, planes, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Rows first..last of a picture of half the size by the weights HALVING, mirrored at its edges.

    Both have their planes side by side: (2 h, 2 w * planes) to (h, w * planes).
    """
    height, length = fine.shape
    width = length // planes
    row = np.empty(length, dtype=np.float32)
    for y in range(first, last):
        row[:] = _F(0.0)
        for i in range(4):
            source = fine[_mirrored(2 * y + i - 1, height)]
            weight = HALVING[i]
            for x in range(length):
                row[x] += weight * source[x]
        for x in range(out.shape[1] // planes):
            a, b = _mirrored(2 * x - 1, width) * planes, _mirrored(2 * x, width) * planes
            c, d = _mirrored(2 * x + 1, width) * planes, _mirrored(2 * x + 2, width) * planes
            for k in range(planes):
                middle = HALVING[1] * (row[b + k] + row[c + k])
                out[y, x * planes + k] = HALVING[0] * (row[a + k] + row[d + k]) + middle


@njit(cache=True, nogil=True, error_model="numpy")
def _encode(light, share, to_srgb, encoded, roots):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    scale = _F(len(to_srgb) - 1)
    for y in range(light.shape[0]):
        for x in range(light.shape[1]):
            for i in range(3):
                encoded[y, x, i] = to_srgb[np.int64(light[y, x, i] * scale + _F(0.5))]
            for k in range(roots.shape[0]):
                roots[k, y, x] = np.uint8(_F(255.0) * np.sqrt(share[y, x, k]) + _F(0.5))


@njit(cache=True, nogil=True, inline="always")
def _mirrored(i, length):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    i = -1 - i if i < 0 else i
    i = 2 * length - 1 - i if i >= length else i
    return max(i, 0)


@njit(cache=True, nogil=True, inline="always")
def _mixed(number):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """A number without any pattern, from one that has one: the finaliser of SplitMix64 (Steele, Lea, Flood 2014)."""
    z = np.uint64(number) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


@njit(cache=True, nogil=True, error_model="numpy")
def _count_rows(  # type: ignore[no-untyped-def]
    srgb, labels, clusters, finishes, rows, runs, first, last, sums, owners, used
):  # pragma: no cover - compiled
    """Rows first..last, one run of each cell: counts and sums of low bits by bin, finish and slot.

    A cell is `rows` rows of `runs` runs. Returns how many entries of `used` are places of `sums`.
    """
    found = 0
    width = labels.shape[1]
    across = -(-width // (RUN_PX * runs))
    for cell in range(first // rows * across, -(-last // rows) * across):
        # Picked anew in every cell, since the artwork may have a period of its own.
        picked = _mixed(cell)
        y_0, x_0 = cell // across * rows, cell % across * runs
        y = y_0 + np.int64(picked % np.uint64(min(rows, last - y_0)))
        x_0 += np.int64((picked >> np.uint64(32)) % np.uint64(min(runs, -(-width // RUN_PX) - x_0)))
        x_0 *= RUN_PX
        last_key = place = np.int64(-1)
        low_red = low_rest = np.int64(0)
        for x in range(x_0, min(x_0 + RUN_PX, width)):
            r, g, b = np.int64(srgb[y, x, 0]), np.int64(srgb[y, x, 1]), np.int64(srgb[y, x, 2])
            label, cluster = np.int64(labels[y, x]), np.int64(clusters[y, x])
            key = (r << 32) | (g << 24) | (b << 16) | (label << 8) | cluster
            if key != last_key:
                last_key = key
                place = np.int64(-1)
                if label != OUTSIDE:
                    place = ((((r >> 2) << 12) | ((g >> 2) << 6) | (b >> 2)) * finishes + label) * SLOTS
                    end = place + SLOTS - 1
                    while place < end and sums[place, 0] != 0 and owners[place] != cluster:
                        place += 1
                    if sums[place, 0] == 0:
                        owners[place] = cluster
                        used[found] = place
                        found += 1
                    low_red = 1 | ((r & 3) << 32)
                    low_rest = (g & 3) | ((b & 3) << 32)
            if place >= 0:
                sums[place, 0] += low_red
                sums[place, 1] += low_rest
    return found


def _reduced(srgb: Srgb, labels: Labels, finishes: int, step: int, *, threads: int) -> tuple[Float32s, Float32s]:
    """Mean light, float32 (h, w, 3), and share of each finish, float32 (h, w, n), of blocks of `step` pixels."""
    shape = (-(-labels.shape[0] // step), -(-labels.shape[1] // step))
    light, share = np.empty((*shape, 3), dtype=np.float32), np.zeros((*shape, finishes), dtype=np.float32)
    ones = np.zeros((2, 256), dtype=np.int64)
    for label in range(finishes):
        ones[label // 8, label] = 1 << (8 * (label % 8))
    every = max(1, step // ROWS_OF_A_BLOCK)
    srgb, labels = read_only(srgb), read_only(labels)
    run_all(
        lambda first, last: _reduce_rows(srgb, labels, step, every, _TO_LIGHT, ones, first, last, light, share),
        row_strips(shape[0], 32),
        threads,
    )
    return light, share


def _halved(fine: Float32s, *, threads: int) -> Float32s:
    height, width, planes = fine.shape
    out = np.empty((-(-height // 2), -(-width // 2), planes), dtype=np.float32)
    flat, small = fine.reshape(height, -1), out.reshape(len(out), -1)
    run_all(lambda first, last: _halve(flat, planes, first, last, small), row_strips(len(out), 64), threads)
    return out


def _colours(srgb: Srgb, labels: Labels, clusters: Labels, finishes: int, *, threads: int) -> dict[str, Any]:
    height, width = labels.shape
    every = max(1, height * width // COUNTED_PX)
    rows = min(every, round(math.sqrt(every * RUN_PX)))  # of a cell about as high as it is wide
    runs = every // rows
    # A fixed split, so that clusters beyond SLOTS are joined alike on any number of threads.
    strips = row_strips(height, rows * max(1, -(-height // (2 * rows))))
    parts: dict[int, npt.NDArray[np.int64]] = {}
    srgb, labels, clusters = read_only(srgb), read_only(labels), read_only(clusters)

    def work(i: int, first: int, last: int) -> None:
        places = BINS * finishes * SLOTS
        sums, owners = np.zeros((places, 2), dtype=np.int64), np.zeros(places, dtype=np.uint8)
        used = np.empty(places, dtype=np.int32)
        found = _count_rows(srgb, labels, clusters, finishes, rows, runs, first, last, sums, owners, used)
        parts[i] = _rows(sums, owners, used[:found])

    run_all(work, [(i, first, last) for i, (first, last) in enumerate(strips)], threads)
    return _joined([parts[i] for i in range(len(strips))], finishes)


def _rows(
    sums: npt.NDArray[np.int64], owners: npt.NDArray[np.uint8], used: npt.NDArray[np.int32]
) -> npt.NDArray[np.int64]:
    """The rows of one part: int64 (m, 6), place without slot, cluster, count, sums of the channels' low bits."""
    low = 0xFFFFFFFF
    first, second = sums[used].T
    return np.stack([used // SLOTS, owners[used], first & low, first >> 32, second & low, second >> 32], axis=1)


def _joined(parts: Sequence[npt.NDArray[np.int64]], finishes: int) -> dict[str, Any]:
    """The rows of all parts, those of one bin, finish and cluster added up, in that order."""
    rows = np.concatenate(parts)
    keys, place = np.unique(rows[:, 0] << 8 | rows[:, 1], return_inverse=True)
    order = np.argsort(place, kind="stable")
    begins = np.flatnonzero(np.diff(place[order], prepend=-1))
    added = np.add.reduceat(rows[order, 2:], begins, axis=0) if len(keys) else np.zeros((0, 4), dtype=np.int64)
    bins, finish = np.divmod(keys >> 8, finishes)
    base = np.stack([(bins >> 12) << 2, ((bins >> 6) & 63) << 2, (bins & 63) << 2], axis=1)
    mean = base + added[:, 1:] / np.maximum(added[:, :1], 1)
    return {
        "colour_srgb": np.rint(mean * 256.0).astype(np.uint16),
        "colour_finish": finish.astype(np.uint8),
        "colour_cluster": (keys & 255).astype(np.uint8),
        "colour_px": added[:, 0].astype(np.uint32),
    }


def write_tuning_data(data: TuningData) -> bytes:
    """The data as the bytes of an NPZ file; the same data give the same bytes."""
    members = []
    for name, array in _arrays(data).items():
        content = io.BytesIO()
        np.lib.format.write_array(content, np.asarray(array, order="C"), allow_pickle=False)
        members.append((f"{name}.npy", content.getvalue()))
    return _archive(members)


def _archive(members: Sequence[tuple[str, bytes]]) -> bytes:
    """A ZIP archive (APPNOTE 6.3) of small files, deflated several times as fast as the standard library does."""
    body, directory = bytearray(), bytearray()
    for name, content in members:
        packer = isal_zlib.compressobj(1, isal_zlib.DEFLATED, -15)
        packed = packer.compress(content) + packer.flush()
        # Version 2.0, name in ASCII, deflated, 00:00 on 1 January 1980: the same data give the same bytes.
        sizes = (20, 0, 8, 0, 0x21, zlib.crc32(content), len(packed), len(content), len(name), 0)
        directory += struct.pack("<4sH", b"PK\1\2", 20) + struct.pack("<5H3L2H", *sizes)
        directory += struct.pack("<3H2L", 0, 0, 0, 0, len(body)) + name.encode()
        body += b"PK\3\4" + struct.pack("<5H3L2H", *sizes) + name.encode() + packed
    end = (0, 0, len(members), len(members), len(directory), len(body), 0)
    return bytes(body + directory + b"PK\5\6" + struct.pack("<4H2LH", *end))


_SCALARS = ("version", "conditions", "edges", "step", "pitch_um", "viewing_distance_mm")


def _arrays(data: TuningData) -> dict[str, npt.NDArray[Any]]:
    fields = {name: getattr(data, name) for name in data.__slots__}
    for name in ("ciede2000", "s_cielab"):
        score = fields[name]
        fields[name] = np.array([score.mean, score.median, score.p95, score.max])
    return {name: np.asarray(value) for name, value in {"version": VERSION, **fields}.items()}


def read_tuning_data(content: bytes) -> TuningData:
    """Read what `write_tuning_data` wrote. Raises StorageError where it is damaged or of another version."""
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as archive:
            arrays: dict[str, Any] = {name: archive[name] for name in archive.files}
        version = int(arrays.pop("version"))
    except (ValueError, KeyError, OSError, zipfile.BadZipFile, EOFError) as error:
        raise StorageError(f"{PATH} is damaged: {error}.", mend="Run the job again.") from error
    if version != VERSION:
        raise StorageError(f"{PATH} is of version {version}, not {VERSION}.", mend="Run the job again.")
    for name in _SCALARS[1:]:
        arrays[name] = arrays[name].item()
    for name in ("ciede2000", "s_cielab"):
        mean, median, p95, highest = arrays[name].tolist()
        arrays[name] = Statistics(mean=mean, median=median, p95=p95, max=highest)
    arrays["finish_ids"] = tuple(arrays["finish_ids"].tolist())
    return TuningData(**arrays)
