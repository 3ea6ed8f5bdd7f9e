"""Draws of a true mean: their spread is the standard error, wider where few readings tell it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from worker.engine.references.prediction.scatter import ReadingNoise, coverage_factor, draw_means

NOISE = ReadingNoise(shared=0.003, apart=0.001)


@pytest.mark.parametrize("readings", [4, 6, 20])
def test_from_four_readings_on_the_draws_have_the_standard_error(readings: int) -> None:
    chance = np.random.default_rng(3)
    values = chance.normal(0.4, 0.01, (readings, 31))
    draws = draw_means(values, NOISE, 8000, chance)
    assert draws.shape == (8000, 31)
    assert draws.mean(axis=0) == pytest.approx(values.mean(axis=0), abs=3e-4)
    assert draws.std(axis=0) == pytest.approx(stats.sem(values, axis=0), rel=0.05)
    assert np.cov(draws.T) == pytest.approx(np.cov(values.T) / readings, abs=3e-6)


def test_one_sample_s_scatter_is_widened_as_student_s() -> None:
    """t of 4 degrees of freedom: 2.776 (tables); of two alike samples, 8 degrees: 2.306 (Welch and Satterthwaite)."""
    assert coverage_factor([1.0], [5]) == pytest.approx(2.776 / 1.960, rel=1e-3)
    assert coverage_factor([1.0, 1.0], [5, 5]) == pytest.approx(2.306 / 1.960, rel=1e-3)
    assert coverage_factor([1.0, 1e-6], [5, 5]) == pytest.approx(2.776 / 1.960, rel=1e-3)


def test_assumed_noise_is_not_widened() -> None:
    assert coverage_factor([1.0], [1]) == 1.0
    assert coverage_factor([0.0], [5]) == 1.0
    assert 1.0 < coverage_factor([1.0, 1.0], [5, 1]) < 2.776 / 1.960


def test_readings_that_move_together_are_drawn_together() -> None:
    """Five readings that differ by a shared factor alone: every draw keeps the shape of the spectrum."""
    shape = np.linspace(0.1, 0.7, 31)
    values = np.array([1.0, 1.02, 0.97, 1.01, 0.99])[:, None] * shape
    draws = draw_means(values, NOISE, 200, np.random.default_rng(4))
    ratio = draws / shape
    assert np.ptp(ratio, axis=1).max() < 1e-9
    assert ratio.std() > 0.005


def test_one_reading_takes_the_assumed_noise() -> None:
    draws = draw_means(np.full((1, 31), 0.4), NOISE, 20_000, np.random.default_rng(5))
    assert draws.std(axis=0).mean() == pytest.approx(np.hypot(0.003, 0.001), rel=0.03)
    assert draws.mean(axis=1).std() == pytest.approx(np.hypot(0.003, 0.001 / np.sqrt(31)), rel=0.03)


def test_two_readings_take_it_on_top_of_their_own() -> None:
    values = np.array([np.full(31, 0.38), np.full(31, 0.42)])
    draws = draw_means(values, NOISE, 20_000, np.random.default_rng(6))
    assert draws[:, 0].std() == pytest.approx(np.sqrt(0.02**2 + 0.003**2 + 0.001**2), rel=0.03)
