"""The colours that the finishes of a fab profile are scored and shown in."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats, Lab, Srgb
from worker.engine.colorimetry import lab_to_srgb, lab_to_xyz, xyz_to_linear_rgb
from worker.engine.references.reference import FinishReference, finish_reference
from worker.fab_profile import FabProfile
from worker.reading import STANDARD_CONDITIONS, ViewingConditions


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinishColours:
    """Reference colours of a list of finishes, in their order.

    lab : float64 (n, 3), CIELAB D65/2 degree. linear_rgb : float64 (n, 3), linear sRGB, not clipped.
    srgb : uint8 (n, 3), encoded and clipped, for pictures.
    """

    ids: tuple[str, ...]
    lab: Lab
    linear_rgb: Floats
    srgb: Srgb

    def __len__(self) -> int:
        return len(self.ids)

    def key(self, what: str) -> str:
        """A name for tables made from these colours alone: the same colours give the same name."""
        digest = hashlib.sha256(np.ascontiguousarray(self.lab).tobytes()).hexdigest()[:32]
        return f"{what}-{len(self.ids)}-{digest}"


def finish_colours(fab: FabProfile, conditions: ViewingConditions = STANDARD_CONDITIONS) -> FinishColours:
    """The reference colours of every finish of the profile under `conditions`. Raises FabProfileError."""
    return colours_of([finish_reference(finish, conditions) for finish in fab.finishes])


def colours_of(references: Sequence[FinishReference]) -> FinishColours:
    """Finish colours from references, in their order."""
    return colours_from_lab(
        tuple(reference.finish for reference in references), np.array([reference.lab for reference in references])
    )


def colours_from_lab(ids: tuple[str, ...], lab: Lab) -> FinishColours:
    """Finish colours from CIELAB (D65/2 degree), float64 (n, 3)."""
    return FinishColours(ids=ids, lab=lab, linear_rgb=xyz_to_linear_rgb(lab_to_xyz(lab)), srgb=lab_to_srgb(lab))
