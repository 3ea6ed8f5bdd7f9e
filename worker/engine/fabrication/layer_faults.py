"""Where packed layers break a limit: the pixels that `limits.measure_limits` marks, in a part of the board at a time.

Neither places nor sizes are found, so it costs a fraction, and a change of some blocks is judged in those blocks alone.
Only solid legend too large in one piece is left to `measure_limits`.
"""

from __future__ import annotations

import copy

import numpy as np
from numba import njit

from worker.engine.fabrication.bit_morphology import (
    BLOCK,
    Bits,
    Region,
    dilate,
    disc_within,
    everywhere,
    needed_runs,
    strip_groups,
    touch_word,
)
from worker.engine.fabrication.board_windows import Window
from worker.engine.fabrication.edge_bands import Edges, edge_band, edge_reach_px, pad_reach_px
from worker.engine.fabrication.layer_bits import LayerBits
from worker.engine.fabrication.planes import COPPER, LEGEND, OPENING
from worker.engine.fabrication.sparse_bits import remove
from worker.engine.fabrication.thin_parts import add_grown, clear, held_words, layer_rules, thin_of_layers
from worker.engine.fabrication.width_rules import Layer, limit_px, width_rules
from worker.engine.threads import run_all
from worker.fab_profile import FabProfile

_BESIDE_PX = 2.0
_NEAR_SHARE = 0.6
"""Rules that reach no farther than so much of the farthest reach are asked in fewer blocks around a change."""
_LAYERS: tuple[tuple[int, Layer], ...] = ((COPPER, "copper"), (OPENING, "solder_mask"), (LEGEND, "legend"))


def widest_px(fab: FabProfile, pitch_um: float) -> int:
    """The widest disc that is asked for: what a frame's pad must hold."""
    return max(
        *(rule.diameter_px + 2 * rule.spare_reach_px for rule in width_rules(fab, pitch_um, chosen=True)),
        2 * limit_px(fab.limits["legend", "clearance_mm"].value_mm, pitch_um) + 1,
        *(2 * edge_reach_px(fab, layer, pitch_um) + 1 for _, layer in _LAYERS),
        *(2 * pad_reach_px(fab, layer, pitch_um) + 1 for _, layer in _LAYERS),
    )


class LayerFaults:
    """The limits of a profile on one board."""

    def __init__(self, bits: LayerBits, fab: FabProfile, pitch_um: float, *, threads: int = 1) -> None:
        self._board, self._threads = bits.board, threads
        self._excused: Bits | None = None
        self._clearance = disc_within(limit_px(fab.limits["legend", "clearance_mm"].value_mm, pitch_um)).half_px
        rules = width_rules(fab, pitch_um, chosen=True)
        reaches = layer_rules(rules)[2].each_reach_px
        order = np.argsort(reaches, kind="stable")
        # Few rules reach far, as that of bare metal does: they come last.
        self._rules = layer_rules(tuple(rules[i] for i in order))
        self._far: int = max(int(reaches[order][-1]), len(self._clearance), 2)
        self._near_rules = int(np.count_nonzero(reaches <= max(_NEAR_SHARE * self._far, len(self._clearance), 2)))
        self._near: int = max([*reaches[order][: self._near_rules].tolist(), len(self._clearance), 2])
        nothing = np.zeros(bits.board.shape, dtype=np.uint64)
        edges = Edges(outside=~bits.board, plated=bits.plated, pads=bits.pads)
        bands = {bit: edge_band(edges, fab, layer, pitch_um, threads=threads) for bit, layer in _LAYERS}
        self._barred = {bit: nothing if band is None else band for bit, band in bands.items()}

    @property
    def reach_px(self) -> int:
        """Rows and columns around a pixel that decide on whether it breaks a limit."""
        return self._far

    @property
    def near_reach_px(self) -> int:
        """The same by the rules that don't reach far."""
        return self._near

    def excuse(self, bits: LayerBits) -> None:
        """Count what breaks a limit in these layers, and the pixels beside it, no more."""
        self._excused = None
        self._excused = dilate(self(bits), disc_within(_BESIDE_PX), threads=self._threads)

    def __call__(self, bits: LayerBits, region: Region | None = None) -> Bits:
        """The pixels that break a limit, all four of a corner touch; in the region, elsewhere none."""
        found: Bits = np.zeros(self._board.shape, dtype=np.uint64)
        self.add(bits, everywhere(self._board.shape) if region is None else region, found)
        return found

    def add(self, bits: LayerBits, region: Region, found: Bits, *, far: Region | None = None) -> None:
        """The same, added to a plane that is empty in the region. far : where those rules count that reach far; it
        holds the region, and is it if not given."""
        far = region if far is None else far
        part, spare, discs = self._rules
        layers = bits.copper, bits.opening, bits.legend, bits.hatched, bits.board
        barred = [self._barred[bit] for bit, _ in _LAYERS]
        shapes = discs.beside, discs.fits, discs.covers, discs.rows, discs.odd
        run_all(
            lambda a, b: _add_faults(  # type: ignore[call-arg, unused-ignore]
                *layers, *barred, part, spare, *shapes, self._near_rules, self._clearance, region, far, a, b, found
            ),
            strip_groups(found.shape[0], self._threads),
            self._threads,
        )
        if self._excused is not None:
            remove(found, self._excused, far)

    def too_far_out(self, bits: LayerBits) -> Bits:
        """Layers too near to the board's edge."""
        found: Bits = np.zeros(self._board.shape, dtype=np.uint64)
        around = everywhere(found.shape)
        for layer, plane in ((COPPER, bits.copper), (OPENING, bits.opening), (LEGEND, bits.legend)):
            _add_places(plane, self._board, self._barred[layer], False, around, 0, found.shape[0], found)
        return found

    def window(self, window: Window) -> LayerFaults:
        """The limits on a part of the board, on one thread."""
        part = copy.copy(self)
        part._threads = 1
        part._board = window.cut(self._board)
        part._barred = {layer: window.cut(plane) for layer, plane in self._barred.items()}
        part._excused = None if self._excused is None else window.cut(self._excused)
        return part


@njit(cache=True, nogil=True, error_model="numpy")
def _add_faults(  # type: ignore[no-untyped-def]
    copper,
    opening,
    legend,
    hatched,
    board,
    no_copper,
    no_opening,
    no_legend,
    part,
    spare,
    beside,
    fits,
    covers,
    rows,
    odd,
    near,
    clearance,
    region,
    far,
    first,
    last,
    out,
):  # pragma: no cover - compiled
    """near : how many of the rules don't reach far, and count in the region alone."""
    for top in range(first, last, BLOCK):
        if not far[top // BLOCK].any():
            continue
        end = min(top + BLOCK, last)
        _add_places(copper, board, no_copper, True, region, top, end, out)
        _add_places(opening, board, no_opening, True, region, top, end, out)
        _add_places(legend, board, no_legend, True, region, top, end, out)
        for some, where in ((slice(0, near), region), (slice(near, part.shape[0]), far)):
            thin_of_layers(
                copper,
                opening,
                legend,
                hatched,
                board,
                part[some],
                spare[some],
                beside[some],
                fits[some],
                covers[some],
                rows[some],
                odd[some],
                where,
                top,
                end,
                out,
            )
        _add_near(legend, opening, clearance, region, top, end, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_near(legend, opening, half, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add legend that discs around openings reach."""
    height, words = out.shape
    reach = half.shape[0]
    for top in range(first, last, BLOCK):
        end = min(top + BLOCK, last)
        active = held_words(legend[top:end], needed_runs(region[top // BLOCK], 0))
        if not active.any():
            continue
        runs, wide = needed_runs(active, 0), needed_runs(active, 1 + reach // 64)
        source = np.empty((end - top + 2 * reach, words), dtype=np.uint64)
        for r in range(source.shape[0]):
            row = opening[min(max(top - reach + r, 0), height - 1)]
            for n in range(wide.shape[0]):
                source[r, wide[n, 0] : wide[n, 1]] = row[wide[n, 0] : wide[n, 1]]
        if not held_words(source, wide).any():
            continue
        near = np.empty((end - top, words), dtype=np.uint64)
        for r in range(near.shape[0]):
            clear(runs, near[r])
        add_grown(source, half, runs, near)
        for y in range(top, end):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    out[y, j] |= legend[y, j] & near[y - top, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_places(plane, board, barred, touches, region, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """Add what lies where it is barred, and all four pixels of each corner touch."""
    above = np.empty(plane.shape[1], dtype=np.uint64)
    for top in range(first, last, BLOCK):
        runs = needed_runs(region[top // BLOCK], 0)
        if touches:
            for n in range(runs.shape[0]):
                for j in range(max(runs[n, 0] - 1, 0), runs[n, 1]):
                    above[j] = touch_word(plane, board, top - 1, j) if top > 0 else np.uint64(0)
        for y in range(top, min(top + BLOCK, last)):
            for n in range(runs.shape[0]):
                for j in range(runs[n, 0], runs[n, 1]):
                    out[y, j] |= plane[y, j] & barred[y, j]
                if not touches:
                    continue
                # A square's upper left pixel, or the one above, left, or above and left, is where it touches.
                left = np.uint64(0)
                for j in range(max(runs[n, 0] - 1, 0), runs[n, 1]):
                    here = touch_word(plane, board, y, j)
                    both = here | above[j]
                    above[j] = here
                    if j >= runs[n, 0]:
                        out[y, j] |= both | (both << np.uint64(1)) | (left >> np.uint64(63))
                    left = both
