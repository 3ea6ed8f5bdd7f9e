"""The proof of a board's own files: what they were made from, brought into the form that `read_back` compares."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.colorimetry import lab_to_srgb
from worker.engine.fabrication.as_written import stack_as_written
from worker.engine.fabrication.board import BoardShape, mirrored
from worker.engine.fabrication.drill import NON_PLATED, PLATED
from worker.engine.fabrication.fabricate import Fabrication
from worker.engine.fabrication.grid import points_nm
from worker.engine.fabrication.layer_files import (
    BARE_FILE,
    LAYER_KINDS,
    PLATED_FILE,
    PROFILE_FILE,
    SCORE_FILE,
    VCUT,
    SideName,
    TracedSide,
)
from worker.engine.fabrication.read_back import MOST_CORNERS, ReadBack, SideAsMade, WrittenFile, read_back
from worker.engine.fabrication.simplify import FINE_PX
from worker.engine.fabrication.stack_colours import stack_lab
from worker.errors import ProofError
from worker.fab_profile import FabProfile


def prove(
    fabrication: Fabrication,
    files: Mapping[str, bytes],
    traced: Mapping[SideName, TracedSide],
    lab: Floats,
    *,
    most_corners: int = MOST_CORNERS,
    threads: int = 1,
) -> ReadBack:
    """`prove_files` of a board that was made from artworks."""
    shape = shape_from_the_top(fabrication)
    return prove_files(files, traced, shape, fabrication.fab, lab, most_corners=most_corners, threads=threads)


def prove_files(
    files: Mapping[str, bytes],
    traced: Mapping[SideName, TracedSide],
    shape: BoardShape,
    fab: FabProfile,
    lab: Floats,
    *,
    most_corners: int = MOST_CORNERS,
    threads: int = 1,
) -> ReadBack:
    """Read a board's fabrication files back and compare them with its planes, outline and holes.

    Parameters
    ----------
    files : by name, as `layer_files` gives them; others are left aside.
    traced : the contours that they were written from.
    shape : as seen from the top.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes, for the pictures.

    Raises
    ------
    ProofError
        Where anything differs, or a file is missing.
    """
    sides: dict[str, SideAsMade] = {
        side: SideAsMade(planes=one.planes.stack, written=stack_as_written(one.contours, threads=threads))
        for side, one in traced.items()
    }
    return read_back(
        _written(files, list(traced), scored=bool(shape.scores)),
        sides,
        grid=next(iter(traced.values())).contours.grid,
        tolerance_px=FINE_PX,
        outlines=[points_nm(ring) for ring in shape.outline],
        holes=shape.holes,
        scores=[points_nm(np.array(shape.across(score))) for score in shape.scores],
        stack_srgb=lab_to_srgb(stack_lab(fab, lab)),
        most_corners=most_corners,
        threads=threads,
    )


def shape_from_the_top(fabrication: Fabrication) -> BoardShape:
    """The board's shape as its files draw it."""
    return fabrication.shape if fabrication.side == "top" else mirrored(fabrication.shape)


def _written(files: Mapping[str, bytes], sides: list[SideName], *, scored: bool) -> list[WrittenFile]:
    wanted: list[tuple[str, str, str | None]] = [
        (f"{kind.name}-{side}.gbr", kind.function(side), kind.polarity) for side in sides for kind in LAYER_KINDS
    ]
    wanted.append((PROFILE_FILE, "Profile,NP", "Positive"))
    if scored:
        wanted.append((SCORE_FILE, VCUT, "Positive"))
    wanted += [(PLATED_FILE, PLATED, None), (BARE_FILE, NON_PLATED, None)]
    missing = [path for path, _, polarity in wanted if polarity is not None and path not in files]
    if missing:
        raise ProofError(f"The package has no {missing[0]}.", mend="Please report it, with the artwork and settings.")
    return [
        WrittenFile(path=path, function=function, polarity=polarity, data=files[path])
        for path, function, polarity in wanted
        if path in files
    ]
