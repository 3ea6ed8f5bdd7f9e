"""How many grid pixels a board is wide and high."""

from __future__ import annotations

from dataclasses import dataclass

from worker.engine.artwork.picture import WantedSize
from worker.errors import SettingsError
from worker.job_settings import MAX_SIDE_MM, MIN_SIDE_MM

MAX_GRID_PIXELS = 400_000_000
COARSEST_PITCH_UM = 100.0
STRETCH_WORTH_A_WARNING = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class GridSize:
    """The board's grid: sides in mm as wanted, and in whole pixels."""

    width_mm: float
    height_mm: float
    width_px: int
    height_px: int
    warnings: tuple[str, ...]


def find_grid_size(size: WantedSize, *, aspect: float, natural_mm: tuple[float, float] | None, name: str) -> GridSize:
    """The grid for an artwork.

    Parameters
    ----------
    size : WantedSize
        One side is enough: the other follows from `aspect`. Without any, `natural_mm` counts.
    aspect : float
        The artwork's width over its height, as it shall be seen.
    natural_mm : (width, height) or None
        The artwork's own size, where its file states a resolution.
    name : str
        How messages name the artwork.

    Raises
    ------
    SettingsError
        No size is known, the file's own is none that a board can have, or the grid would have more than 400 million
        pixels.
    """
    width_mm, height_mm, warnings = _sides(size, aspect, natural_mm, name)
    width_px, height_px = (max(1, round(side * 1000.0 / size.pitch_um)) for side in (width_mm, height_mm))
    if width_px * height_px > MAX_GRID_PIXELS:
        raise SettingsError(
            f"{name}: a board of {width_mm:.6g} x {height_mm:.6g} mm at a pitch of {size.pitch_um:g} um has "
            f"{width_px:,} x {height_px:,} px, {width_px * height_px / 1e6:,.1f} million; the limit is "
            f"{MAX_GRID_PIXELS // 1_000_000} million.",
            mend=_mend(width_mm, height_mm),
            setting="width" if size.width_mm is not None or size.height_mm is None else "height",
        )
    return GridSize(width_mm=width_mm, height_mm=height_mm, width_px=width_px, height_px=height_px, warnings=warnings)


def _sides(
    size: WantedSize, aspect: float, natural_mm: tuple[float, float] | None, name: str
) -> tuple[float, float, tuple[str, ...]]:
    width, height = size.width_mm, size.height_mm
    if width is not None and height is not None:
        return width, height, _stretch_warning(width / height / aspect)
    if width is not None:
        return width, width / aspect, ()
    if height is not None:
        return height * aspect, height, ()
    if natural_mm is None:
        raise SettingsError(
            f"{name}: no size is given, and the file states no resolution.",
            mend="Give width or height, such as width=60mm; the other side follows.",
            setting="width",
        )
    if not all(MIN_SIDE_MM <= side <= MAX_SIDE_MM for side in natural_mm):
        raise SettingsError(
            f"{name}: no size is given, and by the file's own the board would be {natural_mm[0]:.6g} x "
            f"{natural_mm[1]:.6g} mm; a side has {MIN_SIDE_MM:g} to {MAX_SIDE_MM:g} mm.",
            mend="Give width or height, such as width=60mm; the other side follows.",
            setting="width",
        )
    return *natural_mm, ()


def _stretch_warning(stretch: float) -> tuple[str, ...]:
    if abs(stretch - 1.0) <= STRETCH_WORTH_A_WARNING:
        return ()
    percent = (max(stretch, 1.0 / stretch) - 1.0) * 100.0
    way = "sideways" if stretch > 1.0 else "upwards"
    text = f"Width and height together stretch the artwork {way} by {percent:.3g} %: give one alone to keep its shape."
    return (text,)


def _mend(width_mm: float, height_mm: float) -> str:
    # A thousandth more, since sides are rounded to whole pixels.
    pitch = (width_mm * height_mm * 1e6 / MAX_GRID_PIXELS) ** 0.5 * 1.001
    if pitch <= COARSEST_PITCH_UM:
        return f"Set pitch to {-(-pitch * 10 // 1) / 10:g}um or more, or make the board smaller."
    return "Make the board smaller: no pitch up to 100um makes it fit."
