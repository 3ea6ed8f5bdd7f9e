"""Legend beside openings: who gives way, and to what.

Fabs clip legend some way off every opening of the solder mask (common practice, no source), so a ring without either is
certain. The ring takes the look, of those without legend and opening, that is nearest to what it replaces, and lies in
the neighbour where it costs less. A narrow part whose ring would cost more than the part itself is shown by another
finish instead.
"""

from __future__ import annotations

import numpy as np

from worker.engine.fabrication.bit_morphology import Bits, Region, dilate, disc_within, erode, everywhere
from worker.engine.fabrication.bit_parts import (
    areas_and_boxes,
    chosen_parts,
    connected_parts,
    pixels_in_parts,
    rims_and_neighbours,
)
from worker.engine.fabrication.partition import CROSS, FinishRule, Partition

_LEAST_CONTRAST = 0.4
"""Of the contrast that a part has with its ground, what another finish must keep to stand for it."""


def _narrow(board: Partition, finishes: tuple[int, ...], region: Region | None) -> Bits:
    """Pixels of parts so narrow that a ring inside them would leave too little."""
    part = board.union(finishes)
    return part & ~board.covered(part | board.outside, 3 * board.clearance_px, region)


def swap_narrow(board: Partition, region: Region | None) -> None:
    """Show narrow parts amid the other kind by a finish that needs no ring, where that costs less."""
    if not board.legend or not board.open or not board.plain:
        return
    for mine, theirs in ((board.open, board.legend), (board.legend, board.open)):
        narrow = _narrow(board, mine, region)
        other = board.union(theirs)
        if (narrow & dilate(other, CROSS, region=region, threads=board.threads)).any():
            for finish in mine:
                _swap(board, finish, narrow & board.planes[finish], theirs, region)


def _swap(board: Partition, finish: int, narrow: Bits, theirs: tuple[int, ...], region: Region | None) -> None:
    threads, distance = board.threads, board.distance
    parts = connected_parts(narrow, corners=True, threads=threads)
    if parts.count == 0:
        return
    around = everywhere(board.shape) if region is None else region
    rims, borders = rims_and_neighbours(narrow, board.planes, parts, around)
    borders = borders[list(theirs)]
    touching = borders.sum(axis=0)
    ground = np.asarray(theirs)[borders.argmax(axis=0)]
    areas, _ = areas_and_boxes(parts, board.frame)
    stand_in, contrast = _stand_ins(board, finish)
    ring = np.array([distance[i, board.nearest_plain(i)] for i in range(board.count)])
    dearer = touching * board.clearance_px * ring[ground] > areas * distance[finish, stand_in[ground]]
    swapped = dearer & contrast[ground] & (touching > 0.5 * rims)
    for other in board.plain:
        where = chosen_parts(parts, swapped & (stand_in[ground] == other), narrow.shape, threads=threads)
        board.move(where & narrow, other)


def _stand_ins(board: Partition, finish: int) -> tuple[np.ndarray, np.ndarray]:
    """For each ground: the finish to stand for this one, and whether it keeps enough contrast."""
    distance = board.distance
    stand_in = np.empty(board.count, dtype=np.int64)
    contrast = np.empty(board.count, dtype=np.bool_)
    for ground in range(board.count):
        least = _LEAST_CONTRAST * distance[finish, ground]
        stand_in[ground] = min(board.plain, key=lambda i: (distance[i, ground] < least, distance[finish, i]))
        contrast[ground] = distance[stand_in[ground], ground] >= least
    return stand_in, contrast


def _give_way(board: Partition, finishes: tuple[int, ...], where: Bits) -> None:
    for finish in finishes:
        board.move(where & board.planes[finish], board.nearest_plain(finish))


def keep_clear(board: Partition, region: Region | None) -> None:
    """Part legend and openings by the clearance."""
    if not board.plain or not board.too_near(region).any():
        return
    reach = disc_within(board.clearance_px)

    def around(bits: Bits) -> Bits:
        return dilate(bits, reach, region=region, threads=board.threads)

    def price(finishes: tuple[int, ...]) -> float:
        return float(np.mean([board.distance[i, board.nearest_plain(i)] for i in finishes]))

    # A narrow part that gives way is seen on as the finish most like it: cheaper than a ring in a dearer neighbour.
    cheap, dear = board.open, board.legend
    if price(dear) < price(cheap):
        cheap, dear = dear, cheap
    _give_way(board, cheap, board.union(cheap) & around(board.union(dear)))


def swap_strips(board: Partition, region: Region | None) -> None:
    """Strips too narrow between bare metal: shown by a finish under mask, where growing or going would cost more."""
    for rule in board.rules:
        if not rule.rule.spare_reach_px:
            continue
        thin = board.thin(rule, region)
        if not thin.any():
            continue
        for finish in rule.part:
            _swap_strips(board, finish, thin & board.planes[finish], rule, region)


def _swap_strips(board: Partition, finish: int, thin: Bits, rule: FinishRule, region: Region | None) -> None:
    distance, metal = board.distance, [i for i in rule.rest if i in board.open]
    under = [i for i in rule.spare if i not in board.legend and i not in board.copper]
    parts = connected_parts(thin, corners=True, threads=board.threads)
    if parts.count == 0 or not under or not metal:
        return
    stand_in = min(under, key=lambda i: distance[finish, i])
    ground = min(metal, key=lambda i: distance[finish, i])
    areas, _ = areas_and_boxes(parts, board.frame)
    edge = pixels_in_parts(thin & ~erode(thin, CROSS, region=region, threads=board.threads), parts)
    width = np.clip(2.0 * areas / np.maximum(edge, 1), 1.0, rule.diameter_px)
    growing = (rule.diameter_px / width - 1.0) * distance[finish, ground]
    cheaper = distance[finish, stand_in] < np.minimum(growing, distance[finish, ground])
    board.move(chosen_parts(parts, cheaper, thin.shape, threads=board.threads) & thin, stand_in)
