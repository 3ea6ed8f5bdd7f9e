"""The artwork's colours, few enough for a person to name, and the finish that each goes to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Cluster:
    """One colour of the artwork, remembered by its CIELAB (D65/2 degree), and where it goes.

    share : of the board area, 0 to 1. finish, second_finish : ids. delta_e : CIEDE2000 to the finish.
    margin : CIEDE2000 to the second finish less CIEDE2000 to the nearest. pinned : set by the user.
    """

    id: int
    lab: tuple[float, float, float]
    share: float
    finish: str
    delta_e: float
    second_finish: str | None
    margin: float | None
    pinned: bool
