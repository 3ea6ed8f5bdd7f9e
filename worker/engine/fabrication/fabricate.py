"""From finishes to a board that a fab can make: layers, limits, borders, copper, and what is known of the outcome."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from worker.engine.arrays import Floats, Labels, Srgb
from worker.engine.fabrication.board import BoardShape
from worker.engine.fabrication.copper_balance import CopperBalance, copper_balance
from worker.engine.fabrication.copper_hatch import hatch_unseen
from worker.engine.fabrication.copper_parts import CopperParts, copper_parts
from worker.engine.fabrication.copper_ties import Joined, join_copper, tie_copper
from worker.engine.fabrication.covered_copper import cover_copper
from worker.engine.fabrication.edge_keep_out import edge_keep_out
from worker.engine.fabrication.expected_error import ExpectedError, expected_error
from worker.engine.fabrication.file_attributes import Project
from worker.engine.fabrication.layer_files import SideName, TracedSide, layer_files, traced_sides
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.making import MadeSide, make_side
from worker.engine.fabrication.planes import BOARD, COPPER, LayerPlanes, planes_of
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.fab_profile import FabProfile
from worker.job_settings import Settings

_SEED = 20261125


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fabrication:
    """A board as it will be made.

    planes : of each side, as seen from outside it. art : how the side with the artwork was made. seen : uint8 (H, W),
    the finish that each pixel of that side will show, and the nearest one where the profile has none for its layers;
    255 outside the board. joined : what became of floating copper, where it was to be tied or joined; None too where
    bridges would have broken a limit, as `warnings` says then.
    """

    fab: FabProfile
    shape: BoardShape
    side: SideName
    planes: Mapping[SideName, LayerPlanes]
    art: MadeSide
    seen: Labels
    expected: ExpectedError
    parts: Mapping[SideName, CopperParts]
    balance: CopperBalance
    joined: Joined | None
    warnings: tuple[str, ...]

    def traced(self, *, threads: int = 1) -> dict[SideName, TracedSide]:
        """The contours of every side, which both the files and their proof need."""
        return traced_sides(self.planes, self.fab, threads=threads)

    def files(self, project: Project, traced: Mapping[SideName, TracedSide]) -> Iterator[tuple[str, bytes]]:
        """Name and bytes of every fabrication file. `traced` : from `traced`."""
        return layer_files(traced, self.shape, self.fab, project)


def fabricate(
    labels: Labels,
    srgb: Srgb,
    lab: Floats,
    shape: BoardShape,
    fab: FabProfile,
    settings: Settings,
    *,
    side: SideName = "top",
    cover_metal: bool = False,
    threads: int = 1,
) -> Fabrication:
    """Make a board whose one side shows these finishes; the other is mask alone, with the copper that they ask for.

    Parameters
    ----------
    labels : uint8 (H, W), index of the finish; 255 outside the board.
    srgb : uint8 (H, W, 3), encoded sRGB: the artwork on the same grid.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    shape : as seen from the side with the artwork.
    cover_metal : whether copper must stay under the mask wherever that lands, as on boards of a hazardous voltage.
    """
    planes = edge_keep_out(shape, planes_of(labels, fab, pitch_um=shape.pitch_um), fab, threads=threads)
    made = make_side(planes, fab, lab, srgb, threads=threads)
    drawn, joined = made.planes, None
    warnings = []
    if settings.islands != "leave":
        joined = (
            tie_copper(drawn, fab, lab, srgb, threads=threads)
            if settings.islands == "tie"
            else join_copper(drawn, fab, threads=threads)
        )
        if measure_limits(joined.planes, fab, threads=threads).total <= made.left.total:
            drawn = joined.planes
        else:
            joined = None
            warnings.append(
                f"islands = {settings.islands}: bridges would break a limit of the fab, so floating copper was left."
            )
    if settings.hatch:
        drawn = hatch_unseen(drawn, fab, threads=threads)
    if cover_metal:
        drawn = cover_copper(drawn, fab, threads=threads)
        made = replace(made, planes=drawn, left=measure_limits(drawn, fab, threads=threads))
    sides: dict[SideName, LayerPlanes] = {side: drawn}
    if fab.stack_up["sides"] == 2:
        sides["bottom" if side == "top" else "top"] = _other_side(labels, drawn, fab)
    other = [one for name, one in sides.items() if name != side]
    return Fabrication(
        fab=fab,
        shape=shape,
        side=side,
        planes=sides,
        art=made,
        seen=np.asarray(nearest_finish(fab)[drawn.stack]),
        expected=expected_error(
            drawn,
            fab,
            lab,
            srgb,
            viewing_distance_mm=settings.viewing_distance_mm,
            rng=np.random.default_rng(_SEED),
            threads=threads,
        ),
        parts={name: copper_parts(one, threads=threads) for name, one in sides.items()},
        balance=copper_balance(drawn, other[0] if other else None, threads=threads),
        joined=joined,
        warnings=tuple(warnings),
    )


def _other_side(labels: Labels, planes: LayerPlanes, fab: FabProfile) -> LayerPlanes:
    """The side without artwork: mask everywhere; copper wherever a finish of the artwork wants it behind itself."""
    table = np.zeros(256, dtype=np.uint8)
    for i, finish in enumerate(fab.finishes):
        table[i] = COPPER if finish.recipe.far_copper == "solid" else 0
    stack = (planes.stack & np.uint8(BOARD)) | np.where(planes.plane(BOARD), table[labels], 0).astype(np.uint8)
    return LayerPlanes(stack=np.ascontiguousarray(stack[:, ::-1]), pitch_um=planes.pitch_um)
