"""References that contradict physics: warnings, never refusals.

The gates for metals stand around the reflectance of polished gold and copper by published optical constants (Johnson
and Christy, Physical Review B 6, 1972), wide enough for other published data sets. A dull surface reflects less at all
wavelengths alike, so lightness says nothing, while hue and the ratio of blue to red stay.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from worker.engine.arrays import Floats
from worker.engine.difference import ciede2000
from worker.engine.references.conditions import lab_of_xyz
from worker.engine.references.reference import FinishReference
from worker.engine.references.spectrum import interpolated, tristimulus
from worker.fab_profile import FabProfile
from worker.finish import Finish
from worker.reading import STANDARD_CONDITIONS

Metal = Literal["gold", "copper"]

PLATED: dict[str, Metal] = {
    "ENIG": "gold",
    "ENEPIG": "gold",
    "hard gold": "gold",
    "organic coating": "copper",
    "none": "copper",
}
"""The metal that is seen where the mask is open over copper; other platings have no gates."""

HUE_GATE: dict[Metal, tuple[float, float]] = {"gold": (78.0, 92.0), "copper": (42.0, 56.0)}
"""CIELAB hue angle under D65/2 degree."""
RATIO_GATE: dict[Metal, tuple[float, float]] = {"gold": (0.35, 0.50), "copper": (0.50, 0.65)}
"""Reflectance at 450 nm over reflectance at 650 nm."""
LEAST_CHROMA = 5.0
"""A metal this grey has no hue to speak of. Polished gold has 34, copper 18; an assumption, no source."""
ONE_COLOUR = 2.0
"""CIEDE2000 below which two finishes are one colour to the eye."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something about references that a person should look at. `rule` is a stable name, `finishes` are ids."""

    rule: str
    finishes: tuple[str, ...]
    text: str


def plausibility(fab: FabProfile, references: Sequence[FinishReference]) -> list[Finding]:
    """What contradicts physics in the references of a fab's finishes, which come in the profile's order."""
    return [
        *(finding for pair in zip(fab.finishes, references, strict=True) for finding in _metal(fab.plating, *pair)),
        *_legend(fab, references),
        *_one_colour(references),
    ]


def metal_of(finish: Finish, plating: str) -> Metal | None:
    """The metal that a finish shows: where the mask is open over solid copper, as the plating says."""
    bare = finish.recipe.mask_opening and finish.recipe.copper == "solid"
    return PLATED.get(plating) if bare else None


def _metal(plating: str, finish: Finish, reference: FinishReference) -> Iterator[Finding]:
    metal = metal_of(finish, plating)
    if metal is None:
        return
    lab = _standard_lab(reference)
    chroma, hue = math.hypot(lab[1], lab[2]), math.degrees(math.atan2(lab[2], lab[1])) % 360.0
    low, high = HUE_GATE[metal]
    what = f"Finish {finish.id} shows {metal} (plating {plating})"
    if chroma < LEAST_CHROMA:
        text = f"{what}, but its reference is almost grey: chroma {chroma:.1f}."
        yield Finding(rule="metal-hue", finishes=(finish.id,), text=f"{text} {_LOOK_AGAIN}")
    elif not low <= hue <= high:
        text = f"{what}, but its reference has hue {hue:.0f}; {metal} has {low:.0f} to {high:.0f} degree."
        yield Finding(rule="metal-hue", finishes=(finish.id,), text=f"{text} {_LOOK_AGAIN}")
    if reference.spectrum is None:
        return
    blue, red = interpolated(reference.spectrum, [450.0, 650.0])
    low, high = RATIO_GATE[metal]
    # Multiplied out, since a spectrum may hold zeros.
    if not low * red <= blue <= high * red or red == 0.0:
        text = f"{what}, but it reflects {blue:.2f} at 450 nm and {red:.2f} at 650 nm"
        text = f"{text}; the ratio of {metal} is {low:.2f} to {high:.2f}."
        yield Finding(rule="metal-ratio", finishes=(finish.id,), text=f"{text} {_LOOK_AGAIN}")


_LOOK_AGAIN = "Was the right patch read, clean, and with a white calibration? Does the plating fit?"


def _standard_lab(reference: FinishReference) -> Floats:
    """CIELAB under D65/2 degree, from the spectrum where there is one, since the gates are for that light."""
    if reference.spectrum is None:
        return reference.lab
    light = STANDARD_CONDITIONS
    return lab_of_xyz(tristimulus(reference.spectrum, light.illuminant, light.observer), light)


def _legend(fab: FabProfile, references: Sequence[FinishReference]) -> Iterator[Finding]:
    """Legend on a mask must be lighter or darker than the mask, as the stack-up's words say."""
    mask_words, legend_words = str(fab.stack_up["solder_mask"]), str(fab.stack_up["legend"])
    step = _lightness_rank(legend_words) - _lightness_rank(mask_words)
    pairs = list(zip(fab.finishes, references, strict=True))
    for legend, above in pairs:
        for mask, below in pairs:
            if (
                not legend.recipe.legend
                or mask.recipe.legend
                or mask.recipe.mask_opening
                or not _same_base(legend, mask)
            ):
                continue
            difference = float(above.lab[0] - below.lab[0])
            if step * difference < 0:
                wanted, found = ("lighter", "darker") if step > 0 else ("darker", "lighter")
                yield Finding(
                    rule="legend-lightness",
                    finishes=(legend.id, mask.id),
                    text=f"Legend ({legend_words}) must be {wanted} than solder mask ({mask_words}), but the reference "
                    f"of {legend.id} (L* {above.lab[0]:.0f}) is {found} than {mask.id}'s (L* {below.lab[0]:.0f}). "
                    "Were the two mixed up?",
                )


def _lightness_rank(words: str) -> int:
    """0 for black, 2 for white, 1 for any other colour, or where the words name both."""
    named = set(re.findall(r"[a-z]+", words.casefold()))
    return 1 + ("white" in named) - ("black" in named)


def _same_base(legend: Finish, mask: Finish) -> bool:
    """Whether the legend is printed on this very mask: the copper below is the same, or does not matter."""
    return "either" in (legend.recipe.copper, mask.recipe.copper) or legend.recipe.copper == mask.recipe.copper


def _one_colour(references: Sequence[FinishReference]) -> Iterator[Finding]:
    for one, other in combinations(references, 2):
        difference = float(ciede2000(one.lab, other.lab))
        if difference < ONE_COLOUR:
            yield Finding(
                rule="one-colour",
                finishes=(one.finish, other.finish),
                text=f"Finishes {one.finish} and {other.finish} are one colour to the eye: CIEDE2000 {difference:.1f}. "
                "A picture that needs both apart will lose that difference.",
            )
