"""Draws `samples/pictures/compare.png` for the README: what `maskwright compare` finds in a package that a fab edited.

The edits are those that a fab's programs like to make: legend clipped farther from the openings, one opening moved so
that a web is gone, a number on the face. Run in the project's folder: `.venv/bin/python -m samples.render_compare`.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from PIL import Image

from worker.engine.fabrication.layer_changes import Changes, compare_packages
from worker.engine.fabrication.returned_files import match_files
from worker.engine.fabrication.stroke_font import lay_line
from worker.engine.pipeline import convert
from worker.engine.report.change_picture import change_picture
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings

CLIP = b"%ADD98C,2.0*%\n%LPC*%\nD98*\n"
"""Clear strokes along the openings, 1 mm to each side."""
PEN = b"%ADD99C,0.15*%\n%LPD*%\nD99*\n"
NUMBER, NUMBER_AT_MM, NUMBER_HEIGHT_MM = "Q4-7719", (7.0, 2.4), 1.2
MOVED_NM = 300_000
WIDTH_PX = 400


def package() -> dict[str, bytes]:
    """A package as it is sent."""
    samples = Path(__file__).parent
    conversion = convert(
        (samples / "artworks" / "night-watch-token.png").read_bytes(),
        read_fab_profile((samples / "fabs" / "nocturne-gold.toml").read_bytes()),
        read_settings({"width": "20mm", "board": "disc", "fabrication": "on"}),
        name="night-watch-token.png",
        threads=2,
    )
    return {
        path.removeprefix("fabrication/"): data for path, data in conversion.files() if path.endswith((".gbr", ".xnc"))
    }


def edited(sent: dict[str, bytes]) -> dict[str, bytes]:
    """The package as it comes back."""
    openings, legend = sent["solder-mask-top.gbr"], sent["legend-top.gbr"]
    outlines = b"".join(re.findall(rb"G36\*\n(.*?)G37\*\n", openings, re.DOTALL))
    legend = legend.replace(b"M02*\n", CLIP + outlines + PEN + number() + b"M02*\n")
    return {**sent, "legend-top.gbr": legend, "solder-mask-top.gbr": with_a_part_moved(openings)}


def with_a_part_moved(openings: bytes) -> bytes:
    """The moon, which lies deepest, and so comes last, moved to the right: the web beside it with it."""
    part = re.findall(rb"G36\*\n.*?G37\*\n", openings, re.DOTALL)[-1]
    moved = re.sub(rb"X(\d+)Y", lambda found: b"X%dY" % (int(found[1]) + MOVED_NM), part)
    return openings.replace(part, moved)


def number() -> bytes:
    """The fab's own number, in strokes."""
    left, high = NUMBER_AT_MM
    lines = []
    for stroke in lay_line(NUMBER, 0.25):
        for i, (x, y) in enumerate(stroke):
            place = (round((left + x * NUMBER_HEIGHT_MM) * 1e6), round((high - y * NUMBER_HEIGHT_MM) * 1e6))
            lines.append(f"X{place[0]}Y{place[1]}D0{1 if i else 2}*\n")
    return "".join(lines).encode("ascii")


def changes_of(sent: dict[str, bytes]) -> Changes:
    """What `maskwright compare` finds."""
    before, after = (match_files(files, {}, whose="these").layers for files in (sent, edited(sent)))
    return compare_packages(before, after, pitch_um=20.0)


def main() -> None:
    """Write the picture: legend on the left, mask openings on the right."""
    changes = changes_of(package())
    found = {change.layer: change for change in changes.layers if change.state == "changed"}
    for change in found.values():
        print(change.layer, f"{change.added_mm2:.2f} mm2 added, {change.removed_mm2:.2f} mm2 removed")
    images = []
    for layer in ("legend-top", "solder-mask-top"):
        picture = change_picture(found[layer], changes)
        assert picture is not None
        images.append(Image.fromarray(picture).resize((WIDTH_PX, WIDTH_PX), Image.Resampling.LANCZOS))
    whole = Image.fromarray(np.concatenate([np.asarray(image) for image in images], axis=1))
    target = Path(__file__).parent / "pictures" / "compare.png"
    whole.quantize(32, dither=Image.Dither.NONE).save(target, optimize=True)


if __name__ == "__main__":
    main()
