"""What the borders of a made side call for saying: rims that are not permitted or have no room, and what is seen so."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from worker.engine.arrays import OUTSIDE, Labels, Srgb
from worker.engine.fabrication.border_rule import rule_of
from worker.engine.fabrication.planes import BOARD
from worker.engine.fabrication.registration import BorderReport
from worker.engine.fabrication.stack_colours import nearest_finish
from worker.engine.painted import Painted, PixelColours
from worker.fab_profile import FabProfile

_LEAST_MM = 0.05
"""Shorter borders are a pixel or two somewhere."""


def border_warnings(borders: Sequence[BorderReport], fab: FabProfile, forbidden: frozenset[str]) -> tuple[str, ...]:
    """One warning for each kind of border whose rims are all forbidden, and one for all that can't be settled."""
    ids = [finish.id for finish in fab.finishes]
    recipes = {finish.id: finish.recipe for finish in fab.finishes}
    nearest = nearest_finish(fab)
    out, unsettled = [], 0.0
    for border in borders:
        if border.crisp or border.met_mm < _LEAST_MM:
            continue
        one, other = border.finishes
        rims = sorted({ids[nearest[BOARD | rim]] for rim in rule_of(recipes[one], recipes[other]).rims})
        if rims and forbidden.issuperset(rims):
            out.append(
                f"{border.met_mm:.1f} mm of border between {one} and {other} have no permitted rim, since "
                f"{' and '.join(rims)} {'is' if len(rims) == 1 else 'are'} forbidden: they are drawn as designed, and "
                f"layers that land off by up to {border.rim_width_mm:g} mm will uncover it there."
            )
        else:
            unsettled += border.met_mm
    if unsettled >= _LEAST_MM:
        out.append(
            f"{unsettled:.1f} mm of borders have no room for a rim within the fab's limits, so that layers that land "
            "off their places will uncover other finishes there. Dots and lines hardly wider than the limits never "
            "have; larger ones, or edges = threshold, do."
        )
    return tuple(out)


def forbidden_warnings(
    seen: Labels, labels: Labels, fab: FabProfile, forbidden: frozenset[str], *, pitch_um: float
) -> list[str]:
    """Forbidden finishes that will be seen where nobody asked for them: `seen` and `labels`, uint8 (H, W)."""
    if not forbidden:
        return []
    shown = np.bincount(seen[seen != labels], minlength=256)
    pixel_mm2 = (pitch_um / 1000.0) ** 2
    return [
        f"{finish.id} is forbidden, but {shown[i] * pixel_mm2:.2f} mm² of it will be seen, where the fab's limits or "
        "plated holes leave nothing else."
        for i, finish in enumerate(fab.finishes)
        if finish.id in forbidden and shown[i]
    ]


def wanted_colours(
    srgb: Srgb, labels: Labels, finish_srgb: Srgb, *, dithered: bool, pinned: Labels | None
) -> PixelColours:
    """What rims are to be judged by, encoded sRGB: the artwork, where it isn't told otherwise here.

    Pinned places are meant to look like their finish, whatever the artwork's colour: `pinned`, uint8 (H, W), its index,
    OUTSIDE elsewhere. And a dithered design is like the artwork from afar only: dot by dot it is judged by its own
    colours, else every dot of a mixture looks as good as any other and rims swallow them.
    """
    if not dithered and pinned is None:
        return srgb
    palette = np.zeros((256, 3), dtype=np.uint8)
    palette[: len(finish_srgb)] = finish_srgb
    if dithered:
        return Painted(labels=labels, colours=palette)
    assert pinned is not None
    return np.where((pinned != OUTSIDE)[:, :, None], palette[pinned], srgb)
