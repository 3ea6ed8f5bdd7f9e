"""Copper that was added to join parts: mended where it breaks a limit, and left out where that doesn't help.

A bridge that meets the edge of a part at a slant leaves a gap that tapers to nothing, which no fab makes. Such gaps are
filled, if copper may be there. A bridge beside which something is still wrong goes as a whole, and no other with it.
"""

from __future__ import annotations

from worker.engine.fabrication.bit_morphology import (
    Bits,
    dilate,
    disc,
    disc_within,
    opened,
    reached,
    region_of,
)
from worker.engine.fabrication.bit_parts import chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.layer_faults import LayerFaults, widest_px
from worker.engine.fabrication.width_rules import limit_px
from worker.fab_profile import FabProfile

_TURNS = 4
_BESIDE_PX = 2
"""A fault is laid to the bridges so near to it; to those farther off only where there is none."""


def keep_makeable_bridges(
    bits: LayerBits, before: Bits, barred: Bits, fab: FabProfile, pitch_um: float, *, threads: int = 1
) -> int:
    """Mend the copper that was added, in place, or take it away again; how many connected pieces of it went.

    before : the copper as it was; what breaks a limit there is not held against the bridges. barred : where no copper
    may be added.
    """
    limits = LayerFaults(bits, fab, pitch_um, threads=threads)
    limits.excuse(bits.with_drawn(before, bits.opening, bits.legend))
    _fill_gaps(bits, before, barred, limits, limit_px(fab.limits["copper", "gap_mm"].value_mm, pitch_um), threads)
    left_out = 0
    while (faults := _beside(bits, before, limits)).any():
        added = bits.copper & ~before
        pieces = connected_parts(added, corners=True, threads=threads)
        for reach in (_BESIDE_PX, widest_px(fab, pitch_um)):
            guilty = pixels_in_parts(dilate(faults, disc_within(reach), threads=threads), pieces) > 0
            if guilty.any():
                break
        left_out += int(guilty.sum())
        bits.copper[:] &= ~chosen_parts(pieces, guilty, added.shape, threads=threads)
    return left_out


def _beside(bits: LayerBits, before: Bits, limits: LayerFaults) -> Bits:
    """What breaks a limit in reach of what was added."""
    added = bits.copper & ~before
    return limits(bits, reached(added, region_of(added, 0), limits.reach_px))


def _fill_gaps(bits: LayerBits, before: Bits, barred: Bits, limits: LayerFaults, gap_px: int, threads: int) -> None:
    """Fill the gaps that are too narrow, wherever copper may be; what is filled may leave others."""
    may = bits.board & ~bits.opening & ~barred
    for _ in range(_TURNS):
        wrong = _beside(bits, before, limits) & ~bits.copper
        if not wrong.any():
            return
        narrow = ~bits.copper & ~opened(~bits.copper, disc(gap_px), threads=threads)
        filled = narrow & dilate(wrong, disc_within(gap_px), threads=threads) & may
        if not filled.any():
            return
        bits.copper[:] |= filled
