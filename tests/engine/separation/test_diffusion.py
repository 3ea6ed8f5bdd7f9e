"""Every decision of the diffusion, checked by a plain Floyd-Steinberg that follows it cell by cell.

An error diffusion cannot be compared label by label with another one: a rounding apart, one decision tips, and all
after it differ. So the reference, in plain floating point, is led by the engine's labels: it carries the errors of
those, and asks at each cell whether the engine's choice is the nearest finish, by exact CIEDE2000, to the value there.
The engine looks that up in steps of 8 codes, so its choice counts as right where it is the nearest for some colour
within 5 codes of the value in each channel. Errors in thousandths of white, from the engine's whole numbers, are less.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import pytest

from tests.boards import board
from tests.engine.layer_rules import violations
from tests.engine.open_pictures import PHOTOGRAPHS, photograph
from worker.engine.colorimetry import srgb_decoded, srgb_encoded, srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import finish_colours
from worker.engine.separation.diffusion import diffuse
from worker.engine.separation.diffusion_tables import diffusion_tables
from worker.fab_profile import FabProfile
from worker.finish import LayerRecipe

Labels = npt.NDArray[np.uint8]
AROUND = np.array(list(itertools.product(np.linspace(-5.0, 5.0, 5), repeat=3)))


def legal_by_hand(labels: Labels, y: int, x: int, recipes: list[LayerRecipe]) -> list[int]:
    """Finishes that break no rule at (y, x) with what stands left of it and above."""
    height, width = labels.shape

    def at(v: int, u: int) -> int | None:
        return int(labels[v, u]) if 0 <= v < height and 0 <= u < width else None

    left, upper_left, upper, upper_right = at(y, x - 1), at(y - 1, x - 1), at(y - 1, x), at(y - 1, x + 1)
    around = [i for i in (left, upper_left, upper, upper_right) if i is not None]

    def meet_at_a_corner(one: object, diagonal: object, beside_1: object, beside_2: object) -> bool:
        return one == diagonal and one != beside_1 and one != beside_2

    good = []
    for here in range(len(recipes)):
        recipe = recipes[here]
        if any(
            (recipe.legend and recipes[i].mask_opening) or (recipe.mask_opening and recipes[i].legend) for i in around
        ):
            continue
        # The square up to the left is complete; in the one up to the right, the cell to the right is still open.
        if left is not None and upper_left is not None and upper is not None:
            if meet_at_a_corner(here, upper_left, left, upper) or meet_at_a_corner(left, upper, here, upper_left):
                continue
            touch = False
            for layer in ("copper", "mask_opening", "legend"):
                a, b, c, d = (getattr(recipes[i], layer) for i in (upper_left, upper, left, here))
                if layer == "copper":
                    if "either" in (a, b, c, d):
                        continue
                    a, b, c, d = (value != "none" for value in (a, b, c, d))
                touch |= a == d and b == c and a != b
            if touch:
                continue
        good.append(here)
    return good


def follow(cells: npt.NDArray[np.uint8], labels: Labels, fab: FabProfile, *, rules: bool) -> tuple[int, float]:
    """How many decisions were wrong, and the share that is the nearest finish to the very value."""
    colours = finish_colours(fab)
    recipes = [finish.recipe for finish in fab.finishes]
    linear = srgb_decoded(cells / 255.0)
    height, width = labels.shape
    errors = np.zeros((height + 1, width + 2, 3))
    wrong = exact = 0
    for y in range(height):
        for x in range(width):
            value = np.clip(linear[y, x] + errors[y, x + 1], -0.5, 1.5)
            label = int(labels[y, x])
            good = legal_by_hand(labels[: y + 1], y, x, recipes) if rules else list(range(len(recipes)))
            assert label in good, f"finish {label} may not stand at row {y}, column {x}"
            encoded = np.clip(srgb_encoded(value) * 255.0 + np.vstack([np.zeros((1, 3)), AROUND]), 0.0, 255.0)
            nearest = np.stack([ciede2000(srgb_to_lab(encoded), colours.lab[i]) for i in good], axis=1).argmin(axis=1)
            wrong += good.index(label) not in nearest
            exact += good.index(label) == nearest[0]
            error = value - colours.linear_rgb[label]
            # Floyd and Steinberg's 7, 3, 5, 1, but 4 below, so that a sixteenth dies out.
            errors[y, x + 2] += error * 7 / 16
            errors[y + 1, x] += error * 3 / 16
            errors[y + 1, x + 1] += error * 4 / 16
            errors[y + 1, x + 2] += error * 1 / 16
    return wrong, exact / labels.size


def cells_of(name: str, side: int = 36) -> npt.NDArray[np.uint8]:
    return np.ascontiguousarray(photograph(name)[60::8, 40::8][:side, :side])


@pytest.mark.parametrize("name", PHOTOGRAPHS)
@pytest.mark.parametrize("rules", [False, True])
def test_every_decision(name: str, rules: bool) -> None:
    fab = board("nocturne-gold")
    cells = cells_of(name)
    tables = diffusion_tables(finish_colours(fab), tuple(f.recipe for f in fab.finishes), rules=rules)
    labels = diffuse(cells, None, tables)
    wrong, exact = follow(cells, labels, fab, rules=rules)
    assert wrong == 0
    assert exact > 0.85
    assert len(np.unique(labels)) >= 3


@pytest.mark.parametrize("fab_name", ["meadow-tin", "alba-black"])
def test_every_decision_for_other_fabs(fab_name: str) -> None:
    fab = board(fab_name)
    cells = cells_of("astronaut", 24)
    tables = diffusion_tables(finish_colours(fab), tuple(f.recipe for f in fab.finishes))
    labels = diffuse(cells, None, tables)
    assert follow(cells, labels, fab, rules=True)[0] == 0


def test_a_flat_mixture_shows_its_colour_on_the_average() -> None:
    """Half gold and half copper in linear light, from afar: that is what diffusion is for."""
    fab = board("nocturne-gold")
    colours = finish_colours(fab)
    mean = (colours.linear_rgb[2] + colours.linear_rgb[3]) / 2.0
    cells = np.full((90, 90, 3), np.rint(srgb_encoded(mean) * 255.0), dtype=np.uint8)
    tables = diffusion_tables(colours, tuple(f.recipe for f in fab.finishes), rules=False)
    labels = diffuse(cells, None, tables)
    shown = colours.linear_rgb[labels[10:-10, 10:-10]].mean(axis=(0, 1))
    np.testing.assert_allclose(shown, srgb_decoded(cells[0, 0] / 255.0), atol=0.012)


@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (40, 1), (2, 3), (49, 7), (97, 300), (200, 33)])
def test_any_size_on_any_number_of_threads(shape: tuple[int, int]) -> None:
    """Tiles are 48 rows high: sides below, at and beyond that."""
    fab = board()
    tables = diffusion_tables(finish_colours(fab), tuple(f.recipe for f in fab.finishes))
    cells = np.random.default_rng(3).integers(0, 256, (*shape, 3), dtype=np.uint8)
    labels = diffuse(cells, None, tables)
    assert labels.shape == shape
    for threads in (2, 4):
        assert (diffuse(cells, None, tables, threads=threads) == labels).all()
    masks = {finish.id: labels == i for i, finish in enumerate(fab.finishes)}
    assert violations(masks, fab) == {}
