"""A camera, a lamp, a 24-patch chart and a coupon that exist in numbers only: seeded, with every constant stated.

Spectra at 400 to 700 nm in steps of 10 nm:

- camera curves: data set 'Nikon 5100 (NPL)' of colour-science;
- lamps: colour-science's CIE illuminants, LED-B3 unless asked otherwise;
- chart: data set 'BabelColor Average' of colour-science;
- metals: Johnson & Christy (1972) through the public refractive-index database, in
  `tests/data/metal_reflectance_10nm.csv`;
- solder masks, legend and laminate: invented, by Kubelka-Munk with Saunderson's correction and the constants below.

The truth of a finish is its XYZ under D65 for the 2 degree observer by colour-science's ASTM E308, which the engine
does not use. The camera's raw values are white-balanced, lit unevenly, blurred by the lens, and given shot noise, read
noise, defective pixels and a tone curve. No real finish, board or photograph is in here.
"""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Literal

import colour
import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from worker.finish import Finish, LayerRecipe
from worker.patch_map import Patch, PatchMap, Quad, Rectangle
from worker.reading import Reading

Floats = npt.NDArray[np.float64]

WAVELENGTHS = np.arange(400.0, 701.0, 10.0)
SHAPE = colour.SpectralShape(400, 700, 10)
CAMERA = "Nikon 5100 (NPL)"
LAMP = "LED-B3"
CHART = "BabelColor Average"
METALS = Path(__file__).parents[2] / "data" / "metal_reflectance_10nm.csv"

SLOPE = 0.12  # the light's fall from one end of the scene to the other
FALLOFF = 0.10  # the lens's fall at the corners, growing with the square of the distance from the middle
WHITE_LEVEL = 0.80  # raw value of a perfect diffuser in the middle, of full scale 1
ELECTRONS = 12_000.0  # at full scale: shot noise
READ_NOISE = 5.0  # electrons
DEFECTIVE = 0.04  # of the pixels: half of them dark, half of them at full scale
BLUR_PX = 0.8  # the lens, standard deviation
SURROUND = 0.42  # reflectance factor of the neutral surround
CHART_FRAME = 0.035  # of the card between the chart's patches

SATURATED = 3.5  # how steep the S-curve is
CROSSED = 0.10  # of a metal's light that crossed polarisers let through

COUPON_MM = (96.0, 76.0)
PATCH_MM, PITCH_MM, COLUMNS, ROWS = 8.0, 10.0, 9, 7
EDGE_MM = 4.0  # from the coupon's edge to its first patch
CHART_AT_MM = (116.0, 11.0)  # upper left corner of the chart's first patch
CHART_PITCH_MM, CHART_PATCH_MM = 14.0, 12.2
CARD_MM = 5.0  # the chart's frame outside its patches
SCENE_MM = (-18.0, -18.0, 236.0, 112.0)  # x, y, width, height of what the camera sees
SIZE_PX = (1888, 896)

K1, K2 = 0.04, 0.596  # Saunderson's coefficients for a refractive index of 1.5

MASKS: dict[str, tuple[float, float, tuple[tuple[float, float, float], ...]]] = {
    # absorption everywhere, scatter, then bands of absorption: height, middle and width in nm
    "green": (0.10, 0.25, ((1.9, 430.0, 45.0), (1.7, 640.0, 55.0))),
    "blue": (0.12, 0.22, ((2.6, 590.0, 75.0), (0.8, 700.0, 50.0))),
    "red": (0.08, 0.28, ((2.7, 500.0, 70.0), (1.6, 410.0, 50.0))),
    "yellow": (0.04, 0.45, ((2.2, 430.0, 45.0),)),
    "purple": (0.15, 0.20, ((2.2, 545.0, 50.0), (0.5, 480.0, 40.0))),
    "white": (0.012, 2.6, ((0.10, 400.0, 20.0),)),
    "black": (3.2, 0.12, ()),
}
LEGEND = (0.010, 4.5, ((0.30, 400.0, 18.0),))
DULL = {"Au50_on_Ni_R": 0.88, "Au100_on_Ni_R": 0.62, "Cu_R": 0.75, "Ag_R": 0.70, "Ni_R": 0.80}
"""Metals and how much of a mirror's light a dull surface sends to the camera (colour.md, section 4: hue stays)."""

Tone = Literal["srgb", "s-curve", "linear"]


@cache
def metal(name: str) -> Floats:
    """Reflectance of a metal by its column."""
    with METALS.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["nm"]) for row in rows] == list(WAVELENGTHS)
    return np.array([float(row[name]) for row in rows])


def laminate() -> Floats:
    """Reflectance of an invented natural laminate."""
    return 0.22 + 0.38 / (1.0 + np.exp(-(WAVELENGTHS - 510.0) / 45.0))


def coated(stack: tuple[float, float, tuple[tuple[float, float, float], ...]], ground: Floats) -> Floats:
    """Reflectance, specular included, of a scattering layer over a ground (Kubelka-Munk 1931, Saunderson 1942)."""
    level, scatter, bands = stack
    absorption = np.full_like(WAVELENGTHS, level)
    for height, middle, width in bands:
        absorption += height * np.exp(-(((WAVELENGTHS - middle) / width) ** 2))
    a = 1.0 + absorption / scatter
    b = np.sqrt(a * a - 1.0)
    c = b / np.tanh(b * scatter)
    inner_ground = (ground - K1) / ((1.0 - K1) * (1.0 - K2) + K2 * (ground - K1))
    inner = (1.0 - inner_ground * (a - c)) / (a - inner_ground + c)
    return K1 + (1.0 - K1) * (1.0 - K2) * inner / (1.0 - K2 * inner)


@cache
def finish_spectra() -> dict[str, Floats]:
    """The invented finishes: seven masks over laminate and over copper, legend, laminate, five metals."""
    spectra = {}
    for name, stack in MASKS.items():
        spectra[f"{name}-mask"] = coated(stack, laminate())
        spectra[f"{name}-mask-on-copper"] = coated(stack, 0.9 * metal("Cu_R"))
    spectra["legend"] = coated(LEGEND, spectra["green-mask"])
    spectra["laminate"] = laminate()
    for name, share in DULL.items():
        spectra[name.removesuffix("_R").replace("_", "-").lower()] = share * metal(name)
    return spectra


def is_metal(finish: str) -> bool:
    """Whether a finish of `finish_spectra` is bare metal."""
    return finish.startswith(("au", "cu", "ag", "ni"))


@cache
def chart_spectra(data_set: str = CHART) -> dict[str, Floats]:
    """The chart's 24 patches by name, row by row."""
    table = colour.SDS_COLOURCHECKERS[data_set]
    return {name: sd.copy().align(SHAPE).values for name, sd in table.items()}


@cache
def true_lab() -> dict[str, Floats]:
    """CIELAB D65/2 of every finish, by colour-science."""
    matching = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D65"]
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    found = {}
    for name, values in finish_spectra().items():
        sd = colour.SpectralDistribution(values, WAVELENGTHS)
        with warnings.catch_warnings():  # it says that it extends the spectrum's ends, as E308 has it
            warnings.simplefilter("ignore")
            xyz = colour.sd_to_XYZ(sd, matching, light, method="ASTM E308") / 100.0
        found[name] = colour.XYZ_to_Lab(xyz, white)
    return found


@cache
def weights(lamp: str) -> Floats:
    """What each wavelength adds to each raw channel: float64 (31, 3), columns adding to 1 (white balance)."""
    curves = colour.MSDS_CAMERA_SENSITIVITIES[CAMERA].copy().align(SHAPE).values
    light = colour.SDS_ILLUMINANTS[lamp].copy().align(SHAPE).values
    product = curves * light[:, None]
    return np.asarray(product / product.sum(axis=0))


def raw_of(spectrum: Floats, lamp: str) -> Floats:
    """White-balanced raw RGB, 1 for a perfect diffuser."""
    return np.asarray(spectrum @ weights(lamp))


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """Everything that can be asked of one simulated photograph."""

    seed: int = 0
    lamp: str = LAMP
    tone: Tone = "srgb"
    bits: int = 8
    veiling_glare: float = 0.0  # of the white's light, added everywhere
    exposure: float = 1.0
    slope: float = SLOPE
    vignette: float = 0.0  # a further fall at the corners, with the fourth power of the distance: no quadratic
    crossed: bool = False  # polarisers: metals lose nearly all of their light
    shadow: float = 0.0  # a hard shadow over part of the coupon: how much light it takes
    hot_spot: float = 0.0  # a small reflection of the lamp on the chart: light added at its middle
    tilt: float = 0.06  # how far perspective moves the corners, of the picture's size
    chart_turn: int = 0  # quarter turns of the chart as seen
    scale: float = 1.0  # of the picture's pixels
    chart: str = CHART
    finishes: tuple[str, ...] = ()  # empty: all
    defective: float = DEFECTIVE


@dataclass(frozen=True, kw_only=True, eq=False)
class Board:
    """A coupon in place of the plain one: `labels` say which of the finishes is where, on a grid of `pitch_mm`."""

    labels: npt.NDArray[np.uint8]
    pitch_mm: float
    finishes: tuple[str, ...]
    spectra: dict[str, Floats]
    metals: tuple[str, ...]
    patch_map: PatchMap


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A simulated photograph and what is true of it: corners in pixels, clockwise from the upper left."""

    encoded: npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
    patch_map: PatchMap
    coupon_corners: Quad
    chart_corners: Quad
    conditions: Conditions = field(default_factory=Conditions)

    def png(self) -> bytes:
        """The photograph as PNG."""
        done, data = cv2.imencode(".png", self.encoded[..., ::-1])
        assert done
        return bytes(data)

    def tiff(self) -> bytes:
        """The photograph as TIFF."""
        done, data = cv2.imencode(".tiff", self.encoded[..., ::-1])
        assert done
        return bytes(data)

    def jpeg(self, *, quality: int = 92, date: str = "2026:11:25 10:00:00") -> bytes:
        """The photograph as JPEG, with the day in its EXIF block (0x9003 is DateTimeOriginal)."""
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = date
        exif[0x010E] = "Simulated: invented colours, no real board or camera"
        stream = io.BytesIO()
        Image.fromarray(self.encoded).save(stream, "JPEG", quality=quality, subsampling=0, exif=exif)
        return stream.getvalue()


def patch_map(finishes: Sequence[str]) -> PatchMap:
    """Three patches of each finish, scattered, and a ring of neutral surround round coupon and chart."""
    cells = [(column, row) for row in range(ROWS) for column in range(COLUMNS)]
    assert 3 * len(finishes) <= len(cells)
    order = np.random.default_rng(7).permutation(len(cells))
    patches = []
    for i, finish in enumerate(finishes):
        for repeat in range(3):
            column, row = cells[order[repeat * len(finishes) + i]]
            place = Rectangle(
                x=EDGE_MM + PITCH_MM * column, y=EDGE_MM + PITCH_MM * row, width=PATCH_MM, height=PATCH_MM
            )
            patches.append(Patch(finish=finish, place=place, repeat=repeat + 1))
    width, height = COUPON_MM
    return PatchMap(
        width_mm=width,
        height_mm=height,
        coupon_corners=Rectangle(x=0, y=0, width=width, height=height).corners,
        patches=tuple(patches),
        surround=(
            Rectangle(x=-14, y=-14, width=228, height=8),
            Rectangle(x=-14, y=82, width=228, height=8),
            Rectangle(x=-14, y=-4, width=8, height=84),
            Rectangle(x=206, y=-4, width=8, height=84),
            Rectangle(x=100, y=-4, width=8, height=84),
        ),
        note="Invented, for a simulated photograph.",
    )


def finishes(names: Sequence[str]) -> tuple[Finish, ...]:
    """Finishes as a fab profile would hold them, with an assumed reading."""
    assumed = Reading(lab=(50.0, 0.0, 0.0), illuminant="D65", observer="2", geometry="45:0", origin="assumed")
    recipe = LayerRecipe(copper="either", mask_opening=False, legend=False)
    return tuple(
        Finish(
            id=name,
            name=name,
            recipe=recipe,
            texture="metallic" if is_metal(name) else "gloss",
            readings=(assumed,),
            smallest_feature_mm=0.15,
        )
        for name in names
    )


def take(conditions: Conditions | None = None, board: Board | None = None) -> Shot:
    """One photograph, of the plain coupon with every finish, or of a board."""
    conditions = conditions or Conditions()
    random = np.random.default_rng(conditions.seed)
    names = conditions.finishes or tuple(finish_spectra())
    layout = patch_map(names) if board is None else board.patch_map
    to_px = _perspective(random, conditions)
    size = (round(SIZE_PX[0] * conditions.scale), round(SIZE_PX[1] * conditions.scale))
    light = _scene(layout, conditions, to_px, size, board)
    light *= _lighting(random, conditions, size)[..., None]
    light = _marred(light, layout, conditions, to_px)
    light = cv2.GaussianBlur(light, (0, 0), BLUR_PX)
    light += conditions.veiling_glare
    raw = _noisy(light * WHITE_LEVEL * conditions.exposure, random, conditions)
    return Shot(
        encoded=_encoded(raw, conditions),
        patch_map=layout,
        coupon_corners=_quad(to_px, layout.coupon_corners),
        chart_corners=_quad(to_px, _chart_quad(conditions.chart_turn)),
        conditions=conditions,
    )


def _perspective(random: np.random.Generator, conditions: Conditions) -> Floats:
    """Homography of mm to pixels: the scene fills the picture, its corners moved by the camera's tilt."""
    x, y, width, height = SCENE_MM
    scene = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
    full = np.array(SIZE_PX) * conditions.scale
    inward = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) + inward * random.uniform(0.0, conditions.tilt, (4, 2))
    return np.asarray(
        cv2.getPerspectiveTransform(scene.astype(np.float32), (corners * full).astype(np.float32)), dtype=np.float64
    )


def _at(to_px: Floats, points: npt.ArrayLike) -> Floats:
    return np.asarray(cv2.perspectiveTransform(np.asarray(points, dtype=np.float64)[None], to_px)[0])


def _quad(to_px: Floats, corners: npt.ArrayLike) -> Quad:
    a, b, c, d = ((float(x), float(y)) for x, y in _at(to_px, corners))
    return (a, b, c, d)


def _chart_size(turn: int) -> tuple[float, float]:
    across, down = 5 * CHART_PITCH_MM + CHART_PATCH_MM, 3 * CHART_PITCH_MM + CHART_PATCH_MM
    return (down, across) if turn % 2 else (across, down)


def _chart_quad(turn: int) -> list[tuple[float, float]]:
    """The chart's own upper left, upper right ... corners in mm, when it lies turned clockwise by quarter turns."""
    width, height = _chart_size(turn)
    x, y = CHART_AT_MM
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
    return corners[turn:] + corners[:turn]


def _scene(
    layout: PatchMap, conditions: Conditions, to_px: Floats, size: tuple[int, int], board: Board | None
) -> npt.NDArray[np.float32]:
    """Raw light of every pixel under even light."""
    light = np.empty((size[1], size[0], 3), np.float32)
    light[:] = SURROUND * np.ones(3)
    if board is None:
        _plain_coupon(light, layout, conditions, to_px)
    else:
        light = _board(light, board, conditions, to_px)
    _chart(light, conditions, to_px)
    return light


def _plain_coupon(light: npt.NDArray[np.float32], layout: PatchMap, conditions: Conditions, to_px: Floats) -> None:
    ground = raw_of(coated(MASKS["black"], laminate()), conditions.lamp)
    _fill(light, _at(to_px, layout.coupon_corners), ground)
    spectra = finish_spectra()
    for patch in layout.patches:
        dark = CROSSED if conditions.crossed and is_metal(patch.finish) else 1.0
        _fill(light, _at(to_px, patch.place.corners), dark * raw_of(spectra[patch.finish], conditions.lamp))


def _board(
    light: npt.NDArray[np.float32], board: Board, conditions: Conditions, to_px: Floats
) -> npt.NDArray[np.float32]:
    """The board's finishes in their places, its pixels averaged to about those of the photograph."""
    dark = [CROSSED if conditions.crossed and name in board.metals else 1.0 for name in board.finishes]
    each = np.array(
        [share * raw_of(board.spectra[name], conditions.lamp) for name, share in zip(board.finishes, dark, strict=True)]
    )
    grid = each.astype(np.float32)[board.labels]
    across, down = (round(side / 3) for side in grid.shape[1::-1])
    small = cv2.resize(grid, (across, down), interpolation=cv2.INTER_AREA)
    edges = np.array([[-0.5, -0.5], [across - 0.5, -0.5], [across - 0.5, down - 0.5], [-0.5, down - 0.5]], np.float32)
    seen = _at(to_px, board.patch_map.coupon_corners).astype(np.float32)
    size = (light.shape[1], light.shape[0])
    warped = cv2.warpPerspective(
        small, cv2.getPerspectiveTransform(edges, seen), size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    inside = np.zeros(light.shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.rint(seen * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    return np.where(inside[..., None] > 0, warped, light)


def _chart(light: npt.NDArray[np.float32], conditions: Conditions, to_px: Floats) -> None:
    turn = conditions.chart_turn
    x, y = CHART_AT_MM
    width, height = _chart_size(turn)
    card = Rectangle(x=x - CARD_MM, y=y - CARD_MM, width=width + 2 * CARD_MM, height=height + 2 * CARD_MM)
    _fill(light, _at(to_px, card.corners), np.full(3, CHART_FRAME))
    across, down = _chart_size(0)
    own = np.array([(0, 0), (across, 0), (across, down), (0, down)], np.float32)
    to_mm = cv2.getPerspectiveTransform(own, np.array(_chart_quad(turn), np.float32)).astype(np.float64)
    for i, spectrum in enumerate(chart_spectra(conditions.chart).values()):
        row, column = divmod(i, 6)
        patch = Rectangle(
            x=CHART_PITCH_MM * column, y=CHART_PITCH_MM * row, width=CHART_PATCH_MM, height=CHART_PATCH_MM
        )
        _fill(light, _at(to_px, _at(to_mm, patch.corners)), raw_of(spectrum, conditions.lamp))


def _fill(light: npt.NDArray[np.float32], corners: Floats, value: Floats) -> None:
    shift = 4  # bits below a pixel
    cv2.fillConvexPoly(
        light, np.rint(corners * (1 << shift)).astype(np.int32), [float(v) for v in value], cv2.LINE_8, shift
    )


def _lighting(random: np.random.Generator, conditions: Conditions, size: tuple[int, int]) -> npt.NDArray[np.float32]:
    """A slope in a random direction times a falloff from the middle, 1 in the middle."""
    x = np.linspace(-0.5, 0.5, size[0], dtype=np.float32)[None, :]
    y = np.linspace(-0.5, 0.5, size[1], dtype=np.float32)[:, None]
    angle = random.uniform(0.0, 2.0 * np.pi)
    slope = 1.0 + conditions.slope * (np.cos(angle) * x + np.sin(angle) * y)
    square = 2.0 * (x * x + y * y)  # 1 at the corners
    return np.asarray(slope * (1.0 - FALLOFF * square - conditions.vignette * square**2), dtype=np.float32)


def _marred(
    light: npt.NDArray[np.float32], layout: PatchMap, conditions: Conditions, to_px: Floats
) -> npt.NDArray[np.float32]:
    if conditions.shadow:
        width, height = COUPON_MM
        half = Rectangle(x=-14.0, y=-14.0, width=0.6 * width, height=1.05 * height)
        mask = np.zeros(light.shape[:2], np.uint8)
        cv2.fillConvexPoly(mask, np.rint(_at(to_px, half.corners)).astype(np.int32), 1)
        light = light * (1.0 - conditions.shadow * mask[..., None])
    if conditions.hot_spot:
        x, y = CHART_AT_MM
        (middle,) = _at(to_px, [(x + 1.6 * CHART_PITCH_MM, y + 1.5 * CHART_PITCH_MM)])
        rows, columns = np.mgrid[: light.shape[0], : light.shape[1]]
        distance = np.hypot(columns - middle[0], rows - middle[1]) / (60.0 * conditions.scale)
        light = light + (conditions.hot_spot * np.exp(-(distance**2)))[..., None]
    return np.asarray(light, dtype=np.float32)


def _noisy(raw: npt.NDArray[np.float32], random: np.random.Generator, conditions: Conditions) -> Floats:
    """Shot and read noise in electrons, defective pixels, and the ceiling at full scale."""
    electrons = random.poisson(np.maximum(raw, 0.0) * ELECTRONS) + random.normal(0.0, READ_NOISE, raw.shape)
    raw = (electrons / ELECTRONS).astype(np.float32)
    draw = random.random(raw.shape[:2])
    raw = np.where((draw < conditions.defective / 2.0)[..., None], 0.0, raw)
    raw = np.where((draw > 1.0 - conditions.defective / 2.0)[..., None], 1.0, raw)
    return np.clip(raw, 0.0, 1.0)


def _encoded(raw: Floats, conditions: Conditions) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    encoded = raw if conditions.tone == "linear" else np.asarray(colour.cctf_encoding(raw, function="sRGB"))
    if conditions.tone == "s-curve":
        encoded = (np.tanh(SATURATED * (encoded - 0.5)) / np.tanh(SATURATED / 2.0) + 1.0) / 2.0
    top = (1 << conditions.bits) - 1
    kind = np.uint8 if conditions.bits == 8 else np.uint16
    return np.rint(np.clip(encoded, 0.0, 1.0) * top).astype(kind)
