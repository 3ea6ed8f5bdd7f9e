"""Whole packages of fabrication files, made of a stack, for tests that read them back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.fabrication.as_written import stack_as_written
from worker.engine.fabrication.board_shape import Hole
from worker.engine.fabrication.contours import trace
from worker.engine.fabrication.drill import NON_PLATED, PLATED, xnc_drill
from worker.engine.fabrication.file_attributes import Project, project_guid
from worker.engine.fabrication.gerber import gerber_layer, gerber_profile
from worker.engine.fabrication.grid import Grid, grid_of
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes
from worker.engine.fabrication.read_back import ReadBack, SideAsMade, WrittenFile, read_back
from worker.engine.fabrication.rings import layer_rings
from worker.engine.fabrication.simplify import COARSE_PX, simplify

PROJECT = Project(name="owl", guid=project_guid(b"owl"), revision="1", version="0.1.0")
LAYERS = {
    "copper": (COPPER, "Copper,L1,Top", "Copper,L2,Bot", "Positive"),
    "solder-mask": (OPENING, "Soldermask,Top", "Soldermask,Bot", "Negative"),
    "legend": (LEGEND, "Legend,Top", "Legend,Bot", "Positive"),
}
GREYS = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
HOLES = (
    Hole(x_mm=0.05, y_mm=0.06, diameter_mm=0.03, plated=False),
    Hole(x_mm=0.02, y_mm=0.03, diameter_mm=0.02, plated=True),
    Hole(x_mm=0.1, y_mm=0.05, diameter_mm=0.02, plated=False, slot_to=(0.12, 0.07)),
)


@dataclass(frozen=True, kw_only=True)
class MadePackage:
    """A package, and all that it was made from."""

    files: list[WrittenFile]
    sides: dict[str, SideAsMade]
    grid: Grid
    outline: np.ndarray
    holes: Sequence[Hole]
    tolerance_px: float

    def changed(self, path: str, old: bytes, new: bytes) -> MadePackage:
        """The same, with some bytes of one file replaced; they must be there."""
        files = []
        for file in self.files:
            if file.path == path:
                assert old in file.data, (path, old)
                data = file.data.replace(old, new, 1)
                file = WrittenFile(path=path, function=file.function, polarity=file.polarity, data=data)
            files.append(file)
        return MadePackage(**{**vars(self), "files": files})

    def read_back(self, most_corners: int = 500_000) -> ReadBack:
        return read_back(
            self.files,
            self.sides,
            grid=self.grid,
            tolerance_px=self.tolerance_px,
            outlines=[self.outline],
            holes=self.holes,
            stack_srgb=GREYS,
            most_corners=most_corners,
        )


def package_of(
    top: np.ndarray,
    bottom: np.ndarray | None = None,
    *,
    pitch_um: float = 10.0,
    tolerance_px: float = COARSE_PX,
    holes: Sequence[Hole] = (),
) -> MadePackage:
    """The files of a board whose sides, seen from the top, have these stacks."""
    files, sides = [], {}
    grid = grid_of(LayerPlanes(stack=top.copy(), pitch_um=pitch_um))
    for side, stack in (("top", top), ("bottom", bottom)):
        if stack is None:
            continue
        contours = simplify(trace(LayerPlanes(stack=stack.copy(), pitch_um=pitch_um)), tolerance_px)
        sides[side] = SideAsMade(planes=stack, written=stack_as_written(contours))
        for name, (bit, function, bottom_function, polarity) in LAYERS.items():
            value = function if side == "top" else bottom_function
            rings = layer_rings(contours, bit)
            data = b"".join(gerber_layer(rings, function=value, polarity=polarity, project=PROJECT))
            files.append(WrittenFile(path=f"{name}-{side}.gbr", function=value, polarity=polarity, data=data))
    width, height = grid.width_nm, grid.height_nm
    outline = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.int64)
    profile = gerber_profile([outline], project=PROJECT)
    files.append(WrittenFile(path="profile.gbr", function="Profile,NP", polarity="Positive", data=profile))
    for plated, function in ((True, PLATED), (False, NON_PLATED)):
        data = xnc_drill(holes, plated=plated, project=PROJECT)
        if data is not None:
            name = "drill-plated.xnc" if plated else "drill-non-plated.xnc"
            files.append(WrittenFile(path=name, function=function, polarity=None, data=data))
    return MadePackage(files=files, sides=sides, grid=grid, outline=outline, holes=holes, tolerance_px=tolerance_px)


def blobs(seed: int, size: int, *, fineness: float = 4.0) -> np.ndarray:
    """uint8 (size, size): a smooth stack, with copper, openings and legend."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    one, two = (gaussian_filter(rng.normal(size=(size, size)), fineness) for _ in range(2))
    layers = COPPER * (one > 0) | OPENING * ((one > 0.01) & (two > 0)) | LEGEND * ((one < -0.01) & (two > 0.01))
    return (BOARD | layers).astype(np.uint8)
