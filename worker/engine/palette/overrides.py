"""What the user sets against the nearest finish: pins, forbidden finishes, at most so many finishes."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from worker.engine.arrays import Floats
from worker.engine.colorimetry import srgb_to_lab, white_ratios
from worker.engine.difference import ciede2000, ciede2000_pair
from worker.engine.palette.histogram import Histogram
from worker.engine.threads import row_strips, run_all
from worker.errors import OverrideError, SettingsError
from worker.fab_profile import FabProfile
from worker.job_settings import Pin, Settings

PinTable = npt.NDArray[np.uint8]
"""uint8 (2^24,): number of the pin, from 1, that holds a colour; 0 for none. At [red << 16 | green << 8 | blue]."""


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
            )
    if len(set(settings.forbid)) == len(ids):
        raise OverrideError("Every finish of the fab is forbidden.", mend="Leave at least one.")


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_pins(first, last, ratios, pins, limits, table):  # type: ignore[no-untyped-def]  # pragma: no cover
    for red in range(first, last):
        for green in range(256):
            for blue in range(256):
                x = ratios[red, 0, 0] + ratios[green, 1, 0] + ratios[blue, 2, 0]
                y = ratios[red, 0, 1] + ratios[green, 1, 1] + ratios[blue, 2, 1]
                z = ratios[red, 0, 2] + ratios[green, 1, 2] + ratios[blue, 2, 2]
                f_x = np.cbrt(x) if x > 216 / 24389 else x * (841 / 108) + 4 / 29
                f_y = np.cbrt(y) if y > 216 / 24389 else y * (841 / 108) + 4 / 29
                f_z = np.cbrt(z) if z > 216 / 24389 else z * (841 / 108) + 4 / 29
                lightness, a, b = 116.0 * f_y - 16.0, 500.0 * (f_x - f_y), 200.0 * (f_y - f_z)
                best = 1e9
                for i in range(pins.shape[0]):
                    # CIEDE2000 >= |dL*| / 1.75 (the largest weight SL), which spares most colours the formula.
                    if abs(lightness - pins[i, 0]) > 1.76 * limits[i]:
                        continue
                    d = ciede2000_pair(lightness, a, b, pins[i, 0], pins[i, 1], pins[i, 2])
                    if d <= limits[i] and d < best:
                        best = d
                        table[(red << 16) | (green << 8) | blue] = i + 1


def pin_table(pins: Sequence[Pin], *, threads: int = 1) -> PinTable:
    """Which pin holds each colour: the nearest one within its deltaE, by exact CIEDE2000; of equals, the first."""
    table = np.zeros(1 << 24, dtype=np.uint8)
    ratios = white_ratios()
    labs = srgb_to_lab(np.array([pin.srgb for pin in pins]))
    # The pin's own colour always counts, whatever rounding makes of a distance of 0.
    limits = np.array([pin.delta_e + 1e-9 for pin in pins])
    run_all(lambda a, b: _fill_pins(a, b, ratios, labs, limits, table), row_strips(256, 8), threads)
    return table


def check_pins_apply(pins: Sequence[Pin], pixels: npt.NDArray[np.int64], histogram: Histogram) -> None:
    """Raise OverrideError for a pin that no pixel of the artwork falls under.

    `pixels` : int64 (pins,), how many pixels each pin holds. `histogram` : of the whole artwork, for the mend.
    """
    for pin, count in zip(pins, pixels, strict=True):
        if count > 0:
            continue
        lab = srgb_to_lab(np.array(pin.srgb))
        distances = ciede2000(histogram.lab, lab)
        near = int(distances.argmin())
        red, green, blue = np.rint(histogram.mean_srgb[near]).astype(int)
        raise OverrideError(
            f"Pin {pin.text()} applies to no pixel: no colour of the artwork lies within deltaE {pin.delta_e:g}, "
            "or another pin lies nearer.",
            mend=f"The artwork's nearest colour is about #{red:02X}{green:02X}{blue:02X}, at deltaE "
            f"{distances[near]:.1f}: pin that, or give a wider ~deltaE.",
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
            )
    most = settings.max_finishes
    if most is None or most >= len(free):
        return tuple(free)
    if len(needed) > most:
        names = ", ".join(ids[i] for i in sorted(needed))
        raise OverrideError(
            f"max_finishes is {most}, but pins and transparent places need {len(needed)}: {names}.",
            mend=f"Set max_finishes to {len(needed)} or more, or drop a pin.",
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
