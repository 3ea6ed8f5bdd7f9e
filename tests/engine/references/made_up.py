"""Invented finishes and profiles for tests."""

from __future__ import annotations

import dataclasses
from typing import Any

from tests.boards import board
from worker.fab_profile import FabProfile
from worker.finish import Finish, LayerRecipe
from worker.reading import Reading, Spectrum

BARE = LayerRecipe(copper="solid", mask_opening=True, legend=False)
MASK = LayerRecipe(copper="either", mask_opening=False, legend=False)
LEGEND = LayerRecipe(copper="either", mask_opening=False, legend=True)

Triple = tuple[float, float, float]


def lab_reading(lab: Triple, **changed: Any) -> Reading:
    given = {"illuminant": "D65", "observer": "2", "geometry": "45:0", "origin": "measured", **changed}
    return Reading(lab=lab, **given)


def spectral_reading(spectrum: Spectrum, **changed: Any) -> Reading:
    return Reading(spectrum=spectrum, **{"geometry": "d:8 SCI", "origin": "measured", **changed})


def finish_of(*readings: Reading, finish_id: str = "made-up", recipe: LayerRecipe = BARE, **changed: Any) -> Finish:
    given = {"name": "made up", "texture": "matte", "smallest_feature_mm": 0.15, **changed}
    return Finish(id=finish_id, recipe=recipe, readings=readings, **given)


def fab_of(*finishes: Finish, plating: str = "ENIG", mask: str = "green, gloss", legend: str = "white") -> FabProfile:
    demo = board()
    stack_up = {**demo.stack_up, "solder_mask": mask, "legend": legend}
    return dataclasses.replace(demo, plating=plating, finishes=finishes, stack_up=stack_up)
