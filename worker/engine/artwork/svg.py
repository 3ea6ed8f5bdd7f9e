"""SVG artworks: drawn by resvg at exactly the pixels of the board's grid, once the gate let them pass."""

from __future__ import annotations

import hashlib
import math
import re

import numpy as np
import numpy.typing as npt

from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.file_facts import check_pixels, load_vips
from worker.engine.artwork.grid_size import GridSize, find_grid_size
from worker.engine.artwork.picture import Artwork, WantedSize
from worker.engine.artwork.svg_gate import GatedSvg, gate_svg
from worker.errors import ArtworkError

MAX_LAYER_BYTES = 2 * 1024**3
MAX_LAYER_MEGAPIXELS = 20_000.0
MAX_EMBEDDED_PIXELS = 50_000_000

PX_PER_MM = 96.0 / 25.4
"""CSS Values and Units 3, section 6.2: a px is a 96th of an inch."""

_PX_PER_UNIT = {"": 1.0, "px": 1.0, "pt": 96 / 72, "pc": 16.0, "in": 96.0, "mm": PX_PER_MM, "cm": 10 * PX_PER_MM}
_PX_PER_UNIT |= {"q": PX_PER_MM / 4, "em": 16.0, "ex": 8.0}
_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([A-Za-z]*)\s*")


def read_svg(data: bytes, *, name: str, size: WantedSize, max_pixels: int) -> Artwork:
    """Draw an SVG for a board of this size.

    The picture has as many pixels as the board's grid, so that no resampling follows. A size of its own counts where
    the job gives none, with 96 px per inch as in CSS.

    Raises
    ------
    ArtworkError
        The SVG is damaged, states no size, or holds what the gate refuses (`svg_gate`).
    SettingsError
        The grid would be too large.
    """
    gated = gate_svg(data, name=name)
    left, top, width, height = svg_frame(gated, name)
    grid = find_grid_size(size, aspect=width / height, natural_mm=(width / PX_PER_MM, height / PX_PER_MM), name=name)
    check_pixels(grid.width_px, grid.height_px, name=name, max_pixels=max_pixels)
    _check_layers(gated, grid, name)
    warnings = [*gated.warnings, *grid.warnings, *_check_images(gated, name, size)]
    # The drawing goes into an outer <svg> of the wanted pixels: its own rounds sizes, and can't stretch.
    rgba = _draw(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{grid.width_px}" height="{grid.height_px}" '
        f'viewBox="{left!r} {top!r} {width!r} {height!r}" preserveAspectRatio="none">{gated.root}</svg>',
        name,
    )
    srgb, alpha = np.ascontiguousarray(rgba[..., :3]), np.ascontiguousarray(rgba[..., 3])
    srgb.flags.writeable = alpha.flags.writeable = False
    return Artwork(
        name=name,
        format="SVG",
        sha256=hashlib.sha256(data).hexdigest(),
        srgb=srgb,
        alpha=None if int(alpha.min()) == 255 else alpha,
        pixels_per_mm=(grid.width_px / grid.width_mm, grid.height_px / grid.height_mm),
        warnings=tuple(warnings),
    )


def svg_frame(gated: GatedSvg, name: str) -> tuple[float, float, float, float]:
    """Left, top, width and height of the root in CSS px."""
    box = _view_box(gated.attributes.get("viewBox"), name)
    width, height = (svg_length(gated.attributes.get(key), key, name) for key in ("width", "height"))
    if width is None and height is None and box is not None:
        width, height = box
    elif width is None and height is not None and box is not None:
        width = height * box[0] / box[1]
    elif height is None and width is not None and box is not None:
        height = width * box[1] / box[0]
    if width is None or height is None:
        raise ArtworkError(
            f"{name}: the SVG states neither its width and height nor a viewBox.",
            mend='Add a viewBox to its <svg>, such as viewBox="0 0 100 100".',
        )
    if not (1e-6 < width < 1e6 and 1e-6 < height < 1e6):
        raise ArtworkError(f"{name}: the SVG is {width:g} x {height:g} px.", mend="Give it a usual width and height.")
    left, top = (svg_length(gated.attributes.get(key), key, name) or 0.0 for key in ("x", "y"))
    return left, top, width, height


def _view_box(text: str | None, name: str) -> tuple[float, float] | None:
    if text is None:
        return None
    numbers = [_LENGTH.fullmatch(part) for part in text.replace(",", " ").split()]
    values = [float(number[1]) for number in numbers if number is not None and not number[2]]
    if len(numbers) != 4 or len(values) != 4 or not (values[2] > 0 and values[3] > 0):
        raise ArtworkError(
            f"{name}: the SVG's viewBox is {text[:60]!r}.", mend="Write four numbers: left, top, width, height."
        )
    return values[2], values[3]


def svg_length(text: str | None, key: str, name: str) -> float | None:
    """A length in CSS px; None where it is absent, auto or a share of a page that doesn't exist."""
    if text is None or text.strip() in ("", "auto") or text.strip().endswith("%"):
        return None
    match = _LENGTH.fullmatch(text)
    if match is None or match[2].lower() not in _PX_PER_UNIT:
        raise ArtworkError(f"{name}: the SVG's {key} is {text[:40]!r}.", mend="Write a number with px, mm or in.")
    return float(match[1]) * _PX_PER_UNIT[match[2].lower()]


def _check_layers(gated: GatedSvg, grid: GridSize, name: str) -> None:
    pixels = grid.width_px * grid.height_px
    layer_bytes = 4 * pixels * (gated.deepest + 2)
    if layer_bytes > MAX_LAYER_BYTES:
        raise ArtworkError(
            f"{name}: drawing the SVG at {grid.width_px:,} x {grid.height_px:,} px, with {gated.deepest} nested groups "
            f"that have opacity, masks, clips or filters, takes {layer_bytes / 1e9:.1f} GB; "
            f"the limit is {MAX_LAYER_BYTES / 1e9:.1f} GB.",
            mend="Use a coarser pitch, a smaller board, or fewer nested effects.",
        )
    if gated.layers * pixels / 1e6 > MAX_LAYER_MEGAPIXELS:
        raise ArtworkError(
            f"{name}: the SVG has effects for {gated.layers:,} layers of {pixels / 1e6:.1f} megapixels; "
            f"the limit is {MAX_LAYER_MEGAPIXELS:,.0f} megapixels in all.",
            mend="Use a coarser pitch, or fewer opacities, masks, clips and filters.",
        )


def _check_images(gated: GatedSvg, name: str, size: WantedSize) -> list[str]:
    """Decode the embedded pictures once: the renderer leaves out, without a word, those that it can't read."""
    warnings = []
    left = MAX_EMBEDDED_PIXELS
    for image in gated.images:
        inner = read_artwork(image, name=f"{name}: embedded picture", size=size, max_pixels=left)
        left -= math.prod(inner.srgb.shape[:2])
        if b"ICC_PROFILE\x00" in image[: 1 << 20] or b"iCCP" in image[:4096]:
            warnings.append("The ICC profile of a picture in the SVG isn't applied: its colours are taken as sRGB.")
    return warnings


def _draw(svg: str, name: str) -> npt.NDArray[np.uint8]:
    import resvg_py

    try:
        png = bytes(resvg_py.svg_to_bytes(svg_string=svg, skip_system_fonts=True, dpi=96.0, languages=["en"]))
    except (KeyboardInterrupt, SystemExit):
        raise
    except Exception as error:
        said = (str(error).strip().splitlines() or ["no reason given"])[0].rstrip(".")[:200]
        raise ArtworkError(
            f"{name}: the SVG can't be drawn: {said}.", mend="Save it as plain SVG from a drawing program, or as PNG."
        ) from error
    except BaseException as error:  # a panic of the renderer is no Exception, and its words are for its makers
        raise ArtworkError(
            f"{name}: the SVG breaks the renderer: a length, stroke, transform or filter in it is far out of range.",
            mend="Save it as plain SVG from a drawing program, without what lies far off the page, or as PNG.",
        ) from error
    image = load_vips().Image.pngload_buffer(png, access="sequential")
    if image.bands == 3:
        image = image.addalpha()
    pixels = np.frombuffer(image.write_to_memory(), np.uint8)
    return pixels.reshape(image.height, image.width, 4)
