"""The bars a photograph must pass, and what to change where it doesn't. Nothing is mended in silence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.references.photograph.chart import COLUMNS
from worker.engine.references.photograph.correction import Correction
from worker.engine.references.photograph.flat_field import FlatField
from worker.engine.references.photograph.patches import PatchLight
from worker.errors import PhotographError

MAX_CLIPPED = 0.1
"""Share of a patch's pixels with a channel at the end of its scale; the trimmed mean withstands twice as many."""
MAX_UNEVENNESS = 0.15
"""Between the quarters of one patch."""
MAX_FALL = 2.0
"""Most light over least light where anything is read."""
MAX_RESIDUAL = 0.04
"""Of the surround's light from the quadratic, 95th percentile."""
MAX_VEIL = 0.04
"""Light over everything, as a share of the white's."""
MAX_MEAN, MAX_WORST = 2.0, 7.0
"""CIEDE2000 of the chart's patches, each left out of the fit in turn."""


def check_exposure(name: str, patches: Mapping[str, PatchLight], dark: Mapping[str, PatchLight]) -> None:
    """Refuse patches whose pixels are at the top of the scale, and of `dark` those at its bottom."""
    burnt = [what for what, patch in patches.items() if patch.clipped > MAX_CLIPPED]
    if burnt:
        raise PhotographError(
            f"{name}: clipped at the top of the scale: {_listed(burnt)}.",
            mend="Expose one stop less, and turn off whatever brightens the picture by itself.",
        )
    lost = [what for what, patch in dark.items() if patch.empty > 0.5]
    if lost:
        raise PhotographError(
            f"{name}: black, with nothing to read in one channel: {_listed(lost)}.",
            mend="Expose more, or give a 16-bit TIFF without a tone curve.",
        )


def check_even_patches(name: str, patches: Mapping[str, PatchLight]) -> None:
    """Refuse patches that are lighter at one side than at the other."""
    uneven = [what for what, patch in patches.items() if patch.unevenness > MAX_UNEVENNESS]
    if uneven:
        raise PhotographError(
            f"{name}: glare, a shadow's edge or a wrong corner: uneven inside are {_listed(uneven)}.",
            mend="Light it from both sides at 45 degrees so that nothing mirrors a lamp, keep shadows off, and check "
            "the corners.",
        )


def check_light(name: str, field: FlatField, places: Floats) -> None:
    """Refuse light that a quadratic can't describe, or that falls too far over what is read."""
    light = field.at(places)
    if field.residual > MAX_RESIDUAL:
        raise PhotographError(
            f"{name}: uneven light: the neutral surround differs by {100 * field.residual:.1f} % from a smooth fall; "
            f"{100 * MAX_RESIDUAL:g} % is the most.",
            mend="Keep shadows and reflections off the surround and use one plain card for all of it.",
        )
    fall = float((light.max(axis=0) / np.maximum(light.min(axis=0), 1e-6)).max())
    if light.min() <= 0.0 or fall > MAX_FALL:
        raise PhotographError(
            f"{name}: uneven light: one side has {fall:.1f} times the light of the other; {MAX_FALL:g} is the most.",
            mend="Move the lamps farther away, one on each side, or turn the board in the light.",
        )


def check_veil(name: str, share: Floats) -> None:
    """Refuse a photograph with much light over everything."""
    if float(share.max()) > MAX_VEIL:
        raise PhotographError(
            f"{name}: glare: {100 * float(share.max()):.1f} % of the white's light lies over everything; "
            f"{100 * MAX_VEIL:g} % is the most.",
            mend="Shade the lens, darken what faces the board, and clean the lens.",
        )


def check_correction(name: str, correction: Correction) -> None:
    """Refuse a chart whose patches, left out in turn, are guessed badly."""
    mean, worst = float(correction.left_out.mean()), float(correction.left_out.max())
    if mean > MAX_MEAN or worst > MAX_WORST:
        row, column = divmod(int(correction.left_out.argmax()), COLUMNS)
        raise PhotographError(
            f"{name}: the colours can't be trusted: chart patches left out of the fit are off by CIEDE2000 {mean:.1f} "
            f"in the mean (bar {MAX_MEAN:g}) and {worst:.1f} at worst (bar {MAX_WORST:g}; row {row + 1}, column "
            f"{column + 1}).",
            mend="Use daylight or lamps of high colour rendering, one kind only; check the chart for stains and its "
            "corners; turn off the camera's colour effects.",
        )


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:6])
    return shown if len(names) <= 6 else f"{shown} and {len(names) - 6} more"
