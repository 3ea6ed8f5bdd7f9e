"""Which piece lies where on the panel: counts kept, free space filled, numbered from the upper left, row by row."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry import Polygon, box

from worker.engine.panel.packing import MAX_PLACED, SLACK_MM, Bound, Place, bound_of, pack
from worker.engine.panel.piece import Piece
from worker.engine.panel.placed import PlacedPiece, placed_piece
from worker.engine.panel.shape_rows import outline_of, same_outline
from worker.errors import PanelError
from worker.panel_file import FILL, PanelFile, PlannedPiece


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """The pieces on their places.

    board : the panel. free : what rails and other areas leave of it. bound : for
    the outline that fills the panel in `fill_region`, where `filled_count` of it lie; None where nothing fills it.
    """

    board: Polygon
    free: shapely.Geometry
    placed: tuple[PlacedPiece, ...]
    filled: PlacedPiece | None
    filled_count: int
    fill_region: shapely.Geometry | None
    bound: Bound | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Group:
    """Pieces of one outline and one set of turns, in the order of the panel file: each with its wanted count."""

    polygon: Polygon
    turns: tuple[int, ...]
    members: list[tuple[PlannedPiece, Piece]]

    @property
    def fills(self) -> bool:
        return any(plan.count is None for plan, _ in self.members)


def lay(panel: PanelFile, pieces: Sequence[tuple[PlannedPiece, Piece]]) -> Laid:
    """Lay the pieces. PanelError where one does not fit as often as it must."""
    board = Polygon(panel.outline)
    if not board.is_valid or board.area < 1.0:
        raise PanelError(
            f"{panel.file_name}: outline: the panel's line crosses itself, or encloses nothing.",
            mend="Draw it as one closed line that never meets itself.",
        )
    if min(board.bounds[:2]) < 0.0:
        raise PanelError(
            f"{panel.file_name}: outline: it reaches to {board.bounds[0]:g}, {board.bounds[1]:g} mm.",
            mend="Draw it with its lower left corner at 0, 0.",
        )
    free = _free(panel, board)
    region = _inset(panel, board, free)
    found: list[tuple[Piece, Place]] = []
    left = region
    filled: Piece | None = None
    bound: Bound | None = None
    count = 0
    fill_region: shapely.Geometry | None = None
    groups = sorted(_groups(pieces), key=lambda group: (group.fills, -group.polygon.area))
    for group in groups:
        wanted = sum(plan.count or 0 for plan, _ in group.members)
        most = MAX_PLACED if group.fills else wanted
        places = pack(left, group.polygon, spacing=panel.spacing, turns=group.turns, most=most)
        if len(places) < max(wanted, 1 if group.fills else 0):
            raise _too_few(panel, group, len(places), wanted)
        if group.fills and filled is None:
            fill_region, count = left, len(places)
            bound = bound_of(left, group.polygon, spacing=panel.spacing)
            filled = next(piece for plan, piece in group.members if plan.count is None)
        shared = _shared(group, places)
        if group.fills and fill_region is left and not any(piece is filled for piece, _ in shared):
            filled = shared[0][0]  # no room was left beside those that are counted
        found += shared
        laid = [placed_piece(piece, 0, place).outline for piece, place in found]
        left = region.difference(shapely.union_all(laid).buffer(max(0.0, panel.spacing - SLACK_MM), quad_segs=64))
    placed = _numbered(found, panel)
    return Laid(
        board=board,
        free=free,
        placed=placed,
        filled=next((one for one in placed if one.piece is filled), None),
        filled_count=count,
        fill_region=fill_region,
        bound=bound,
    )


def _free(panel: PanelFile, board: Polygon) -> shapely.Geometry:
    """Where pieces may be, of the panel less its rails, or of the free areas of the file."""
    left, low, right, high = board.bounds
    rails = panel.rails
    inner = box(left + rails.left, low + rails.bottom, max(left, right - rails.right), max(low, high - rails.top))
    inside = board.intersection(inner) if left + rails.left < right - rails.right else Polygon()
    if panel.free:
        drawn = []
        for where, points in panel.free:
            area = Polygon(points)
            if not area.is_valid:
                raise PanelError(
                    f"{panel.file_name}: {where}: its line crosses itself.", mend="Draw it as one closed line."
                )
            drawn.append(area)
        inside = inside.intersection(shapely.union_all(drawn))
    taken = [Polygon(points).buffer(0) for _, points in panel.taken]
    inside = inside.difference(shapely.union_all(taken)) if taken else inside
    if inside.area < 1.0:
        raise PanelError(
            f"{panel.file_name}: rails, free and taken leave {inside.area:.3g} mm2 for pieces.",
            mend="Make the panel larger, or the rails narrower.",
        )
    return inside


def _inset(panel: PanelFile, board: Polygon, free: shapely.Geometry) -> shapely.Geometry:
    """Pieces keep the spacing from whatever is board beside the free area, not from where the panel ends there."""
    if panel.spacing == 0.0:
        return free
    beside = board.difference(free)
    thick = beside.buffer(-1e-6)
    return free.difference(thick.buffer(panel.spacing, quad_segs=64, join_style="mitre")) if beside.area else free


def _groups(pieces: Sequence[tuple[PlannedPiece, Piece]]) -> list[_Group]:
    groups: list[_Group] = []
    for plan, piece in pieces:
        turns = tuple(turn // 90 for turn in plan.turns)
        outline = outline_of(piece.outline, 0, 0.0)
        for group in groups:
            alike = group.turns == turns and same_outline(outline, outline_of(group.polygon, 0, 0.0))
            if alike and group.polygon.bounds == piece.outline.bounds:
                group.members.append((plan, piece))
                break
        else:
            groups.append(_Group(polygon=piece.outline, turns=turns, members=[(plan, piece)]))
    return groups


def _shared(group: _Group, places: Sequence[Place]) -> list[tuple[Piece, Place]]:
    """Each place a piece: in reading order the counted ones in their order, those that fill in turn."""
    ordered = iter(_reading_order(group.polygon, places))
    out = [(piece, next(ordered)) for plan, piece in group.members for _ in range(plan.count or 0)]
    filling = [piece for plan, piece in group.members if plan.count is None]
    rest = list(ordered)
    shares = (
        [len(rest) // len(filling) + (i < len(rest) % len(filling)) for i in range(len(filling))] if filling else []
    )
    following = iter(rest)
    return out + [(piece, next(following)) for piece, share in zip(filling, shares, strict=True) for _ in range(share)]


def _reading_order(polygon: Polygon, places: Sequence[Place]) -> list[Place]:
    """Rows from the top, each from the left. What is less than a third of a piece lower is in the same row."""
    left, low, right, high = polygon.bounds
    middles = {place: outline_of(polygon, place.turn, 0.0) for place in places}
    by_height = sorted(places, key=lambda each: -(each.y_mm + middles[each].shift[1]))
    rows: list[list[Place]] = []
    for place in by_height:
        y = place.y_mm + middles[place].shift[1]
        first = rows[-1][0] if rows else None
        if first is not None and first.y_mm + middles[first].shift[1] - y < min(right - left, high - low) / 3.0:
            rows[-1].append(place)
        else:
            rows.append([place])
    return list(
        itertools.chain.from_iterable(sorted(row, key=lambda each: each.x_mm + middles[each].shift[0]) for row in rows)
    )


def _numbered(found: Sequence[tuple[Piece, Place]], panel: PanelFile) -> tuple[PlacedPiece, ...]:
    """Numbers in the order of the panel file, and of equals in reading order."""
    return tuple(
        placed_piece(piece, number, place) for number, (piece, place) in enumerate(found, start=panel.numbering.start)
    )


def _too_few(panel: PanelFile, group: _Group, fit: int, wanted: int) -> PanelError:
    plan, piece = group.members[0]
    left, low, right, high = piece.outline.bounds
    others = f" and {len(group.members) - 1} more of its outline" if len(group.members) > 1 else ""
    asked = f'count is "{FILL}"' if group.fills and not wanted else f"{wanted} are asked for"
    return PanelError(
        f"{panel.file_name}: {plan.entry}: {piece.source} ({right - left:.4g} x {high - low:.4g} mm){others} fits "
        f"{fit} times, and {asked}.",
        mend=f'Take a larger panel, narrower rails or a smaller spacing, ask for fewer, or for count = "{FILL}".',
    )
