"""report.json: fields, areas and numbers. JSON Schema 2020-12 is checked by the jsonschema library."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tests.boards import artwork_of, board, cluster, picture_of, score_of, separation_of, statistics
from worker.engine.arrays import Labels
from worker.engine.fabrication.board_shape import shape_board
from worker.engine.palette.values import count_values
from worker.engine.references.reference import finish_reference
from worker.engine.report.report import build_report, report_schema
from worker.job_settings import read_settings
from worker.reading import Override, Reading, Spectrum

FAB = board()
REFERENCES = [finish_reference(finish) for finish in FAB.finishes]
RED = cluster(0, (53.24, 80.09, 67.2), "mask", "tin")
PIXELS = ((9, 0, 0, 0, 1), (0, 6, 0, 0, 0))
ORANGE = cluster(1, (60.0, 60.0, 65.0), "mask", None)


def report_of(labels: Labels, *, pitch_um: float = 100.0, **changed: Any) -> dict[str, Any]:
    picture = picture_of(np.zeros((*labels.shape, 3), dtype=np.uint8), pitch_um=pitch_um)
    given = {
        "picture": picture,
        "shape": shape_board(picture, read_settings({}), FAB)[1],
        "artwork": artwork_of(picture.srgb),
        "fab": FAB,
        "settings": read_settings({"width": "20mm", "use": "worn", "pin": ["#C82828~12=legend"]}),
        "separation": separation_of(labels),
        "clusters": [RED, ORANGE],
        "score": score_of(np.zeros(labels.shape, dtype=np.float32), pixels=PIXELS),
        "references": REFERENCES,
        "side": "top",
        "merged": [(RED, ORANGE, 12.5)],
        "warnings": ["the art is small"],
        **changed,
    }
    return build_report(**given)


def delivered(report: dict[str, Any]) -> Any:
    """The report as it is read back from its file, with the stages that the flow adds."""
    return json.loads(json.dumps({**report, "stages": {"artwork": 0.25}}, allow_nan=False))


def test_a_report_validates_against_its_schema() -> None:
    schema = report_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    labels = np.arange(64, dtype=np.uint8).reshape(8, 8) % 5
    jsonschema.validate(delivered(report_of(labels)), schema, cls=jsonschema.Draft202012Validator)


def test_a_stretched_score_validates_too() -> None:
    plain = score_of(np.zeros((4, 4), np.float32), pixels=PIXELS)
    score = dataclasses.replace(plain, s_cielab_stretched=statistics(5.0))
    report = delivered(report_of(np.zeros((4, 4), np.uint8), score=score))
    assert report["score"]["s_cielab_stretched"]["mean"] == 5.0
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("field", ["finishes", "score", "cautions", "stages", "grid"])
def test_the_schema_refuses_a_report_that_lacks_a_field(field: str) -> None:
    report = delivered(report_of(np.zeros((4, 4), np.uint8)))
    del report[field]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)


def test_the_schema_refuses_a_field_that_it_does_not_describe() -> None:
    report = delivered(report_of(np.zeros((4, 4), np.uint8)))
    report["score"]["extra"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)


def described(schema: dict[str, Any], where: str) -> Iterator[tuple[str, bool]]:
    for name, part in schema.get("properties", {}).items():
        yield f"{where}.{name}", bool(part.get("description"))
        yield from described(part, f"{where}.{name}")
        yield from described(part.get("items", {}), f"{where}.{name}[]")


def test_every_field_of_the_schema_is_described() -> None:
    fields = dict(described(report_schema(), "report"))
    assert len(fields) > 80
    assert [name for name, has in fields.items() if not has] == []


def test_areas_are_what_the_masks_say() -> None:
    labels = np.array([[0, 0, 0, 1], [0, 2, 2, 1], [255, 255, 4, 4]], dtype=np.uint8)
    finishes = report_of(labels, pitch_um=50.0)["finishes"]
    assert [finish["pixels"] for finish in finishes] == [4, 2, 2, 0, 2]
    assert [finish["share"] for finish in finishes] == [0.4, 0.2, 0.2, 0.0, 0.2]
    # 4 squares of 0.05 mm: 4 * 0.0025 mm2.
    assert finishes[0]["area_mm2"] == pytest.approx(0.01, rel=1e-12)
    assert [finish["mask"] for finish in finishes] == [f"masks/{finish.id}.png" for finish in FAB.finishes]
    assert finishes[0]["reference_lab"] == list(FAB.finishes[0].readings[0].lab)


def test_a_board_with_no_place_has_no_shares() -> None:
    finishes = report_of(np.full((3, 3), 255, dtype=np.uint8))["finishes"]
    assert {finish["share"] for finish in finishes} == {0.0}


@settings(deadline=None)
@given(hnp.arrays(np.uint8, hnp.array_shapes(min_dims=2, max_dims=2, max_side=40), elements=st.integers(0, 255)))
def test_labels_are_counted_as_numpy_counts_them(labels: Labels) -> None:
    assert (count_values(labels) == np.bincount(labels.ravel(), minlength=256)).all()
    turned = labels.T
    assert (count_values(turned) == np.bincount(turned.ravel(), minlength=256)).all()


def test_numbers_keep_their_digits() -> None:
    report = delivered(report_of(np.zeros((4, 4), np.uint8)))
    assert report["clusters"][0]["margin"] == RED.margin == 7.123456789
    assert report["score"]["pixels_per_degree"] == 52.36


def test_the_grid_gives_the_size_in_mm() -> None:
    grid = report_of(np.zeros((30, 20), np.uint8), pitch_um=20.0)["grid"]
    assert (grid["width_px"], grid["height_px"]) == (20, 30)
    assert (grid["width_mm"], grid["height_mm"]) == (pytest.approx(0.4), pytest.approx(0.6))


def test_settings_can_be_given_back() -> None:
    settings = report_of(np.zeros((4, 4), np.uint8))["settings"]
    assert read_settings(settings).as_text() == settings


def test_a_cluster_is_named_by_its_colour() -> None:
    """CIELAB 53.24, 80.09, 67.20 is the red primary of sRGB: a value found in many tables, from memory."""
    assert report_of(np.zeros((4, 4), np.uint8))["clusters"][0]["colour"] == "#FF0000"


def test_the_histogram_of_colours_against_finishes_is_kept() -> None:
    first, second = report_of(np.zeros((4, 4), np.uint8))["pixels_by_cluster"]
    assert first == {"cluster": 0, "pixels": dict(zip([f.id for f in FAB.finishes], PIXELS[0], strict=True))}
    assert second["pixels"][FAB.finishes[1].id] == 6


def test_merged_colours_name_both_colours_and_their_margins() -> None:
    (merged,) = report_of(np.zeros((4, 4), np.uint8))["merged_colours"]
    assert merged["finish"] == "mask"
    assert merged["delta_e"] == 12.5
    assert [colour["cluster"] for colour in merged["colours"]] == [0, 1]
    assert [colour["margin"] for colour in merged["colours"]] == [RED.margin, None]


def test_warnings_of_all_rooms_are_told_once() -> None:
    picture = dataclasses.replace(picture_of(np.zeros((4, 4, 3), np.uint8)), warnings=("few pixels", "enlarged"))
    report = report_of(np.zeros((4, 4), np.uint8), picture=picture, warnings=["enlarged", "the art is small"])
    assert report["warnings"] == ["few pixels", "enlarged", "the art is small"]


def test_the_continuous_reference_is_no_bound() -> None:
    reference = report_of(np.zeros((4, 4), np.uint8))["score"]["continuous_reference"]
    assert "not a proven bound" in reference["meaning"]


def test_each_finish_says_how_its_reference_was_derived() -> None:
    finish = FAB.finishes[0]
    plain = finish.readings[0]
    scattered = (plain, dataclasses.replace(plain, lab=(31.4, -25.0, 13.0)))
    measured = dataclasses.replace(plain, origin="measured", illuminant="D50")
    changed = dataclasses.replace(finish, readings=(*scattered, measured))
    references = [finish_reference(changed), *REFERENCES[1:]]
    fab = dataclasses.replace(FAB, finishes=(changed, *FAB.finishes[1:]))
    labels = np.zeros((4, 4), np.uint8)
    report = delivered(report_of(labels, fab=fab, references=references))
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)
    first = report["finishes"][0]
    assert first["reference_lab"] == references[0].lab.tolist() != list(plain.lab or ())
    reference = first["reference"]
    assert (reference["grade"], reference["derivation"]) == ("colorimetric", "adapted")
    assert (reference["illuminant"], reference["origin"], reference["readings_used"]) == ("D50", "measured", [2])
    assert [aside["reading"] for aside in reference["readings_set_aside"]] == [0, 1]
    assert reference["uncertainty"] == references[0].uncertainty
    assert report["viewing_conditions"]["illuminant"] == "D65"
    assert report["finishes"][1]["reference"]["derivation"] == "as read"


def test_a_spectrum_has_no_light_and_an_override_no_geometry() -> None:
    flat = Spectrum(start_nm=400.0, step_nm=10.0, values=(0.5,) * 31)
    spectral = dataclasses.replace(
        FAB.finishes[0], readings=(Reading(spectrum=flat, geometry="45:0", origin="measured"),)
    )
    override = Override(lab=(50.0, 0.0, 0.0), illuminant="D65", observer="2")
    set_by_hand = dataclasses.replace(FAB.finishes[1], override=override)
    fab = dataclasses.replace(FAB, finishes=(spectral, set_by_hand, *FAB.finishes[2:]))
    references = [finish_reference(finish) for finish in fab.finishes]
    report = delivered(report_of(np.zeros((4, 4), np.uint8), fab=fab, references=references))
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)
    first, second = (finish["reference"] for finish in report["finishes"][:2])
    assert (first["illuminant"], first["observer"], first["derivation"]) == (None, None, "spectrum")
    assert (second["overridden"], second["geometry"], second["grade"]) == (True, "", "assumed")
    assert second["readings_used"] == []


def test_clusters_say_how_certain_they_are_and_near_ties_are_listed() -> None:
    near = dataclasses.replace(RED, margin=2.0)
    report = delivered(report_of(np.zeros((4, 4), np.uint8), clusters=[near, ORANGE]))
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)
    # Both references are assumed: 5, and the root of twice its square.
    assert report["clusters"][0]["uncertainty"] == pytest.approx(50.0**0.5)
    assert [cluster["certain"] for cluster in report["clusters"]] == [False, True]
    assert report["clusters"][1]["uncertainty"] is None
    (tie,) = report["near_ties"]
    assert (tie["finish"], tie["second_finish"], tie["margin"]) == ("mask", "tin", 2.0)
    assert tie["pins"]["keep"].startswith("#FF0000~") and tie["pins"]["keep"].endswith("=mask")
    assert tie["pins"]["change"].endswith("=tin")
    certain = report_of(np.zeros((4, 4), np.uint8), clusters=[dataclasses.replace(RED, margin=8.0), ORANGE])
    assert certain["near_ties"] == []


def test_cautions_of_the_job_are_in_the_report() -> None:
    cautions = report_of(np.zeros((4, 4), np.uint8), fab=dataclasses.replace(FAB, plating="ENIG"))["cautions"]
    assert {"nickel", "glass-dust"} <= {caution["id"] for caution in cautions}
