"""Over-dense art for the limits per layer, from a seed: text, strokes and wedges finer than a fab can make.

A board of 40 x 40 mm in fields of 5 mm, each of one finish's colour, full of text from 0.8 to 3 mm, strokes from 0.05
to 0.6 mm and thin wedges in the other finishes' colours; drawn at 10 um, anti-aliased at 40 um. Like a real artwork's,
its colours are not the finishes' own: each is a few CIEDE2000 away. A margin of the background's colour keeps it clear
of the board's edge, which has limits of its own.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from worker.engine.colorimetry import lab_to_srgb, srgb_decoded, srgb_encoded
from worker.engine.difference import ciede2000
from worker.engine.palette.finish_colours import finish_colours
from worker.fab_profile import FabProfile

PITCH_UM = 10
SOURCE_UM = 40
MARGIN_MM = 0.6
FIELD_MM = 5.0
ATTEMPTS = 330
APART_PX = 4
HALF_TURN = np.linspace(0.0, math.pi, 24)
WORDS = ("Maskwright", "Hamburg", "egg 1862", "aeosgB8", "quick", "THE Fab", "mmwnn", "Rivets&", "lazy dog")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A stroke with round ends: its middle line in mm (x right, y down), width, finish, and the field's finish."""

    path: npt.NDArray[np.float64]
    width_mm: float
    finish: int
    ground: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StressArt:
    """`png`: the artwork. `truth`: uint8 (H, W), each pixel's finish as drawn. `strokes`: those that nothing covers."""

    png: bytes
    truth: npt.NDArray[np.uint8]
    strokes: tuple[Stroke, ...]
    width_mm: float


def draw_line(canvas: npt.NDArray[np.uint8], stroke: Stroke, value: int) -> None:
    """Fill the stroke's outline, to a 16th of a pixel."""
    radius = stroke.width_mm * 1000.0 / PITCH_UM / 2.0
    points = stroke.path * 1000.0 / PITCH_UM - 0.5
    first, second = points[:-1, None], points[1:, None]
    step = second - first
    along = np.arctan2(step[..., 1], step[..., 0])
    cap_second = second + radius * _units(along - math.pi / 2 + HALF_TURN)
    cap_first = first + radius * _units(along + math.pi / 2 + HALF_TURN)
    # OpenCV's fill includes its outline's pixels: half a pixel is taken off.
    outlines = np.concatenate([cap_second, cap_first], axis=1)
    normal = np.stack([-np.sin(along), np.cos(along)], axis=-1)
    side = np.sign(((outlines - (first + second) / 2) * normal).sum(axis=-1))
    outlines -= side[..., None] * normal * 0.5
    for outline in np.rint(outlines * 16).astype(np.int32):  # one by one: together they would be holes in each other
        cv2.fillPoly(canvas, [outline], value, lineType=cv2.LINE_8, shift=4)


def _units(angles: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Unit vectors (..., 2) of angles in radians."""
    return np.stack([np.cos(angles), np.sin(angles)], axis=-1)


def some_stroke(
    rng: np.random.Generator, x: float, y: float, size: float, width: float, finish: int, ground: int
) -> Stroke:
    kind = rng.integers(3)
    if kind == 0:
        angle = rng.choice([0.0, math.pi / 2, rng.uniform(0, math.pi)])
        half = size / 2 * np.array([math.cos(angle), math.sin(angle)])
        path = np.array([x, y]) + np.array([-half, half])
    elif kind == 1:
        start, sweep = rng.uniform(0, 2 * math.pi), rng.uniform(1.5, 4.5)
        t = start + np.linspace(0.0, sweep, 40)
        path = np.column_stack([x + size / 2.4 * np.cos(t), y + size / 2.4 * np.sin(t)])
    else:
        t = np.linspace(-0.5, 0.5, 40)
        path = np.column_stack([x + size * t, y + 0.18 * size * np.sin(2 * math.pi * t * rng.uniform(0.8, 2.0))])
    return Stroke(path=path, width_mm=width, finish=finish, ground=ground)


def _wedge(canvas: npt.NDArray[np.uint8], rng: np.random.Generator, x: float, y: float, value: int) -> None:
    angle, length, base = rng.uniform(0, 2 * math.pi), rng.uniform(1.2, 2.4), rng.uniform(0.15, 0.6)
    tip = np.array([x + length * math.cos(angle), y + length * math.sin(angle)])
    side = base / 2 * np.array([-math.sin(angle), math.cos(angle)])
    corners = np.array([tip, np.add([x, y], side), np.subtract([x, y], side)]) * 1000.0 / PITCH_UM
    cv2.fillPoly(canvas, [np.rint(corners * 16).astype(np.int32)], value, lineType=cv2.LINE_8, shift=4)


def _write(canvas: npt.NDArray[np.uint8], text: str, x: float, y: float, height_mm: float, value: int) -> None:
    pixels = height_mm * 1000.0 / PITCH_UM
    # The font's capitals are about 0.72 of its size.
    font = ImageFont.load_default(size=pixels / 0.72)
    image = Image.fromarray(canvas)
    ImageDraw.Draw(image).text((x * 1000 / PITCH_UM, y * 1000 / PITCH_UM), text, fill=value, font=font)
    canvas[:] = np.asarray(image)


def _field(
    rng: np.random.Generator, size_mm: float, ground: int, finishes: int
) -> tuple[npt.NDArray[np.uint8], list[Stroke]]:
    """One field and its strokes. What is drawn keeps 0.04 mm from what stands there, and a little from the border."""
    side = round(size_mm * 1000 / PITCH_UM)
    canvas = np.full((side, side), ground, np.uint8)
    taken = np.zeros((side, side), np.uint8)
    edge = round(80 / PITCH_UM)
    taken[:edge], taken[-edge:], taken[:, :edge], taken[:, -edge:] = 1, 1, 1, 1
    strokes: list[Stroke] = []
    others = [i for i in range(finishes) if i != ground]
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * APART_PX + 1,) * 2)
    for attempt in range(ATTEMPTS):
        value = int(rng.choice(others))
        drawn = np.zeros((side, side), np.uint8)
        x, y = rng.uniform(0.1, size_mm - 0.1, 2)
        stroke = None
        if attempt < 4 or attempt % 10 == 0:
            _write(drawn, str(rng.choice(WORDS)), x * 0.5, y * 0.85, rng.uniform(0.8, 3.0 if attempt < 2 else 1.3), 1)
            # Pillow smooths letters: half covered counts.
        elif attempt % 3 == 0:
            _wedge(drawn, rng, x, y, 1)
        else:
            width = float(np.exp(rng.uniform(math.log(0.05), math.log(0.6))))
            stroke = some_stroke(rng, x, y, rng.uniform(0.8, 3.0 if attempt < 60 else 1.2), width, value, ground)
            draw_line(drawn, stroke, 1)
        left, top, across, down = cv2.boundingRect(drawn)
        box = np.s_[max(top - APART_PX, 0) : top + down + APART_PX, max(left - APART_PX, 0) : left + across + APART_PX]
        if across == 0 or (taken[box] & drawn[box]).any():
            continue
        canvas[box][drawn[box] != 0] = value
        taken[box] |= cv2.dilate(drawn[box], kernel)
        if stroke is not None:
            strokes.append(stroke)
    return canvas, strokes


def _off_colours(rng: np.random.Generator, fab: FabProfile, away: float) -> npt.NDArray[np.uint8]:
    """Encoded sRGB of each finish in the artwork: about `away` CIEDE2000 from the finish's own colour."""
    lab = finish_colours(fab).lab
    out = np.empty((len(lab), 3), np.uint8)
    for i, own in enumerate(lab):
        step = rng.normal(size=3)
        step /= np.linalg.norm(step)
        scale = away / max(float(ciede2000(own, own + step)), 0.1)
        out[i] = lab_to_srgb(own + step * scale)
    return out


def stress_art(seed: int, fab: FabProfile, *, fields: int = 8, away: float = 4.6) -> StressArt:
    """The art of this seed: `fields` by `fields` fields less a margin, so 8 make 40 mm."""
    rng = np.random.default_rng(seed)
    finishes = len(fab.finishes)
    background = [finish.id for finish in fab.finishes].index(fab.background)
    width_mm = fields * FIELD_MM
    size_mm = (width_mm - 2 * MARGIN_MM) / fields
    side = round(width_mm * 1000 / PITCH_UM)
    truth = np.full((side, side), background, np.uint8)
    strokes: list[Stroke] = []
    for row in range(fields):
        for column in range(fields):
            ground = background if rng.random() < 0.3 else int(rng.integers(finishes))
            corner = np.array([MARGIN_MM + column * size_mm, MARGIN_MM + row * size_mm])
            canvas, own = _field(rng, size_mm, ground, finishes)
            x, y = np.rint(corner * 1000 / PITCH_UM).astype(int)
            truth[y : y + canvas.shape[0], x : x + canvas.shape[1]] = canvas
            moved = np.array([x, y]) * PITCH_UM / 1000
            strokes += [
                Stroke(path=one.path + moved, width_mm=one.width_mm, finish=one.finish, ground=one.ground)
                for one in own
            ]
    colours = _off_colours(rng, fab, away)
    block = SOURCE_UM // PITCH_UM
    linear = srgb_decoded(colours / 255.0)[truth].reshape(side // block, block, side // block, block, 3).mean((1, 3))
    out = io.BytesIO()
    Image.fromarray(np.rint(srgb_encoded(linear) * 255).astype(np.uint8)).save(out, "PNG")
    return StressArt(png=out.getvalue(), truth=truth, strokes=tuple(strokes), width_mm=width_mm)
