"""Finishes read with their mirror reflection and without: both references, both scores, both previews.

The readings' colours are those of gold by Johnson and Christy's optical constants, polished, and of a surface that
reflects half as much: scaling reflectance keeps hue (the reference tables of the metals, from memory of no source).
"""

from __future__ import annotations

import io
import json
from dataclasses import replace

import colour
import jsonschema
import numpy as np
import pytest
from PIL import Image

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.open_pictures import cut, png_of
from tests.engine.s_cielab import D65, s_cielab, xyz_of_srgb
from worker.engine.pipeline import Conversion, convert
from worker.engine.references.specular import specular_pair
from worker.engine.report.report import report_schema
from worker.fab_profile import FabProfile
from worker.finish import Finish
from worker.job_settings import read_settings
from worker.reading import Override, Reading
from worker.result_folder import LAYOUT
from worker.summary_table import print_summary, summary_row

INCLUDED, EXCLUDED = (90.2, 5.0, 33.8), (68.3, 4.0, 26.8)


def reading(lab: tuple[float, float, float], geometry: str) -> Reading:
    return Reading(geometry=geometry, origin="measured", lab=lab, illuminant="D65", observer="2")


def read_twice(geometry: str = "45:0", *, counts: str = "d:8 SCI") -> FabProfile:
    fab = board("nocturne-gold")
    both = (reading(EXCLUDED, geometry), reading(INCLUDED, "d:8 SCI"))
    finishes = [replace(f, readings=both, geometry=counts) if f.id == "gold" else f for f in fab.finishes]
    return replace(fab, finishes=tuple(finishes))


def gold(fab: FabProfile) -> Finish:
    return next(finish for finish in fab.finishes if finish.id == "gold")


def converted(fab: FabProfile, tables: MemoryTables) -> Conversion:
    settings = read_settings({"width": "12mm", "pitch": "100um", "clusters": "6", "edges": "threshold"})
    return convert(png_of(cut("coffee", 120, 120, top=120, left=200)), fab, settings, tables=tables)


@pytest.mark.parametrize("geometry", ["45:0", "d:8 SCE", "0:45", "8:d sce"])
def test_both_references_are_found_whichever_counts(geometry: str) -> None:
    for counts in ("d:8 SCI", geometry):
        pair = specular_pair(gold(read_twice(geometry, counts=counts)))
        assert pair is not None
        np.testing.assert_allclose(pair.included.lab, INCLUDED, atol=1e-9)
        np.testing.assert_allclose(pair.excluded.lab, EXCLUDED, atol=1e-9)


def test_one_kind_alone_or_a_colour_set_by_hand_is_no_pair() -> None:
    finish = gold(read_twice())
    assert specular_pair(replace(finish, readings=finish.readings[:1], geometry="")) is None
    assert specular_pair(replace(finish, readings=(reading(INCLUDED, "d:8 SCI"), reading(EXCLUDED, "photo")))) is None
    by_hand = Override(lab=INCLUDED, illuminant="D65", observer="2")
    assert specular_pair(replace(finish, override=by_hand)) is None


def test_both_looks_are_scored_as_if_each_counted(tables: MemoryTables) -> None:
    """S-CIELAB of each look, against the second implementation with CIELAB by colour-science."""
    fab = read_twice()
    found = converted(fab, tables)
    files = dict(found.files())
    report = json.loads(files["report.json"])
    jsonschema.validate(report, report_schema(), cls=jsonschema.Draft202012Validator)
    both = report["score"]["specular"]
    assert [one["finish"] for one in both["finishes"]] == ["gold"]
    assert both["finishes"][0]["delta_e"] > 10.0
    art = xyz_of_srgb(found.art.srgb)
    for look in ("included", "excluded"):
        name = f"preview-specular-{look}.png"
        assert name in LAYOUT
        labels = np.asarray(Image.open(io.BytesIO(files[name])))
        assert (labels == found.separation.labels).all()
        lab = np.array(found.colours.lab)
        lab[found.colours.ids.index("gold")] = INCLUDED if look == "included" else EXCLUDED
        seen = s_cielab(art, colour.Lab_to_XYZ(lab, D65)[labels], np.pi * 300.0 / 18.0)
        assert both[look]["s_cielab"]["mean"] == pytest.approx(seen.mean(), abs=0.03)
    # The one that counts is the score itself, and they differ.
    assert both["included"]["s_cielab"] == report["score"]["s_cielab"]
    assert both["included"]["s_cielab"]["mean"] != pytest.approx(both["excluded"]["s_cielab"]["mean"], abs=0.2)
    assert files["preview-specular-included.png"] == files["preview.png"]


def test_a_run_ends_with_both(tables: MemoryTables, capsys: pytest.CaptureFixture[str]) -> None:
    report = converted(read_twice(), tables).report
    print_summary([summary_row("cup", report, 1.0)], None)
    both = report["score"]["specular"]
    told = f"cup {both['included']['s_cielab']['mean']:.2f}, {both['excluded']['s_cielab']['mean']:.2f}"
    assert told in capsys.readouterr().out


def test_nothing_is_said_where_no_finish_was_read_twice(tables: MemoryTables) -> None:
    found = converted(board("nocturne-gold"), tables)
    assert "specular" not in found.report["score"]
    assert not [name for name, _ in found.files() if "specular" in name]
