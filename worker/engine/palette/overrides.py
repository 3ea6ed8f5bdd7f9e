"""What the user sets against the nearest finish: pins, forbidden finishes, at most so many finishes."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats
from worker.engine.colorimetry import srgb_to_lab, white_ratios
from worker.engine.difference import FAST_ERROR, ciede2000, ciede2000_pair, fast_squared
from worker.engine.palette.colour_places import BLUE, COLOURS, GREEN, RED
from worker.engine.palette.histogram import Histogram
from worker.engine.palette.tables import exact_lab, lab_row
from worker.engine.threads import row_strips, run_all
from worker.errors import OverrideError, SettingsError
from worker.fab_profile import FabProfile
from worker.job_settings import Pin, Settings

PinTable = npt.NDArray[np.uint8]
"""uint8 (2^24,): number of the pin, from 1, that holds a colour, by place; 0 for none."""


def check_finish_ids(fab: FabProfile, settings: Settings) -> None:
    """Raise SettingsError where a setting names a finish that the profile hasn't got."""
    ids = [finish.id for finish in fab.finishes]
    named = [("pin", pin.text(), pin.finish) for pin in settings.pins]
    named += [("forbid", finish, finish) for finish in settings.forbid]
    if settings.background is not None:
        named.append(("background", settings.background, settings.background))
    for name, text, finish_id in named:
        if finish_id not in ids:
            raise SettingsError(
                f"Setting {name} is {text!r}, but fab {fab.id} has no finish {finish_id!r}.",
                mend=f"Its finishes: {', '.join(ids)}.",
                setting=name,
            )
    if len(set(settings.forbid)) == len(ids):
        raise OverrideError("Every finish of the fab is forbidden.", mend="Leave at least one.", setting="forbid")


@njit(cache=True, nogil=True, error_model="numpy")
def _exact_pin(red, green, blue, ratios, pins, limits):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """The number of the pin that holds a colour, from 1; 0 for none."""
    lab = exact_lab(red, green, blue, ratios)
    best, held = 1e9, 0
    for i in range(pins.shape[0]):
        d = ciede2000_pair(lab[0], lab[1], lab[2], pins[i, 0], pins[i, 1], pins[i, 2])
        if d <= limits[i] and d < best:
            best, held = d, i + 1
    return held


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_pins(first, last, ratios, pins, limits, wanted, table):  # type: ignore[no-untyped-def]  # pragma: no cover - compiled
    """By the fast form of CIEDE2000; by the exact one near a pin's limit, and where two pins are about as near."""
    short = pins.astype(np.float32)
    chroma = np.sqrt(short[:, 1] * short[:, 1] + short[:, 2] * short[:, 2])
    blues = ratios[:, 2].astype(np.float32)
    x_blue, y_blue, z_blue = blues[:, 0].copy(), blues[:, 1].copy(), blues[:, 2].copy()
    lightness, a_star, b_star, chromas, difference, best = np.empty((6, 256), dtype=np.float32)
    held = np.empty(256, dtype=np.uint8)
    unsure = np.empty(256, dtype=np.uint8)
    margin = np.float32(FAST_ERROR)
    for red in range(first, last):
        for green in range(256):
            if not wanted[red >> 3, green >> 3]:
                continue
            x = np.float32(ratios[red, 0, 0] + ratios[green, 1, 0])
            y = np.float32(ratios[red, 0, 1] + ratios[green, 1, 1])
            z = np.float32(ratios[red, 0, 2] + ratios[green, 1, 2])
            lab_row(x, y, z, x_blue, y_blue, z_blue, lightness, a_star, b_star, chromas)
            best[:] = np.float32(1e12)
            held[:] = 0
            unsure[:] = 0
            for j in range(pins.shape[0]):
                l_j, a_j, b_j, c_j, limit = short[j, 0], short[j, 1], short[j, 2], chroma[j], np.float32(limits[j])
                for i in range(256):
                    difference[i] = fast_squared(lightness[i], a_star[i], b_star[i], chromas[i], l_j, a_j, b_j, c_j)
                for i in range(256):
                    d = np.sqrt(max(difference[i], np.float32(0.0)))
                    if difference[i] < np.float32(0.0) or abs(d - limit) <= margin:
                        unsure[i] = 1
                    elif d < limit:
                        if abs(d - best[i]) <= margin + margin:
                            unsure[i] = 1
                        if d < best[i]:
                            best[i] = d
                            held[i] = j + 1
            base = RED[red] | GREEN[green]
            for i in range(256):
                table[base | BLUE[i]] = _exact_pin(red, green, i, ratios, pins, limits) if unsure[i] else held[i]


def pin_table(pins: Sequence[Pin], histogram: Histogram | None = None, *, threads: int = 1) -> PinTable:
    """Which pin holds each colour: the nearest one within its deltaE, by exact CIEDE2000; of equals, the first.

    `histogram` : of all colours that are looked up; None: every one may be.
    """
    table = np.zeros(COLOURS, dtype=np.uint8)
    ratios = white_ratios()
    labs = srgb_to_lab(np.array([pin.srgb for pin in pins]))
    # The pin's own colour always counts, whatever rounding makes of a distance of 0.
    limits = np.array([pin.delta_e + 1e-9 for pin in pins])
    wanted = np.ones((32, 32), dtype=np.bool_) if histogram is None else histogram.reds_and_greens
    run_all(lambda a, b: _fill_pins(a, b, ratios, labs, limits, wanted, table), row_strips(256, 8), threads)
    return table


SHARED_SLACK = 2.0
"""A bin's mean may lie so far (CIEDE2000) from the colours in it."""


def check_pins_apply(
    pins: Sequence[Pin], pixels: npt.NDArray[np.int64], histogram: Histogram, shared: Histogram | None = None
) -> None:
    """Raise OverrideError for a pin that no pixel of the artwork falls under.

    `pixels` : int64 (pins,), how many pixels each pin holds. `histogram` : of the whole artwork, for the mend.
    `shared` : of all artworks of a palette; a pin may hold a colour of any of them.
    """
    for pin, count in zip(pins, pixels, strict=True):
        if count > 0:
            continue
        lab = srgb_to_lab(np.array(pin.srgb))
        if shared is not None and float(ciede2000(shared.lab, lab).min()) <= pin.delta_e + SHARED_SLACK:
            continue
        distances = ciede2000(histogram.lab, lab)
        near = int(distances.argmin())
        red, green, blue = np.rint(histogram.mean_srgb[near]).astype(int)
        raise OverrideError(
            f"Pin {pin.text()} applies to no pixel: no colour of the artwork lies within deltaE {pin.delta_e:g}, "
            "or another pin lies nearer.",
            mend=f"The artwork's nearest colour is about #{red:02X}{green:02X}{blue:02X}, at deltaE "
            f"{distances[near]:.1f}: pin that, or give a wider ~deltaE.",
            setting="pin",
        )


def choose_finishes(
    histogram: Histogram, lab: Floats, ids: Sequence[str], settings: Settings, needed: frozenset[int]
) -> tuple[int, ...]:
    """The finishes that may be used: those not forbidden, and of these the best `max_finishes`.

    Parameters
    ----------
    lab : float64 (n, 3)
        CIELAB of the profile's finishes.
    needed : finishes that pins or transparent places use whatever the artwork's colours.

    Returns
    -------
    Indices in rising order. Of all sets of `max_finishes`, the one with the least CIEDE2000 between the artwork's
    colours and the nearest finish of the set, weighted by pixels.
    """
    free = [i for i, finish_id in enumerate(ids) if finish_id not in settings.forbid]
    for i in sorted(needed):
        if i not in free:
            raise OverrideError(
                f"Transparent places need finish {ids[i]}, which is forbidden.",
                mend="Set background to another finish, or drop the forbid.",
                setting="background",
            )
    most = settings.max_finishes
    if most is None or most >= len(free):
        return tuple(free)
    if len(needed) > most:
        names = ", ".join(ids[i] for i in sorted(needed))
        raise OverrideError(
            f"max_finishes is {most}, but pins and transparent places need {len(needed)}: {names}.",
            mend=f"Set max_finishes to {len(needed)} or more, or drop a pin.",
            setting="max_finishes",
        )
    if not len(histogram.bins):
        return tuple(sorted(needed)) or (free[0],)
    distances = np.stack([ciede2000(histogram.lab, lab[i]) for i in free], axis=1)
    best: tuple[float, tuple[int, ...]] | None = None
    for places in itertools.combinations(range(len(free)), most):
        chosen = tuple(free[place] for place in places)
        if not needed.issubset(chosen):
            continue
        cost = float(distances[:, list(places)].min(axis=1) @ histogram.counts)
        if best is None or cost < best[0]:
            best = (cost, chosen)
    assert best is not None
    return best[1]
