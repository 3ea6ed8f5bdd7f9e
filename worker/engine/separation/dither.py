"""The dither route: error diffusion on cells that the fab can make, under its layer rules."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import OUTSIDE, Labels, Srgb
from worker.engine.palette.finish_colours import FinishColours, colours_from_lab
from worker.engine.palette.tables import TableStore
from worker.engine.separation.around import cells_left_out
from worker.engine.separation.cells import FREE, Cells, cell_size_px, gather_cells, spread_cells
from worker.engine.separation.continuity import cell_shares
from worker.engine.separation.diffusion import diffuse
from worker.engine.separation.diffusion_tables import diffusion_tables
from worker.engine.separation.families import find_families
from worker.engine.separation.fours import decided_in_fours, kept_apart, metal_gap
from worker.engine.separation.places import REACHES, Places
from worker.engine.separation.restricted import diffuse_restricted
from worker.engine.separation.search import search
from worker.engine.separation.stroke_cells import best_finishes, line_errors, stroke_cells
from worker.engine.separation.strokes import find_strokes
from worker.engine.vision import pixels_per_degree
from worker.errors import ImpossiblePlaceError
from worker.fab_profile import FabProfile

Mask = npt.NDArray[np.bool_]


def dither(
    srgb: Srgb,
    fab: FabProfile,
    colours: FinishColours,
    active: Sequence[int],
    *,
    places: Places,
    wanted: Labels | None,
    pitch_um: float,
    viewing_distance_mm: float | None = None,
    tables: TableStore | None = None,
    threads: int = 1,
) -> tuple[Labels, int]:
    """Dither a picture.

    Parameters
    ----------
    srgb : uint8 (H, W, 3), C-contiguous, encoded sRGB
        The artwork on the grid, opaque.
    active : indices of the finishes that may be mixed; their hull bounds the targets.
    places : frozen pixels decide their cells. Where something is given, cells that art may not take whole stay so.
    wanted : uint8 (H, W) or None
        Finish of pinned pixels, 255 elsewhere: solid wherever the layer rules let it stand.
    viewing_distance_mm : dots are moved as long as the eye gains by it from there; None leaves them.

    Returns
    -------
    labels : uint8 (H, W). cell_px : side of a cell in pixels.

    Raises
    ------
    ImpossiblePlaceError
        See `diffuse_restricted`.
    """
    size = cell_size_px(fab, active, pitch_um)
    given = places.given
    frozen = places.frozen if given is None else None
    cells = gather_cells(srgb, size, decided=frozen, wanted=wanted, allowed=places.allowed, threads=threads)
    whole = cells.srgb
    if places.dots is not None or (viewing_distance_mm is not None and frozen is not None):
        whole = gather_cells(srgb, size, decided=None, wanted=None, allowed=None, threads=threads).srgb
    if places.dots is not None:  # dots show the artwork as well: their colours count for families and errors
        cells = replace(cells, srgb=whole)
    left_out = None if given is None else cells_left_out(cells, places, given, size, colours, active)
    known = list(active)
    for array in (cells.decided, cells.wanted):
        known += [int(i) for i in np.flatnonzero(np.bincount(array.ravel())) if i != FREE and int(i) not in known]
    mixed, recipes = _subset(colours, active), [fab.finishes[i].recipe for i in active]
    families = find_families(mixed, recipes, tables=tables)
    gap = metal_gap(fab, known, size * pitch_um)
    rules = diffusion_tables(_subset(colours, known), tuple(fab.finishes[i].recipe for i in known), gap=gap)
    drawn = None
    strokes = find_strokes(srgb, size, threads=threads)
    restricted, cells = cells.restricted, cells.renumbered(known)
    usable = np.uint32((1 << len(active)) - 1)
    if strokes is not None:
        errors = line_errors(strokes, mixed, recipes)
        free = np.where((cells.decided != FREE) | (cells.wanted != FREE), np.uint32(0), usable)
        may = free & cells.allowed
        if left_out is None:
            lines, _ = stroke_cells(strokes, best_finishes(errors), size, cells.decided, may, rules.square)
        else:
            from worker.engine.separation.lines_around import lines_around

            may[left_out] = 0
            lines, stays = lines_around(strokes, errors, size, cells.decided, may, free, rules.square)
            left_out |= stays
        drawn = lines if (lines != FREE).any() else None  # with none, threads share the scan
    if restricted or drawn is not None:
        distances = np.linalg.norm(colours.linear_rgb[known][:, None] - colours.linear_rgb[known][None], axis=2)
        near = np.argsort(distances, axis=1, kind="stable")
        dots = None if places.dots is None else cell_shares(places.dots, size) > 0.5

        def decide(left_out: Mask | None, drawn: Labels | None, fours: Mask | None) -> Labels:
            return diffuse_restricted(
                _with_drawn(cells, drawn),
                families,
                rules,
                near=near,
                active=int(usable),
                cell_mm=size * pitch_um / 1000.0,
                dots=_with_lines(dots, drawn),
                left_out=left_out,
                fours=fours,
            )

        def decide_around(fours: Mask | None) -> tuple[Labels, Mask]:
            nonlocal left_out, drawn
            labels, left_out, drawn = _decide_around(left_out, drawn, partial(decide, fours=fours))
            own = (_with_drawn(cells, drawn).decided == FREE) & (cells.wanted == FREE)
            return labels, own if left_out is None else own & ~left_out

        labels = decided_in_fours(gap, cells.decided.shape, decide_around)
        cells = _with_drawn(cells, drawn)
    else:
        labels = diffuse(cells.srgb, families, rules, threads=threads)
    if viewing_distance_mm is not None:
        fixed = (cells.decided != FREE) | (cells.wanted != FREE)
        shown = None
        if given is not None and left_out is not None:
            fixed |= left_out
            as_given = np.ascontiguousarray(colours.srgb[np.where(given == OUTSIDE, np.uint8(0), given)])
            shown = gather_cells(as_given, size, decided=None, wanted=None, allowed=None, threads=threads).srgb
        allowed = np.where(fixed, np.uint32(0), cells.allowed & usable)
        labels = search(
            labels,
            whole,
            colours.linear_rgb[known],
            rules.square,
            allowed=allowed if gap is None else kept_apart(allowed, labels, gap),
            left_out=left_out,
            shown=shown,
            cells_per_degree=pixels_per_degree(viewing_distance_mm, size * pitch_um),
            cell_px=size,
            threads=threads,
        )
    height, width = srgb.shape[:2]
    spread = spread_cells(np.asarray(known, dtype=np.uint8)[labels], height, width, size, threads=threads)
    if given is not None and left_out is not None:
        stays = spread_cells(left_out.view(np.uint8), height, width, size, threads=threads).view(np.bool_)
        spread[stays] = given[stays]
    elif places.frozen is not None:
        fixed = places.frozen != OUTSIDE
        spread[fixed] = places.frozen[fixed]
    return spread, size


def _with_drawn(cells: Cells, drawn: Labels | None) -> Cells:
    """Cells with those decided that lines take."""
    return cells if drawn is None else replace(cells, decided=np.where(drawn == FREE, cells.decided, drawn))


def _with_lines(dots: Mask | None, drawn: Labels | None) -> Mask | None:
    """Lines pass on what they leave unpaid, as dots do: so the colour around them holds."""
    if drawn is None:
        return dots
    own: Mask = drawn != FREE
    return own if dots is None else dots | own


def _decide_around(
    left_out: Mask | None, drawn: Labels | None, decide: Callable[[Mask | None, Labels | None], Labels]
) -> tuple[Labels, Mask | None, Labels | None]:
    """Decide what is neither left out nor drawn. Where the layer rules leave no way, more is left as it is given, and
    fewer cells are drawn.
    """
    for reach in REACHES:
        try:
            return decide(left_out, drawn), left_out, drawn
        except ImpossiblePlaceError as error:
            if not error.cells or (left_out is None and drawn is None):
                raise
            for y, x in error.cells:
                around = np.s_[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
                if drawn is not None and (drawn[around] != FREE).any():
                    drawn = drawn.copy()
                    drawn[around] = FREE
                    continue
                if left_out is not None:
                    left_out = left_out.copy()
                    left_out[around] = True
    return decide(left_out, None), left_out, None


def _subset(colours: FinishColours, chosen: Sequence[int]) -> FinishColours:
    return colours_from_lab(tuple(colours.ids[i] for i in chosen), colours.lab[list(chosen)])
