"""A path of an SVG as a board's outline, against what resvg draws of it."""

from __future__ import annotations

import pytest
from shapely.geometry import Polygon

from tests.engine.artwork.test_svg import svg
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.picture import WantedSize
from worker.engine.artwork.svg_outline import svg_outline
from worker.engine.fabrication.raster import rasterise
from worker.errors import BoardError

WIDTH_MM = 12.0

SHAPES = {
    "lines": '<path id="edge" d="M10 10 L90 20 70 80 15 60z"/>',
    "cubics": '<path id="edge" d="M20 50 C20 0 80 0 80 50 S50 110 35 80 c-5-10 -10-10 -15-30Z"/>',
    "quadratics": '<path id="edge" d="M10 50 Q30 0 50 50 T90 50 q0 40-40 40T10 50Z"/>',
    "arcs": '<path id="edge" d="M30 20 A40 20 30 0 1 85 55 a15 30-20 1 1-50 20 A10 10 0 0 0 30 20Z"/>',
    "compact": '<path id="edge" d="m20 20h50a10 10 0 0110 10v30l-21 19-40-5z"/>',
    "rect": '<rect id="edge" x="10" y="20" width="70" height="50" rx="12" ry="8"/>',
    "one radius": '<rect id="edge" x="10" y="20" width="70" height="50" ry="9"/>',
    "circle": '<circle id="edge" cx="45" cy="55" r="33"/>',
    "ellipse": '<ellipse id="edge" cx="45" cy="55" rx="40" ry="22"/>',
    "polygon": '<polygon id="edge" points="10,10 90,30 60,85"/>',
    "polyline": '<polyline id="edge" points="10,10 90,30 60,85 10,10"/>',
    "with a hole": '<path id="edge" fill-rule="evenodd" d="M10 10H90V90H10Z M30 30H60V70H30Z"/>',
    "moved": '<g transform="translate(8 -5) scale(.8,.9)">'
    '<path id="edge" transform="rotate(20,50 50) skewX(10)" d="M20 20H80V70H20Z"/></g>',
    "by a matrix": '<g transform="matrix(.7 .1 -.2 .8 25 5)">'
    '<circle id="edge" cx="45" cy="45" r="40" transform="skewY(-8)"/></g>',
}
ROOTS = {
    "square": 'width="10mm" height="10mm" viewBox="0 0 100 100"',
    "wide": 'width="20mm" height="10mm" viewBox="0 0 100 100"',
    "tall, to the right": 'width="10mm" height="15mm" viewBox="-5 -5 110 110" preserveAspectRatio="xMaxYMax meet"',
    "sliced": 'width="10mm" height="12mm" viewBox="0 0 100 100" preserveAspectRatio="xMinYMid slice"',
    "stretched": 'width="10mm" height="12mm" viewBox="0 0 100 100" preserveAspectRatio="none"',
    "no box": 'width="100" height="100"',
    "box alone": 'viewBox="0 0 100 80"',
}


def differing(data: bytes, outline_of: bytes | None = None) -> float:
    """Share of the edge's pixels where resvg's drawing and the outline are plainly not of one mind.

    By centre or by coverage: pixels that resvg covers by 40 to 60 % may be either. It rounds places itself.
    """
    artwork = read_artwork(data, name="art", size=WantedSize(width_mm=WIDTH_MM, height_mm=None, pitch_um=20.0))
    assert artwork.alpha is not None
    height, width = artwork.alpha.shape
    rings = svg_outline(outline_of or data, "edge", name="art", width_mm=WIDTH_MM, height_mm=height * 0.02)
    ours = rasterise([rings], height_px=height, width_px=width, pitch_mm=0.02) != 0
    edge = int((ours[:, 1:] != ours[:, :-1]).sum() + (ours[1:] != ours[:-1]).sum())
    assert edge > 500
    wrong = (ours & (artwork.alpha < 102)) | (~ours & (artwork.alpha > 153))
    return int(wrong.sum()) / edge


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_is_what_resvg_draws(shape: str) -> None:
    assert differing(svg(SHAPES[shape])) <= 0.01


@pytest.mark.parametrize("root", ROOTS)
def test_every_root_is_where_resvg_draws_it(root: str) -> None:
    assert differing(svg(SHAPES["cubics"], root=ROOTS[root])) <= 0.01


def test_the_check_sees_a_shift_of_half_a_pixel() -> None:
    data = svg(SHAPES["lines"])
    assert differing(data, data.replace(b"M10 10", b"M10.1 10.1")) > 0.05


def test_a_circle_of_the_sample_has_its_place() -> None:
    data = svg('<g><circle id="edge" cx="25" cy="75" r="20"/></g>')
    (ring,) = svg_outline(data, "edge", name="art", width_mm=50.0, height_mm=50.0)
    assert Polygon(ring).bounds == pytest.approx((2.5, 2.5, 22.5, 22.5), abs=1e-6)  # 75 from the top is 25 from below


@pytest.mark.parametrize(
    ("body", "wanted", "words", "mend"),
    [
        ('<path id="a" d="M0 0H5V5Z"/><rect id="b" width="1" height="1"/>', "edge", "no shape of this id", "#a, #b"),
        ("<path d='M0 0H5V5Z'/>", "edge", "no shape of this id", "none: give it an id"),
        ('<path id="edge" d="M10 10H90V90"/>', "edge", "its part 1 of 1 is open", "Close the path"),
        ('<path id="edge" d="M1 1H9V9Z M20 20H30V30"/>', "edge", "its part 2 of 2 is open", "Close the path"),
        ('<g id="edge"><path d="M0 0H5V5Z"/></g>', "edge", "a <g>", "Ungroup"),
        ('<svg><path id="edge" d="M0 0H5V5Z"/></svg>', "edge", "stands in, a <svg>", "Ungroup"),
        ('<clipPath id="c"><path id="edge" d="M0 0H5V5Z"/></clipPath>', "edge", "a <clipPath>", "Ungroup"),
        ('<path id="edge" style="transform:rotate(9deg)" d="M0 0H5V5Z"/>', "edge", "moved by a style", "Apply"),
        ('<path id="edge" transform="spin(9)" d="M0 0H5V5Z"/>', "edge", "transform 'spin(9)'", "plain path"),
        ('<path id="edge" transform="scale(0)" d="M0 0H5V5Z"/>', "edge", "leaves nothing", "plain path"),
        ('<path id="edge" d="M0 0H5"/>', "edge", "is open", "Close"),
        ('<path id="edge" d="M0 0 Q"/>', "edge", "no number", "path data"),
        ('<circle id="edge" cx="50%" r="5"/>', "edge", "its cx is '50%'", "px or mm"),
    ],
)
def test_what_can_not_be_an_outline_is_refused(body: str, wanted: str, words: str, mend: str) -> None:
    with pytest.raises(BoardError) as caught:
        svg_outline(svg(body), wanted, name="art.svg", width_mm=10.0, height_mm=10.0)
    assert "art.svg" in caught.value.what and words in caught.value.what
    assert mend in caught.value.mend
