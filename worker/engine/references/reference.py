"""The reference colour of a finish, derived from its readings, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from worker.engine.arrays import Floats, Lab
from worker.engine.references.conditions import lab_of_xyz, lab_under
from worker.engine.references.robust_mean import distances_from, error_of_mean, robust_weights
from worker.engine.references.spectrum import interpolated, tristimulus
from worker.errors import FabProfileError
from worker.finish import Finish
from worker.reading import (
    GRADES,
    STANDARD_CONDITIONS,
    Grade,
    Override,
    Reading,
    Spectrum,
    ViewingConditions,
)

Derivation = Literal["spectrum", "adapted", "as read"]

FLOORS: dict[Grade, float] = {
    "spectral": 0.5,
    "colorimetric": 0.8,
    "photo": 2.5,
    "predicted": 4.0,
    "assumed": 5.0,
}
"""The least uncertainty (95 %, CIEDE2000) of a reference whose readings state none: an assumption, no source.

However well readings agree, they share an instrument and a sample, and the next board is of another batch.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A reading that does not count: its place in `Finish.readings`, and why. `outlier`: it contradicts the others."""

    index: int
    reason: str
    outlier: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinishReference:
    """The colour that a finish is scored and shown in.

    lab : float64 (3,), CIELAB D65/2 degree: the corresponding colour that artwork is compared with.
    viewing_lab : float64 (3,), CIELAB under `conditions`. spectrum : the mean of the spectra, where there are any.
    spread : mean CIEDE2000 of the used readings from their mean; None for one reading or an override.
    uncertainty : CIEDE2000 by which the reference may be off in 95 of 100 cases.
    used, set_aside : places in `Finish.readings`. read_under : the lights and observers that the used readings, or the
    override, hold under; none for spectra.
    """

    finish: str
    conditions: ViewingConditions
    lab: Lab
    viewing_lab: Floats
    spectrum: Spectrum | None
    grade: Grade
    derivation: Derivation
    geometry: str
    overridden: bool
    read_under: tuple[ViewingConditions, ...]
    spread: float | None
    uncertainty: float
    used: tuple[int, ...]
    set_aside: tuple[SetAside, ...]


def finish_reference(finish: Finish, conditions: ViewingConditions = STANDARD_CONDITIONS) -> FinishReference:
    """Derive the reference of a finish under `conditions`.

    An override wins. Else only readings of one geometry count, and of these only the ones of the best grade. They are
    averaged robustly under `conditions`: spectra linearly, so that the mean is a spectrum, others in CIELAB.

    Raises
    ------
    FabProfileError
        Readings of several geometries count and the finish does not say which, or it names one that no reading has.
    """
    if finish.override is not None:
        return _overridden(finish, finish.override, conditions)
    chosen, set_aside = _choose(finish)
    readings = [finish.readings[i] for i in chosen]
    labs = _labs(readings, conditions)
    weights = robust_weights(labs)
    viewing_lab = _mean(readings, labs, weights, conditions)
    distances = distances_from(labs, viewing_lab)
    outliers = [
        SetAside(index=i, reason=f"stands {distance:.1f} CIEDE2000 from the mean of the others", outlier=True)
        for i, weight, distance in zip(chosen, weights, distances, strict=True)
        if weight == 0.0
    ]
    counted = weights > 0.0
    spread = float(distances[counted].mean()) if counted.sum() > 1 else None
    first = readings[0]
    read_under = _read_under(readings, counted)
    return FinishReference(
        finish=finish.id,
        conditions=conditions,
        lab=_corresponding_lab(readings, weights, viewing_lab, conditions),
        viewing_lab=viewing_lab,
        spectrum=_mean_spectrum(readings, weights),
        grade=first.grade,
        derivation=_derivation(read_under, conditions),
        geometry=first.geometry,
        overridden=False,
        read_under=read_under,
        spread=spread,
        uncertainty=_uncertainty(readings, weights, spread),
        used=tuple(i for i, weight in zip(chosen, weights, strict=True) if weight > 0.0),
        set_aside=tuple(sorted([*set_aside, *outliers], key=lambda aside: aside.index)),
    )


def _overridden(finish: Finish, override: Override, conditions: ViewingConditions) -> FinishReference:
    known = ViewingConditions(illuminant=override.illuminant, observer=override.observer)
    return FinishReference(
        finish=finish.id,
        conditions=conditions,
        lab=lab_under(override.lab, known, STANDARD_CONDITIONS),
        viewing_lab=lab_under(override.lab, known, conditions),
        spectrum=None,
        grade="assumed",
        derivation=_derivation((known,), conditions),
        geometry="",
        overridden=True,
        read_under=(known,),
        spread=None,
        uncertainty=FLOORS["assumed"],
        used=(),
        set_aside=tuple(SetAside(index=i, reason="the reference was set by hand") for i in range(len(finish.readings))),
    )


def _choose(finish: Finish) -> tuple[list[int], list[SetAside]]:
    """Places of the readings that count, in order, and those set aside by geometry and grade."""
    wanted = _plain(finish.geometry)
    candidates = [i for i, reading in enumerate(finish.readings) if not wanted or _plain(reading.geometry) == wanted]
    if not candidates:
        held = _geometries(finish.readings)
        raise FabProfileError(
            f"Finish {finish.id}: geometry is {finish.geometry!r}, which none of its readings has.",
            mend=f"Choose one of: {', '.join(held)}; or leave geometry out.",
        )
    best = min((finish.readings[i].grade for i in candidates), key=GRADES.index)
    chosen = [i for i in candidates if finish.readings[i].grade == best]
    held = _geometries([finish.readings[i] for i in chosen])
    if len(held) > 1:
        raise FabProfileError(
            f"Finish {finish.id} has {best} readings of several geometries: {', '.join(held)}.",
            mend=f'Say which of them count: geometry = "{held[0]}" in the finish, before its readings.',
        )
    aside = []
    for i, reading in enumerate(finish.readings):
        if i not in candidates:
            aside.append(SetAside(index=i, reason=f"geometry is {reading.geometry}, not {finish.geometry}"))
        elif i not in chosen:
            aside.append(SetAside(index=i, reason=f"it is {reading.grade}, and {best} readings are there"))
    return chosen, aside


def _plain(geometry: str) -> str:
    return "".join(geometry.split()).casefold()


def _geometries(readings: Sequence[Reading]) -> list[str]:
    """The geometries that are there, each once, as first written."""
    return list({_plain(reading.geometry): reading.geometry for reading in reversed(readings)}.values())[::-1]


def _read_under(readings: Sequence[Reading], counted: npt.NDArray[np.bool_]) -> tuple[ViewingConditions, ...]:
    """Each light and observer that a reading without a spectrum holds under, once."""
    colours = [r for r, counts in zip(readings, counted, strict=True) if counts and r.spectrum is None]
    return tuple(dict.fromkeys(ViewingConditions(illuminant=r.illuminant, observer=r.observer) for r in colours))


def _derivation(read_under: tuple[ViewingConditions, ...], conditions: ViewingConditions) -> Derivation:
    if not read_under:
        return "spectrum"
    return "as read" if read_under == (conditions,) else "adapted"


def _labs(readings: Sequence[Reading], conditions: ViewingConditions) -> Floats:
    """CIELAB of each reading under `conditions`, float64 (n, 3)."""
    return np.array([_viewing_lab(reading, conditions) for reading in readings])


def _viewing_lab(reading: Reading, conditions: ViewingConditions) -> Floats:
    """CIELAB of one reading under the viewing conditions, float64 (3,)."""
    if reading.spectrum is not None:
        return lab_of_xyz(tristimulus(reading.spectrum, conditions.illuminant, conditions.observer), conditions)
    known = ViewingConditions(illuminant=reading.illuminant, observer=reading.observer)
    lab = np.array(reading.lab) if reading.lab is not None else lab_of_xyz(np.array(reading.xyz), known)
    return lab_under(lab, known, conditions)


def _mean(readings: Sequence[Reading], labs: Floats, weights: Floats, conditions: ViewingConditions) -> Floats:
    """The weighted mean: of the spectra's XYZ, which is the XYZ of the mean spectrum, or of CIELAB."""
    if len(readings) == 1:
        return np.asarray(labs[0])
    spectra = [reading.spectrum for reading in readings if reading.spectrum is not None]
    if not spectra:
        return np.asarray(weights @ labs / weights.sum())
    xyz = np.array([tristimulus(spectrum, conditions.illuminant, conditions.observer) for spectrum in spectra])
    return lab_of_xyz(np.asarray(weights @ xyz / weights.sum()), conditions)


def _corresponding_lab(
    readings: Sequence[Reading], weights: Floats, viewing_lab: Floats, conditions: ViewingConditions
) -> Floats:
    """CIELAB D65/2 degree that corresponds to the mean: of a spectrum by way of `conditions`, of others directly."""
    if readings[0].spectrum is not None or conditions == STANDARD_CONDITIONS:
        return lab_under(viewing_lab, conditions, STANDARD_CONDITIONS)
    return _mean(readings, _labs(readings, STANDARD_CONDITIONS), weights, STANDARD_CONDITIONS)


def _mean_spectrum(readings: Sequence[Reading], weights: Floats) -> Spectrum | None:
    """The weighted mean of the spectra, at the wavelengths of the first one within the range of all."""
    spectra = [reading.spectrum for reading in readings if reading.spectrum is not None]
    if not spectra:
        return None
    first = spectra[0]
    low, high = max(spectrum.start_nm for spectrum in spectra), min(spectrum.end_nm for spectrum in spectra)
    grid = first.start_nm + first.step_nm * np.arange(len(first.values))
    grid = grid[(grid > low - 1e-6) & (grid < high + 1e-6)]
    alike = all((s.start_nm, s.step_nm, len(s.values)) == (grid[0], first.step_nm, len(grid)) for s in spectra)
    values = np.array([spectrum.values if alike else interpolated(spectrum, grid) for spectrum in spectra])
    values = weights @ values / weights.sum()
    return Spectrum(start_nm=float(grid[0]), step_nm=first.step_nm, values=tuple(values.tolist()))


def _uncertainty(readings: Sequence[Reading], weights: Floats, spread: float | None) -> float:
    """What the readings state, else the floor of their grade; but never less than their scatter tells.

    Stated figures are not divided by the number of readings, since what makes an instrument err is shared by them.
    """
    stated = [(r.uncertainty, w) for r, w in zip(readings, weights, strict=True) if r.uncertainty is not None and w > 0]
    systematic = FLOORS[readings[0].grade]
    if stated:
        figures, shares = np.array(stated).T
        systematic = float(np.sqrt(shares @ figures**2 / shares.sum()))
    scatter = 0.0 if spread is None else error_of_mean(spread, int((weights > 0).sum()))
    return max(systematic, scatter)
