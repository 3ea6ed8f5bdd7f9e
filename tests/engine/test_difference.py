"""CIEDE2000: the exact form against published pairs and colour-science, the fast form against the exact one."""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import njit

from tests.boards import board, lab_of
from tests.engine.sweeps import sweep_size
from worker.engine.colorimetry import D65_WHITE, LINEAR_RGB_TO_XYZ, SRGB_TO_LINEAR, srgb_to_lab
from worker.engine.difference import FAST_ERROR, ciede2000, cube_root, fast_squared, lab_f

DATA = Path(__file__).parents[1] / "data"
Floats = npt.NDArray[np.float64]


def random_labs(count: int, seed: int) -> Floats:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(0, 100, count), rng.uniform(-128, 128, (count, 2))])


def test_the_pairs_of_sharma_wu_and_dalal() -> None:
    """Sharma, Wu and Dalal, Color Research and Application 30 (2005), table 1: 34 pairs, printed to 4 decimals."""
    pairs = np.loadtxt(DATA / "ciede2000_sharma_2005.csv", delimiter=",", skiprows=4)
    assert pairs.shape == (34, 7)
    np.testing.assert_allclose(ciede2000(pairs[:, :3], pairs[:, 3:6]), pairs[:, 6], atol=5e-5)
    np.testing.assert_allclose(ciede2000(pairs[:, 3:6], pairs[:, :3]), pairs[:, 6], atol=5e-5)
    # The data file itself against another library.
    np.testing.assert_allclose(colour.delta_E(pairs[:, :3], pairs[:, 3:6], method="CIE 2000"), pairs[:, 6], atol=5e-5)


def test_random_pairs_against_colour_science() -> None:
    one, two = random_labs(20_000, 1), random_labs(20_000, 2)
    near = one + np.random.default_rng(3).normal(0, 2, one.shape)
    grey = one * [1, 0, 0]
    for other in (two, near, grey, one):
        wanted = colour.delta_E(one, other, method="CIE 2000")
        np.testing.assert_allclose(ciede2000(one, other), wanted, atol=1e-9)


def test_arrays_are_broadcast() -> None:
    one, two = random_labs(12, 4).reshape(3, 4, 3), random_labs(4, 5)
    assert ciede2000(one, two).shape == (3, 4)
    np.testing.assert_allclose(ciede2000(one, two)[2, 1], ciede2000(one[2, 1], two[1]))


lab = st.tuples(st.floats(0, 100), st.floats(-128, 128), st.floats(-128, 128))


@given(lab, lab)
def test_it_is_symmetric_and_zero_for_equals_only(one: tuple[float, ...], two: tuple[float, ...]) -> None:
    first, second = np.array(one), np.array(two)
    there, back = float(ciede2000(first, second)), float(ciede2000(second, first))
    assert there == pytest.approx(back, abs=1e-7)
    assert float(ciede2000(first, first)) == 0.0
    assert there > 0.0 or np.abs(first - second).max() < 1e-3


@njit  # type: ignore[untyped-decorator]
def fast_differences(linear, matrix, lab, out, opposite):  # type: ignore[no-untyped-def]
    """What the engine's loops do: CIELAB in float32 from linear light, then the fast form against each finish."""
    for i in range(linear.shape[0]):
        r, g, b = linear[i, 0], linear[i, 1], linear[i, 2]
        f_x = lab_f(matrix[0, 0] * r + matrix[0, 1] * g + matrix[0, 2] * b)
        f_y = lab_f(matrix[1, 0] * r + matrix[1, 1] * g + matrix[1, 2] * b)
        f_z = lab_f(matrix[2, 0] * r + matrix[2, 1] * g + matrix[2, 2] * b)
        l_1 = np.float32(116.0) * f_y - np.float32(16.0)
        a_1 = np.float32(500.0) * (f_x - f_y)
        b_1 = np.float32(200.0) * (f_y - f_z)
        c_1 = np.sqrt(a_1 * a_1 + b_1 * b_1)
        for j in range(lab.shape[0]):
            c_2 = np.sqrt(lab[j, 1] * lab[j, 1] + lab[j, 2] * lab[j, 2])
            squared = fast_squared(l_1, a_1, b_1, c_1, lab[j, 0], lab[j, 1], lab[j, 2], c_2)
            opposite[i, j] = squared < np.float32(0.0)
            out[i, j] = np.sqrt(max(squared, np.float32(0.0)))


def fast(srgb: npt.NDArray[np.int64], finishes: Floats) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    out = np.empty((len(srgb), len(finishes)), dtype=np.float32)
    opposite = np.empty(out.shape, dtype=np.bool_)
    matrix = (LINEAR_RGB_TO_XYZ / D65_WHITE[:, None]).astype(np.float32)
    fast_differences(SRGB_TO_LINEAR[srgb], matrix, finishes.astype(np.float32), out, opposite)
    return out, opposite


def many_finishes() -> Floats:
    """The demo profiles' finishes, greys, and colours all over sRGB and beyond."""
    demo = [lab_of(board(name)) for name in ("nocturne-gold", "meadow-tin", "alba-black")]
    greys = np.column_stack([np.linspace(0, 100, 6), np.zeros((6, 2))])
    inside = srgb_to_lab(np.random.default_rng(6).integers(0, 256, (20, 3)))
    return np.concatenate([*demo, greys, inside, random_labs(10, 7) * [1, 0.8, 0.8]])


def worst_of_fast(srgb: npt.NDArray[np.int64], finishes: Floats) -> tuple[float, float]:
    """The largest error where hues are not opposite, and the share of pairs called opposite."""
    got, opposite = fast(srgb, finishes)
    exact = ciede2000(srgb_to_lab(srgb)[:, None], finishes[None])
    return float(np.abs(got - exact)[~opposite].max()), float(opposite.mean())


def test_the_fast_form_over_the_cube() -> None:
    """A seeded sample of the sRGB cube, its edges and greys; with WHOLE_SWEEPS=1 a hundred times as much."""
    rng = np.random.default_rng(8)
    finishes = many_finishes()
    edge = np.stack(np.meshgrid([0, 1, 128, 254, 255], [0, 1, 128, 254, 255], np.arange(256)), -1).reshape(-1, 3)
    greys = np.repeat(np.arange(256)[:, None], 3, axis=1)
    worst, opposite = worst_of_fast(np.concatenate([edge, greys]), finishes)
    for _ in range(sweep_size(1, 100)):
        error, share = worst_of_fast(rng.integers(0, 256, (40_000, 3)), finishes)
        worst, opposite = max(worst, error), max(opposite, share)
    assert worst < FAST_ERROR
    assert opposite < 0.01, "the slow exact form would be asked too often"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["nocturne-gold", "meadow-tin", "alba-black"])
def test_the_fast_form_over_every_colour(name: str) -> None:
    """Every fifth value of every channel; with WHOLE_SWEEPS=1 all 2^24 colours."""
    finishes = lab_of(board(name))
    values = np.arange(0, 256, sweep_size(5, 1))
    for red in values:
        plane = np.stack(np.meshgrid([red], values, values, indexing="ij"), -1).reshape(-1, 3)
        assert worst_of_fast(plane, finishes)[0] < FAST_ERROR


def test_opposite_hues_are_owned_up_to() -> None:
    """Where the mean hue flips, the fast form says so rather than be wrong; two pairs are of Sharma's table."""
    one = np.array([[50.0, 2.49, -0.001], [50.0, -0.001, 2.49], [50.0, 40.0, 25.0]])
    two = np.array([[50.0, -2.49, 0.0009], [50.0, 0.0009, -2.49], [50.0, -40.0, -25.0]])
    for first, second in zip(one.astype(np.float32), two.astype(np.float32), strict=True):
        chromas = [np.float32(np.hypot(*colour_[1:])) for colour_ in (first, second)]
        assert fast_squared(*first, chromas[0], *second, chromas[1]) == -1.0


def test_the_cube_root() -> None:
    x = np.geomspace(1e-3, 2.0, 5000).astype(np.float32)
    found = np.array([cube_root(value) for value in x])
    assert np.abs(found / np.cbrt(x.astype(np.float64)) - 1.0).max() < 3e-7
