"""One photograph as it is handed over, and its marks: where the chart and the coupon are in it."""

from __future__ import annotations

from dataclasses import dataclass

from worker.engine.references.photograph.chart_finding import find_chart
from worker.engine.references.photograph.coupon_finding import find_coupon
from worker.engine.references.photograph.orientation import LIKE, SAME, Lie, chart_lies, coupon_lies
from worker.engine.references.photograph.picture import CameraPicture
from worker.engine.references.photograph.places import shown
from worker.errors import PhotographError
from worker.patch_map import PatchMap, Quad


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A photograph file. Corners, where given, are in pixels of the upright picture, clockwise from the upper left one
    as the coupon and the chart themselves have it; the chart's are the outer corners of its four corner patches."""

    data: bytes
    name: str
    coupon_corners: Quad | None = None
    chart_corners: Quad | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Where coupon and chart are, in pixels."""

    coupon: Quad
    chart: Quad


def find_marks(picture: CameraPicture, shot: Shot, patch_map: PatchMap) -> Marks:
    """The corners that were given, checked, or those that are found. Raises PhotographError."""
    if shot.chart_corners is None:
        chart = find_chart(picture)
    else:
        chart = shot.chart_corners
        _check_turn("chart", chart_lies(picture, chart), LIKE, shot.name)
    if shot.coupon_corners is None:
        return Marks(coupon=find_coupon(picture, patch_map, chart), chart=chart)
    _check_turn("coupon", coupon_lies(picture, shot.coupon_corners, patch_map), 1.0 - SAME, shot.name)
    return Marks(coupon=shot.coupon_corners, chart=chart)


def _check_turn(what: str, lies: list[Lie], bar: float, name: str) -> None:
    """Raise PhotographError unless the corners as given (turn 0) fit best, and well."""
    if not lies or (lies[0].turn == 0 and not lies[0].mirrored and lies[0].fit >= bar):
        return
    best, option = lies[0], "--chart-corners" if what == "chart" else "--corners"
    if best.fit < bar:
        raise PhotographError(
            f"{name}: the {what}'s patches are not where its corners say.",
            mend=f"Mark the {what} again ({option}), clockwise from its own upper left corner.",
        )
    if best.mirrored:
        raise PhotographError(f"{name}: the {what} is seen as in a mirror.", mend="Give the photograph unmirrored.")
    raise PhotographError(
        f"{name}: the {what}'s corners begin {best.turn} corner{'s' if best.turn > 1 else ''} too early.",
        mend=f"Begin with its own upper left corner: {option} {shown(best.corners)}.",
    )
