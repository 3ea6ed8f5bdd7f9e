"""Where packed layers break a limit: the pixels that `limits.measure_limits` marks, in a part of the board at a time.

Neither places nor sizes are found, so it costs a fraction, and a change of some blocks is judged in those blocks alone.
Only solid legend too large in one piece is left to `measure_limits`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    Bits,
    Region,
    corner_touches,
    dilate,
    disc,
    disc_within,
    everywhere,
    opened,
    wider,
)
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.partition import shifted
from worker.engine.fabrication.planes import BOARD, COPPER, HATCHED, LEGEND, OPENING
from worker.engine.fabrication.width_rules import CORNER_TOLERANCE, WidthRule, edge_px, limit_px, width_rules
from worker.engine.threads import row_strips, run_all
from worker.fab_profile import FabProfile

Table = npt.NDArray[np.uint8]

_STRIP = 64
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
        self._rules = [
            (rule, _short(rule.part_table()), _short(rule.spare_table()))
            for rule in width_rules(fab, pitch_um, chosen=True)
        ]
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
        for rule, part, spare in self._rules:
            found |= self._thin(bits, rule, part, spare, region)
        if bits.legend.any() and bits.opening.any():
            found |= bits.legend & dilate(bits.opening, self._clearance, region=region, threads=self._threads)
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

    def _thin(
        self, bits: LayerBits, rule: WidthRule, part_table: Table, spare_table: Table, region: Region | None
    ) -> Bits:
        # Each step looks a block farther than the next one.
        first = _wider(region)
        third = _wider(_wider(first))
        part = self._picked(bits, part_table, third)
        if not part.any():
            return part
        if rule.spare_reach_px:
            space = self._picked(bits, spare_table, _wider(third)) | self._outside
            space = dilate(space, disc_within(rule.spare_reach_px), region=third, threads=self._threads) | part
        else:
            space = part | self._outside
        cover = opened(space, disc(rule.diameter_px), region=first, threads=self._threads)
        tolerance = disc_within(CORNER_TOLERANCE * rule.diameter_px / 2.0)
        return np.asarray(part & ~dilate(cover, tolerance, region=region, threads=self._threads))

    def _picked(self, bits: LayerBits, table: npt.NDArray[np.uint8], region: Region | None) -> Bits:
        """Pixels of the board whose layers the table chooses."""
        out = np.empty_like(self._board)
        active = everywhere(out.shape) if region is None else region
        hatched = bits.hatched & bits.copper
        run_all(
            lambda a, b: _pick(bits.copper, bits.opening, bits.legend, hatched, self._board, table, active, a, b, out),
            row_strips(out.shape[0], _STRIP),
            self._threads,
        )
        return out


def _short(table: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """uint8 (16,): the table for stacks on the board, by copper, opening, legend, hatch."""
    return np.array([table[BOARD | bits] for bits in range(16)], dtype=np.uint8)


assert (COPPER, OPENING, LEGEND, HATCHED) == (1, 2, 4, 8)  # four bits in a row


@njit(cache=True, nogil=True, error_model="numpy")
def _pick(copper, opening, legend, hatched, board, table, active, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    flags = active[first // 64]
    for y in range(first, last):
        for j in range(out.shape[1]):
            word = np.uint64(0)
            if flags[j] != 0:
                for bits in range(16):
                    if table[bits] != 0:
                        one = board[y, j]
                        one &= copper[y, j] if bits & 1 else ~copper[y, j]
                        one &= opening[y, j] if bits & 2 else ~opening[y, j]
                        one &= legend[y, j] if bits & 4 else ~legend[y, j]
                        one &= hatched[y, j] if bits & 8 else ~hatched[y, j]
                        word |= one
            out[y, j] = word


def _wider(region: Region | None) -> Region | None:
    return None if region is None else wider(region)


def _inside(bits: Bits, region: Region | None) -> Bits:
    if region is not None:
        bits *= np.repeat(region, 64, axis=0)[: bits.shape[0]]
    return bits
