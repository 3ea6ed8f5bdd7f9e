"""Ways to separate, compared as the eye sees them, on pictures to tune on and on pictures that nobody tuned on.

Prints a table of its own: for each way, the mean over pictures and boards. S-CIELAB at 300 mm as the report has it; its
excess is what lies above the continuous reference. Structure is the contrast-structure term of SSIM, without the
luminance term, of L* as the eye's luminance channel passes it: (2 cov + C) / (var + var + C), C = (0.03 100)^2, under a
Gaussian of sigma 1.5 px at 40 px per degree (Wang, Bovik, Sheikh and Simoncelli, "Image quality assessment: from error
visibility to structural similarity", IEEE Transactions on Image Processing 13 (2004), equations 6, 10 and 13 without
the 6; blurred with S-CIELAB's luminance kernel first). Violations are counted by tests/engine/layer_rules.py, in
OpenCV, on the masks as they are before any repair: corner touches, clearance faults, and pixels of parts thinner than
a smallest feature. What is made is counted on its layers by tests/engine/fabrication/layer_check.py, all limits of the
fab, in OpenCV as well. Dots are 4-connected parts of finishes. CPU seconds are the separation stage's, on one thread.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy.ndimage import gaussian_filter

from benchmarks.demo_board import FABS
from benchmarks.row import Row, at_most
from benchmarks.separation_pictures import PICTURES, Judged, Kind, Split
from tests.engine.fabrication.layer_check import broken_limits
from tests.engine.layer_rules import thin_pixels, violations
from worker.engine.colorimetry import linear_rgb_to_xyz, srgb_decoded
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING
from worker.engine.made_board import Made
from worker.engine.pipeline import Conversion, convert
from worker.engine.vision import pixels_per_degree, see
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import read_settings

WIDTH_MM = 30.0
PITCH_UM = 50.0
DISTANCE_MM = 300.0
BOARDS = ("nocturne-gold", "meadow-tin", "alba-black")
_C = (0.03 * 100.0) ** 2
_SIGMA_DEGREES = 1.5 / 40.0

WAYS: dict[Kind, dict[str, dict[str, str]]] = {
    "photo": {
        "nearest by CIEDE2000": {"edges": "threshold", "clean_up": "off"},
        "dither": {"edges": "dither"},
        "dither, quality best": {"edges": "dither", "quality": "best"},
    },
    "flat": {
        "nearest by CIEDE2000": {"edges": "threshold", "clean_up": "off"},
        "threshold": {"edges": "threshold"},
        "dither": {"edges": "dither"},
        "nearest by CIEDE2000, made": {
            "edges": "threshold",
            "clean_up": "off",
            "clusters": "none",
            "fabrication": "on",
        },
        "threshold, made": {"edges": "threshold", "clusters": "none", "fabrication": "on"},
        "threshold, made, quality best": {
            "edges": "threshold",
            "clusters": "none",
            "fabrication": "on",
            "quality": "best",
        },
    },
}
"""Ways by the settings that ask for them, for each kind of picture. What is made is what the board shows after the same
repair to the fab's limits, whatever it began with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """How one picture on one board came out."""

    way: str
    picture: str
    kind: Kind
    split: Split
    board: str
    mean: float
    p95: float
    reference: float
    reference_p95: float
    structure: float
    touches: int
    clearance: int
    thin: int
    dots: int
    cpu_s: float

    @property
    def excess(self) -> float:
        """S-CIELAB above the continuous reference."""
        return self.mean - self.reference


def structure(one: npt.NDArray[np.uint8], two: npt.NDArray[np.uint8]) -> float:
    """The contrast-structure term of two pictures, uint8 (H, W, 3) encoded sRGB, as seen; 1 where they are alike."""
    ppd = pixels_per_degree(DISTANCE_MM, PITCH_UM)
    light = []
    for picture in (one, two):
        xyz = np.moveaxis(linear_rgb_to_xyz(srgb_decoded(picture / 255.0)), -1, 0).astype(np.float32)
        light.append(see(np.ascontiguousarray(xyz), working_ppd=ppd, step=1).planes[0].astype(np.float64))

    def mean(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.asarray(gaussian_filter(values, _SIGMA_DEGREES * ppd, mode="reflect"))

    a, b = light
    m_a, m_b = mean(a), mean(b)
    var_a, var_b, covariance = mean(a * a) - m_a**2, mean(b * b) - m_b**2, mean(a * b) - m_a * m_b
    return float(((2.0 * covariance + _C) / (var_a + var_b + _C)).mean())


class _Tables:
    """Tables kept from one conversion to the next."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes] = {}

    def get(self, key: str) -> bytes | None:
        return self._kept.get(key)

    def put(self, key: str, value: bytes) -> None:
        self._kept[key] = value


class _CpuClock:
    """CPU seconds of the separation stage, by what a conversion tells of its progress."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self._began = 0.0
        self._before = -1

    def __call__(self, stage: str, done: int, _: int) -> None:
        if stage != "separation":
            return
        if self._before < 0:
            self._began, self._before = time.process_time(), done
        else:
            self.seconds = time.process_time() - self._began


def judge(
    way: str, settings: dict[str, str], picture: Judged, data: bytes, fab: FabProfile, tables: _Tables
) -> Judgement:
    """Convert one picture on one board and measure it."""
    clock = _CpuClock()
    written = {"clusters": "8", "width": f"{WIDTH_MM:g}mm", "pitch": f"{PITCH_UM:g}um", **settings}
    found = convert(data, fab, read_settings(written), tables=tables, progress=clock)
    if found.made is None:
        score, labels = found.score, found.separation.labels
        faults = violations(found.masks, fab)
        clearance = faults.pop("legend beside openings", 0)
        touches, thin = sum(faults.values()), _thin(found)
    else:
        score, labels = found.made.score, found.made.fabrication.seen
        touches, clearance, thin = _broken(found.made)
    palette = np.vstack([found.colours.srgb, np.full((256 - len(found.colours), 3), 255, dtype=np.uint8)])
    return Judgement(
        way=way,
        picture=picture.name,
        kind=picture.kind,
        split=picture.split,
        board=fab.id,
        mean=score.s_cielab.mean,
        p95=score.s_cielab.p95,
        reference=score.continuous_reference.mean,
        reference_p95=score.continuous_reference.p95,
        structure=structure(found.art.srgb, palette[labels]),
        touches=touches,
        clearance=clearance,
        thin=thin,
        dots=sum(
            cv2.connectedComponents((labels == i).astype(np.uint8), connectivity=4)[0] - 1
            for i in range(len(found.fab.finishes))
        ),
        cpu_s=clock.seconds,
    )


def _thin(found: Conversion) -> int:
    """Pixels of parts thinner than the smallest feature of their finish, the picture's edge aside."""
    total = 0
    for finish in found.fab.finishes:
        width = round(finish.smallest_feature_mm * 1000.0 / PITCH_UM)
        mask = np.pad(found.masks[finish.id], width, mode="edge")
        total += thin_pixels(mask, width)
    return total


def _broken(made: Made) -> tuple[int, int, int]:
    """Corner touches, clearance faults, and pixels of parts thinner than a limit, of the layers as made."""
    planes = made.fabrication.planes[made.fabrication.side]
    layers = [planes.plane(bit) for bit in (COPPER, OPENING, LEGEND, BOARD)]
    faults = broken_limits(layers[0], layers[1], layers[2], layers[3], made.fabrication.fab, planes.pitch_um)
    touches = sum(count for name, count in faults.items() if name.endswith("at corners"))
    clearance = sum(count for name, count in faults.items() if "near" in name or name == "metal gap")
    return touches, clearance, sum(faults.values()) - touches - clearance


def measure(
    ways: dict[Kind, dict[str, dict[str, str]]], *, wanted: Callable[[Judged], bool] = lambda _: True
) -> list[Judgement]:
    """All ways on all boards and the pictures that are wanted."""
    fabs = [read_fab_profile((FABS / f"{name}.toml").read_bytes()) for name in BOARDS]
    tables, found = _Tables(), []
    for picture in PICTURES:
        if not wanted(picture):
            continue
        stream = io.BytesIO()
        Image.fromarray(picture.draw()).save(stream, "PNG", compress_level=1)
        for fab in fabs:
            found += [
                judge(way, settings, picture, stream.getvalue(), fab, tables)
                for way, settings in ways[picture.kind].items()
            ]
    return found


def print_judgements(found: Sequence[Judgement]) -> None:
    """The means over pictures and boards, as a Markdown table; S-CIELAB less the continuous reference in brackets."""
    print(
        f"\nSeparations, {WIDTH_MM:g} mm wide at {PITCH_UM:g} um, S-CIELAB at {DISTANCE_MM:g} mm, means over pictures "
        f"and {len(BOARDS)} boards\n\n"
        "| pictures | way | mean (less reference) | p95 (less reference) | structure | touches | clearance | thin px "
        "| dots | CPU s |\n|---|---|---|---|---|---|---|---|---|---|"
    )
    for kind in ("photo", "flat"):
        for split in ("tuning", "held out"):
            here = [one for one in found if (one.kind, one.split) == (kind, split)]
            for way in dict.fromkeys(one.way for one in here):
                some = [one for one in here if one.way == way]

                def mean(name: str, some: list[Judgement] = some) -> float:
                    return fmean(getattr(one, name) for one in some)

                print(
                    f"| {kind}, {split} | {way} | {mean('mean'):.2f} ({mean('excess'):+.2f}) "
                    f"| {mean('p95'):.1f} ({mean('p95') - mean('reference_p95'):+.1f}) | {mean('structure'):.3f} "
                    f"| {sum(one.touches for one in some)} | {sum(one.clearance for one in some)} "
                    f"| {mean('thin'):.0f} | {mean('dots'):.0f} | {mean('cpu_s'):.2f} |"
                )


def _above_nearest(found: Sequence[Judgement], way: str = "threshold, made, quality best") -> list[float]:
    """S-CIELAB of each flat picture on each board, less that of nearest as it is made."""
    means = {(one.way, one.picture, one.board): one.mean for one in found}
    return [
        mean - means["nearest by CIEDE2000, made", picture, board]
        for (own, picture, board), mean in means.items()
        if own == way
    ]


def rows(_: Path) -> list[Row]:
    """Bars on held-out pictures."""
    found = measure(WAYS)
    print_judgements(found)
    held = [one for one in found if one.split == "held out"]

    def mean(way: str, kind: Kind, name: str) -> float:
        return fmean(getattr(one, name) for one in held if (one.way, one.kind) == (way, kind))

    best, fast = (mean(way, "photo", "excess") for way in ("dither, quality best", "dither"))
    above = _above_nearest(held)
    faults = sum(one.touches + one.clearance + one.thin for one in found if one.way.startswith("dither"))
    return [
        at_most(
            "S-CIELAB of photo-like art above the continuous reference, held-out pictures, dither, quality best",
            best,
            1.0,
            "",
            f"fast {fast:+.2f}, nearest {mean('nearest by CIEDE2000', 'photo', 'excess'):+.2f}",
        ),
        at_most(
            "the same, of what it is with quality fast", best / fast, 0.85, "of it", f"{best:+.2f} and {fast:+.2f}"
        ),
        at_most("touches, clearance faults and thin pixels of all dithers", faults, 0, "", "all pictures and boards"),
        at_most(
            "S-CIELAB of flat art above nearest by CIEDE2000, both made within the fab's limits, held-out pictures, "
            "quality best, mean",
            fmean(above),
            0.0,
            "",
            f"with quality fast {fmean(_above_nearest(held, 'threshold, made')):+.3f}",
        ),
        at_most(
            "the same, the most of all pictures and boards",
            max(above),
            0.005,
            "",
            f"with quality fast {max(_above_nearest(held, 'threshold, made')):+.3f}",
        ),
        at_most(
            "touches, clearance faults and thin pixels of flat art as made",
            sum(one.touches + one.clearance + one.thin for one in found if ", made" in one.way),
            0,
            "",
            "all pictures and boards",
        ),
    ]
