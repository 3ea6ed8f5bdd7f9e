"""The artwork laid on the board's grid: its physical size, and one pixel per pitch."""

from __future__ import annotations

from dataclasses import replace
from math import ceil

from worker.engine.artwork.flatness import is_flat
from worker.engine.artwork.grid_size import GridSize, find_grid_size
from worker.engine.artwork.picture import Artwork, GridPicture, WantedSize
from worker.engine.artwork.resample import resample

LEAST_PX_PER_FEATURE = 2.0
"""The sampling theorem asks for more than one pixel per line and per gap; two leave a margin."""


def place_on_grid(
    artwork: Artwork, size: WantedSize, *, smallest_feature_um: float, flat: bool | None = None, threads: int = 1
) -> GridPicture:
    """Scale an artwork to the board's grid.

    Shrinking averages over the exact area that each grid pixel covers, in linear light. Enlarging repeats pixels of
    flat art (`flatness.is_flat`), which makes no new colours, and is bilinear in linear light otherwise. At equal size
    the artwork's own arrays are handed on. The result is the same on any number of threads.

    Parameters
    ----------
    artwork : Artwork
    size : WantedSize
        Sides in mm and pitch. Both sides scale the artwork to both, with a warning where that stretches it; one side
        keeps its shape; none takes the file's own resolution.
    smallest_feature_um : float
        The smallest feature that the fab makes. A warning says where the artwork has fewer than 2 pixels for it.
    flat : bool or None
        Whether it is scaled as flat art, where that is known already, as of a series.

    Raises
    ------
    SettingsError
        No size is known, or the grid would have more than 400 million pixels.
    """
    height, width = artwork.srgb.shape[:2]
    grid = size_of(artwork, size)
    flat = is_flat(artwork.srgb) if flat is None else flat
    srgb, alpha = artwork.srgb, artwork.alpha
    if artwork.format == "SVG" and abs(grid.height_px - height) <= 1 and abs(grid.width_px - width) <= 1:
        grid = replace(grid, width_px=width, height_px=height)  # drawn for this grid: a rounding is no other size
    if (grid.height_px, grid.width_px) != (height, width):
        srgb, alpha = resample(
            srgb, alpha, height_px=grid.height_px, width_px=grid.width_px, keep_edges=flat, threads=threads
        )
        srgb.flags.writeable = False
        if alpha is not None:
            alpha.flags.writeable = False
    return GridPicture(
        srgb=srgb,
        alpha=alpha,
        pitch_um=size.pitch_um,
        source_px_per_px=width / grid.width_px,
        flat=flat,
        warnings=(*grid.warnings, *_too_few_pixels(artwork, grid, smallest_feature_um, flat)),
    )


def size_of(artwork: Artwork, size: WantedSize) -> GridSize:
    """The board's grid for an artwork. Raises SettingsError."""
    return find_grid_size(size, aspect=aspect_of(artwork), natural_mm=_natural_mm(artwork), name=artwork.name)


def _natural_mm(artwork: Artwork) -> tuple[float, float] | None:
    if artwork.pixels_per_mm is None:
        return None
    height, width = artwork.srgb.shape[:2]
    return width / artwork.pixels_per_mm[0], height / artwork.pixels_per_mm[1]


def aspect_of(artwork: Artwork) -> float:
    """An artwork's width over height; a file whose pixels aren't square says so by its two resolutions."""
    natural = _natural_mm(artwork)
    width, height = natural if natural is not None else (artwork.srgb.shape[1], artwork.srgb.shape[0])
    return width / height


def _too_few_pixels(artwork: Artwork, grid: GridSize, smallest_feature_um: float, flat: bool) -> tuple[str, ...]:
    if artwork.format == "SVG":  # drawn for this grid: it has as many pixels as the grid
        return ()
    height, width = artwork.srgb.shape[:2]
    per_mm = min(width / grid.width_mm, height / grid.height_mm)
    per_feature = per_mm * smallest_feature_um / 1000.0
    if per_feature >= LEAST_PX_PER_FEATURE:
        return ()
    lacking = LEAST_PX_PER_FEATURE / per_feature
    seen = "its pixels show as steps" if flat else "fine detail is lost"
    text = (
        f"The artwork has {per_feature:.2g} pixels for the smallest feature of the fab "
        f"({smallest_feature_um / 1000:.3g} mm) at this size, fewer than {LEAST_PX_PER_FEATURE:g}: {seen}. "
        f"Use one of at least {ceil(width * lacking):,} x {ceil(height * lacking):,} px, or a board of at most "
        f"{grid.width_mm / lacking:.3g} x {grid.height_mm / lacking:.3g} mm."
    )
    return (text,)
