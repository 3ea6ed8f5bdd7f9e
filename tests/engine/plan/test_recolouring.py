"""Recoloured drawings, read by the standard library's XML reader; colour names by Pillow's list of CSS Color 4."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import ImageColor

from tests.boards import board
from worker.engine.palette.finish_colours import FinishColours, finish_colours
from worker.engine.plan.recolouring import recoloured_picture, recoloured_svg
from worker.errors import ArtworkError

SVG = """<?xml version="1.0"?>
<!-- a drawing -->
<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="30mm" viewBox="0 0 40 30">
  <style>.moon { fill: #F4F4EE; stroke:none } #fill-in { stroke : rgb(200, 30, 30) }</style>
  <linearGradient id="sky"><stop stop-color="navy"/><stop offset="1" style="stop-color:#001020"/></linearGradient>
  <rect width="40" height="30" fill="url(#sky)"/>
  <circle class="moon" cx="10" cy="10" r="5"/>
  <path id="fill-in" d="M0 0h10v10z" fill='#fc3' stroke="currentColor"/>
  <path d="M5 5h3v3z"/>
</svg>
"""


@pytest.fixture
def colours() -> FinishColours:
    return finish_colours(board("nocturne-gold"))


def codes(colours: FinishColours) -> set[str]:
    return {"#{:02x}{:02x}{:02x}".format(*(int(value) for value in code)) for code in colours.srgb}


def test_every_colour_becomes_a_finish_s_and_nothing_else_changes(colours: FinishColours) -> None:
    made = recoloured_svg(SVG.encode(), colours, name="moon.svg").decode()
    known = codes(colours)
    root = ElementTree.fromstring(made)
    rect, circle, path, plain = (root[i] for i in (2, 3, 4, 5))
    assert root.attrib["fill"] in known  # black by default: the last path has no fill of its own
    assert rect.attrib["fill"] == "url(#sky)" and plain.attrib == {"d": "M5 5h3v3z"}
    assert path.attrib["fill"] in known and path.attrib["stroke"] == "currentColor" and path.attrib["id"] == "fill-in"
    assert circle.attrib == {"class": "moon", "cx": "10", "cy": "10", "r": "5"}
    stops = root[1]
    assert stops[0].attrib["stop-color"] in known and stops[1].attrib["style"].removeprefix("stop-color:") in known
    sheet = root[0].text or ""
    assert "stroke:none" in sheet and "#F4F4EE" not in sheet and "rgb(" not in sheet
    assert "<!-- a drawing -->" in made


def test_white_becomes_the_white_legend_and_names_count(colours: FinishColours) -> None:
    legend = "#{:02x}{:02x}{:02x}".format(*(int(value) for value in colours.srgb[colours.ids.index("legend")]))
    for white in ("white", "#fff", "#FFFFFF", "rgb(255,255,255)", "ivory"):
        assert min(ImageColor.getrgb(white)) > 200
        made = recoloured_svg(SVG.replace("#fc3", white).encode(), colours, name="moon.svg").decode()
        assert f"fill='{legend}'" in made


def test_what_the_gate_refuses_is_refused(colours: FinishColours) -> None:
    with pytest.raises(ArtworkError):
        recoloured_svg(b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", colours, name="bad.svg")


def test_a_picture_has_finishes_colours_alone_or_mixtures(colours: FinishColours) -> None:
    srgb = np.random.default_rng(2).integers(0, 256, (40, 50, 3)).astype(np.uint8)
    labels = np.random.default_rng(3).integers(0, len(colours), (40, 50)).astype(np.uint8)
    assert (recoloured_picture(srgb, labels, colours, mixed=False) == colours.srgb[labels]).all()
    mixed = recoloured_picture(srgb, labels, colours, mixed=True)
    # No mixture of these finishes is lighter in linear light than the lightest, nor more saturated than they are.
    assert mixed.max(axis=(0, 1)).max() <= int(colours.srgb.max()) + 1
