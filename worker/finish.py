"""A finish: one of the few visible surfaces that a fab can make. (The metal coating is `plating`.)"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from worker.reading import Override, Reading

CopperLayer = Literal["none", "solid", "hatch", "either"]
FarCopper = Literal["none", "solid", "unknown"]
Texture = Literal["matte", "gloss", "metallic"]

COPPER_LAYERS: tuple[CopperLayer, ...] = ("none", "solid", "hatch", "either")
FAR_COPPER: tuple[FarCopper, ...] = ("none", "solid", "unknown")
TEXTURES: tuple[Texture, ...] = ("matte", "gloss", "metallic")


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerRecipe:
    """What the fab puts, layer by layer, where a finish shall be seen."""

    copper: CopperLayer
    mask_opening: bool
    legend: bool
    far_copper: FarCopper = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """A visible surface: its layer recipe, texture, readings and smallest feature.

    The colour that it is scored and shown in, its reference, is derived from `readings`, or set by hand in `override`.
    Where readings of several geometries are held, `geometry` says which ones count.
    """

    id: str
    name: str
    recipe: LayerRecipe
    texture: Texture
    readings: tuple[Reading, ...]
    smallest_feature_mm: float
    geometry: str = ""
    override: Override | None = None
