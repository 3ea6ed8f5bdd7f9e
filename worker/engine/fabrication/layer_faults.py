"""Where packed layers break a limit: the pixels that `limits.measure_limits` marks, in a part of the board at a time.

Neither places nor sizes are found, so it costs a fraction, and a change of some blocks is judged in those blocks alone.
Only solid legend too large in one piece is left to `measure_limits`.
"""

from __future__ import annotations

import numpy as np

from worker.engine.fabrication.bit_morphology import (
    Bits,
    Region,
    blocks_held,
    corner_touches,
    dilate,
    disc_within,
)
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.partition import shifted
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.fabrication.thin_parts import thin_layers
from worker.engine.fabrication.width_rules import edge_px, limit_px, width_rules
from worker.fab_profile import FabProfile

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
        self._outside = ~bits.board
        self._rules = width_rules(fab, pitch_um, chosen=True)
        self._clearance = disc_within(limit_px(fab.limits["legend", "clearance_mm"].value_mm, pitch_um))
        self._barred: dict[int, Bits] = {}
        for layer, key in _EDGES:
            limit = fab.limits.get(("edge", key))
            if limit is not None and limit.value_mm > 0.0:
                reach = disc_within(edge_px(limit.value_mm, pitch_um))
                self._barred[layer] = dilate(self._outside, reach, threads=threads) & bits.board

    def __call__(self, bits: LayerBits, region: Region | None = None) -> Bits:
        """The pixels that break a limit, all four of a corner touch; in the region, elsewhere none."""
        found = self.too_far_out(bits)
        for rule in self._rules:
            thin_layers(bits, rule, region=region, threads=self._threads, out=found)
        held = blocks_held(bits.legend, region)
        if held.any():
            found |= bits.legend & dilate(bits.opening, self._clearance, region=held, threads=self._threads)
        for plane in (bits.copper, bits.opening, bits.legend):
            touches = corner_touches(plane, self._board, threads=self._threads)
            if touches.any():
                touches |= shifted(touches, 1, 0)
                found |= touches | shifted(touches, 0, 1)
        return _inside(found, region)

    def too_far_out(self, bits: LayerBits) -> Bits:
        """Layers too near to the board's edge."""
        found = np.zeros_like(self._board)
        for layer, plane in ((COPPER, bits.copper), (OPENING, bits.opening), (LEGEND, bits.legend)):
            if layer in self._barred:
                found |= plane & self._barred[layer]
        return found


def _inside(bits: Bits, region: Region | None) -> Bits:
    if region is not None:
        bits *= np.repeat(region, 64, axis=0)[: bits.shape[0]]
    return bits
