"""A board's shape as all that comes after it knows it, and the plain rectangle that most boards are.

Lengths are mm from the grid's lower left corner, x to the right, y upward, seen from the side that the artwork is on.
(shapely is slow to load, and a plain rectangle needs none of it.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from worker.engine.artwork.grid import aspect_of
from worker.engine.artwork.grid_size import find_grid_size
from worker.engine.artwork.margin import Margins, with_margins
from worker.engine.artwork.picture import Artwork, GridPicture, WantedSize
from worker.errors import BoardError
from worker.outlines import Point, circle_points, rounded_rectangle_points, slot_points

if TYPE_CHECKING:
    from shapely.geometry import Polygon

    from worker.engine.fabrication.board_checks import BoardFinding

SIZE_SLACK = 0.01
"""By so much the sizes of two sides may differ: what whole pixels leave of a small artwork's proportions."""

Ring = npt.NDArray[np.float64]
"""float64 (n, 2), mm, the first point not repeated. The outer ring runs counter-clockwise, cut-outs clockwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A drilled hole, or a slot to the second point, in mm. `diameter_mm` is the finished one, or the slot's width."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    plated: bool
    slot_to: Point | None = None

    @property
    def ring(self) -> Ring:
        """Its edge."""
        if self.slot_to is None:
            return np.array(circle_points(self.x_mm, self.y_mm, self.diameter_mm))
        return np.array(slot_points((self.x_mm, self.y_mm), self.slot_to, self.diameter_mm))

    @property
    def polygon(self) -> Polygon:
        """What it takes away."""
        from shapely.geometry import Polygon

        return Polygon(self.ring)


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """A straight line right across the board, cut in from both faces: upright at an x, or level at a y, in mm."""

    upright: bool
    at_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardShape:
    """The shape on its grid.

    outline : tuple of Ring, outer first, then cut-outs. scores : along straight edges, or across.
    board : bool (H, W), read-only, true where a pixel's centre lies on the board, not in a cut-out or hole.
    margins : what was added round the artwork.
    findings : what the fab can't make as drawn, or what was mended.
    """

    kind: str
    outline: tuple[Ring, ...]
    holes: tuple[Hole, ...]
    board: npt.NDArray[np.bool_]
    pitch_um: float
    margins: Margins
    findings: tuple[BoardFinding, ...]
    warnings: tuple[str, ...]
    scores: tuple[Score, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether every pixel of the grid is board."""
        return self.kind == "rectangle" and len(self.outline) == 1 and len(self.outline[0]) == 4 and not self.holes

    @property
    def polygon(self) -> Polygon:
        """The board without its cut-outs; drilled holes are not taken away."""
        from shapely.geometry import Polygon

        return Polygon(self.outline[0], self.outline[1:])

    @property
    def area_mm2(self) -> float:
        """Its area, without cut-outs and holes."""
        return sum(map(ring_area, self.outline)) - sum(abs(ring_area(hole.ring)) for hole in self.holes)

    def across(self, score: Score) -> tuple[Point, Point]:
        """A score's line from one side of the outline's box to the other."""
        (left, low), (right, high) = self.outline[0].min(axis=0).tolist(), self.outline[0].max(axis=0).tolist()
        at = score.at_mm
        return ((at, low), (at, high)) if score.upright else ((left, at), (right, at))

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the outline."""
        across, up = np.ptp(self.outline[0], axis=0)
        return float(across), float(up)


def ring_area(ring: Ring) -> float:
    """Area within a ring in mm2, negative where it runs clockwise (the sum over its edges by Gauss)."""
    x, y = (ring - ring[0]).T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0


def plain_board(picture: GridPicture) -> BoardShape:
    """The rectangle of the picture, without holes."""
    return plain_rectangle(picture.height_px, picture.width_px, picture.pitch_um)


def plain_rectangle(height_px: int, width_px: int, pitch_um: float) -> BoardShape:
    """The rectangle of a grid, without holes."""
    mm = pitch_um / 1000.0
    outline = np.array(rounded_rectangle_points(width_px * mm, height_px * mm, 0.0))
    outline.flags.writeable = False
    return BoardShape(
        kind="rectangle",
        outline=(outline,),
        holes=(),
        board=np.broadcast_to(np.True_, (height_px, width_px)),
        pitch_um=pitch_um,
        margins=Margins(),
        findings=(),
        warnings=(),
    )


def size_on_board(artwork: Artwork, size: WantedSize, shape: BoardShape) -> WantedSize:
    """The exact size at which an artwork fits a shape that is known already, the other side's, mirrored.

    What is asked for may differ from that by SIZE_SLACK, which stretches the artwork. Raises BoardError.
    """
    mm, margins = shape.pitch_um / 1000.0, shape.margins
    height_px, width_px = shape.board.shape
    width, height = (width_px - margins.left - margins.right) * mm, (height_px - margins.top - margins.bottom) * mm
    if size.width_mm is None and size.height_mm is None:
        size = replace(size, width_mm=width)
    asked = find_grid_size(size, aspect=aspect_of(artwork), natural_mm=None, name=artwork.name)
    if max(abs(asked.width_mm / width - 1.0), abs(asked.height_mm / height - 1.0)) > SIZE_SLACK:
        raise BoardError(
            f"{artwork.name}: this artwork would be {asked.width_mm:.4g} x {asked.height_mm:.4g} mm, and that of the "
            f"board's other side is {width:.4g} x {height:.4g} mm.",
            mend="Give both sides artworks of one shape, or crop one of them.",
        )
    return replace(size, width_mm=width, height_mm=height)


def lay_on_board(picture: GridPicture, shape: BoardShape) -> GridPicture:
    """A picture laid on a shape that is known already, such as the other side's, mirrored. Raises BoardError."""
    laid = with_margins(picture, shape.margins)
    height, width = shape.board.shape
    if (laid.height_px, laid.width_px) != (height, width) or laid.pitch_um != shape.pitch_um:
        mm = shape.pitch_um / 1000.0
        raise BoardError(
            f"The artwork is {laid.width_mm:g} x {laid.height_mm:g} mm, and the board's other side "
            f"{width * mm:g} x {height * mm:g} mm.",
            mend="Give both sides artworks of one shape, the same width and the same pitch.",
        )
    return laid


def mirrored(shape: BoardShape) -> BoardShape:
    """The shape as seen from the other side: left and right change places on the grid."""
    width = shape.board.shape[1] * shape.pitch_um / 1000.0
    return replace(
        shape,
        outline=tuple(np.ascontiguousarray((ring * [-1.0, 1.0] + [width, 0.0])[::-1]) for ring in shape.outline),
        holes=tuple(
            replace(
                hole,
                x_mm=width - hole.x_mm,
                slot_to=None if hole.slot_to is None else (width - hole.slot_to[0], hole.slot_to[1]),
            )
            for hole in shape.holes
        ),
        board=shape.board[:, ::-1],
        margins=replace(shape.margins, left=shape.margins.right, right=shape.margins.left),
        findings=tuple(replace(finding, x_mm=width - finding.x_mm) for finding in shape.findings),
        scores=tuple(replace(score, at_mm=width - score.at_mm) if score.upright else score for score in shape.scores),
    )
