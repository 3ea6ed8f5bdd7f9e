"""What is known of thin parts, against all of it measured anew: the rules themselves are tested in their own files."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from tests.boards import board
from tests.engine.fabrication.fabs import lab
from worker.engine.fabrication.bit_morphology import BLOCK, Bits, Region, dilate, disc, everywhere, region_of, wider
from worker.engine.fabrication.board_windows import mask_of, windows_on
from worker.engine.fabrication.measured_thin import Words
from worker.engine.fabrication.partition import Partition

Random = np.random.Generator


def _partition(rng: Random, threads: int = 2) -> Partition:
    fab = board("nocturne-gold")
    labels = np.kron(rng.integers(0, len(fab.finishes), (30, 40)), np.ones((15, 17))).astype(np.uint8)
    labels[100:108] = 0
    return Partition(labels, fab, lab(fab), pitch_um=10.0, threads=threads)


def _anew(parts: Partition) -> Partition:
    out = copy.copy(parts)
    out.measured = None
    return out


def _region(rng: Random, parts: Partition, share: float) -> Region:
    return (rng.random(everywhere(parts.shape).shape) < share).astype(np.uint8)


def _blot(rng: Random, parts: Partition, diameter_px: int) -> Bits:
    frame, where = parts.frame, parts.empty()
    y, x = (int(rng.integers(side)) + frame.pad_px for side in (frame.height_px, frame.width_px))
    where[y, x // 64] = np.uint64(1) << np.uint64(x % 64)
    return dilate(where, disc(diameter_px)) & ~parts.outside


def _change(rng: Random, parts: Partition, step: int) -> None:
    where = _blot(rng, parts, int(rng.integers(1, 40)))
    if step % 3 == 0:
        parts.move(where, int(rng.integers(parts.count)))
    elif step % 3 == 1:
        parts.flood(where, None, tuple(range(parts.count)), 9)
    else:
        saved = parts.saved([Words.of(where)])
        parts.take_over(where, parts.planes[::-1].copy())
        parts.put_back(where & _blot(rng, parts, 30), saved)


def test_what_lies_far_from_a_change_stays_known() -> None:
    rng = np.random.default_rng(4)
    parts = _partition(rng)
    measured, whole = parts.remember_thin(), everywhere(parts.shape)
    parts.faults()
    assert all(measured.unknown(number, whole) is None for number in range(len(parts.rules)))
    parts.move(_blot(rng, parts, 9), 0)
    asked = [measured.unknown(number, whole) for number in range(len(parts.rules))]
    shares = [region.mean() for region in asked if region is not None]
    assert shares and max(shares) < 0.25


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_faults_and_thin_parts_are_what_they_are_when_measured_anew(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = _partition(rng)
    parts.remember_thin()
    for step in range(18):
        region = _region(rng, parts, 0.7)
        faults = parts.faults(region)
        assert faults.any()
        assert (faults == _anew(parts).faults(region)).all()
        for rule in parts.rules:
            assert (parts.thin(rule, region) == _anew(parts).thin(rule, region)).all()
        _change(rng, parts, step)
    assert (parts.faults() == _anew(parts).faults()).all()


def test_a_copy_goes_on_by_itself() -> None:
    rng = np.random.default_rng(4)
    parts = _partition(rng)
    parts.remember_thin()
    wanted = parts.faults()
    before, known = parts.planes, parts.measured
    assert known is not None
    parts.planes, parts.measured = before.copy(), known.copy()
    parts.move(_blot(rng, parts, 60), 0)
    assert (parts.faults() == _anew(parts).faults()).all()
    assert (parts.faults() != wanted).any()
    parts.planes, parts.measured = before, known
    assert (parts.faults() == wanted).all()


def test_a_window_knows_what_the_board_does_and_the_board_learns_what_changed_there() -> None:
    rng = np.random.default_rng(5)
    parts = _partition(rng)
    parts.remember_thin()
    parts.faults()
    room = wider(region_of(_blot(rng, parts, 40), 0))
    (window,) = windows_on(room, parts.shape)
    before = parts.planes
    parts.planes = before.copy()
    part = parts.window(before, window.rows, window.words)
    inside = window.own & window.cut_region(region_of(~parts.outside, 0))
    assert (part.faults(inside) == _anew(part).faults(inside)).all()
    part.move(window.cut(_blot(rng, parts, 1)) | (mask_of(window.own, part.shape[0]) & ~part.outside), 1)
    assert (part.faults(inside) == _anew(part).faults(inside)).all()
    window.paste(parts.planes, part.planes)
    parts.note_changes(room, before)
    assert (parts.faults() == _anew(parts).faults()).all()


def test_what_became_thin_is_told_from_what_was() -> None:
    rng = np.random.default_rng(6)
    parts = _partition(rng)
    whole = everywhere(parts.shape)
    before = [parts.thin_words(rule, whole) for rule in parts.rules]
    old = [_anew(parts).thin(rule) for rule in parts.rules]
    for step in range(6):
        _change(rng, parts, step)
    region = _region(rng, parts, 0.8)
    wanted = parts.empty()
    for rule, was in zip(parts.rules, old, strict=True):
        wanted |= _anew(parts).thin(rule, region) & ~was
    assert wanted.any()
    assert (parts.new_thin(before, region) == wanted).all()


def test_words_of_a_plane_are_its_pixels() -> None:
    rng = np.random.default_rng(8)
    plane = rng.integers(0, 2**63, (3 * BLOCK, 9), dtype=np.uint64) * (rng.random((3 * BLOCK, 9)) < 0.1)
    region = (rng.random((3, 9)) < 0.5).astype(np.uint8)
    words, out = Words.of(plane), np.zeros_like(plane)
    words.within(region).add(out)
    assert (out == (plane & mask_of(region, len(plane)))).all()
    words.clear(plane)
    assert not plane.any()
