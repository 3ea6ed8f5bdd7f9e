"""Boards for tests: one invented profile, and what the engine makes of a picture on it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Alpha, Labels, Srgb
from worker.engine.artwork.picture import Artwork, GridPicture
from worker.engine.palette.clusters import Cluster
from worker.engine.report.score import Score, Statistics
from worker.engine.separation.result import Separation
from worker.fab_profile import FabProfile, read_fab_profile

FABS = Path(__file__).parent.parent / "samples" / "fabs"


def board(name: str = "meadow-tin") -> FabProfile:
    """A demo profile."""
    return read_fab_profile((FABS / f"{name}.toml").read_bytes(), file_name=f"{name}.toml")


def lab_of(fab: FabProfile) -> npt.NDArray[np.float64]:
    """float64 (n, 3): the CIELAB of each finish as it stands in the profile; the demo profiles give D65/2 degree."""
    assert all((f.readings[0].illuminant, f.readings[0].observer) == ("D65", "2") for f in fab.finishes)
    return np.array([finish.readings[0].lab for finish in fab.finishes], dtype=np.float64)


def artwork_of(srgb: Srgb, *, alpha: Alpha | None = None, name: str = "disc") -> Artwork:
    return Artwork(
        name=name,
        format="PNG",
        sha256=hashlib.sha256(srgb.tobytes()).hexdigest(),
        srgb=srgb,
        alpha=alpha,
        pixels_per_mm=None,
        warnings=(),
    )


def picture_of(srgb: Srgb, *, alpha: Alpha | None = None, pitch_um: float = 100.0) -> GridPicture:
    return GridPicture(srgb=srgb, alpha=alpha, pitch_um=pitch_um, source_px_per_px=1.0, flat=False, warnings=())


def separation_of(labels: Labels) -> Separation:
    return Separation(labels=labels, edges="threshold", reason="the art is flat", cell_px=1, warnings=())


def statistics(value: float) -> Statistics:
    return Statistics(mean=value, median=value, p95=2 * value, max=3 * value)


def score_of(
    error_map: npt.NDArray[np.float32], *, step_px: int = 1, pixels: tuple[tuple[int, ...], ...] = ()
) -> Score:
    """A score whose figures are made up, around an error map that is not."""
    return Score(
        viewing_distance_mm=300.0,
        pixels_per_degree=52.36,
        ciede2000=statistics(4.0),
        s_cielab=statistics(2.0),
        continuous_reference=statistics(1.0),
        s_cielab_stretched=None,
        by_finish={"mask": (statistics(3.0), statistics(1.5))},
        by_cluster={0: statistics(3.5)},
        error_map=error_map,
        error_map_step_px=step_px,
        pixels=pixels,
    )


def cluster(number: int, lab: tuple[float, float, float], finish: str, second: str | None = None) -> Cluster:
    return Cluster(
        id=number,
        lab=lab,
        share=0.5,
        finish=finish,
        delta_e=3.25,
        second_finish=second,
        margin=None if second is None else 7.123456789,
        pinned=False,
    )
