"""Draw the README's coupon, that of the demo profile nocturne-gold: python samples/render_coupon.py [FILE]"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

from worker.engine.fabrication.coupon import lay_out_coupon
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.report.pictures import label_colours
from worker.fab_profile import read_fab_profile

SAMPLES = Path(__file__).parent
WIDTH_PX = 1000


def drawn() -> Image.Image:
    """The coupon in its finishes' colours, much reduced."""
    fab = read_fab_profile((SAMPLES / "fabs" / "nocturne-gold.toml").read_bytes())
    lab = finish_colours(fab).lab
    coupon = lay_out_coupon(fab, lab, pitch_um=25.0)
    image = Image.fromarray(label_colours(lab)[coupon.labels])
    size = (WIDTH_PX, round(WIDTH_PX * image.height / image.width))
    return image.resize(size, Image.Resampling.LANCZOS).quantize(48, dither=Image.Dither.NONE)


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES / "coupon" / "nocturne-gold-coupon.png"
    drawn().save(target, optimize=True)
