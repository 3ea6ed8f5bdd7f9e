"""The photographs of `samples/photographs/`: simulated and invented, of the coupon of a demo fab.

    python -m tests.engine.references.sample_photographs [FOLDER]

One through crossed polarisers, in which metal is nearly black, and one in a diffuse tent.
"""

from __future__ import annotations

import io
import sys
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

from tests.engine.references.simulated_camera import (
    LEGEND,
    WAVELENGTHS,
    Board,
    Conditions,
    Floats,
    Shot,
    coated,
    metal,
    take,
)
from worker.engine.fabrication.coupon import lay_out_coupon
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.references.photograph.flow import read_photographs
from worker.engine.references.photograph.proof import proof_png
from worker.engine.references.photograph.shot import Shot as ReadShot
from worker.fab_profile import FabProfile, read_fab_profile
from worker.patch_map import write_patch_map

ROOT = Path(__file__).parents[3]
FOLDER = ROOT / "samples" / "photographs"
FAB = ROOT / "samples" / "fabs" / "nocturne-gold.toml"
PITCH_UM = 50.0
QUALITY = 80
CONDITIONS = {
    "crossed": Conditions(seed=31, crossed=True, defective=0.0005, scale=0.8, tilt=0.05),
    "tent": Conditions(seed=32, defective=0.0005, scale=0.8, tilt=0.05, slope=0.04),
}


def fab() -> FabProfile:
    """The demo fab."""
    return read_fab_profile(FAB.read_bytes())


def spectra() -> dict[str, Floats]:
    """What the invented board of that fab really is, in the simulation: other than its catalogue."""
    dark = 0.034 + 0.00001 * (WAVELENGTHS - 400.0)
    return {
        "mask": 0.5 * dark + 0.002,
        "substrate": dark,
        "copper": 0.30 * metal("Cu_R") * (1.0 - 0.25 * np.exp(-(((WAVELENGTHS - 420.0) / 60.0) ** 2))),
        "gold": 0.56 * metal("Au50_on_Ni_R"),
        "legend": 0.94 * coated(LEGEND, dark),
    }


@cache
def board() -> Board:
    """The coupon of the demo fab."""
    profile = fab()
    coupon = lay_out_coupon(profile, finish_colours(profile).lab, pitch_um=PITCH_UM)
    return Board(
        labels=coupon.labels,
        pitch_mm=PITCH_UM / 1000.0,
        finishes=tuple(finish.id for finish in profile.finishes),
        spectra=spectra(),
        metals=tuple(finish.id for finish in profile.finishes if finish.texture == "metallic"),
        patch_map=coupon.patch_map,
    )


def photograph(name: str) -> Shot:
    """One of the two."""
    return take(CONDITIONS[name], board())


def picture(files: dict[str, bytes]) -> Image.Image:
    """Both photographs with what was read where, one above the other."""
    first, second = (ReadShot(data=data, name=name) for name, data in files.items())
    found = read_photographs(first, second, board().patch_map, fab().finishes)
    proofs = [Image.open(io.BytesIO(proof_png(shot, i, found))) for i, shot in enumerate((first, second))]
    shown = Image.new("RGB", (proofs[0].width, sum(proof.height for proof in proofs)))
    shown.paste(proofs[0], (0, 0))
    shown.paste(proofs[1], (0, proofs[0].height))
    return shown


def write(folder: Path) -> None:
    """Both photographs, the patch map, and the README's picture."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {f"{name}.jpg": photograph(name).jpeg(quality=QUALITY) for name in CONDITIONS}
    for name, data in files.items():
        (folder / name).write_bytes(data)
    picture(files).save(folder / "what_was_read.jpg", quality=QUALITY)
    (folder / "patch_map.json").write_bytes(write_patch_map(board().patch_map))


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
