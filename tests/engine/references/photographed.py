"""Simulated photographs read by the engine, and how far its readings are from the truth."""

from __future__ import annotations

from dataclasses import dataclass

import colour
import numpy as np
import numpy.typing as npt

from tests.engine.references import simulated_camera as camera
from tests.engine.references.simulated_camera import Conditions
from worker.engine.references.photograph.flow import PhotographReadings, read_photographs
from worker.engine.references.photograph.shot import Shot
from worker.patch_map import PatchMap


@dataclass(frozen=True, kw_only=True)
class Read:
    """A simulated photograph and what the engine made of it."""

    taken: camera.Shot
    found: PhotographReadings

    def errors(self) -> npt.NDArray[np.float64]:
        """CIEDE2000 of every reading from the truth, by colour-science."""
        found = np.array([read.reading.lab for read in self.found.readings])
        true = np.array([camera.true_lab()[read.patch.finish] for read in self.found.readings])
        return np.asarray(colour.delta_E(found, true, method="CIE 2000"))


def shot_of(taken: camera.Shot, *, marked: bool = False, name: str = "simulated.png") -> Shot:
    """The photograph as it is handed over; its corners too where `marked`."""
    return Shot(
        data=taken.png(),
        name=name,
        coupon_corners=taken.coupon_corners if marked else None,
        chart_corners=taken.chart_corners if marked else None,
    )


def read(conditions: Conditions, *, marked: bool = False, patch_map: PatchMap | None = None) -> Read:
    """Take one photograph and read it."""
    taken = camera.take(conditions)
    names = list(conditions.finishes or camera.finish_spectra())
    found = read_photographs(shot_of(taken, marked=marked), None, patch_map or taken.patch_map, camera.finishes(names))
    return Read(taken=taken, found=found)
