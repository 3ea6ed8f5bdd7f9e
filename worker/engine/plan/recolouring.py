"""The artwork in colours that a board can show: a picture, and of an SVG the drawing itself, to be edited further."""

from __future__ import annotations

import io
import re
from collections.abc import Callable

import numpy as np
from PIL import Image, ImageColor

from worker.engine.arrays import Labels, Srgb
from worker.engine.artwork.svg_gate import gate_svg
from worker.engine.colorimetry import srgb_encoded, srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import FinishColours
from worker.engine.palette.hull import ONE, hull_table, hull_targets, unpack

_PROPERTIES = "fill|stroke|stop-color|flood-color|lighting-color|color"
_VALUE = r"#[0-9a-fA-F]{3,8}\b|rgba?\([^()\"'<>;]{1,80}\)|[a-zA-Z]{3,24}(?![\w(-])"
_COLOURED = re.compile(rf"(?<![\w-])({_PROPERTIES})(\s*=\s*[\"']\s*|\s*:\s*)({_VALUE})")
_ROOT = re.compile(r"<svg(?=[\s>/])[^>]*>")
_KEPT = frozenset(("none", "inherit", "currentcolor", "transparent", "initial", "unset", "url"))


def recoloured_picture(srgb: Srgb, labels: Labels, colours: FinishColours, *, mixed: bool, threads: int = 1) -> Srgb:
    """uint8 (H, W, 3), encoded sRGB: each pixel in its finish's colour; where finishes are mixed, in the nearest colour
    that a mixture of them has."""
    if not mixed:
        palette = np.full((256, 3), 255, dtype=np.uint8)
        palette[: len(colours)] = colours.srgb
        return palette[labels]
    linear = unpack(hull_targets(srgb, hull_table(colours), threads=threads), 16 * ONE)
    return np.rint(255.0 * srgb_encoded(np.clip(linear, 0.0, 1.0))).astype(np.uint8)


def png(picture: Srgb, *, largest_px: int | None = None) -> bytes:
    """As a PNG file; shrunk where a side would be longer than `largest_px`."""
    out = io.BytesIO()
    image = Image.fromarray(picture)
    if largest_px is not None:
        image.thumbnail((largest_px, largest_px), Image.Resampling.BOX)
    image.save(out, "PNG", compress_level=3)
    return out.getvalue()


def recoloured_svg(data: bytes, colours: FinishColours, *, name: str) -> bytes:
    """The same drawing with every colour that is written in it replaced by that of the nearest finish, by CIEDE2000.

    Attributes, style attributes and style sheets are looked at; all else stays as it was, byte for byte. What has no
    fill of its own is black by the standard (SVG 2, section 13.2), and gets the finish nearest to black by an attribute
    of the root. Embedded pictures stay as they are.

    Raises
    ------
    ArtworkError
        The gate lets it not pass.
    """
    gate_svg(data, name=name)
    text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    nearest = _nearest(colours)
    text = _COLOURED.sub(lambda found: found[1] + found[2] + _replaced(found[3], nearest), text)
    root = _ROOT.search(text)
    if root is not None and not re.search(r"(?<![\w-])fill\s*[=:]", root[0]):
        text = text[: root.start() + 4] + f' fill="{nearest((0, 0, 0))}"' + text[root.start() + 4 :]
    return text.encode("utf-8")


def _nearest(colours: FinishColours) -> Callable[[tuple[int, ...]], str]:
    codes = ["#{:02x}{:02x}{:02x}".format(*(int(value) for value in code)) for code in colours.srgb]

    def nearest(srgb: tuple[int, ...]) -> str:
        lab = srgb_to_lab(np.array(srgb[:3], dtype=np.float64))
        return codes[int(np.argmin(ciede2000(lab[None], colours.lab)))]

    return nearest


def _replaced(value: str, nearest: Callable[[tuple[int, ...]], str]) -> str:
    if value.lower() in _KEPT:
        return value
    try:
        return nearest(ImageColor.getrgb(value))
    except ValueError:
        return value  # no colour that can be told: left as it is
