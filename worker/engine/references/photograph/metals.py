"""Which photograph a patch is read from: bare metal from the one in a diffuse tent, all else from the first.

Crossed polarisers take the shine off mask, legend and laminate, and with it a metal's own reflection: gold turns brown.
"""

from __future__ import annotations

from collections.abc import Mapping

from worker.finish import Finish
from worker.patch_map import Patch

CAUTION = (
    "{metals}: read from the one photograph. If it was taken through crossed polarisers, the metal is far too dark and "
    "brown; if in open light, it shows what it mirrored. Take a second one in a diffuse tent, without polarisers."
)


def is_metal(finish: Finish) -> bool:
    """Whether it shows bare metal."""
    return finish.texture == "metallic"


def is_read_from(patch: Patch, finishes: Mapping[str, Finish], *, second: bool, of_two: bool) -> bool:
    """Whether a patch counts in this photograph."""
    return not of_two or is_metal(finishes[patch.finish]) == second


def one_pass_caution(patches: tuple[Patch, ...], finishes: Mapping[str, Finish]) -> list[str]:
    """A warning where metals were read from the only photograph."""
    metals = dict.fromkeys(patch.finish for patch in patches if is_metal(finishes[patch.finish]))
    return [CAUTION.format(metals=", ".join(metals))] if metals else []
