"""Mask with nothing else: what every board shows at its edge, whether its profile has a finish for it or not.

Copper, openings and legend keep their distances from edges, so a band of mask over laminate is left there. Where the
profile has no finish for that stack, the board gets one of its own here, so that the band is repaired, scored, drawn
and reported like any other place, and its colour is said to be a guess.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from worker.engine.arrays import Labels
from worker.engine.fabrication.planes import BOARD, NO_FINISH, finish_by_layers
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.errors import FabProfileError
from worker.fab_profile import FabProfile
from worker.finish import Finish, LayerRecipe

_ID = "mask-alone"
_RECIPE = LayerRecipe(copper="none", mask_opening=False, legend=False)
_MEND = (
    'Add a finish to the profile with recipe = { copper = "none", mask_opening = false, legend = false } and a reading '
    "of the mask over bare laminate; forbid it where the art itself must not use it."
)


def stands_in(fab: FabProfile) -> int | None:
    """The finish whose colour mask alone is taken to have: None where the profile has a finish for it.

    Raises
    ------
    FabProfileError
        No finish shows the mask without an opening or legend, so nothing is known of its colour.
    """
    if finish_by_layers(fab)[BOARD] < NO_FINISH:
        return None
    index = int(nearest_finish(fab)[BOARD])
    recipe = fab.finishes[index].recipe
    if recipe.mask_opening or recipe.legend:
        raise FabProfileError(
            f"{fab.id}: finishes: none shows the solder mask by itself, but at the board's edge the fab leaves nothing "
            f"else: copper ends {fab.limits['edge', 'routed_mm'].value:g} mm before it (limits.edge.routed_mm), "
            f"openings {fab.limits['edge', 'mask_mm'].value:g} mm (limits.edge.mask_mm).",
            mend=_MEND + " Without fabrication files it isn't needed.",
        )
    return index


def with_mask_alone(fab: FabProfile, like: int) -> FabProfile:
    """The profile with a last finish for mask alone, whose readings are those of the finish that it stands in with."""
    known = fab.finishes[like]
    ids = {finish.id for finish in fab.finishes}
    name = next(name for name in (_ID, *(f"{_ID}-{n}" for n in range(2, len(ids) + 3))) if name not in ids)
    finish = Finish(
        id=name,
        name=f"mask over laminate, taken to look like {known.name}",
        recipe=_RECIPE,
        texture=known.texture,
        readings=known.readings,
        smallest_feature_mm=known.smallest_feature_mm,
        geometry=known.geometry,
        override=known.override,
    )
    return replace(fab, finishes=(*fab.finishes, finish))


def mask_alone_warning(fab: FabProfile, like: int, seen: Labels, side: str, *, pitch_um: float) -> str | None:
    """What is to be said of mask alone on a side; None where nothing of it is seen.

    Parameters
    ----------
    fab : from `with_mask_alone`.
    seen : uint8 (H, W), the finish that is seen at each pixel.
    """
    area_mm2 = int(np.count_nonzero(seen == len(fab.finishes) - 1)) * (pitch_um / 1000.0) ** 2
    if area_mm2 == 0.0:
        return None
    return (
        f"{area_mm2:.1f} mm² of the {side} side will show solder mask over laminate, without copper, as within "
        f"{fab.limits['edge', 'routed_mm'].value:g} mm of its edge (limits.edge.routed_mm), and no finish of {fab.id} "
        f"tells its colour: as {fab.finishes[-1].id} it is scored and drawn in the colour of {fab.finishes[like].id}, "
        f"which is mask over copper. {_MEND}"
    )
