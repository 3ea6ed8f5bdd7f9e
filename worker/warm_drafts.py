"""What the first draft after a start would wait for, done before somebody waits: loops loaded, the decoder too."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.picture import WantedSize
from worker.fab_profile import LIMITS, read_fab_profile
from worker.job import ARTWORK
from worker.looking import look

_SIDE_PX = 48
_FINISH = """
[[finishes]]
id = "{id}"
name = "{id}"
texture = "matte"
recipe = {{ copper = "none", mask_opening = false, legend = {legend} }}
readings = [
    {{ lab = [{lightness}, 0, 0], illuminant = "D65", observer = "2", geometry = "45:0", origin = "assumed" }},
]
"""
_LIMITS = "".join(
    f"[limits.{section}]\n" + "".join(f"{key} = 0.2\n" for key in keys if key.endswith("_mm"))
    for section, keys in LIMITS.items()
)
_FAB = (
    'id = "warm-up"\nfab = "none"\nname = "none"\nplating = "none"\nlead_free = true\nbackground = "dark"\n'
    '[stack_up]\nthickness_mm = 1.6\nsubstrate = "none"\nsolder_mask = "none"\nlegend = "none"\ncopper_um = 35\n'
    "sides = 2\n"
    + _LIMITS
    + _FINISH.format(id="dark", legend="false", lightness=20)
    + _FINISH.format(id="light", legend="true", lightness=90)
)
"""No fab: a board of two finishes that is enough to make a draft of."""


class _NoTables:
    """A `TableStore` that keeps nothing."""

    def get(self, key: str) -> bytes | None:
        """Nothing."""
        return None

    def put(self, key: str, table: bytes) -> None:
        """Nothing is kept."""


def warm() -> None:
    """Make drafts of pictures of noise along both routes. No thread is left, nor pyvips loaded: children are forked."""
    fab = read_fab_profile(_FAB.encode())
    artwork = _noise("BMP")
    for edges in ("threshold", "dither"):
        asked = {
            "settings": {"width": "4.8mm", "edges": edges},
            "names": {ARTWORK: "noise"},
            "side": "top",
            "longest_px": _SIDE_PX,
        }
        inputs = {ARTWORK: io.BytesIO(artwork)}
        look(fab, inputs, asked, tables=_NoTables(), threads=1, progress=lambda stage, done, of: None)


def warm_decoder() -> None:
    """Load what decodes artworks; it starts threads, which a fork would lose, so each child calls it."""
    size = WantedSize(width_mm=1.0, height_mm=None, pitch_um=20.0)
    for form in ("PNG", "JPEG"):
        read_artwork(_noise(form), name="noise", size=size)


def _noise(form: str) -> bytes:
    out = io.BytesIO()
    pixels = np.random.default_rng(0).integers(0, 3, (_SIDE_PX, _SIDE_PX, 3), dtype=np.uint8) * np.uint8(120)
    Image.fromarray(pixels).save(out, form)
    return out.getvalue()
