"""Profiles for coupons: the demo profiles, and changes of them."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from tests.boards import board
from worker.engine.palette.finish_colours import finish_colours
from worker.fab_profile import FabProfile, read_fab_profile

DEMO = ("alba-black", "meadow-tin", "nocturne-gold")


def lab(fab: FabProfile) -> npt.NDArray[np.float64]:
    return finish_colours(fab).lab


def changed(name: str, *changes: tuple[str, str]) -> FabProfile:
    """A demo profile with some of its text replaced; every pattern must be there."""
    toml = board(name).toml.decode()
    for pattern, new in changes:
        assert re.search(pattern, toml), pattern
        toml = re.sub(pattern, new, toml)
    return read_fab_profile(toml.encode())


def without(name: str, finish: str) -> FabProfile:
    """A demo profile without one of its finishes."""
    parts = board(name).toml.decode().split("[[finishes]]")
    return read_fab_profile("[[finishes]]".join(part for part in parts if f'\nid = "{finish}"' not in part).encode())
