"""Thin parts: which are given up, and how the others grow to the limit.

A part thinner than about half the limit costs less when it goes than when it grows: blurred by the eye, widening it
adds more than removing it takes away. But what joins two places stays, so that a stroke is never cut into dashes. What
stays grows by what it lacks, wherever that much is lacking, and then retreats again from where it made something else
too thin; what it could not get on one side it gets on the other in the next turn.
"""

from __future__ import annotations

from worker.engine.fabrication.bit_morphology import Bits, Region, dilate, disc, disc_within, region_of
from worker.engine.fabrication.bit_parts import areas_and_boxes, chosen_parts, connected_parts, pixels_in_parts
from worker.engine.fabrication.contacts import touched_parts
from worker.engine.fabrication.measured_thin import Words
from worker.engine.fabrication.middle_lines import middle_lines
from worker.engine.fabrication.partition import SQUARE, FinishRule, Partition
from worker.engine.fabrication.sparse_bits import add, common, remove, without
from worker.engine.fabrication.thin_looks import change_looks, looks_on

GIVE_UP = 0.5
"""Share of the limit below which a thin part goes."""

_STROKE = 0.8
_MOSTLY = 0.55
"""A thin part of which more than this share is below GIVE_UP goes as a whole: what is left of it would be dashes."""


def fill(board: Partition, where: Bits, givers: tuple[int, ...], steps: int) -> None:
    """Give pixels to the nearest of some finishes, from the rim inwards, no deeper than `steps`. where : emptied."""
    board.flood(where, None, givers, steps)


def pieces_to_give_up(board: Partition, rule: FinishRule, thin: Bits, region: Region | None) -> Bits:
    """Pixels of a rule's thin parts, all of them in the region, that go."""
    threads, held = board.threads, region_of(thin, 0)
    cover = board.covered(board.space(rule, held)[1], max(1, round(GIVE_UP * rule.diameter_px)), held)
    thinner = without(thin, cover, held)
    if not thinner.any():
        return thinner
    parts = connected_parts(thin, corners=True, threads=threads)
    areas, _ = areas_and_boxes(parts, board.frame)
    mostly = pixels_in_parts(thinner, parts) > _MOSTLY * areas
    whole = chosen_parts(parts, mostly, thin.shape, threads=threads)
    pieces = without(thinner, whole, held)
    if pieces.any():
        # What holds two parts together stays; a tip goes, and so does a strip between parts that are joined elsewhere.
        space = board.space(rule, region)[1]
        add(whole, without(pieces, joining(board, pieces, space & ~(whole | board.outside)), held), held)
    return whole


def joining(board: Partition, pieces: Bits, plane: Bits) -> Bits:
    """Those of a plane's pieces without which it would fall into more parts."""
    if not pieces.any():
        return pieces
    threads = board.threads
    listed = connected_parts(pieces, corners=True, threads=threads)
    others = connected_parts(plane & ~pieces, corners=False, threads=threads)
    return chosen_parts(listed, touched_parts(listed, others) > 1, pieces.shape, threads=threads)


def worth_keeping(board: Partition, rule: FinishRule, thin: Bits, space: Bits) -> Bits:
    """Thin pieces without which parts would come apart, and strokes that end by themselves, if they are long enough.

    A strip that leaves a part and comes back to it, such as the gap between two strokes, holds nothing together.
    """
    if not thin.any():
        return thin
    pieces = connected_parts(thin, corners=True, threads=board.threads)
    rest = space & ~(board.outside | thin)
    joined = touched_parts(pieces, connected_parts(rest, corners=False, threads=board.threads))
    around = rest & dilate(thin, SQUARE, region=region_of(thin, 1), threads=board.threads)
    contacts = touched_parts(pieces, connected_parts(around, corners=True, threads=board.threads))
    areas, _ = areas_and_boxes(pieces, board.frame)
    strokes = (contacts <= 1) & (areas >= _STROKE * rule.diameter_px**2)
    return chosen_parts(pieces, strokes | (joined > 1), thin.shape, threads=board.threads)


def give_up(board: Partition, region: Region | None) -> None:
    """Show by another finish what that suits, and let go of all else that is too thin to grow."""
    changed, looks = board.empty(), looks_on(board)

    def thin_still(rule: FinishRule) -> tuple[Bits, Region]:
        thin = board.thin(rule, region)
        held = region_of(thin, 0)
        return (without(thin, changed, held), held) if held.any() else (thin, held)

    for rule in board.rules:
        thin, held = thin_still(rule)
        change_looks(board, rule, thin, held, looks, changed)
    for rule in board.rules:
        thin, held = thin_still(rule)
        if thin.any():
            fill(board, pieces_to_give_up(board, rule, thin, region), rule.others, rule.diameter_px)


def grown(board: Partition, rule: FinishRule, thin: Bits, space: Bits, *, more_px: int = 0) -> Bits:
    """What thin parts lack: discs of the limit, or `more_px` wider, along their middle lines.

    space : good within a block of them.
    """
    region = region_of(thin, 1)
    near = dilate(thin, disc_within(rule.diameter_px / 2.0), region=region, threads=board.threads)
    middle = middle_lines(common(space, near, region), rule.diameter_px, region, threads=board.threads)
    out = dilate(middle, disc(rule.diameter_px + more_px), region=region, threads=board.threads)
    return without(out, space, region)


def widen(board: Partition, region: Region, *, more_px: tuple[int, ...], retreats: int = 4) -> None:
    """Let thin parts of all rules grow where there is room.

    more_px : for each turn, by how much more than they lack. What grew on one side alone gets the rest on that side.
    """
    board.remember_thin()
    for more in more_px:
        gained, before, wanted = board.empty(), [], []
        for rule in board.rules:
            before.append(board.thin_words(rule, region))
            if len(before[-1].bits):
                thin = board.thin(rule, region)
                space = board.space(rule, region_of(thin, 0))[1]
                wanted.append((rule, before[-1], Words.of(grown(board, rule, thin, space, more_px=more))))
        saved = board.saved([wish for _, _, wish in wanted])
        thin, wish = board.empty(), board.empty()
        for rule, thin_words, wish_words in wanted:
            thin_words.add(thin)
            wish_words.add(wish)
            asked = region_of(wish, 0)
            for taken in (gained, board.outside):
                remove(wish, taken, asked)
            add(gained, wish, asked)
            board.flood(wish, thin, rule.part, 2 * rule.diameter_px)
            remove(gained, wish, asked)
            thin_words.clear(thin)
            wish_words.clear(wish)
        around = region_of(gained, 1)
        for retreat in range(retreats):
            worse = board.new_thin(before, around)
            back = dilate(worse, disc(3 if retreat < retreats - 1 else 9), region=around, threads=board.threads)
            back = common(back, gained, around)
            if not back.any():
                break
            board.put_back(back, saved)
            remove(gained, back, around)
            around = region_of(worse, 1)
        if not gained.any():
            return
        for thin_words in before:
            thin_words.add(gained)
        region = region_of(gained, 1)
