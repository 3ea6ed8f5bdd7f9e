"""From one or two photographs of a coupon beside a 24-patch chart to readings. Reads like the list of what is done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from worker.engine.arrays import Floats
from worker.engine.colorimetry import xyz_to_lab
from worker.engine.references.photograph.chart import NEUTRALS, patch_corners
from worker.engine.references.photograph.checks import (
    check_correction,
    check_even_patches,
    check_exposure,
    check_light,
    check_veil,
)
from worker.engine.references.photograph.correction import Correction, fit_correction
from worker.engine.references.photograph.flat_field import FlatField, even_light, fit_flat_field
from worker.engine.references.photograph.metals import is_metal, is_read_from, one_pass_caution
from worker.engine.references.photograph.neutrals import ToneCurve, clear_offset, fit_tone_curve, offset_share
from worker.engine.references.photograph.orientation import UNIT_SQUARE
from worker.engine.references.photograph.patches import INNER, PatchLight, patch_light
from worker.engine.references.photograph.picture import CameraPicture, read_picture
from worker.engine.references.photograph.places import seen_at, to_pixels
from worker.engine.references.photograph.shot import Marks, Shot, find_marks
from worker.engine.references.photograph.surround import surround_light
from worker.errors import PatchMapError
from worker.finish import Finish
from worker.patch_map import Patch, PatchMap, Rectangle
from worker.reading import Reading

_ROUNDS = 4  # tone curve and flat field need each other; the third round moves nothing that can be seen


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotographQuality:
    """How far one photograph can be trusted.

    `mean`, `p95` and `worst` are CIEDE2000 of the chart's patches, each left out of the fit in turn. `fall` is the
    most light over the least where anything was read, `veil` the light taken off everything, of the white's.
    """

    name: str
    marks: Marks
    degree: int
    mean: float
    p95: float
    worst: float
    fall: float
    veil: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchReading:
    """One patch's reading, and where it was read: four corners in pixels of the photograph of this number, from 0."""

    patch: Patch
    reading: Reading
    photograph: int
    corners: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotographReadings:
    """What the photographs give."""

    readings: tuple[PatchReading, ...]
    quality: tuple[PhotographQuality, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lights:
    """Everything that was read of one photograph, in nominal light."""

    chart: list[PatchLight]
    surround: list[PatchLight]
    patches: list[PatchLight]
    corners: list[Floats]


def read_photographs(
    first: Shot, second: Shot | None, patch_map: PatchMap, finishes: Sequence[Finish]
) -> PhotographReadings:
    """Readings of the coupon's patches, one for each patch.

    Parameters
    ----------
    first : Shot
        The photograph that all but bare metal is read from, and metal too where there is no second.
    second : Shot or None
        One in a diffuse tent without polarisers, with coupon and chart again, for finishes of texture metallic.
    patch_map : PatchMap
        Where the patches and the neutral surround are.
    finishes : sequence of Finish
        Those of the fab profile.

    Raises
    ------
    PhotographError
        A photograph can't be read, or is over a bar of `checks.py`; says what to change.
    PatchMapError
        The map names a finish that the profile lacks, or none of its patches can be read.
    """
    known = {finish.id: finish for finish in finishes}
    patches, warnings = _readable(patch_map, known)
    shots = [first] if second is None else [first, second]
    readings: list[PatchReading] = []
    quality = []
    for number, shot in enumerate(shots):
        chosen = [p for p in patches if is_read_from(p, known, second=number == 1, of_two=len(shots) == 2)]
        if chosen or number == 0:
            found, facts = _read_shot(shot, number, chosen, patch_map, known, only=second is None)
            readings += found
            quality.append(facts)
    if second is None:
        warnings += one_pass_caution(patches, known)
    elif len(quality) < len(shots):
        warnings.append("The second photograph was not used: the patch map has no finish of texture metallic.")
    if not patch_map.surround:
        warnings.append("The patch map has no neutral surround: uneven light was neither mended nor noticed.")
    return PhotographReadings(readings=tuple(readings), quality=tuple(quality), warnings=tuple(warnings))


def _read_shot(
    shot: Shot,
    number: int,
    patches: Sequence[Patch],
    patch_map: PatchMap,
    finishes: Mapping[str, Finish],
    *,
    only: bool,
) -> tuple[list[PatchReading], PhotographQuality]:
    picture = read_picture(shot.data, name=shot.name)
    marks = find_marks(picture, shot, patch_map)
    lights = _sample(picture, marks, patches, patch_map)
    _check_samples(shot.name, lights, patches, finishes)
    curve, field = _levelled(shot.name, lights)
    places = _at(lights.chart + lights.patches)
    check_light(shot.name, field, places)
    correction = fit_correction(_even(lights.chart, curve, field))
    check_correction(shot.name, correction)
    lab = xyz_to_lab(correction.xyz(_even(lights.patches, curve, field))) if patches else np.empty((0, 3))
    light = field.at(places)
    facts = PhotographQuality(
        name=shot.name,
        marks=marks,
        degree=correction.degree,
        mean=float(correction.left_out.mean()),
        p95=_uncertainty(correction),
        worst=float(correction.left_out.max()),
        fall=float((light.max(axis=0) / light.min(axis=0)).max()),
        veil=float(offset_share(_light(lights.chart)[NEUTRALS], field.at(_at(lights.chart)[NEUTRALS]), curve).max()),
    )
    found = []
    for i, patch in enumerate(patches):
        reading = _reading(lab[i], patch, picture, facts, alone=only and is_metal(finishes[patch.finish]))
        corners = tuple((float(x), float(y)) for x, y in lights.corners[i])
        found.append(PatchReading(patch=patch, reading=reading, photograph=number, corners=corners))
    return found, facts


def _sample(picture: CameraPicture, marks: Marks, patches: Sequence[Patch], patch_map: PatchMap) -> _Lights:
    nominal = picture.nominal_light()
    on_chart = to_pixels(UNIT_SQUARE, marks.chart, "chart")
    on_coupon = to_pixels(patch_map.coupon_corners, marks.coupon, "coupon")
    chart = [seen_at(on_chart, corners) for corners in patch_corners(INNER)]
    corners = [seen_at(on_coupon, _inner(patch.place).corners) for patch in patches]
    return _Lights(
        chart=[patch_light(picture, quad, nominal, _chart_name(i)) for i, quad in enumerate(chart)],
        surround=surround_light(picture, on_coupon, patch_map.surround, marks.chart, nominal),
        patches=[
            patch_light(picture, quad, nominal, _name(patch)) for patch, quad in zip(patches, corners, strict=True)
        ],
        corners=corners,
    )


def _check_samples(name: str, lights: _Lights, patches: Sequence[Patch], finishes: Mapping[str, Finish]) -> None:
    chart = {_chart_name(i): patch for i, patch in enumerate(lights.chart)}
    coupon = {_name(patch): light for patch, light in zip(patches, lights.patches, strict=True)}
    surround = {f"surround sample {i + 1}": sample for i, sample in enumerate(lights.surround)}
    neutrals = {_chart_name(i): lights.chart[i] for i in range(*NEUTRALS.indices(24))}
    check_exposure(name, {**chart, **coupon, **surround}, {**neutrals, **coupon})
    # A metal mirrors what is around it, and is never quite even.
    plain = {_name(patch): coupon[_name(patch)] for patch in patches if not is_metal(finishes[patch.finish])}
    check_even_patches(name, {**chart, **plain})


def _levelled(name: str, lights: _Lights) -> tuple[ToneCurve, FlatField]:
    """Tone curve and flat field. Each is found with the other: the neutrals don't lie in one light."""
    places, nominal = _at(lights.chart), _light(lights.chart)
    middle = places.mean(axis=0)
    neutrals, at = nominal[NEUTRALS], places[NEUTRALS]
    field = _field(lights.surround, _light(lights.surround), middle)
    for _ in range(_ROUNDS):
        light = field.at(at)
        offset = clear_offset(neutrals, light)
        curve = fit_tone_curve(neutrals, light, offset, name)
        check_veil(name, offset_share(neutrals, light, curve))
        field = _field(lights.surround, curve.linear(_light(lights.surround)), middle)
    return curve, field


def _field(samples: list[PatchLight], light: Floats, middle: Floats) -> FlatField:
    return fit_flat_field(_at(samples), light, middle) if samples else even_light(middle)


def _even(patches: list[PatchLight], curve: ToneCurve, field: FlatField) -> Floats:
    """Linear light as it would be if the same light fell everywhere."""
    return np.asarray(curve.linear(_light(patches)) / field.at(_at(patches)))


def _light(patches: list[PatchLight]) -> Floats:
    return np.array([patch.light for patch in patches]).reshape(-1, 3)


def _at(patches: list[PatchLight]) -> Floats:
    return np.array([patch.at for patch in patches]).reshape(-1, 2)


def _uncertainty(correction: Correction) -> float:
    return float(np.quantile(correction.left_out, 0.95))


def _reading(lab: Floats, patch: Patch, picture: CameraPicture, facts: PhotographQuality, *, alone: bool) -> Reading:
    source = (
        f"photograph {picture.name}, {_name(patch)}, far copper {patch.far_copper}; 24-patch chart, root polynomial of "
        f"degree {facts.degree}, left-out error {facts.mean:.2f} in the mean, {facts.worst:.2f} at worst"
    )
    return Reading(
        lab=(round(float(lab[0]), 2), round(float(lab[1]), 2), round(float(lab[2]), 2)),
        illuminant="D65",
        observer="2",
        geometry="photo",
        origin="photo",
        uncertainty=round(facts.p95, 2),
        instrument=picture.camera,
        date=picture.date,
        source=source + ("; metal from one photograph only, none in a diffuse tent" if alone else ""),
    )


def _readable(patch_map: PatchMap, finishes: Mapping[str, Finish]) -> tuple[tuple[Patch, ...], list[str]]:
    """The patches that show a finish as its recipe has it, and warnings on those that don't."""
    kept: list[Patch] = []
    left: list[Patch] = []
    for patch in patch_map.patches:
        finish = finishes.get(patch.finish)
        if finish is None:
            raise PatchMapError(
                f"The patch map names the finish {patch.finish!r}, which the profile lacks.",
                mend=f"Give the map of a coupon of this profile. It has: {', '.join(finishes)}.",
            )
        other = {patch.far_copper, finish.recipe.far_copper} == {"none", "solid"}
        (left if other else kept).append(patch)
    if not kept:
        raise PatchMapError(
            "None of the map's patches has the far copper that its finish asks for.",
            mend="Set far_copper of the finishes' recipes, or give another map.",
        )
    if not left:
        return tuple(kept), []
    names = ", ".join(dict.fromkeys(patch.finish for patch in left))
    return tuple(kept), [f"Left out, since the copper on their far side is not their recipe's: patches of {names}."]


def _inner(place: Rectangle) -> Rectangle:
    return Rectangle(
        x=place.x + 0.5 * (1.0 - INNER) * place.width,
        y=place.y + 0.5 * (1.0 - INNER) * place.height,
        width=INNER * place.width,
        height=INNER * place.height,
    )


def _name(patch: Patch) -> str:
    return f"patch {patch.finish} {patch.repeat} at {patch.place.x:g},{patch.place.y:g} mm"


def _chart_name(i: int) -> str:
    row, column = divmod(i, 6)
    return f"chart row {row + 1} column {column + 1}"
