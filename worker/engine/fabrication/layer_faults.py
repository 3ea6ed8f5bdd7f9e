"""Where packed layers break a limit: the pixels that `limits.measure_limits` marks, in a part of the board at a time.

Neither places nor sizes are found, so it costs a fraction, and a change of some blocks is judged in those blocks alone.
Only solid legend too large in one piece is left to `measure_limits`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    Region,
    blocks_held,
    dilate,
    disc_within,
    everywhere,
    strip_groups,
    touch_word,
)
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.fabrication.thin_parts import thin_layers
from worker.engine.fabrication.width_rules import edge_px, limit_px, width_rules
from worker.engine.threads import run_all
from worker.fab_profile import FabProfile

_BESIDE_PX = 2.0
_EDGES = ((COPPER, "routed_mm"), (OPENING, "mask_mm"), (LEGEND, "legend_mm"))


def widest_px(fab: FabProfile, pitch_um: float) -> int:
    """The widest disc that is asked for: what a frame's pad must hold."""
    return max(
        *(rule.diameter_px + 2 * rule.spare_reach_px for rule in width_rules(fab, pitch_um, chosen=True)),
        2 * limit_px(fab.limits["legend", "clearance_mm"].value_mm, pitch_um) + 1,
        *(
            2 * edge_px(fab.limits["edge", key].value_mm, pitch_um) + 1
            for _, key in _EDGES
            if ("edge", key) in fab.limits
        ),
    )


class LayerFaults:
    """The limits of a profile on one board."""

    def __init__(self, bits: LayerBits, fab: FabProfile, pitch_um: float, *, threads: int = 1) -> None:
        self._board, self._threads = bits.board, threads
        self._excused: Bits | None = None
        self._rules = width_rules(fab, pitch_um, chosen=True)
        self._clearance = disc_within(limit_px(fab.limits["legend", "clearance_mm"].value_mm, pitch_um))
        nothing = np.zeros(bits.board.shape, dtype=np.uint64)
        self._barred = {layer: nothing for layer, _ in _EDGES}
        for layer, key in _EDGES:
            limit = fab.limits.get(("edge", key))
            if limit is not None and limit.value_mm > 0.0:
                reach = disc_within(edge_px(limit.value_mm, pitch_um))
                self._barred[layer] = dilate(~bits.board, reach, threads=threads) & bits.board

    def excuse(self, bits: LayerBits) -> None:
        """Count what breaks a limit in these layers, and the pixels beside it, no more."""
        self._excused = None
        self._excused = dilate(self(bits), disc_within(_BESIDE_PX), threads=self._threads)

    def __call__(self, bits: LayerBits, region: Region | None = None) -> Bits:
        """The pixels that break a limit, all four of a corner touch; in the region, elsewhere none."""
        found: Bits = np.zeros(self._board.shape, dtype=np.uint64)
        around = everywhere(self._board.shape) if region is None else region
        self._add_places(bits, around, True, found)
        for rule in self._rules:
            thin_layers(bits, rule, region=region, threads=self._threads, out=found)
        held = blocks_held(bits.legend, region)
        if held.any():
            found |= bits.legend & dilate(bits.opening, self._clearance, region=held, threads=self._threads)
        if self._excused is not None:
            found &= ~self._excused
        return found

    def too_far_out(self, bits: LayerBits) -> Bits:
        """Layers too near to the board's edge."""
        found: Bits = np.zeros(self._board.shape, dtype=np.uint64)
        self._add_places(bits, everywhere(self._board.shape), False, found)
        return found

    def _add_places(self, bits: LayerBits, region: Region, touches: bool, out: Bits) -> None:
        """Add what is too near to the board's edge, and corner touches."""
        for layer, plane in ((COPPER, bits.copper), (OPENING, bits.opening), (LEGEND, bits.legend)):
            barred = self._barred[layer]
            run_all(
                lambda a, b, plane=plane, barred=barred: _add_places(
                    plane, self._board, barred, touches, region, a, b, out
                ),
                strip_groups(self._board.shape[0], self._threads),
                self._threads,
            )


@njit(cache=True, nogil=True, error_model="numpy")
def _add_places(plane, board, barred, touches, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    for top in range(first, last, BLOCK):
        flags = region[top // BLOCK]
        if not flags.any():
            continue
        for y in range(top, min(top + BLOCK, last)):
            for j in range(plane.shape[1]):
                if flags[j] != 0:
                    out[y, j] |= _place_word(plane, board, barred, touches, y, j)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _place_word(plane, board, barred, touches, y, j):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    word = plane[y, j] & barred[y, j]
    if touches:
        # A square's upper left pixel, or the one above, left, or above and left, is where it touches.
        here = touch_word(plane, board, y, j)
        if y > 0:
            here |= touch_word(plane, board, y - 1, j)
        word |= here | (here << np.uint64(1))
        if j > 0:
            left = touch_word(plane, board, y, j - 1)
            if y > 0:
                left |= touch_word(plane, board, y - 1, j - 1)
            word |= left >> np.uint64(63)
    return word
