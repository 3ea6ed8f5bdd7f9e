"""The photo-like pieces: a night landscape and a moon, computed in linear light from seeded random numbers."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PIL import Image

Field = npt.NDArray[np.float64]

RAYED = (150, 240, 330)
"""Which of the moon's craters, by falling size, are young enough to have rays."""


def fractal_noise(random: np.random.Generator, height: int, width: int, *, coarsest: int, octaves: int) -> Field:
    """Smooth noise of mean 0 and deviation 1: octaves of random lattices, each half as strong as the one before."""
    total = np.zeros((height, width))
    for octave in range(octaves):
        cells = coarsest * 2**octave
        lattice = random.normal(
            size=(cells * height // max(height, width) + 3, cells * width // max(height, width) + 3)
        )
        picture = Image.fromarray(lattice.astype(np.float32)).resize((width, height), Image.Resampling.BICUBIC)
        total += np.asarray(picture, np.float64) / 2.0**octave
    return np.asarray((total - total.mean()) / total.std())


def encode(light: Field) -> Image.Image:
    """An RGB picture of linear light, 0 to 1 (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
    return Image.fromarray(np.rint(encoded * 255.0).astype(np.uint8))


def draw_comet_over_ridge() -> Image.Image:
    """A comet at dusk above hills and a lake, 1350 x 900 px."""
    height, width, horizon = 900, 1350, 640
    random = np.random.default_rng(27)
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    light = _dusk(x / width, np.clip(y / horizon, 0.0, 1.0))
    light += (
        0.006 * np.clip(fractal_noise(random, height, width, coarsest=5, octaves=5), 0, 3)[..., None] * [1, 0.8, 0.6]
    )
    _add_stars(light, random, count=520, floor=horizon - 40)
    _add_comet(light, x, y, head=(880.0, 250.0))
    crest = _add_ridges(light, random, horizon, hill=330)
    _add_dome(light, x, y, centre=(330.0, crest - 32.0), radius=30.0)
    sky = light[:horizon].copy()
    _add_lake(light, sky, random, horizon)
    grain = random.normal(scale=0.02, size=(height, width, 1))
    return encode(light * (1.0 + grain))


def _dusk(across: Field, down: Field) -> Field:
    stops = np.array([0.0, 0.45, 0.72, 0.9, 1.0])
    colours = np.array(
        [[0.006, 0.008, 0.014], [0.02, 0.022, 0.03], [0.11, 0.07, 0.05], [0.42, 0.22, 0.1], [0.75, 0.46, 0.2]]
    )
    logs = np.log(colours)
    sky = np.exp(np.stack([np.interp(down, stops, logs[:, channel]) for channel in range(3)], axis=-1))
    glow = 0.35 + 0.65 * np.exp(-(((across - 0.3) / 0.42) ** 2))
    return np.asarray(sky * glow[..., None])


def _add_stars(light: Field, random: np.random.Generator, *, count: int, floor: int) -> None:
    height, width = light.shape[:2]
    for _ in range(count):
        cx, cy = random.uniform(6, width - 6), random.uniform(6, min(floor, height - 6))
        strength = min(3.0, 0.06 / random.uniform(0.02, 1.0)) * (1.0 - cy / floor) ** 0.6
        spread = 0.8 + 0.35 * strength
        rows, columns = np.mgrid[int(cy) - 5 : int(cy) + 6, int(cx) - 5 : int(cx) + 6]
        spot = strength * np.exp(-((rows - cy) ** 2 + (columns - cx) ** 2) / (2 * spread**2))
        tint = np.array([1.0, 0.93, 0.82]) + random.normal(scale=0.06) * np.array([1.0, 0.0, -1.0])
        light[rows, columns] += spot[..., None] * tint


def _add_comet(light: Field, x: Field, y: Field, *, head: tuple[float, float]) -> None:
    for turn, length, opening, strength, tint in (
        (-34.0, 430.0, 0.17, 0.75, (1.0, 0.84, 0.58)),
        (-22.0, 520.0, 0.045, 0.35, (0.9, 0.92, 1.0)),
    ):
        angle = np.deg2rad(turn)
        along = (x - head[0]) * np.cos(angle) + (y - head[1]) * np.sin(angle)
        aside = -(x - head[0]) * np.sin(angle) + (y - head[1]) * np.cos(angle) - 2.2e-4 * np.maximum(along, 0.0) ** 2
        width = 5.0 + opening * np.maximum(along, 0.0)
        tail = strength * np.exp(-((aside / width) ** 2)) * np.exp(-along / length) * (5.0 / width) ** 0.35
        tail *= 1.0 / (1.0 + np.exp(-along / 4.0))
        light += tail[..., None] * np.array(tint)
    distance = np.hypot(x - head[0], y - head[1])
    halo = 1.6 * np.exp(-((distance / 6.0) ** 2)) + 0.35 * np.exp(-distance / 16.0)
    light += halo[..., None] * np.array([1.0, 0.95, 0.85])


def _add_ridges(light: Field, random: np.random.Generator, horizon: int, *, hill: int) -> float:
    """Three ridges, each nearer and darker; gives the height of the second at the hill that stands at this column."""
    height, width = light.shape[:2]
    rows = np.arange(height)[:, None]
    bump = 70.0 * np.exp(-(((np.arange(width) - hill) / 150.0) ** 2))
    summit = 0.0
    for base, swing, haze in ((566, 34, 0.42), (598, 30, 0.2), (626, 20, 0.06)):
        profile = fractal_noise(random, 8, width, coarsest=4, octaves=7)[4]
        crest = base - swing * profile
        if base == 598:
            crest -= bump
            summit = float(crest[hill])
        below = np.clip(rows - crest[None, :], 0.0, 1.0)[..., None]
        depth = np.clip((rows - crest[None, :]) / 90.0, 0.0, 1.0)[..., None]
        colour = haze * np.array([0.5, 0.27, 0.14]) * (0.55 + 0.9 * depth)
        light[:] = light * (1 - below) + colour * below
    light[horizon:] = 0.0
    return summit


def _add_lake(light: Field, sky: Field, random: np.random.Generator, horizon: int) -> None:
    height, width = light.shape[:2]
    rows = np.arange(height - horizon)
    ripple = fractal_noise(random, height - horizon, width // 6, coarsest=24, octaves=3)
    ripple = np.repeat(ripple, 6, axis=1)[:, :width]
    source = horizon - 1 - rows[:, None] * 1.9 + ripple * (1.0 + rows[:, None] / 22.0)
    source = np.clip(source, 0, horizon - 1).astype(int)
    fade = (0.62 - 0.3 * rows / rows.max())[:, None, None]
    light[horizon:] = sky[source, np.arange(width)[None, :]] * fade + 0.004


def _add_dome(light: Field, x: Field, y: Field, *, centre: tuple[float, float], radius: float) -> None:
    across, down = (x - centre[0]) / radius, (y - centre[1]) / radius
    shell = _soft(1.0 - np.hypot(across, down), radius) * _soft(-down, radius)
    drum = _soft(0.93 - np.abs(across), radius) * _soft(down, radius) * _soft(1.4 - down, radius)
    slit = _soft(0.13 - np.abs(across - 0.22), radius) * _soft(-0.15 - down, radius) * shell
    shade = np.clip(0.5 - 0.5 * across, 0.08, 1.0)[..., None]
    for part, colour in (
        (drum, shade * [0.13, 0.09, 0.065]),
        (shell, shade * [0.5, 0.38, 0.27]),
        (slit, (1.0, 0.8, 0.42)),
    ):
        light[:] = light * (1.0 - part[..., None]) + part[..., None] * np.asarray(colour)


def _soft(inside: Field, radius: float) -> Field:
    return np.clip(inside * radius + 0.5, 0.0, 1.0)


def draw_gibbous_moon() -> Image.Image:
    """A cratered moon on black sky, 900 x 900 px."""
    size, radius = 900, 405.0
    random = np.random.default_rng(5)
    y, x = (np.mgrid[0:size, 0:size] - (size - 1) / 2) / radius
    inside = x**2 + y**2 < 1.0
    z = np.sqrt(np.clip(1.0 - x**2 - y**2, 1e-4, 1.0))
    ground, rays = _cratered_ground(random, x, y, z)
    slope_y, slope_x = np.gradient(ground, 1.0 / radius)
    sun = np.array([-0.62, -0.4, 0.68]) / np.linalg.norm([-0.62, -0.4, 0.68])
    # A dusty ground scatters back to the sun, so its limb is less dark than Lambert's law has it (common practice).
    cosine = (x - slope_x * z) * sun[0] + (y - slope_y * z) * sun[1] + z * sun[2]
    shade = np.clip(cosine, 0.0, None) ** 0.75
    seas = fractal_noise(random, size, size, coarsest=3, octaves=6)
    seas = 1.0 / (1.0 + np.exp(-4.0 * (seas - 0.25)))
    grey = (0.62 - 0.4 * seas + 0.5 * rays + 0.03 * fractal_noise(random, size, size, coarsest=60, octaves=3)) * shade
    tint = np.array([1.0, 0.93, 0.8]) * (1 - seas[..., None]) + np.array([0.95, 0.8, 0.62]) * seas[..., None]
    rim = np.clip((1.0 - np.hypot(x, y)) * radius, 0.0, 1.0)[..., None]
    light = np.where(inside[..., None], np.clip(grey, 0.0, 1.0)[..., None] * tint, 0.0) * rim + 0.0012
    return encode(light)


def _cratered_ground(random: np.random.Generator, x: Field, y: Field, z: Field) -> tuple[Field, Field]:
    """Height of the ground, in radii of the moon, and how bright the rays of young craters make it."""
    ground = 0.003 * fractal_noise(random, *x.shape, coarsest=24, octaves=4)
    rays = np.zeros_like(x)
    sizes = np.sort(np.minimum(0.12, 0.014 / random.uniform(0.05, 1.0, 420)))[::-1]
    for i, reach in enumerate(sizes):
        centre = random.normal(size=3)
        centre[2] = abs(centre[2])
        centre /= np.linalg.norm(centre)
        # Beyond two radii a crater leaves no trace, but for its rays.
        view = _window(x, y, centre, 4.0 if i in RAYED else 2.1 * reach)
        facing = x[view] * centre[0] + y[view] * centre[1] + z[view] * centre[2]
        distance = np.arccos(np.clip(facing, -1.0, 1.0)) / reach
        part = ground[view]
        near = distance < 2.0
        d = distance[near]
        floor = 0.12 if reach > 0.05 else 0.0
        bowl = np.where(d < 1.0, np.maximum(d**2, floor) - 0.7, 0.3 * np.exp(-((d - 1.0) / 0.3)))
        older = part[near] * (1.0 - 0.85 * np.clip(3.0 * (1.0 - d), 0.0, 1.0))
        part[near] = older + 0.36 * reach * bowl * (0.03 / max(0.03, reach)) ** 0.45
        if i in RAYED:
            rays += _rays(random, np.arctan2(y - centre[1], x - centre[0]), distance * reach) * (distance > 0.8)
    return ground, np.clip(rays, 0.0, 0.9)


def _window(x: Field, y: Field, centre: Field, reach: float) -> tuple[slice, slice]:
    columns = np.flatnonzero(np.abs(x[0] - centre[0]) <= reach)
    rows = np.flatnonzero(np.abs(y[:, 0] - centre[1]) <= reach)
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)


def _rays(random: np.random.Generator, turn: Field, distance: Field) -> Field:
    """Streaks of bright dust thrown out by a young crater."""
    total = 0.3 * np.exp(-distance / 0.05)
    for _ in range(16):
        aside = np.angle(np.exp(1j * (turn - random.uniform(-np.pi, np.pi))))
        total += np.exp(-((aside / random.uniform(0.03, 0.09)) ** 2)) * np.exp(-distance / random.uniform(0.05, 0.16))
    return np.asarray(0.7 * total)
