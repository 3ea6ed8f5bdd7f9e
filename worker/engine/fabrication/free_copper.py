"""Copper that nobody sees: where it is put, so that it helps what is seen.

Where a finish looks the same with copper below it and without, copper matches its neighbours, so that no edge of copper
coincides with another layer's. Each connected part of such pixels is filled or left empty as most of its border with
the copper that counts asks for, which makes few islands and few gaps. Along the rest of its border strips match the
neighbour. Beside an opening a strip is as wide as legend is pulled back there, since that is where it will be seen, and
as legend may shift on top; beside closed mask, as legend may shift. Where strips of both kinds meet, each pixel goes
with the nearer neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.engine.fabrication.bit_distances import nearer
from worker.engine.fabrication.bit_morphology import Bits, dilate, disc_within, region_of
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.border_rule import tolerances_of, whole_pixels
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.rims import if_sparse
from worker.fab_profile import FabProfile


@dataclass(frozen=True, slots=True, kw_only=True)
class Strips:
    """Widths of the strips that match a neighbour, in pixels.

    seen : beside an opening, where legend is pulled back. opening : beside an opening in all. closed : elsewhere.
    """

    seen: int
    opening: int
    closed: int


def strips_of(fab: FabProfile, pitch_um: float) -> Strips:
    """The profile's strips."""
    tolerances = tolerances_of(fab)
    seen = max(1, whole_pixels(tolerances.pull_back_mm, pitch_um))
    closed = max(1, whole_pixels(max(tolerances.legend_mm, tolerances.solder_mask_mm), pitch_um))
    return Strips(seen=seen, opening=seen + closed, closed=closed)


def free_copper(bits: LayerBits, strips: Strips, *, threads: int = 1) -> Bits:
    """The packed plane of copper, chosen wherever free pixels leave the choice. Nothing that is seen changes.

    The choice depends on the other pixels alone, so choosing twice chooses the same.
    """
    free = bits.free
    fixed = bits.copper & ~free
    bare = bits.board & ~fixed & ~free
    chosen, left = np.zeros_like(free), free
    # The strips that matter most come first, and leave to the others what they don't reach.
    widths = (strips.seen, bits.opening), (strips.closed, ~bits.opening), (strips.opening, bits.opening)
    for reach, where in widths:
        empty, full = _strips(fixed & where, bare & where, left, reach, threads)
        chosen, left = chosen | full, left & ~(full | empty)
    return _held(fixed | chosen | (_filled(fixed, bare, free, threads) & left), fixed, threads)


def _held(copper: Bits, fixed: Bits, threads: int) -> Bits:
    """The parts of copper that hold some that is seen: others would be islands for nothing."""
    parts = connected_parts(copper, corners=False, threads=threads)
    return chosen_parts(parts, pixels_in_parts(fixed, parts) > 0, copper.shape, threads=threads)


def _filled(fixed: Bits, bare: Bits, free: Bits, threads: int) -> Bits:
    """The free parts most of whose border is with copper."""
    near = disc_within(1.0)
    parts = connected_parts(free, corners=False, threads=threads)
    region = if_sparse(region_of(free, 0))
    asks = pixels_in_parts(dilate(fixed, near, region=region, threads=threads) & free, parts)
    against = pixels_in_parts(dilate(bare, near, region=region, threads=threads) & free, parts)
    return chosen_parts(parts, (asks > 0) & (asks >= against), free.shape, threads=threads)


def _strips(fixed: Bits, bare: Bits, free: Bits, reach: int, threads: int) -> tuple[Bits, Bits]:
    """Free pixels within reach of bare board, and of copper; where both are, those nearer to it."""
    strip = disc_within(float(reach))
    region = if_sparse(region_of(free, 0))
    by_copper = dilate(fixed, strip, region=region, threads=threads) & free
    by_bare = dilate(bare, strip, region=region, threads=threads) & free
    both = by_copper & by_bare
    full = (by_copper & ~both) | nearer(both, fixed, bare, reach, threads=threads)
    return np.asarray(by_bare & ~(both & full)), full
