"""A finish: one of the few visible surfaces that a fab can make. (The metal coating is `plating`.)"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

CopperLayer = Literal["none", "solid", "hatch", "either"]
FarCopper = Literal["none", "solid", "unknown"]
Texture = Literal["matte", "gloss", "metallic"]
Origin = Literal["measured", "photo", "predicted", "assumed"]

COPPER_LAYERS: tuple[CopperLayer, ...] = ("none", "solid", "hatch", "either")
FAR_COPPER: tuple[FarCopper, ...] = ("none", "solid", "unknown")
TEXTURES: tuple[Texture, ...] = ("matte", "gloss", "metallic")
ORIGINS: tuple[Origin, ...] = ("measured", "photo", "predicted", "assumed")


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerRecipe:
    """What the fab puts, layer by layer, where a finish shall be seen."""

    copper: CopperLayer
    mask_opening: bool
    legend: bool
    far_copper: FarCopper = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceColour:
    """One colour known for a finish, with the conditions under which it holds.

    `lab` is CIELAB, L* 0 to 100, under `illuminant` and `observer` (for example D65 and 2 degree).
    """

    lab: tuple[float, float, float]
    illuminant: str
    observer: str
    geometry: str
    origin: Origin
    date: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish:
    """A visible surface: its layer recipe, texture, reference colours and smallest feature."""

    id: str
    name: str
    recipe: LayerRecipe
    texture: Texture
    references: tuple[ReferenceColour, ...]
    smallest_feature_mm: float
