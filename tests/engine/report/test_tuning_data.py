"""What is kept of a job for previews: small, the same on any number of threads, readable by numpy alone."""

from __future__ import annotations

import io
import zipfile
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import cut, enlarged, photograph, png_of
from worker.engine.pipeline import Conversion, convert
from worker.engine.report.statistics import Statistics
from worker.engine.report.tuning_data import (
    COUNTED_PX,
    REDUCED_PX,
    TuningData,
    read_tuning_data,
    reducing_step,
    tuning_data,
    write_tuning_data,
)
from worker.errors import StorageError
from worker.job_settings import read_settings

ZERO = Statistics(mean=0.0, median=0.0, p95=0.0, max=0.0)


def gathered(
    srgb: npt.NDArray[np.uint8],
    labels: npt.NDArray[np.uint8],
    clusters: npt.NDArray[np.uint8] | None = None,
    **changes: Any,
) -> TuningData:
    return tuning_data(
        srgb,
        labels,
        np.zeros_like(labels) if clusters is None else clusters,
        **{
            "finish_ids": ("mask", "gold", "legend"),
            "reference_lab": np.zeros((3, 3)),
            "conditions": "D65/2",
            "edges": "threshold",
            "active": (0, 1, 2),
            "clusters": (),
            "ciede2000": ZERO,
            "s_cielab": ZERO,
            "pitch_um": 100.0,
            "viewing_distance_mm": 300.0,
            **changes,
        },
    )


def of_a_photograph(tables: MemoryTables, threads: int = 1) -> Conversion:
    settings = read_settings({"width": "40mm", "pitch": "50um"})
    return convert(png_of(photograph("coffee")), board(), settings, tables=tables, threads=threads)


def test_every_pixel_is_counted_once_with_its_colour_finish_and_cluster() -> None:
    rng = np.random.default_rng(1)
    srgb = rng.integers(0, 256, (60, 70, 3), dtype=np.uint8)
    labels = rng.integers(0, 3, (60, 70), dtype=np.uint8)
    labels[:5] = 255
    clusters = rng.integers(0, 2, (60, 70), dtype=np.uint8)
    data = gathered(srgb, labels, clusters)
    seen: dict[tuple[int, ...], list[npt.NDArray[np.uint8]]] = {}
    for pixel, label, cluster in zip(srgb.reshape(-1, 3), labels.ravel(), clusters.ravel(), strict=True):
        if label != 255:
            seen.setdefault((*(pixel // 4).tolist(), int(label), int(cluster)), []).append(pixel)
    assert len(data.colour_px) == len(seen)
    for colour, finish, cluster, pixels in zip(
        data.colour_srgb, data.colour_finish, data.colour_cluster, data.colour_px, strict=True
    ):
        mine = seen[*(colour // 256 // 4).tolist(), int(finish), int(cluster)]
        assert len(mine) == pixels
        assert np.abs(np.mean(mine, axis=0) - colour / 256).max() <= 1 / 256


def test_clusters_beyond_the_slots_are_joined_but_no_pixel_is_lost() -> None:
    srgb = np.full((40, 40, 3), 90, dtype=np.uint8)
    clusters = np.arange(1600, dtype=np.uint8).reshape(40, 40) % 7
    data = gathered(srgb, np.zeros((40, 40), dtype=np.uint8), clusters)
    assert data.colour_px.sum() == 1600 and len(data.colour_px) <= 7


def test_the_reduced_picture_is_the_mean_light_and_the_share_of_each_finish() -> None:
    rng = np.random.default_rng(2)
    srgb = np.zeros((64, 96, 3), dtype=np.uint8)
    srgb[:, ::2] = 255
    labels = (rng.random((64, 96)) < 0.5).astype(np.uint8) * 2
    data = gathered(srgb, labels, pitch_um=20.0)
    step = data.step
    assert step == 3 and data.artwork_srgb.shape == (22, 32, 3)
    linear = (srgb[:63, :96, 0] / 255.0).reshape(21, 3, 32, 3)[:, ::2].mean(axis=(1, 3))
    encoded = 255 * (1.055 * linear ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    assert np.abs(data.artwork_srgb[:21, :, 0] - encoded).max() <= 1.0
    share = np.square(data.share_root / 255.0)
    assert np.abs(share.sum(axis=0) - 1.0).max() < 0.01
    assert abs(share[2].mean() - (labels == 2).mean()) < 0.02 and not share[1].any()


@pytest.mark.parametrize(("height", "width", "pitch"), [(300, 400, 20.0), (4000, 6000, 20.0), (9000, 2000, 5.0)])
def test_the_reduced_picture_is_small_and_no_finer_than_the_eye(height: int, width: int, pitch: float) -> None:
    step, halves = reducing_step((height, width), pitch, 300.0)
    assert max(-(-height // step), -(-width // step)) <= REDUCED_PX
    assert step == 1 or not halves or step % 2 == 0
    assert np.pi * 300.0 / (180.0 * pitch * step / 1000.0) < 2 * 80.0


def test_stripes_of_any_period_are_counted_in_their_proportion() -> None:
    for period in (2, 3, 7, 16):
        rows = np.arange(2400) % period == 0
        srgb = np.where(rows[:, None, None], np.uint8(255), np.uint8(0)) * np.ones((1, 1800, 3), dtype=np.uint8)
        data = gathered(srgb, np.zeros((2400, 1800), dtype=np.uint8))
        assert COUNTED_PX * 0.7 < data.colour_px.sum() < 2400 * 1800
        white = data.colour_px[data.colour_srgb[:, 0] > 0].sum() / data.colour_px.sum()
        assert abs(white - 1 / period) < 0.01, period


@pytest.mark.parametrize("threads", [2, 3])
def test_the_same_bytes_on_any_number_of_threads(tables: MemoryTables, threads: int) -> None:
    art = enlarged(cut("chelsea", 300, 400), 3)
    labels = (art[..., 1] // 86).astype(np.uint8)
    clusters = art[..., 0] // 40
    one = write_tuning_data(gathered(art, labels, np.ascontiguousarray(clusters)))
    assert one == write_tuning_data(gathered(art, labels, np.ascontiguousarray(clusters), threads=threads))


def test_the_file_is_an_archive_without_a_clock_that_numpy_reads(tables: MemoryTables) -> None:
    conversion = of_a_photograph(tables)
    content = dict(conversion.files())["tuning.npz"]
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.testzip() is None
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
        assert arrays["finish_ids"].tolist() == [finish.id for finish in conversion.fab.finishes]
        assert arrays["colour_px"].sum() == conversion.separation.labels.size
    found = read_tuning_data(content)
    for name in TuningData.__slots__:
        assert np.array_equal(getattr(found, name), getattr(conversion.tuning, name)), name


@pytest.mark.parametrize("change", [lambda data: data[:200], lambda data: b"no archive", lambda data: b""])
def test_a_damaged_file_is_an_error(change: Any) -> None:
    whole = write_tuning_data(gathered(np.zeros((9, 9, 3), np.uint8), np.zeros((9, 9), np.uint8)))
    with pytest.raises(StorageError, match=r"tuning\.npz"):
        read_tuning_data(change(whole))
