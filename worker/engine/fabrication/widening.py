"""Thin parts: which are given up, and how the others grow to the limit.

A part thinner than about half the limit costs less when it goes than when it grows: blurred by the eye, widening it
adds more than removing it takes away. But what joins two places stays, so that a stroke is never cut into dashes. What
stays grows by what it lacks, wherever that much is lacking, and then retreats again from where it made something else
too thin; what it could not get on one side it gets on the other in the next turn.
"""

from __future__ import annotations

import numpy as np

from worker.engine.fabrication.bit_morphology import Bits, Region, dilate, disc, disc_within, opened
from worker.engine.fabrication.bit_parts import areas_and_boxes, chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.contacts import touched_parts
from worker.engine.fabrication.partition import CROSS, FinishRule, Partition, shifted

GIVE_UP = 0.5
"""Share of the limit below which a thin part goes."""

_MOSTLY = 0.55
"""A thin part of which more than this share is below GIVE_UP goes as a whole: what is left of it would be dashes."""


def fill(board: Partition, where: Bits, givers: tuple[int, ...], steps: int) -> Bits:
    """Give pixels to the nearest of some finishes, from the rim inwards; what lies deeper than `steps` is returned."""
    left = where.copy()
    fronts = {finish: board.planes[finish] & dilate(where, CROSS, threads=board.threads) & ~where for finish in givers}
    fronts = {finish: front for finish, front in fronts.items() if front.any()}
    gained = {finish: board.empty() for finish in fronts}
    for _ in range(steps):
        if not left.any():
            break
        steps_in = {}
        for finish, front in fronts.items():
            near = shifted(front, 1, 0)
            near |= shifted(front, -1, 0)
            near |= shifted(front, 0, 1)
            near |= shifted(front, 0, -1)
            near &= left
            steps_in[finish] = near
        for finish, near in steps_in.items():
            near &= left
            left &= ~near
            gained[finish] |= near
        fronts = steps_in
    for finish, bits in gained.items():
        board.move(bits, finish)
    return left


def pieces_to_give_up(board: Partition, rule: FinishRule, thin: Bits, space: Bits, region: Region | None) -> Bits:
    """Pixels of a rule's thin parts that go."""
    threads = board.threads
    thinner = thin & ~board.covered(space, max(1, round(GIVE_UP * rule.diameter_px)), region)
    if not thinner.any():
        return thinner
    parts = connected_parts(thin, corners=True, threads=threads)
    areas, _ = areas_and_boxes(parts, board.frame)
    mostly = pixels_in_parts(thinner, parts) > _MOSTLY * areas
    whole = chosen_parts(parts, mostly, thin.shape, threads=threads)
    pieces = thinner & ~whole
    # What holds two parts together stays; a tip goes, and so does a strip between parts that hang together elsewhere.
    return whole | (pieces & ~joining(board, pieces, space & ~(whole | board.outside)))


def joining(board: Partition, pieces: Bits, plane: Bits) -> Bits:
    """Those of a plane's pieces without which it would fall into more parts."""
    if not pieces.any():
        return pieces
    threads = board.threads
    listed = connected_parts(pieces, corners=True, threads=threads)
    others = connected_parts(plane & ~pieces, corners=False, threads=threads)
    return chosen_parts(listed, touched_parts(listed, others) > 1, pieces.shape, threads=threads)


def give_up(board: Partition, region: Region | None) -> None:
    """Let go of all that is too thin to grow."""
    for rule in board.rules:
        part, space = board.space(rule, region)
        thin = board.thin_of(rule, part, space, region)
        if thin.any():
            fill(board, pieces_to_give_up(board, rule, thin, space, region), rule.others, rule.diameter_px)


def grown(board: Partition, rule: FinishRule, thin: Bits, space: Bits, more_px: int, region: Region) -> Bits:
    """Thin parts grown to the limit: by each width what that width lacks, and `more_px` on top."""
    threads, k = board.threads, rule.diameter_px
    out, left = board.empty(), thin.copy()
    least = max(1, round(0.45 * k))
    for width in range(k - 1, least - 1, -1):
        here = opened(space, disc(width), region=region, threads=threads) & left
        if not here.any():
            continue
        out |= dilate(here, disc(k - width + 1 + more_px), region=region, threads=threads)
        left &= ~dilate(here, disc_within(0.225 * width + 1.0), region=region, threads=threads)
    if left.any():
        out |= dilate(left, disc(k - least + 2 + more_px), region=region, threads=threads)
    return out & ~space


def _claims(board: Partition, rule: FinishRule, thin: Bits, wanted: Bits) -> dict[int, Bits]:
    """Which finish of the part the wanted pixels get: that of the nearest thin pixel."""
    sources = {finish: thin & board.planes[finish] for finish in rule.part}
    sources = {finish: bits for finish, bits in sources.items() if bits.any()}
    if len(sources) == 1:
        return {next(iter(sources)): wanted}
    left = wanted.copy()
    claims = {finish: board.empty() for finish in sources}
    for turn in range(2 * rule.diameter_px):
        if not left.any():
            break
        for finish, front in sources.items():
            near = shifted(front, 0, 1) | shifted(front, 0, -1) if turn % 2 else shifted(front, 1, 0) | shifted(front, -1, 0)
            near &= left
            left &= ~near
            claims[finish] |= near
            sources[finish] = front | near
    return claims


def widen(board: Partition, region: Region, *, turns: int, retreats: int = 4) -> None:
    """Let thin parts of all rules grow where there is room."""
    for turn in range(turns):
        saved = board.planes.copy()
        gained, before, wanted = board.empty(), [], []
        for rule in board.rules:
            part, space = board.space(rule, region)
            thin = board.thin_of(rule, part, space, region)
            before.append(thin)
            if thin.any():
                wanted.append((rule, thin, grown(board, rule, thin, space, turn, region)))
        for rule, thin, wish in wanted:
            wish &= ~(gained | board.outside)
            for finish, bits in _claims(board, rule, thin, wish).items():
                board.move(bits, finish)
                gained |= bits
        for retreat in range(retreats):
            worse = board.empty()
            for rule, thin in zip(board.rules, before, strict=True):
                worse |= board.thin(rule, region) & ~thin
            back = dilate(worse, disc(3 if retreat < retreats - 1 else 9), region=region, threads=board.threads)
            back &= gained
            if not back.any():
                break
            board.take_back(back, saved)
            gained &= ~back
        if not np.any(gained):
            return
