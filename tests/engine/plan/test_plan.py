"""A plan against what a conversion comes to, and its advice on art whose faults were drawn on purpose."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageDraw

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.fabrication.fabs import DEMO
from worker.engine.pipeline import convert
from worker.engine.plan.outlook import DRAWS, _offsets
from worker.engine.plan.plan import plan_artwork
from worker.engine.references.findings import fab_findings
from worker.errors import SettingsError
from worker.job_settings import read_settings

import warnings  # isort: skip

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour


def png(picture: npt.NDArray[np.uint8] | Image.Image) -> bytes:
    out = io.BytesIO()
    (picture if isinstance(picture, Image.Image) else Image.fromarray(picture)).save(out, "PNG")
    return out.getvalue()


def flat() -> bytes:
    """Discs and bars in colours of boards, drawn large and shrunk, so that their edges are smooth."""
    image = Image.new("RGB", (1600, 1200), (18, 20, 24))
    draw = ImageDraw.Draw(image)
    draw.ellipse((200, 200, 1000, 1000), fill=(200, 165, 95))
    draw.ellipse((400, 400, 800, 800), fill=(240, 240, 235))
    draw.rectangle((1100, 100, 1400, 1100), fill=(150, 90, 60))
    return png(image.resize((800, 600), Image.Resampling.LANCZOS))


def photo() -> bytes:
    from skimage.data import astronaut

    return png(Image.fromarray(astronaut()).resize((500, 500), Image.Resampling.LANCZOS))


@pytest.mark.parametrize(("art", "edges"), [(flat, "threshold"), (photo, "dither")])
def test_what_is_expected_is_what_a_conversion_comes_to(art, edges: str, tables: MemoryTables) -> None:  # type: ignore[no-untyped-def]
    settings = read_settings({"width": "40mm"})
    fabs = [board(name) for name in ("nocturne-gold", "alba-black")]
    plan = plan_artwork(art(), fabs, settings, threads=2)
    made = {fab.id: convert(art(), fab, settings, tables=tables, threads=2) for fab in fabs}
    for one in plan.ranked:
        score = made[one.outlook.fab.id].score.s_cielab
        assert one.outlook.edges == made[one.outlook.fab.id].separation.edges == edges
        assert one.outlook.mean == pytest.approx(score.mean, abs=0.3)
        assert one.outlook.p95 == pytest.approx(score.p95, abs=1.0)
    by_score = sorted(made, key=lambda name: made[name].score.s_cielab.mean)
    assert [one.outlook.fab.id for one in plan.ranked] == by_score


def test_draws_of_references_keep_their_uncertainty_by_colour_science() -> None:
    within, drawn = 0, 0
    for name in DEMO:
        fab = board(name)
        for reference in fab_findings(fab).references:
            for batch in range(8):
                offsets = _offsets(replace(fab, fab=f"{fab.fab} {batch}"), reference)
                far = colour.delta_E(np.tile(reference.lab, (DRAWS, 1)), reference.lab + offsets, method="CIE 2000")
                within += int((far <= reference.uncertainty).sum())
                drawn += DRAWS
    assert within / drawn == pytest.approx(0.95, abs=0.02)  # of some 4,500


def test_two_colours_that_merge_and_a_stroke_too_thin_are_told() -> None:
    image = Image.new("RGB", (600, 600), (10, 60, 40))
    draw = ImageDraw.Draw(image)
    draw.rectangle((100, 100, 300, 500), fill=(5, 20, 12))  # a darker green, that the green mask shows as well
    draw.rectangle((400, 100, 403, 500), fill=(240, 240, 235))  # 0.1 mm at 15 mm
    plan = plan_artwork(png(image), [board("meadow-tin")], read_settings({"width": "15mm"}))
    kinds = {advice.kind: advice for advice in plan.advice}
    assert set(kinds) == {"merging", "thin"}
    assert "both become mask" in kinds["merging"].text and kinds["merging"].places[300, 200]
    # A bar of an even number of pixels reads as one less.
    assert "legend down to 0.08 mm where 0.15 mm is made, 1 place." in kinds["thin"].text
    assert kinds["thin"].places[300, 402] and not kinds["thin"].places[300, 200]
    shown = kinds["thin"].picture(plan.artwork.srgb)
    assert tuple(shown[300, 402]) == (230, 30, 160)


def test_a_gradient_bands_where_it_is_drawn_in_hard_regions_and_an_edge_does_not() -> None:
    across = np.linspace(20, 235, 600)
    gradient = np.repeat(np.tile(across, (400, 1))[..., None], 3, axis=2).astype(np.uint8)
    steps = np.where(gradient < 128, 20, 235).astype(np.uint8)
    settings = read_settings({"width": "60mm", "edges": "threshold"})
    told = [
        [advice.kind for advice in plan_artwork(png(art), [board("nocturne-gold")], settings).advice]
        for art in (gradient, steps)
    ]
    assert "banding" in told[0] and "banding" not in told[1]


def test_transparent_art_takes_each_fab_s_ground() -> None:
    rgba = np.zeros((200, 200, 4), dtype=np.uint8)
    rgba[50:150, 50:150] = (240, 240, 235, 255)
    fabs = [board(name) for name in DEMO]
    plan = plan_artwork(png(Image.fromarray(rgba, "RGBA")), fabs, read_settings({"width": "30mm"}))
    for one in plan.ranked:
        ids = [finish.id for finish in one.outlook.fab.finishes]
        assert one.outlook.areas[ids.index(one.outlook.fab.background)] >= 0.74
        assert one.outlook.mean < 6.0  # three quarters are the ground itself


def test_what_can_not_be_planned_is_said() -> None:
    fab = board("meadow-tin")
    with pytest.raises(SettingsError, match="Two fab profiles have the id meadow-tin"):
        plan_artwork(flat(), [fab, fab], read_settings({"width": "40mm"}))
    with pytest.raises(SettingsError, match="0 fab profiles"):
        plan_artwork(flat(), [], read_settings({"width": "40mm"}))
    with pytest.raises(SettingsError):
        plan_artwork(flat(), [fab], read_settings({}))  # a file without a resolution has no size of its own
