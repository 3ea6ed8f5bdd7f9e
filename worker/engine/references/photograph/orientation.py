"""Which way the chart and the coupon lie, judged by their colours: corners in a wrong order read wrong patches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.references.photograph.chart import likeness, patch_middles
from worker.engine.references.photograph.picture import CameraPicture
from worker.engine.references.photograph.places import as_quad, seen_at, to_pixels
from worker.patch_map import Patch, PatchMap, Quad

UNIT_SQUARE: Quad = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
LIKE = 0.85
"""The least correlation of a chart that lies as its corners say. (Simulated charts reach 0.97, wrong ways 0.5.)"""
SAME = 0.35
"""The most that patches of one finish may differ, of what all differ, when the corners are right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lie:
    """One way to read four corners: `turn` of them further on, or as in a mirror; and how well it fits (1 the best)."""

    turn: int
    mirrored: bool
    corners: Quad
    fit: float


def chart_lies(picture: CameraPicture, corners: Quad) -> list[Lie]:
    """All eight ways to read the chart's corners, the best first."""
    lies = []
    for turn, mirrored, quad in _ways(corners):
        places = patch_middles() * [-1.0, 1.0] + [1.0, 0.0] if mirrored else patch_middles()
        found = colours_at(picture, seen_at(to_pixels(UNIT_SQUARE, quad, "chart"), places))
        lies.append(Lie(turn=turn, mirrored=mirrored, corners=quad, fit=likeness(found)))
    return sorted(lies, key=lambda lie: -lie.fit)


def coupon_lies(picture: CameraPicture, corners: Quad, patch_map: PatchMap) -> list[Lie]:
    """All eight ways to read the coupon's corners, the best first; none where no finish has two patches.

    The right way is the one in which the patches of one finish have one colour.
    """
    if not repeated(patch_map.patches):
        return []
    middles = np.array([middle_of(patch) for patch in patch_map.patches])
    lies = []
    for turn, mirrored, quad in _ways(corners):
        places = middles * [-1.0, 1.0] + [patch_map.width_mm, 0.0] if mirrored else middles
        found = colours_at(picture, seen_at(to_pixels(patch_map.coupon_corners, quad, "coupon"), places))
        fit = 1.0 - _scatter(found, patch_map.patches)
        lies.append(Lie(turn=turn, mirrored=mirrored, corners=quad, fit=fit))
    return sorted(lies, key=lambda lie: -lie.fit)


def repeated(patches: Sequence[Patch]) -> bool:
    """Whether a finish has two patches."""
    return len({_kind(patch) for patch in patches}) < len(patches)


def middle_of(patch: Patch) -> tuple[float, float]:
    """The middle of a patch in mm."""
    return patch.place.x + patch.place.width / 2.0, patch.place.y + patch.place.height / 2.0


def colours_at(picture: CameraPicture, places: Floats) -> Floats:
    """Encoded values (n, 3), 0 to 1: medians over 7 x 7 pixels about places (n, 2), or zeros out of the picture."""
    height, width = picture.samples.shape[:2]
    found = np.zeros((len(places), 3))
    for i, (x, y) in enumerate(np.rint(places).astype(int)):
        if 3 <= x < width - 3 and 3 <= y < height - 3:
            box = picture.samples[y - 3 : y + 4, x - 3 : x + 4]
            found[i] = np.median(box.reshape(-1, 3), axis=0) / picture.full_scale
    return found


def _ways(corners: Quad) -> list[tuple[int, bool, Quad]]:
    rolled = [(turn, as_quad(np.roll(np.array(corners), -turn, axis=0))) for turn in range(4)]
    return [(turn, mirrored, quad) for turn, quad in rolled for mirrored in (False, True)]


def _kind(patch: Patch) -> tuple[str, str]:
    return patch.finish, patch.far_copper


def _scatter(found: Floats, patches: Sequence[Patch]) -> float:
    """Variance within the finishes that have several patches, over the variance of all their patches."""
    kinds = [_kind(patch) for patch in patches]
    several = [i for i, kind in enumerate(kinds) if kinds.count(kind) > 1]
    kept = found[several]
    means = {kind: found[[i for i in several if kinds[i] == kind]].mean(axis=0) for kind in {kinds[i] for i in several}}
    within = kept - np.array([means[kinds[i]] for i in several])
    total = float(((kept - kept.mean(axis=0)) ** 2).sum())
    return float((within**2).sum() / total) if total > 0.0 else 1.0
