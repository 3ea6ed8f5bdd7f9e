"""Blocks packed into a strip of the board."""

from __future__ import annotations

from collections.abc import Sequence

from worker.engine.fabrication.shapes import Block


def pack(blocks: Sequence[Block], width: float, gap: float) -> tuple[list[tuple[float, float, Block]], float]:
    """Where blocks go in a strip of this width, (x, y, block), and how high the strip must be.

    The highest block comes first; each goes to the uppermost place, there to the leftmost, that is still free. Every
    block must be at most as wide as the strip.
    """
    placed: list[tuple[float, float, Block]] = []
    for block in sorted(blocks, key=lambda block: (-block.height, -block.width)):
        edges = sorted({0.0, *(x + other.width + gap for x, _, other in placed)})
        y, x = min((_highest(placed, x, block, gap), x) for x in edges if x == 0.0 or x + block.width <= width + 1e-9)
        placed.append((x, y, block))
    return placed, max((y + block.height for _, y, block in placed), default=0.0)


def _highest(placed: Sequence[tuple[float, float, Block]], x: float, block: Block, gap: float) -> float:
    """The uppermost y where a block at x lies clear below all others of its columns."""
    below = [
        y + other.height + gap
        for left, y, other in placed
        if left < x + block.width + gap - 1e-9 and x < left + other.width + gap - 1e-9
    ]
    return max(below, default=0.0)
