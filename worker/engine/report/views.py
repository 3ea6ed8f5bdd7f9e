"""Views of a whole board: from behind, and against the light. At most 2,048 pixels long, averaged in linear light."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.ndimage import binary_fill_holes

from worker.engine.arrays import Float32s, Floats, Srgb
from worker.engine.colorimetry import SRGB_TO_LINEAR, lab_to_srgb, lab_to_xyz, srgb_encoded, xyz_to_linear_rgb
from worker.engine.encoded_light import encoded
from worker.engine.fabrication.copper_hatch import cut_hatches
from worker.engine.fabrication.layer_files import SideName
from worker.engine.fabrication.planes import BOARD, COPPER, LEGEND, OPENING, LayerPlanes, Stack
from worker.engine.fabrication.stack_colours import stack_lab
from worker.engine.report.scaling import shrink_labels
from worker.engine.threads import row_strips, run_all
from worker.engine.vision import blur
from worker.fab_profile import FabProfile

LONGEST_PX = 2048
LEGEND_PASSES = 0.3
"""Of the light that falls on legend, what would pass if it were white; its own colour is taken off that: assumed."""
MASK_PASSES = 0.6
"""No solder mask passes more of any primary than this: assumed."""
LAMINATE_PASSES = (0.55, 0.42, 0.2)
"""Red, green and blue that pass a natural laminate, where the profile has no bare one: assumed."""
SPREAD = 0.5
"""Light spreads in the laminate by this part of its thickness (one standard deviation): assumed."""
ROOM = 0.04
"""How bright the board is from the front, in a room that is nearly dark, of what it reflects in daylight."""
_LIGHTEST = 0.995
_WHITE_Y = 0.9
_HALF_COVERED = 127
"""A pixel of the view shows board where more than this of 255 is covered by it."""
_STRIP_PX = 64

THROUGH_LIGHT_MEANING = (
    "Rendered, not measured: the top in a nearly dark room, a white lamp behind. Light passes where neither side has "
    "copper. What each layer lets pass is guessed from the colours that the finishes reflect (solder mask as a filter "
    "that reflected light passes twice, legend as an ink that passes three tenths of its own colour), light spreads by "
    "half of the board's thickness, and the exposure fits the lightest place. A plausible picture, no prediction."
)


def from_behind(planes: Mapping[SideName, LayerPlanes], fab: FabProfile, lab: Floats, *, threads: int = 1) -> Srgb:
    """The bottom as seen from outside it, uint8 (h, w, 3), encoded sRGB, white off the board.

    A bottom that carries no layers is bare laminate.
    """
    below = planes.get("bottom")
    if below is None:
        below = _without_layers(planes["top"])
    return _shrunk(cut_hatches(below, fab, threads=threads).stack, _stack_srgb(fab, lab), threads)


def through_light(planes: Mapping[SideName, LayerPlanes], fab: FabProfile, lab: Floats, *, threads: int = 1) -> Srgb:
    """The top with a lamp behind the board, uint8 (h, w, 3), encoded sRGB: see THROUGH_LIGHT_MEANING.

    Parameters
    ----------
    planes : of each side that has layers, as seen from outside it.
    lab : float64 (n, 3), CIELAB D65/2 degree of the profile's finishes.
    """
    front = planes.get("top") or _without_layers(planes["bottom"])
    back = planes.get("bottom") or _without_layers(planes["top"])
    front, back = (cut_hatches(one, fab, threads=threads) for one in (front, back))
    laminate, passes = _transmissions(fab, lab)
    coded = np.rint(srgb_encoded(passes) * 255.0).astype(np.uint8)
    entered = _planes_mirrored(_shrunk(back.stack, coded, threads), threads)
    board = ((np.arange(256) & BOARD) != 0)[:, None] * np.uint8(255)
    of_front = _shrunk(front.stack, np.concatenate([coded, _stack_srgb(fab, lab), board], axis=1), threads)
    scale = front.width_px / of_front.shape[1]
    sigma_px = SPREAD * float(fab.stack_up["thickness_mm"]) * 1000.0 / (front.pitch_um * scale)
    tint = (laminate / laminate.max()).astype(np.float32)
    light, lightest = np.empty((*of_front.shape[:2], 3), np.float32), np.empty(of_front.shape[:2], np.float32)
    red, green, blue = (blur(plane, sigma_px**2, sigma_px**2, threads=threads) for plane in entered)
    strips = row_strips(len(light), _STRIP_PX)
    run_all(
        lambda a, b: _pass(red, green, blue, of_front, SRGB_TO_LINEAR, tint, a, b, light, lightest), strips, threads
    )
    covered = of_front[..., 6] > _HALF_COVERED
    exposure = _exposure(lightest[covered])
    open_through = binary_fill_holes(covered) & ~covered
    run_all(lambda a, b: _expose(of_front, SRGB_TO_LINEAR, exposure, open_through, a, b, light), strips, threads)
    return encoded(light, threads=threads)


def _planes_mirrored(coded: Srgb, threads: int) -> Float32s:
    """Linear light of encoded sRGB, left and right exchanged: float32 (3, h, w)."""
    out = np.empty((3, *coded.shape[:2]), dtype=np.float32)
    run_all(lambda a, b: _mirror(coded, SRGB_TO_LINEAR, a, b, out), row_strips(len(coded), _STRIP_PX), threads)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _mirror(coded, to_linear, first, last, out):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    width = coded.shape[1]
    for y in range(first, last):
        for x in range(width):
            for c in range(3):
                out[c, y, x] = to_linear[coded[y, width - 1 - x, c]]


@njit(cache=True, nogil=True, error_model="numpy")
def _pass(red, green, blue, front, to_linear, tint, first, last, light, lightest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What the front lets pass of the light that has spread in the laminate, and the most of each pixel's channels."""
    for y in range(first, last):
        for x in range(front.shape[1]):
            r = red[y, x] * to_linear[front[y, x, 0]] * tint[0]
            g = green[y, x] * to_linear[front[y, x, 1]] * tint[1]
            b = blue[y, x] * to_linear[front[y, x, 2]] * tint[2]
            light[y, x, 0], light[y, x, 1], light[y, x, 2] = r, g, b
            lightest[y, x] = max(r, g, b)


@njit(cache=True, nogil=True, error_model="numpy")
def _expose(front, to_linear, exposure, open_through, first, last, light):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The light as it is exposed, with what the front reflects in the room; white where nothing is in the way."""
    for y in range(first, last):
        for x in range(front.shape[1]):
            covered = np.float32(front[y, x, 6]) / np.float32(255.0)
            for c in range(3):
                reflected = np.float32(ROOM) * to_linear[front[y, x, 3 + c]] * covered
                light[y, x, c] = np.float32(1.0) if open_through[y, x] else light[y, x, c] * exposure + reflected


def _exposure(on_board: Float32s) -> np.float32:
    """What makes the lightest places of a board nearly white; 1 where no light passes at all."""
    lightest = float(np.quantile(on_board, _LIGHTEST)) if on_board.size else 0.0
    lightest = lightest or (float(on_board.max()) if on_board.size else 0.0)
    return np.float32(_WHITE_Y / lightest if lightest > 0.0 else 1.0)


def _transmissions(fab: FabProfile, lab: Floats) -> tuple[Floats, Floats]:
    """float64 (3,), what the laminate passes; float64 (256, 3), what the layers of one side pass, by their stack.

    In linear sRGB, 0 to 1.
    """
    linear = np.clip(xyz_to_linear_rgb(lab_to_xyz(lab)), 1e-4, 1.0)
    bare, masked, inked = _first(fab, opening=True), _first(fab, opening=False), _first(fab, opening=False, legend=True)
    laminate = np.array(LAMINATE_PASSES) if bare is None else linear[bare]
    mask = np.full(3, MASK_PASSES)
    if masked is not None:
        mask = np.minimum(np.sqrt(linear[masked] / laminate), MASK_PASSES)
    ink = LEGEND_PASSES * (np.ones(3) if inked is None else linear[inked])
    passes = np.zeros((256, 3))
    for bits in range(256):
        if bits & BOARD and not bits & COPPER:
            passes[bits] = (1.0 if bits & OPENING else mask) * (ink if bits & LEGEND else 1.0)
    return laminate, passes


def _first(fab: FabProfile, *, opening: bool, legend: bool = False) -> int | None:
    """The first finish with no copper of its own and these layers; rather one without copper than one that may have."""
    found = [
        (finish.recipe.copper != "none", i)
        for i, finish in enumerate(fab.finishes)
        if finish.recipe.copper in ("none", "either")
        and (finish.recipe.mask_opening, finish.recipe.legend) == (opening, legend)
    ]
    return min(found)[1] if found else None


def _without_layers(planes: LayerPlanes) -> LayerPlanes:
    """The other side of a one-sided board: laminate, with neither mask nor copper."""
    stack = (planes.stack[:, ::-1] & np.uint8(BOARD)) | np.where(planes.stack[:, ::-1] & BOARD, np.uint8(OPENING), 0)
    return LayerPlanes(stack=np.ascontiguousarray(stack.astype(np.uint8)), pitch_um=planes.pitch_um)


def _stack_srgb(fab: FabProfile, lab: Floats) -> Srgb:
    """uint8 (256, 3): encoded sRGB of every stack, white off the board."""
    colours = lab_to_srgb(stack_lab(fab, lab))
    colours[(np.arange(256) & BOARD) == 0] = 255
    return colours


def _shrunk(stack: Stack, colours: npt.NDArray[np.uint8], threads: int) -> Srgb:
    height, width = stack.shape
    share = min(1.0, LONGEST_PX / max(height, width))
    return shrink_labels(
        stack,
        colours,
        height_px=max(1, round(height * share)),
        width_px=max(1, round(width * share)),
        threads=threads,
    )
