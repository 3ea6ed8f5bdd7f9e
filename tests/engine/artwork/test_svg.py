"""SVG: the gate, and drawing, against librsvg."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import numpy as np
import pytest
import pyvips

from tests.engine.artwork.picture_files import noise, png_by_opencv
from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import place_on_grid
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.errors import ArtworkError, MaskwrightError, SettingsError

ORRERY = Path(__file__).parents[3] / "samples" / "artworks" / "orrery.svg"
PNG_LINK = "data:image/png;base64," + base64.b64encode(png_by_opencv(noise(4, 4))).decode()


def svg(body: str, *, root: str = 'width="10mm" height="10mm" viewBox="0 0 100 100"', head: str = "") -> bytes:
    names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
    return f"{head}<svg {names} {root}>{body}</svg>".encode()


def drawn(
    data: bytes, *, width: float | None = 10.0, height: float | None = None, pitch: float = 100.0, **options: int
) -> Artwork:
    size = WantedSize(width_mm=width, height_mm=height, pitch_um=pitch)
    return read_artwork(data, name="art", size=size, **options)


def alpha_of(artwork: Artwork) -> np.ndarray:
    return np.full(artwork.srgb.shape[:2], 255, np.uint8) if artwork.alpha is None else artwork.alpha


SQUARE = '<rect x="25" y="25" width="50" height="50" fill="#C82828"/>'


def test_it_is_drawn_at_the_pixels_of_the_grid() -> None:
    """A square over the middle half of 10 mm, at 100 micrometres: pixels 25 to 74 of 100, with no rim."""
    artwork = drawn(svg(SQUARE))
    assert artwork.srgb.shape == (100, 100, 3)
    expected = np.zeros((100, 100), np.uint8)
    expected[25:75, 25:75] = 255
    assert np.array_equal(alpha_of(artwork), expected)
    assert (artwork.srgb[25:75, 25:75] == (0xC8, 0x28, 0x28)).all()
    assert artwork.sha256 == hashlib.sha256(svg(SQUARE)).hexdigest()


@pytest.mark.parametrize("pitch", [5.0, 20.0, 33.3, 100.0])
@pytest.mark.parametrize("width", [3.0, 7.77, 10.0])
def test_the_grid_takes_it_as_it_is(width: float, pitch: float) -> None:
    data = svg('<rect width="100" height="61.8"/>', root='viewBox="0 0 100 61.8"')
    size = WantedSize(width_mm=width, height_mm=None, pitch_um=pitch)
    artwork = read_artwork(data, name="art", size=size)
    picture = place_on_grid(artwork, size, smallest_feature_um=150)
    assert picture.srgb is artwork.srgb and picture.warnings == ()
    assert artwork.alpha is None  # the rectangle fills the whole, to the last row and column


@pytest.mark.parametrize(
    ("root", "mm"),
    [
        ('width="30mm" height="2cm"', (30, 20)),
        ('width="96" height="48px"', (25.4, 12.7)),
        ('width="1in" height="36pt"', (25.4, 12.7)),
        ('width="6pc" height="40Q"', (25.4, 10)),
        ('viewBox="0 0 96 192"', (25.4, 50.8)),
        ('width="100%" height="100%" viewBox="0,0,96,192"', (25.4, 50.8)),
        ('width="20mm" viewBox="-5 -5 10 30"', (20, 60)),
        ('height="20mm" viewBox="0 0 10 30"', (20 / 3, 20)),
        ('width="30mm" height="20mm" viewBox="0 0 1 1" x="5mm" y="-3"', (30, 20)),
    ],
)
def test_its_own_size_at_96_pixels_per_inch(root: str, mm: tuple[float, float]) -> None:
    """CSS Values and Units 3, section 6.2: 1in = 2.54cm = 25.4mm = 96px = 72pt = 6pc, 40Q = 1cm."""
    artwork = drawn(svg('<circle r="3"/>', root=root), width=None, pitch=50.0)
    assert artwork.srgb.shape[1::-1] == tuple(round(side * 20) for side in mm)


def test_both_sides_stretch_with_a_warning() -> None:
    artwork = drawn(svg(SQUARE), width=10.0, height=5.0)
    assert "sideways by 100 %" in artwork.warnings[0]
    expected = np.zeros((50, 100), np.uint8)
    expected[12, 25:75] = expected[37, 25:75] = 128
    expected[13:37, 25:75] = 255
    assert np.abs(alpha_of(artwork).astype(int) - expected).max() <= 1


def test_a_drawing_looks_as_librsvg_has_it() -> None:
    """Two renderers differ in the rims of shapes only, by their ways of anti-aliasing."""
    artwork = read_artwork(
        ORRERY.read_bytes(), name="orrery", size=WantedSize(width_mm=60.0, height_mm=None, pitch_um=75.0)
    )
    other = pyvips.Image.svgload_buffer(ORRERY.read_bytes(), dpi=72, scale=800 / (60 * 72 / 25.4)).numpy()
    assert artwork.srgb.shape == (800, 800, 3) and other.shape[2] == 4
    apart = np.abs(artwork.srgb[:797, :797].astype(int) - other[:797, :797, :3]).max(axis=2)
    assert np.mean(apart) < 1.0
    assert np.mean(apart > 40) < 0.005


def test_embedded_pictures_are_drawn() -> None:
    body = f'<image width="100" height="100" xlink:href="{PNG_LINK}" image-rendering="optimizeSpeed"/>'
    artwork = drawn(svg(body))
    centres = artwork.srgb[12::25, 12::25]
    assert np.array_equal(centres, noise(4, 4))


def test_links_inside_the_file_gradients_and_styles_pass() -> None:
    body = (
        '<style>.a{fill:url(#g);opacity:.9} .b{fill:url("#g")}</style><defs><linearGradient id="g"><stop offset="0" '
        'stop-color="red"/><stop offset="1"/></linearGradient><g id="s"><rect class="a" width="9" height="9"/></g>'
        '<filter id="f"><feGaussianBlur stdDeviation="2 1"/></filter><clipPath id="c"><rect width="50" height="50"/>'
        '</clipPath></defs><use href="#s"/><use xlink:href="#s" x="20"/><g clip-path="url(#c)" filter="url( #f )">'
        '<circle r="40" style="fill:url(#g)"/></g>'
    )
    head = '<?xml version="1.0" encoding="UTF-8"?><!-- made by hand -->\n'
    assert alpha_of(drawn(svg(body, head=head))).max() == 255


def test_animation_is_a_warning() -> None:
    body = '<rect width="50" height="50"><animate attributeName="x" to="50" dur="1s"/></rect>'
    assert "animated" in drawn(svg(body)).warnings[0]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_byte_order_marks(encoding: str) -> None:
    assert alpha_of(drawn(svg(SQUARE).decode().encode(encoding))).max() == 255


def nested(depth: int) -> str:
    return "<g>" * depth + SQUARE + "</g>" * depth


def repeated(levels: int) -> str:
    """Ten uses of ten uses of ...: 10 ** levels elements in a few lines."""
    body = '<g id="l0"><rect width="1" height="1"/></g>'
    for level in range(1, levels + 1):
        uses = f'<use href="#l{level - 1}"/>' * 10
        body += f'<g id="l{level}">{uses}</g>'
    return body


GATE = {
    "doctype": (svg(SQUARE, head='<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://x/svg11.dtd">'), "DOCTYPE"),
    "entity": (svg("&a;", head='<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]>'), "DOCTYPE"),
    "unknown entity": (svg("&a;"), "well-formed"),
    "absolute path": (svg('<image width="9" height="9" href="/etc/secret.png"/>'), "leads out"),
    "path upwards": (svg('<image width="9" height="9" xlink:href="../art.png"/>'), "leads out"),
    "relative path": (svg('<image width="9" height="9" href="art.png"/>'), "leads out"),
    "escaped path": (svg('<image width="9" height="9" href="&#47;etc&#47;secret.png"/>'), "leads out"),
    "web address": (svg('<image width="9" height="9" href="https://example.org/a.png"/>'), "leads out"),
    "file address": (svg('<image width="9" height="9" href="file:///etc/a.png"/>'), "leads out"),
    "link": (svg('<a href="https://example.org"><rect width="9" height="9"/></a>'), "leads out"),
    "use of another file": (svg('<use href="other.svg#a"/>'), "leads out"),
    "svg in svg": (svg('<image width="9" height="9" href="data:image/svg+xml;base64,PHN2Zy8+"/>'), "leads out"),
    "data outside an image": (svg(f'<use href="{PNG_LINK}"/>'), "leads out"),
    "no base64": (svg('<image width="9" height="9" href="data:image/png;base64,!!"/>'), "base64"),
    "damaged picture": (svg('<image width="9" height="9" href="data:image/png;base64,iVBORw0KGgo="/>'), "decoded"),
    "filter image": (svg('<filter id="f"><feImage href="/etc/a.png"/></filter>'), "feImage"),
    "style url": (svg('<rect width="9" height="9" style="fill:url(/etc/a.svg#p)"/>'), "url()"),
    "attribute url": (svg('<rect width="9" height="9" fill="URL(a.svg#p)"/>'), "url()"),
    "sheet url": (svg("<style>rect{fill:url('http://example.org/a.svg#p')}</style>"), "url()"),
    "sheet import": (svg("<style>@import 'a.css';</style>"), "@import"),
    "sheet font": (svg("<style><![CDATA[@FONT-FACE{src:url(#a)}]]></style>"), "@font-face"),
    "escapes": (svg("<style>rect{fill:u\\72l(a.svg)}</style>"), "backslash"),
    "style sheet": (svg(SQUARE, head='<?xml-stylesheet href="a.css"?>'), "style sheet"),
    "text": (svg('<text y="50">Hi</text>'), "fonts"),
    "script": (svg("<script>1</script>"), "<script>"),
    "foreign": (svg("<foreignObject/>"), "<foreignObject>"),
    "pattern": (svg('<pattern id="p" width="1e9" height="1e9"/>'), "<pattern>"),
    "marker": (svg('<marker id="m"/>'), "<marker>"),
    "turbulence": (svg('<filter id="f"><feTurbulence numOctaves="99"/></filter>'), "<feTurbulence>"),
    "nesting": (svg(nested(300)), "deeper than 100"),
    "many elements": (svg("<g/>" * 100_001), "more than 100,000"),
    "much repetition": (svg(repeated(8) + '<use href="#l8"/>'), "repeats by reference"),
    "drawn inside itself": (svg('<g id="a"><use href="#a"/></g>'), "inside itself"),
    "huge blur": (svg('<filter id="f"><feGaussianBlur stdDeviation="1e9"/></filter>'), "stdDeviation"),
    "wide filter": (svg('<filter id="f" x="-10" width="30"/>'), "filter"),
    "filter in units": (svg('<filter id="f" filterUnits="userSpaceOnUse"/>'), "filterUnits"),
    "many layers": (svg(f'<g opacity=".5">{SQUARE * 2}</g>' * 20 * 1000), "layers of"),
    "not XML": (b"<svg <", "well-formed"),
    "cut short": (svg(SQUARE)[:-8], "well-formed"),
    "other root": (b'<html xmlns="http://www.w3.org/1999/xhtml"><svg/></html>', "<html>"),
    "no namespace": (b'<svg width="1" height="1"/>', "namespace"),
    "no size": (svg(SQUARE, root=""), "neither"),
    "empty view box": (svg(SQUARE, root='viewBox="0 0 0 9"'), "viewBox"),
    "odd view box": (svg(SQUARE, root='viewBox="0 0 nine 9"'), "viewBox"),
    "odd width": (svg(SQUARE, root='width="5 apples" height="5"'), "apples"),
    "no width": (svg(SQUARE, root='width="0" height="5"'), "0 x 5"),
    "latin": (svg(SQUARE, head='<?xml version="1.0" encoding="ISO-8859-1"?>'), "ISO-8859-1"),
    "not UTF-8": (svg("<title>\u00e9</title>").decode().encode("latin-1"), "UTF-8"),
    "gzip": (b"\x1f\x8b" + b"\0" * 40, "gzip"),
}


@pytest.mark.parametrize("case", GATE)
def test_the_gate_refuses(case: str) -> None:
    data, said = GATE[case]
    pitch = 5.0 if case == "many layers" else 100.0
    with pytest.raises(ArtworkError) as caught:
        drawn(data, pitch=pitch)
    assert said in caught.value.what
    assert caught.value.what.startswith("art") and caught.value.mend.endswith((".", ")"))


def test_nesting_up_to_the_limit_is_drawn() -> None:
    assert alpha_of(drawn(svg(nested(97)))).max() == 255


def test_size_is_checked_before_drawing() -> None:
    with pytest.raises(ArtworkError, match="10,000 in all; the limit is 9,999"):
        drawn(svg(SQUARE), max_pixels=9_999)
    with pytest.raises(SettingsError, match="400 million"):
        drawn(svg(SQUARE), width=1200.0, pitch=5.0)
    deep = '<g opacity=".5"><rect width="9" height="9"/>' * 60 + "</g>" * 60
    with pytest.raises(ArtworkError, match="60 nested groups"):
        drawn(svg(deep), width=100.0, pitch=25.0)


def test_the_line_of_the_fault_is_named() -> None:
    with pytest.raises(MaskwrightError, match="line 3 of the SVG"):
        drawn(svg("\n<g/>\n<text/>"))
