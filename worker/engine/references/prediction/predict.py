"""The prediction of a stack: what one solder mask shows over a ground that nobody measured it on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.difference import ciede2000
from worker.engine.references.conditions import lab_of_xyz
from worker.engine.references.prediction.layer import Layer, clear_layer_between, layer_between
from worker.engine.references.prediction.scatter import ENOUGH, ReadingNoise, coverage_factor, draw_means
from worker.engine.references.prediction.surface import INDEX, Surface, reads_mirror, surface_of
from worker.engine.references.spectrum import interpolated, tristimulus
from worker.errors import PredictionError
from worker.reading import STANDARD_CONDITIONS, Spectrum, ViewingConditions

STEP_NM = 10.0
LEAST_CONTRAST = 0.05
"""Least difference of two grounds' reflectances: below it the readings' noise is all that is left."""
LEAST_GROUND = 0.02
"""Least reflectance of a ground from which a clear mask's absorption is told."""
MODEL_ERROR, METAL_MODEL_ERROR = 2.0, 4.0
"""CIEDE2000 (95 %) by which the model itself may be off, over diffuse grounds and over metal: an assumption, no source.

In a study of synthetic masks, leaving Saunderson's correction out alone cost 2 over black and white grounds."""
IMPOSSIBLE = 0.05
"""Reflectance by which a layer may be impossible, as a mean over the wavelengths, before readings are refused."""
DRAWS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A finish or a sample that was read: spectra of one geometry. `metallic`: bare metal, with no mask on it."""

    name: str
    spectra: tuple[Spectrum, ...]
    metallic: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """The mask over a ground: both were read."""

    masked: Known
    ground: Known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prediction:
    """What the mask over the ground is predicted to be.

    spectrum : reflectance factors in the geometry of the readings. lab : float64 (3,), CIELAB under `conditions`.
    scatter, model : CIEDE2000 (95 %) from the readings' scatter, and from the model; `uncertainty` is both together.
    contrast : the least difference of two grounds. left_out : the CIEDE2000 by which each known stack is missed when
    the others predict it, where there are enough. notes : what the user must know.
    """

    spectrum: Spectrum
    lab: Floats
    conditions: ViewingConditions
    geometry: str
    scatter: float
    model: float
    contrast: float
    left_out: tuple[tuple[str, float], ...]
    notes: tuple[str, ...]

    @property
    def uncertainty(self) -> float:
        """The CIEDE2000 by which the prediction may be off in 95 of 100 cases."""
        return math.hypot(self.scatter, self.model)


def predict_stack(
    stacks: Sequence[Stack],
    ground: Known,
    *,
    geometry: str,
    clear: bool = False,
    index: float = INDEX,
    noise: ReadingNoise | None = None,
    conditions: ViewingConditions = STANDARD_CONDITIONS,
    chance: np.random.Generator,
    draws: int = DRAWS,
) -> Prediction:
    """Predict the mask of `stacks` over `ground`.

    Spectral Kubelka-Munk between Saunderson's corrections, from the mask over two or more grounds; Beer-Lambert, from
    one or more, for a `clear` mask. Readings are drawn anew by their scatter, `draws` times, and predicted each time
    (Monte Carlo, JCGM 101:2008).

    Parameters
    ----------
    geometry : str
        Of every reading; it decides the surface's correction.
    index : float
        Refractive index of the mask.
    noise : ReadingNoise
        What is assumed where too few readings tell their scatter.
    chance : numpy.random.Generator
        Where the draws come from.

    Raises
    ------
    PredictionError
        Too few grounds, or too alike; a metal read without its mirror reflection; readings that no mask explains.
    """
    surface = surface_of(geometry, index)
    knowns = _distinct([*(known for stack in stacks for known in (stack.masked, stack.ground)), ground])
    nm = _wavelengths(knowns.values())
    values = {name: _values(known, nm) for name, known in knowns.items()}
    means = {name: value.mean(axis=0) for name, value in values.items()}
    _check(stacks, knowns, means, geometry, surface, clear, nm)
    predicted = _predicted(stacks, ground, means, surface, clear)
    drawn = {name: draw_means(value, noise or ReadingNoise(), draws, chance) for name, value in values.items()}
    lab = _lab(predicted, nm, conditions)

    def distances(moved: Sequence[str]) -> Floats:
        """CIEDE2000 of every draw from the prediction, where only these samples are drawn anew."""
        given = {
            name: drawn[name] if name in moved else np.broadcast_to(mean, (draws, len(nm)))
            for name, mean in means.items()
        }
        return ciede2000(
            _lab(_predicted(stacks, ground, given, surface, clear), nm, conditions), np.tile(lab, (draws, 1))
        )

    variances = [float(np.mean(distances([name]) ** 2)) for name in drawn]
    widened = coverage_factor(variances, [len(value) for value in values.values()])
    left_out = _left_out(stacks, means, surface, clear, nm, conditions)
    metallic = any(known.metallic for known in knowns.values())
    model = max([METAL_MODEL_ERROR if metallic else MODEL_ERROR, *(miss for _, miss in left_out)])
    return Prediction(
        spectrum=_spectrum(predicted, nm),
        lab=lab,
        conditions=conditions,
        geometry=geometry,
        scatter=widened * float(np.quantile(distances(list(drawn)), 0.95)),
        model=model,
        contrast=_contrast(stacks, means, surface),
        left_out=left_out,
        notes=tuple(_notes(stacks, ground, knowns, means, clear)),
    )


def _distinct(knowns: Sequence[Known]) -> dict[str, Known]:
    """Each once, so that one draw of it stands wherever it is used."""
    named: dict[str, Known] = {}
    for known in knowns:
        if named.setdefault(known.name, known) != known:
            raise PredictionError(
                f"Two different samples are named {known.name!r}.", mend="Give each a name of its own."
            )
        if not known.spectra:
            raise PredictionError(f"{known.name} has no spectrum.", mend="Predictions need spectra: import one for it.")
    return named


def _wavelengths(knowns: Iterable[Known]) -> Floats:
    """The wavelengths that every spectrum holds, in steps of 10 nm."""
    spectra = [spectrum for known in knowns for spectrum in known.spectra]
    first = max(spectrum.start_nm for spectrum in spectra)
    last = min(spectrum.end_nm for spectrum in spectra)
    steps = np.arange(math.ceil(first / STEP_NM - 1e-9), math.floor(last / STEP_NM + 1e-9) + 1)
    return np.asarray(steps * STEP_NM, dtype=np.float64)


def _values(known: Known, nm: Floats) -> Floats:
    """float64 (readings, n): each reading at these wavelengths; most stand at them as they are."""
    grid = (float(nm[0]), STEP_NM, len(nm))
    return np.array(
        [
            spectrum.values
            if (spectrum.start_nm, spectrum.step_nm, len(spectrum.values)) == grid
            else interpolated(spectrum, nm)
            for spectrum in known.spectra
        ]
    )


def _ground(known: Known, values: Mapping[str, Floats], surface: Surface) -> Floats:
    """Reflectance of a ground as the mask above it meets it.

    Laminate and paint lose their own surface where the mask wets them, so it is taken off; bare metal has none, and its
    reflectance is taken as read, though against resin it is a little lower than against air.
    """
    value = values[known.name]
    return value if known.metallic else surface.internal(value)


def _layer(stacks: Sequence[Stack], values: Mapping[str, Floats], surface: Surface, clear: bool) -> Layer:
    shown = np.array([surface.internal(values[stack.masked.name]) for stack in stacks])
    grounds = np.array([_ground(stack.ground, values, surface) for stack in stacks])
    return clear_layer_between(shown, grounds) if clear else layer_between(shown, grounds)


def _predicted(
    stacks: Sequence[Stack], ground: Known, values: Mapping[str, Floats], surface: Surface, clear: bool
) -> Floats:
    """Reflectance factors of the mask over the ground, as an instrument would read them: float64 (..., n)."""
    layer = _possible(_layer(stacks, values, surface, clear))
    return surface.measured(layer.over(_ground(ground, values, surface)))


def _possible(layer: Layer) -> Layer:
    """The nearest layer that there can be: it reflects and lets through no less than nothing, together at most all."""
    r0 = np.clip(layer.r0, 0.0, 0.999)
    return Layer(r0=r0, t2=np.clip(layer.t2, 0.0, (1.0 - r0) ** 2))


def _impossible(layer: Layer) -> float:
    """How far a layer is from one that there can be, as the mean difference over a middle ground."""
    possible = _possible(layer)
    return float(np.abs(layer.over(0.5) - possible.over(0.5)).mean() + np.abs(layer.r0 - possible.r0).mean())


def _contrast(stacks: Sequence[Stack], means: Mapping[str, Floats], surface: Surface) -> float:
    return float(_contrasts(stacks, means, surface).min()) if len(stacks) > 1 else 0.0


def _contrasts(stacks: Sequence[Stack], means: Mapping[str, Floats], surface: Surface) -> Floats:
    """By wavelength, the largest difference between two grounds."""
    grounds = np.array([_ground(stack.ground, means, surface) for stack in stacks])
    return np.asarray(grounds.max(axis=0) - grounds.min(axis=0))


def _check(
    stacks: Sequence[Stack],
    knowns: Mapping[str, Known],
    means: Mapping[str, Floats],
    geometry: str,
    surface: Surface,
    clear: bool,
    nm: Floats,
) -> None:
    if len(stacks) < (1 if clear else 2):
        raise PredictionError(
            f"The mask was read over {len(stacks)} ground{'s' if len(stacks) != 1 else ''}.",
            mend="Read it over one more, best over black and over white; or say that it is clear, which needs one.",
        )
    for known in knowns.values():
        if known.metallic and not reads_mirror(geometry):
            raise PredictionError(
                f"{known.name} is bare metal, read as {geometry}, without its mirror reflection.",
                mend="Below a mask that reflection counts: read everything as d:8 SCI.",
            )
        below = np.flatnonzero(means[known.name] < surface.added - 0.01)
        if not known.metallic and len(below):
            raise PredictionError(
                f"{known.name} reads {means[known.name][below[0]]:.3f} at {nm[below[0]]:g} nm as {geometry}, less than "
                f"the {surface.added:.3f} that a smooth surface mirrors alone.",
                mend="Check its geometry: was the mirror reflection excluded (SCE)?",
            )
    if clear:
        _check_bright(stacks, means, surface, nm)
    else:
        _check_contrast(stacks, means, surface, nm)
    if not clear and (by := _impossible(_layer(stacks, means, surface, clear))) > IMPOSSIBLE:
        raise PredictionError(
            f"No mask looks like that over {' and over '.join(stack.ground.name for stack in stacks)}: "
            f"it is {by:.2f} off in reflectance.",
            mend="Check which reading is which, and that mask, thickness, instrument and geometry are the same.",
        )


def _check_contrast(stacks: Sequence[Stack], means: Mapping[str, Floats], surface: Surface, nm: Floats) -> None:
    contrasts = _contrasts(stacks, means, surface)
    weak = nm[contrasts < LEAST_CONTRAST]
    if len(weak):
        names = " and ".join(dict.fromkeys(stack.ground.name for stack in stacks))
        raise PredictionError(
            f"The grounds {names} are too alike: from {weak[0]:g} to {weak[-1]:g} nm they differ by "
            f"{contrasts.min():.3f} in reflectance, and {LEAST_CONTRAST:g} is needed.",
            mend="Add the mask over another ground that is much lighter or darker; black and white are best.",
        )


def _check_bright(stacks: Sequence[Stack], means: Mapping[str, Floats], surface: Surface, nm: Floats) -> None:
    brightest = np.array([_ground(stack.ground, means, surface) for stack in stacks]).max(axis=0)
    if brightest.min() < LEAST_GROUND:
        dark = int(brightest.argmin())
        raise PredictionError(
            f"At {nm[dark]:g} nm every ground reflects less than {LEAST_GROUND:g}: how clear is the mask?",
            mend="Add the mask over a lighter ground.",
        )


def _left_out(
    stacks: Sequence[Stack],
    means: Mapping[str, Floats],
    surface: Surface,
    clear: bool,
    nm: Floats,
    conditions: ViewingConditions,
) -> tuple[tuple[str, float], ...]:
    """By how much the other stacks miss each one, where enough others are left and differ enough."""
    found = []
    for number, stack in enumerate(stacks):
        others = [*stacks[:number], *stacks[number + 1 :]]
        if len(others) < (1 if clear else 2):
            continue
        if not clear and _contrasts(others, means, surface).min() < LEAST_CONTRAST:
            continue
        predicted = _predicted(others, stack.ground, means, surface, clear)
        read = means[stack.masked.name]
        miss = ciede2000(_lab(predicted, nm, conditions), _lab(read, nm, conditions))
        found.append((stack.masked.name, float(miss)))
    return tuple(found)


def _spectrum(values: Floats, nm: Floats) -> Spectrum:
    rounded = np.round(np.clip(values, 0.0, None), 5)
    return Spectrum(start_nm=float(nm[0]), step_nm=STEP_NM, values=tuple(rounded.tolist()))


def _lab(values: Floats, nm: Floats, conditions: ViewingConditions) -> Floats:
    """CIELAB, float64 (..., 3), of reflectance factors, float64 (..., n)."""
    return lab_of_xyz(values @ _weights(float(nm[0]), len(nm), conditions), conditions)


@lru_cache(maxsize=16)
def _weights(start_nm: float, count: int, conditions: ViewingConditions) -> Floats:
    """float64 (count, 3): XYZ of a spectrum that is 1 at one wavelength and 0 at the others."""
    return np.array(
        [
            tristimulus(
                Spectrum(start_nm=start_nm, step_nm=STEP_NM, values=tuple(unit)),
                conditions.illuminant,
                conditions.observer,
            )
            for unit in np.eye(count).tolist()
        ]
    )


def _notes(
    stacks: Sequence[Stack],
    ground: Known,
    knowns: Mapping[str, Known],
    means: Mapping[str, Floats],
    clear: bool,
) -> list[str]:
    notes = []
    if clear:
        notes.append(
            "The mask is taken for clear: where it scatters light, this is wrong, however small the figures above."
        )
    if any(known.metallic for known in knowns.values()):
        notes.append(
            "Metal mirrors, and the theory wants diffuse light: over metal this is an estimate. Measure one board."
        )
    few = [known.name for known in knowns.values() if len(known.spectra) < ENOUGH]
    if few:
        notes.append(f"Fewer than {ENOUGH} readings of {', '.join(few)}: their noise is assumed.")
    grounds = np.array([means[stack.ground.name] for stack in stacks])
    outside = (means[ground.name] > grounds.max(axis=0) + 0.02) | (means[ground.name] < grounds.min(axis=0) - 0.02)
    if not clear and outside.mean() > 0.1:
        notes.append(
            f"{ground.name} is lighter or darker than every ground that was read, which multiplies the readings' noise."
        )
    return notes
