"""Two designs of one side, and at each place the one that the eye takes for the artwork sooner, once both are made.

Neither is better everywhere: a design without rims keeps strokes clean, one with them has, here and there, a colour in
between that outweighs it. So both are repaired and drawn, places where they differ are told apart, and each place is
taken from the design whose error, as seen from the viewing distance, is less around it. A mixture that breaks a limit
where two places meet gives places back to the first design, and what is handed on is no worse than either by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, distance_transform_edt, label

from worker.engine.arrays import DeltaE, Float32s, Floats
from worker.engine.colorimetry import lab_to_xyz
from worker.engine.fabrication.bit_morphology import unpack
from worker.engine.fabrication.layer_bits import layer_bits
from worker.engine.fabrication.layer_faults import LayerFaults, widest_px
from worker.engine.fabrication.limits import measure_limits
from worker.engine.fabrication.making import MadeSide, draw_side
from worker.engine.fabrication.pixel_blocks import any_in_blocks
from worker.engine.fabrication.planes import LayerPlanes, Stack, finish_by_layers
from worker.engine.fabrication.repair import repair
from worker.engine.fabrication.stack_blocks import art_blocks, board_blocks
from worker.engine.fabrication.stack_colours import stack_lab
from worker.engine.painted import Painted, PixelColours
from worker.engine.vision import SeenPicture, pixels_per_degree, see, seen_difference, steady_step
from worker.fab_profile import FabProfile

_ROUNDS = 3
"""How often a mixture is drawn: each time, places that turned out worse in it go back."""

_LEAST_MM2 = 0.02
"""What a place must take from the error, in CIEDE2000 times square millimetres: less is not worth a change."""

Blocks = npt.NDArray[np.bool_]
"""bool (h, w), one for each block of pixels."""


def make_better_side(
    planes: LayerPlanes,
    other: LayerPlanes,
    fab: FabProfile,
    lab: Floats,
    srgb: PixelColours,
    *,
    viewing_distance_mm: float,
    forbidden: frozenset[str] = frozenset(),
    threads: int = 1,
) -> MadeSide:
    """As `making.make_side`, of two designs: no worse, as S-CIELAB has it, than what it makes of either.

    Parameters
    ----------
    planes, other : what the side is asked to show, and what else it may; of one shape. What is repaired and violated is
        told of the first.
    """
    found = measure_limits(planes, fab, threads=threads)
    view = _view(planes, fab, lab, srgb, viewing_distance_mm, threads)
    designs, sides, errors = [], [], []

    def draw(design: LayerPlanes) -> None:
        made = draw_side(
            design,
            fab,
            lab,
            srgb,
            found=found,
            repaired_px=_differing(design, planes, fab),
            forbidden=forbidden,
            threads=threads,
        )
        designs.append(design)
        sides.append(made)
        errors.append(view.error(made.planes, threads))

    for asked in (planes, other):
        draw(repair(asked, fab, lab, srgb=srgb, threads=threads).planes)
    if sides[0].left.total:
        return sides[0]  # what is left of it would be left of any mixture
    places = _places(designs[:2], sides, view.block_px)
    least = _LEAST_MM2 / (planes.pitch_um / 1000.0) ** 2
    take = places.gains(errors[0], errors[1], view.weights) > least
    for _ in range(_ROUNDS):
        mixed = _without_faults(designs[0], designs[1], places, take, view.block_px, fab, threads)
        if not take.any():
            break
        draw(mixed)
        worse = take & (places.gains(errors[0], errors[-1], view.weights) < least)
        if not worse.any():
            break
        take &= ~worse
    sums = [float((error * view.weights).sum(dtype=np.float64)) for error in errors]
    return sides[min((i for i, side in enumerate(sides) if not side.left.total), key=lambda i: (sums[i], i))]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """The artwork as it is seen, to compare boards with.

    block_px : side of a block. weights : float32 (h, w), pixels of each on the board.
    """

    block_px: int
    ppd: float
    xyz: Float32s
    art_xyz: Float32s
    seen: SeenPicture
    weights: Float32s

    def error(self, planes: LayerPlanes, threads: int) -> DeltaE:
        """S-CIELAB of each block."""
        board = board_blocks(planes.stack, self.xyz, self.art_xyz, self.block_px, 1, threads=threads)
        return seen_difference(
            self.seen, see(board, working_ppd=self.ppd, step=self.block_px, threads=threads), threads=threads
        )


def _view(
    planes: LayerPlanes, fab: FabProfile, lab: Floats, srgb: PixelColours, distance_mm: float, threads: int
) -> _View:
    full = pixels_per_degree(distance_mm, planes.pitch_um)
    block = steady_step(full, planes.stack.size)
    picture = srgb.srgb(threads=threads) if isinstance(srgb, Painted) else srgb
    art, weights = art_blocks(planes.stack, picture, block, 1, threads=threads)
    return _View(
        block_px=block,
        ppd=full / block,
        xyz=lab_to_xyz(stack_lab(fab, lab)).astype(np.float32),
        art_xyz=art,
        seen=see(art.copy(), working_ppd=full / block, step=block, threads=threads),
        weights=weights,
    )


def _differing(design: LayerPlanes, asked: LayerPlanes, fab: FabProfile) -> int:
    """Pixels that show another finish than was asked for."""
    table = finish_by_layers(fab)
    return int(np.count_nonzero(table[design.stack] != table[asked.stack]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Places:
    """Where two designs differ, by blocks.

    numbers : int32 (h, w), the place of each block, 0 where they are alike. owner : the nearest place of each block.
    """

    numbers: npt.NDArray[np.int32]
    owner: npt.NDArray[np.int32]
    count: int

    def gains(self, before: DeltaE, after: DeltaE, weights: Float32s) -> Floats:
        """float64 (count + 1,): how much less error there is around each place; none around 0."""
        gain = (before.astype(np.float64) - after) * weights
        out: Floats = np.bincount(self.owner.ravel(), weights=gain.ravel(), minlength=self.count + 1).astype(np.float64)
        out[0] = 0.0
        return out


def _places(designs: list[LayerPlanes], sides: list[MadeSide], block_px: int) -> _Places:
    differ = any_in_blocks(
        (designs[0].stack != designs[1].stack) | (sides[0].planes.stack != sides[1].planes.stack), block_px
    )
    numbers, count = label(binary_dilation(differ, np.ones((3, 3))), np.ones((3, 3)))
    if count == 0:
        return _Places(numbers=numbers, owner=numbers, count=0)
    rows, columns = distance_transform_edt(numbers == 0, return_distances=False, return_indices=True)
    return _Places(numbers=numbers, owner=numbers[rows, columns], count=count)


def _without_faults(
    one: LayerPlanes,
    other: LayerPlanes,
    places: _Places,
    take: npt.NDArray[np.bool_],
    block_px: int,
    fab: FabProfile,
    threads: int,
) -> LayerPlanes:
    """The first design with these places of the other; places near to a fault go back, and out of `take`, until there
    is none."""
    largest = widest_px(fab, one.pitch_um)
    while True:
        mixed = LayerPlanes(stack=_mixed(one.stack, other.stack, take[places.numbers], block_px), pitch_um=one.pitch_um)
        bits = layer_bits(mixed, largest_px=largest, threads=threads)
        faults = unpack(LayerFaults(bits, fab, one.pitch_um, threads=threads)(bits), bits.frame)
        if not take.any() or not faults.any():
            return mixed
        near = any_in_blocks(faults, block_px)
        beside = take[places.numbers]
        while not (near & beside).any():
            near = binary_dilation(near, np.ones((3, 3)))
        take[np.unique(places.numbers[near & beside])] = False


def _mixed(one: Stack, other: Stack, blocks: Blocks, block_px: int) -> Stack:
    height, width = one.shape
    where = np.repeat(np.repeat(blocks, block_px, axis=0)[:height], block_px, axis=1)[:, :width]
    return np.where(where, other, one)
