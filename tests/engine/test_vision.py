"""S-CIELAB against closed forms, the traps known of it, and a second implementation (`tests/engine/s_cielab.py`)."""

from __future__ import annotations

import math

import colour
import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engine import s_cielab as second
from tests.engine.open_pictures import PHOTOGRAPHS, cut, enlarged
from worker.engine.colorimetry import linear_rgb_to_xyz, srgb_decoded
from worker.engine.vision import (
    GAUSSIANS,
    XYZ_TO_OPPONENT,
    blur,
    filter_channel,
    gaussian_taps,
    modulation_transfer,
    pixels_per_degree,
    see,
    seen_difference,
    working_step,
)

Floats = npt.NDArray[np.float64]


def xyz_of(srgb: npt.ArrayLike) -> Floats:
    """XYZ (H, W, 3) of encoded sRGB 0 to 1."""
    return linear_rgb_to_xyz(srgb_decoded(srgb))


def planes_of(xyz: Floats, step: int) -> npt.NDArray[np.float32]:
    """float32 (3, h, w) of whole blocks of `step` by `step` pixels."""
    height, width = (side // step for side in xyz.shape[:2])
    blocks = xyz[: height * step, : width * step].reshape(height, step, width, step, 3).mean(axis=(1, 3))
    return np.ascontiguousarray(np.moveaxis(blocks, -1, 0), dtype=np.float32)


def score(one: Floats, two: Floats, ppd: float, *, threads: int = 1) -> npt.NDArray[np.float32]:
    """The engine's difference per block."""
    step = working_step(ppd)
    seen = [see(planes_of(xyz, step), working_ppd=ppd / step, step=step, threads=threads) for xyz in (one, two)]
    return seen_difference(*seen, threads=threads)


def test_pixels_per_degree() -> None:
    """pi D / (180 p), to the small angle."""
    assert [round(pixels_per_degree(300.0, pitch)) for pitch in (100.0, 130.0, 200.0, 250.0)] == [52, 40, 26, 21]
    exact = 1.0 / math.degrees(math.atan(0.1 / 300.0))
    assert pixels_per_degree(300.0, 100.0) == pytest.approx(exact, rel=1e-6)


def test_the_working_resolution_is_as_fine_as_the_eye_can_use() -> None:
    assert [working_step(ppd) for ppd in (10.0, 79.0, 159.0, 160.0, 262.0)] == [1, 1, 1, 2, 3]
    # At half of 80 pixels a degree, the finest that blocks of that size carry, no channel passes anything that is seen.
    assert [float(modulation_transfer(40.0, channel)) < 1e-4 for channel in range(3)] == [True] * 3


MTF = {5.0: (0.82483, 0.42211, 0.27962), 10.0: (0.45512, 0.13534, 0.03334), 20.0: (0.04249, 0.00143, 0.00001)}
"""sum w exp(-(pi s f)^2) of the published constants, for luminance, red-green, blue-yellow, to 5 digits."""


@pytest.mark.parametrize("frequency", MTF)
def test_the_closed_form_of_the_modulation_transfer(frequency: float) -> None:
    for channel, kernel in enumerate(second.KERNELS):
        total = sum(weight for weight, _ in kernel)
        closed = sum(weight / total * math.exp(-((math.pi * s * frequency) ** 2)) for weight, s in kernel)
        assert closed == pytest.approx(MTF[frequency][channel], abs=6e-6)
        assert float(modulation_transfer(frequency, channel)) == pytest.approx(closed, abs=1e-9)


@pytest.mark.parametrize("frequency", MTF)
@pytest.mark.parametrize("channel", [0, 1, 2])
@pytest.mark.parametrize(("full_ppd", "tolerance"), [(60.0, 5e-5), (240.0, 2e-3)])
def test_a_grating_through_the_filter(frequency: float, channel: int, full_ppd: float, tolerance: float) -> None:
    """It comes out as the transfer times the sinc of its pixels. At 240 px a degree it is seen in blocks of 3 px."""
    step = working_step(full_ppd)
    length = int(8 * full_ppd)
    # A cosine about the pixels' middles that is mirrored onto itself at both ends.
    grating = np.cos(2.0 * np.pi * frequency / full_ppd * (np.arange(length) + 0.5))
    blocks = grating.reshape(-1, step).mean(axis=1)
    plane = np.tile(blocks.astype(np.float32), (40, 1))
    out = filter_channel(plane.copy(), channel, full_ppd / step, step).astype(np.float64)
    place = (np.arange(len(blocks)) + 0.5) * step
    shape = np.cos(2.0 * np.pi * frequency / full_ppd * place)
    amplitude = out[20] @ shape / (shape @ shape)
    wanted = float(modulation_transfer(frequency, channel)) * np.sinc(frequency / full_ppd)
    assert amplitude == pytest.approx(wanted, abs=tolerance)
    assert np.abs(out - amplitude * shape).max() < 2e-3, "something else than the grating came out"


def test_kernels_are_not_their_full_width_at_half_maximum() -> None:
    """Another table in circulation gives full widths at half maximum, 2 sqrt(ln 2) s; as s they blur 1.7 times."""
    widths = [[0.05, 0.225, 7.0], [0.0685, 0.826], [0.092, 0.6451]]
    for channel in range(3):
        for (_, s), width in zip(GAUSSIANS[channel], widths[channel], strict=True):
            assert s == pytest.approx(width / (2.0 * math.sqrt(math.log(2.0))), rel=0.06)
    # The narrow Gaussian itself, measured: half of its peak lies at s sqrt(ln 2).
    ppd, s = 2000.0, GAUSSIANS[0][0][1]
    taps = gaussian_taps((s * ppd) ** 2 / 2.0 + 1.0 / 12.0)
    half = np.interp(-0.5, -taps / taps[0], np.arange(len(taps)))
    assert half / ppd == pytest.approx(s * math.sqrt(math.log(2.0)), rel=1e-3)


def test_the_sign_of_the_red_green_row() -> None:
    """Some prints have a minus before its last entry: white would then be far from grey in it."""
    white = colour.xy_to_XYZ(second.D65)
    np.testing.assert_allclose(XYZ_TO_OPPONENT @ white, [0.871, -0.053, 0.037], atol=1e-3)
    other = XYZ_TO_OPPONENT.copy()
    other[1, 2] *= -1.0
    assert (other @ white)[1] == pytest.approx(-0.221, abs=1e-3)


def test_the_constants_are_those_of_the_second_implementation() -> None:
    assert XYZ_TO_OPPONENT.tolist() == second.OPPONENT.tolist()
    assert [list(kernel) for kernel in GAUSSIANS] == second.KERNELS


@pytest.mark.parametrize("ppd", [20.0, 60.0, 200.0])
def test_uniform_patches_differ_by_plain_ciede2000(ppd: float) -> None:
    one, two = np.full((120, 90, 3), [0.7, 0.3, 0.2]), np.full((120, 90, 3), [0.6, 0.35, 0.25])
    error = score(xyz_of(one), xyz_of(two), ppd)
    lab = [colour.XYZ_to_Lab(xyz_of(srgb[0, 0]), second.D65) for srgb in (one, two)]
    plain = float(colour.delta_E(*lab, method="CIE 2000"))
    # 6.944174 with the sRGB matrix as printed, to four digits; 6.944459 with all of them.
    assert plain == pytest.approx(6.944174, abs=5e-4)
    np.testing.assert_allclose(error, plain, atol=1e-3)


@pytest.mark.parametrize(("ppd", "highest"), [(60.0, 1e-3), (120.0, 1e-3), (30.0, 2.0)])
def test_a_fine_checkerboard_is_its_mean_in_linear_light(ppd: float, highest: float) -> None:
    """Averaging encoded values instead would show as 12.2 CIEDE2000."""
    dark, light = np.array([0.1, 0.1, 0.1]), np.array([0.85, 0.65, 0.2])
    odd = (np.add.outer(np.arange(120), np.arange(120)) % 2)[..., None]
    checker = xyz_of(np.where(odd, light, dark))
    mean = np.broadcast_to((xyz_of(dark) + xyz_of(light)) / 2.0, checker.shape)
    coded = np.broadcast_to(xyz_of((dark + light) / 2.0), checker.shape)
    inside = (slice(30, -30), slice(30, -30)) if working_step(ppd) == 1 else (slice(None), slice(None))
    assert score(checker, mean, ppd)[inside].max() < highest
    assert 11.0 < np.median(score(checker, coded, ppd)[inside]) < 14.0
    if ppd == 30.0:
        assert score(checker, mean, ppd)[inside].mean() == pytest.approx(1.63, abs=0.05)


@pytest.mark.parametrize(("variance", "shape"), [(0.3, (40, 50)), (4.0, (40, 50)), (30.0, (9, 7)), (2.0, (1, 1))])
def test_the_blur_is_a_gaussian_mirrored_at_the_edges(variance: float, shape: tuple[int, int]) -> None:
    plane = np.random.default_rng(4).random(shape)
    half = second.half_kernel(math.sqrt(2.0 * (variance - 1.0 / 12.0)), 1.0)
    whole = np.concatenate([half[:0:-1], half])
    wanted = scipy.ndimage.correlate1d(plane, whole, axis=0, mode="reflect")
    wanted = scipy.ndimage.correlate1d(wanted, whole, axis=1, mode="reflect")
    np.testing.assert_allclose(blur(plane.astype(np.float32), variance, variance), wanted, atol=2e-4)


def test_the_second_implementation_agrees_with_plain_convolution() -> None:
    plane = np.random.default_rng(3).random((40, 30))
    for kernel in second.KERNELS:
        for ppd in (3.0, 20.0):
            direct = second.direct_filter(plane, kernel, ppd)
            np.testing.assert_allclose(second.filter_channel(plane, kernel, ppd), direct, atol=1e-10)


def posterised(srgb: npt.NDArray[np.uint8], *, noise: float = 0.0) -> npt.NDArray[np.uint8]:
    """Four levels a channel, as hard regions or, with noise, as a dither of dots of 1 px."""
    rng = np.random.default_rng(12)
    value = srgb / 255.0 + noise * (rng.random(srgb.shape[:2])[..., None] - 0.5)
    return np.asarray(np.clip(np.rint(value * 3.0), 0, 3) * 85.0, dtype=np.uint8)


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("noise", [0.0, 0.33])
@pytest.mark.parametrize(("pitch_um", "dot"), [(100.0, 1), (20.0, 8)])
def test_against_the_second_implementation(name: str, noise: float, pitch_um: float, dot: int) -> None:
    """Photographs of scikit-image at 300 mm; at 20 um a dot is 8 px wide, as dither cells are.

    At 20 um the engine looks at blocks of 3 px: mean, median and 95th percentile are those of all pixels within 0.1.
    The highest pixel between blocks is found by the score (test_score.py).
    """
    small = cut(name, 80, 100, top=60, left=150)
    other = posterised(small, noise=noise)
    art = small if dot == 1 else enlarged(small, dot)
    board = np.repeat(np.repeat(other, dot, axis=0), dot, axis=1)
    ppd = pixels_per_degree(300.0, pitch_um)
    one, two = xyz_of(art / 255.0), xyz_of(board / 255.0)
    error = score(one, two, ppd)
    wanted = second.statistics_of(second.s_cielab(one, two, ppd))
    got = second.statistics_of(error.astype(np.float64))
    for statistic in wanted if dot == 1 else ("mean", "median", "p95"):
        assert got[statistic] == pytest.approx(wanted[statistic], abs=0.1), statistic


sides = st.integers(1, 24)


@given(st.integers(0, 2**32 - 1), sides, sides, st.sampled_from([13.0, 52.36, 79.0]))
@settings(max_examples=30, deadline=None)
def test_any_size(seed: int, height: int, width: int, ppd: float) -> None:
    """Pictures smaller than the kernels, down to one pixel, of the coarsest noise there is."""
    rng = np.random.default_rng(seed)
    one, two = (xyz_of(rng.random((height, width, 3)) * 0.8 + 0.1) for _ in range(2))
    for xyz in (one, two):
        seen = see(planes_of(xyz, 1), working_ppd=ppd, step=1).planes
        np.testing.assert_allclose(np.moveaxis(seen[:3], 0, -1), second.seen_lab(xyz, ppd), atol=0.15)
        np.testing.assert_allclose(seen[3], np.hypot(seen[1], seen[2]), rtol=1e-5, atol=1e-5)
    assert score(one, one, ppd).max() == 0.0
    # Where hues are opposite CIEDE2000 itself jumps, so not every pixel must agree.
    assert np.median(np.abs(score(one, two, ppd) - second.s_cielab(one, two, ppd))) < 0.1


@pytest.mark.parametrize("threads", [2, 3, 4])
def test_the_same_on_any_number_of_threads(threads: int) -> None:
    art = enlarged(cut("coffee", 110, 130), 3)
    one, two = xyz_of(art / 255.0), xyz_of(posterised(art) / 255.0)
    assert score(one, two, 262.0).tobytes() == score(one, two, 262.0, threads=threads).tobytes()
