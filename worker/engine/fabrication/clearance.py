"""Legend beside openings: who gives way, and to what.

Fabs clip legend some way off every opening of the solder mask (common practice, no source), so a ring without either is
certain. The ring takes the look, of those without legend and opening, that is nearest to what it replaces, and lies in
the neighbour where it costs less. A narrow part whose ring would cost more than the part itself is shown by another
finish instead.
"""

from __future__ import annotations

import numpy as np

from worker.engine.fabrication.bit_morphology import (
    Bits,
    Region,
    dilate,
    disc,
    disc_within,
    erode,
    everywhere,
    region_of,
)
from worker.engine.fabrication.bit_parts import (
    areas_and_boxes,
    chosen_parts,
    connected_parts,
    pixels_in_parts,
    rims_and_neighbours,
)
from worker.engine.fabrication.middle_lines import middle_lines
from worker.engine.fabrication.partition import CROSS, FinishRule, Partition
from worker.engine.fabrication.sparse_bits import common, without

_LEAST_CONTRAST = 0.4
"""Of the contrast that a part has with its ground, what another finish must keep to stand for it."""
_WHOLE_STROKE = 4.0
"""What a pixel counts, in pixels, that would be cut out of a stroke: with it goes the stroke, or it is dashes."""
_ROOM_PX = 2
"""A part so much wider than its limit and a ring on both sides may still be cut, for its borders are ragged."""
_WIDEST_PX = 63


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
    ring = np.array([_fall(board, i) for i in range(board.count)])
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


def _cheap_and_dear(board: Partition) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Openings and legend, those first that give way: what does is seen on as the finish most like it, which costs less
    than a ring in a dearer neighbour."""

    def price(finishes: tuple[int, ...]) -> float:
        return float(np.mean([_fall(board, i) for i in finishes]))

    return (board.legend, board.open) if price(board.legend) < price(board.open) else (board.open, board.legend)


def _fall(board: Partition, finish: int) -> float:
    """What it costs to show a pixel of this finish without legend and opening."""
    return float(board.distance[finish, board.nearest_plain(finish)])


def pull_back(board: Partition, region: Region) -> None:
    """Let the dear side make room where the ring would cut a stroke of the cheap side into dashes, if it has some.

    So it does not where it is narrow itself, nor beside a stroke that something narrow cuts elsewhere.
    """
    if not board.plain:
        return
    region = region & region_of(board.too_near(region), 1)
    if not region.any():
        return
    cheap, dear = _cheap_and_dear(board)
    reach, threads = disc_within(board.clearance_px), board.threads

    def around(bits: Bits) -> Bits:
        return dilate(bits, reach, region=region, threads=threads)

    firm = board.union(dear, region)
    able = without(firm, _cores(board, dear, 0, region), region)
    strokes = _cores(board, cheap, 2 * board.clearance_px, region)
    listed = connected_parts(strokes, corners=False, threads=threads)
    cut = pixels_in_parts(common(strokes, around(without(firm, able, region)), region), listed) > 0
    whole = chosen_parts(listed, ~cut, strokes.shape, threads=threads)
    rings = around(whole)
    places = connected_parts(rings, corners=False, threads=threads)
    back, saved = common(able, rings, region), common(whole, around(firm), region)
    price = sum(_fall(board, i) * pixels_in_parts(common(back, board.planes[i], region), places) for i in dear)
    gain = sum(_fall(board, i) * pixels_in_parts(common(saved, board.planes[i], region), places) for i in cheap)
    worth = chosen_parts(places, np.asarray(price <= _WHOLE_STROKE * gain), rings.shape, threads=threads)
    _give_way(board, dear, common(back, worth, region))


def _cores(board: Partition, finishes: tuple[int, ...], ring_px: int, region: Region) -> Bits:
    """Discs as wide as the limit along the middles of what would be too narrow without so much of its width."""
    limit = max((rule.diameter_px for rule in board.rules if set(rule.part) == set(finishes)), default=1)
    widest = min(limit + ring_px + _ROOM_PX, _WIDEST_PX)
    middles = middle_lines(board.union(finishes, region), widest, region, threads=board.threads)
    return dilate(middles, disc(limit), region=region, threads=board.threads)


def keep_clear(board: Partition, region: Region | None) -> None:
    """Part legend and openings by the clearance."""
    if not board.plain or not board.too_near(region).any():
        return
    reach = disc_within(board.clearance_px)

    def around(bits: Bits) -> Bits:
        return dilate(bits, reach, region=region, threads=board.threads)

    cheap, dear = _cheap_and_dear(board)
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
