"""The whole flow: laws that hold for any artwork, any settings and any number of threads."""

from __future__ import annotations

import io
import json
import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from PIL import Image

from tests.boards import board
from tests.engine.conftest import MemoryTables
from tests.engine.layer_rules import violations
from tests.engine.open_pictures import cut, photograph, png_of
from tests.engine.sweeps import sweep_size
from tests.engine.written_masks import masks_of_files
from worker.board_file import read_board_file
from worker.engine.colorimetry import srgb_to_lab
from worker.engine.difference import ciede2000
from worker.engine.fabrication.board import mirrored
from worker.engine.pipeline import STAGES, Conversion, convert
from worker.errors import ArrayError, ArtworkError, CancelledError, FabProfileError, OverrideError, SettingsError
from worker.fab_profile import FabProfile, read_fab_profile
from worker.job_settings import Pin, Settings, read_settings

WITHOUT_LAYERS = tuple(stage for stage in STAGES if stage not in ("layers", "proof"))
"""The stages where no fabrication files are asked for."""
PROFILES = ("nocturne-gold", "meadow-tin", "alba-black")
FLOW = hypothesis_settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

FORMATS = {
    "PNG": ("1", "L", "LA", "P", "RGB", "RGBA", "I;16"),
    "TIFF": ("1", "L", "P", "RGB", "RGBA", "CMYK", "YCbCr", "LAB", "F", "I;16"),
    "JPEG": ("L", "RGB", "CMYK"),
    "BMP": ("1", "L", "P", "RGB"),
    "GIF": ("L", "P"),
    "WebP": ("RGB", "RGBA"),
}
CASES = [(form, mode) for form, modes in FORMATS.items() for mode in modes]


def file_of(form: str, mode: str, height: int, width: int, seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    colour = Image.fromarray(rng.integers(0, 256, (height, width, 4), dtype=np.uint8), "RGBA")
    if mode == "I;16":
        picture = Image.fromarray(rng.integers(0, 65536, (height, width), dtype=np.uint16))
    elif mode == "F":
        picture = Image.fromarray(rng.random((height, width), dtype=np.float32))
    elif mode == "LAB":
        picture = Image.fromarray(rng.integers(0, 256, (height, width, 3), dtype=np.uint8), "LAB")
    else:
        picture = colour.convert("RGB").convert(mode) if mode not in ("RGBA", "LA") else colour.convert(mode)
    stream = io.BytesIO()
    picture.save(stream, form)
    return stream.getvalue()


def check_partition(found: Conversion, masks: dict[str, npt.NDArray[np.bool_]], outside: npt.NDArray[np.bool_]) -> None:
    assert list(masks) == [finish.id for finish in found.fab.finishes]
    stack = np.stack(list(masks.values()))
    assert stack.shape[1:] == (found.picture.height_px, found.picture.width_px)
    assert (stack.sum(axis=0) + outside == 1).all()


@given(st.sampled_from(CASES), st.integers(1, 30), st.integers(1, 30), st.integers(0, 2**32 - 1), st.data())
@hypothesis_settings(FLOW, max_examples=sweep_size(25, 200))
def test_any_image_mode_and_size(
    tables: MemoryTables, case: tuple[str, str], height: int, width: int, seed: int, data: st.DataObject
) -> None:
    """It converts, and the masks are an exact partition; or it is an error that the user can mend."""
    source = file_of(*case, height, width, seed)
    settings = Settings(
        width_mm=data.draw(st.sampled_from([0.1, 1.0, 3.0])),
        pitch_um=data.draw(st.sampled_from([20.0, 50.0, 100.0])),
        clusters=data.draw(st.sampled_from(["auto", "none", 1, 5])),
        edges=data.draw(st.sampled_from(["auto", "threshold", "dither"])),
        assignment=data.draw(st.sampled_from(["faithful", "contrast"])),
    )
    try:
        found = convert(source, board(data.draw(st.sampled_from(PROFILES))), settings, tables=tables)
    except (ArtworkError, SettingsError) as error:
        assert error.what and error.mend
        return
    files = dict(found.files())
    masks = masks_of_files(files)
    check_partition(found, masks, np.zeros(found.separation.labels.shape, dtype=bool))
    if found.separation.edges == "dither":
        assert violations(masks, found.fab) == {}
    report = json.loads(files["report.json"])
    shares = [finish["share"] for finish in report["finishes"]]
    assert shares == pytest.approx([float(mask.mean()) for mask in masks.values()])


@pytest.mark.parametrize(("form", "mode"), CASES)
def test_every_mode_of_every_format_converts(form: str, mode: str, tables: MemoryTables) -> None:
    """The error path of the test above is not a way out for what ought to work."""
    source = file_of(form, mode, 24, 31, 7)
    try:
        found = convert(source, board(), read_settings({"width": "3mm", "pitch": "50um"}), tables=tables)
    except ArtworkError as error:
        assert mode in ("LAB", "F", "YCbCr"), error
        return
    assert found.separation.labels.shape == (46, 60)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["threshold", "dither"]), st.sampled_from(PROFILES))
@hypothesis_settings(FLOW, max_examples=20)
def test_what_is_outside_the_board_is_in_no_mask(tables: MemoryTables, seed: int, edges: str, name: str) -> None:
    rng = np.random.default_rng(seed)
    on = np.repeat(np.repeat(rng.random((10, 10)) < 0.7, 8, 0), 8, 1)
    art = cut("astronaut", 80, 80, top=int(rng.integers(0, 400)), left=int(rng.integers(0, 400)))
    settings = read_settings({"width": "4mm", "pitch": "50um", "edges": edges, "clusters": "6"})
    found = convert(png_of(art), board(name), settings, board=on, tables=tables)
    files = dict(found.files())
    check_partition(found, masks_of_files(files), ~on)
    labels = np.asarray(Image.open(io.BytesIO(files["labels.png"])))
    assert (labels[~on] == 255).all() and (labels[on] != 255).all()
    assert (found.separation.labels == labels).all()
    report = json.loads(files["report.json"])
    assert sum(finish["share"] for finish in report["finishes"]) == pytest.approx(1.0 if on.any() else 0.0)
    assert (found.preview[~on] == 255).all()


def test_a_board_of_another_shape_is_an_error(tables: MemoryTables) -> None:
    settings = read_settings({"width": "4mm", "pitch": "50um"})
    for wrong in (np.ones((80, 79), dtype=bool), np.ones((80, 80), dtype=np.uint8)):
        with pytest.raises(ArrayError, match="board is") as caught:
            convert(png_of(cut("coffee", 80, 80)), board(), settings, board=wrong, tables=tables)  # type: ignore[arg-type]
        assert "bool array of shape (80, 80)" in caught.value.mend


def everything(
    data: bytes, fab: FabProfile, written: dict[str, Any], threads: int, tables: MemoryTables
) -> dict[str, Any]:
    files: dict[str, Any] = dict(convert(data, fab, read_settings(written), tables=tables, threads=threads).files())
    report = json.loads(files.pop("report.json"))
    assert set(report.pop("stages")) == set(WITHOUT_LAYERS)
    return {**files, "report": report}


@pytest.mark.parametrize("name", ["astronaut", "coffee"])
@pytest.mark.parametrize("edges", ["threshold", "dither"])
def test_same_input_same_bytes_on_any_threads(name: str, edges: str, tables: MemoryTables) -> None:
    """Masks, labels and pictures; the report but for its seconds."""
    data = png_of(photograph(name))
    written = {"width": "20mm", "pitch": "40um", "edges": edges, "assignment": "contrast:0.3"}
    once = everything(data, board(), written, 1, tables)
    for threads in (1, 2):
        # A fresh store: what is kept must not show.
        again = everything(data, board(), written, threads, MemoryTables() if threads == 2 else tables)
        assert again.keys() == once.keys()
        assert [key for key in once if once[key] != again[key]] == []


@given(st.integers(0, 2**32 - 1), st.floats(0, 8), st.sampled_from(PROFILES), st.data())
@hypothesis_settings(FLOW, max_examples=3)
def test_the_law_of_pins_in_the_delivered_masks(
    tables: MemoryTables, seed: int, delta_e: float, name: str, data: st.DataObject
) -> None:
    """With clean_up off, every pixel within deltaE of the pin is in its finish's mask."""
    rng = np.random.default_rng(seed)
    fab = board(name)
    finish = data.draw(st.sampled_from([finish.id for finish in fab.finishes]))
    art = cut("coffee", 80, 80, top=int(rng.integers(0, 300)), left=int(rng.integers(0, 400)))
    pin = Pin(srgb=tuple(int(v) for v in art[40, 40]), delta_e=delta_e, finish=finish)  # type: ignore[arg-type]
    settings = Settings(width_mm=4.0, pitch_um=50.0, pins=(pin,), clean_up=False, edges="threshold", clusters=6)
    found = convert(png_of(art), fab, settings, tables=tables, threads=2)
    held = ciede2000(srgb_to_lab(art), srgb_to_lab(np.array(pin.srgb))) <= delta_e + 1e-9
    assert held[40, 40]
    assert found.masks[finish][held].all()
    (cluster,) = (cluster for cluster in found.report["clusters"] if cluster["pinned"])
    assert cluster["finish"] == finish and cluster["share"] == pytest.approx(held.mean())


@pytest.mark.parametrize("edges", ["threshold", "dither"])
def test_forbidden_and_counted_finishes_in_the_delivered_masks(edges: str, tables: MemoryTables) -> None:
    data = png_of(cut("astronaut", 200, 200, top=50, left=150))
    written = {"width": "10mm", "pitch": "50um", "edges": edges, "clusters": "6"}
    for fab in PROFILES:
        ids = [finish.id for finish in board(fab).finishes]
        one = convert(data, board(fab), read_settings({**written, "forbid": ids[1]}), tables=tables)
        assert not one.masks[ids[1]].any()
        two = convert(data, board(fab), read_settings({**written, "max_finishes": "2"}), tables=tables)
        assert sum(mask.any() for mask in two.masks.values()) <= 2


def test_transparent_places_are_in_the_background(tables: MemoryTables) -> None:
    art = np.dstack([cut("coffee", 100, 100), np.zeros((100, 100), dtype=np.uint8)])
    art[20:80, 20:80, 3] = 255
    for edges in ("threshold", "dither"):
        for background in (None, "tin"):
            settings = Settings(width_mm=5.0, pitch_um=50.0, edges=edges, background=background)  # type: ignore[arg-type]
            found = convert(png_of(art), board(), settings, tables=tables)
            assert found.background == (background or board().background)
            assert found.masks[found.background][art[..., 3] == 0].all()


def test_contrast_is_reported_against_both(tables: MemoryTables) -> None:
    data = png_of(cut("chelsea", 200, 200))
    settings = read_settings({"width": "10mm", "pitch": "50um", "assignment": "contrast:1", "edges": "threshold"})
    found = convert(data, board(), settings, tables=tables)
    assert found.score.s_cielab_stretched is not None
    assert found.score.s_cielab_stretched.mean != found.score.s_cielab.mean
    assert found.report["settings"]["assignment"] == "contrast:1"


def test_stages_are_told_in_order_and_what_is_raised_stops_the_job(tables: MemoryTables) -> None:
    told: list[tuple[str, int, int]] = []
    settings = read_settings({"width": "3mm", "pitch": "50um"})
    data = png_of(cut("coffee", 60, 60))
    found = convert(data, board(), settings, tables=tables, progress=lambda *word: told.append(word))
    dict(found.files())
    assert [(stage, done) for stage, done, _ in told] == [
        (stage, STAGES.index(stage) + end) for stage in WITHOUT_LAYERS for end in (0, 1)
    ]
    assert {of for *_, of in told} == {len(STAGES)}

    def stop(stage: str, done: int, of: int) -> None:
        if stage == "separation":
            raise CancelledError("The job was cancelled.", mend="Submit it again.")

    with pytest.raises(CancelledError):
        convert(data, board(), settings, tables=tables, progress=stop)


@pytest.mark.parametrize(
    ("written", "error", "named"),
    [
        ({"pin": "#123456=brass"}, SettingsError, "brass"),
        ({"forbid": "brass"}, SettingsError, "brass"),
        ({"background": "brass"}, SettingsError, "brass"),
        ({"pin": "#00FF00~1=tin"}, OverrideError, "#00FF00~1=tin"),
        ({"width": "1000mm", "pitch": "5um"}, SettingsError, "400 million"),
    ],
)
def test_errors_name_the_value(
    written: dict[str, str], error: type[SettingsError | OverrideError], named: str, tables: MemoryTables
) -> None:
    with pytest.raises(error) as caught:
        convert(png_of(cut("coffee", 60, 60)), board(), read_settings({"width": "3mm", **written}), tables=tables)
    assert named in caught.value.what and caught.value.mend


def test_no_size_is_an_error(tables: MemoryTables) -> None:
    with pytest.raises(SettingsError, match="no size is given") as caught:
        convert(png_of(cut("coffee", 60, 60)), board(), Settings(), name="cup.png", tables=tables)
    assert "cup.png" in caught.value.what


def test_bytes_and_file_objects_are_both_taken(tables: MemoryTables) -> None:
    data, settings = png_of(cut("coffee", 60, 60)), read_settings({"width": "3mm", "pitch": "50um"})
    one = convert(data, board(), settings, tables=tables)
    two = convert(io.BytesIO(data), board(), settings, tables=tables)
    assert one.separation.labels.tobytes() == two.separation.labels.tobytes()
    assert one.report == two.report


def test_what_is_wrong_with_the_references_is_told_in_the_report(tables: MemoryTables) -> None:
    toml = board("nocturne-gold").toml.decode().replace("lab = [71.0, 4.2, 29.0]", "lab = [71.0, 29.0, 4.2]")
    settings = read_settings({"width": "3mm", "pitch": "50um", "viewing_conditions": "D50/10"})
    report = convert(png_of(cut("coffee", 60, 60)), read_fab_profile(toml.encode()), settings, tables=tables).report
    assert report["viewing_conditions"]["illuminant"] == "D50"
    assert report["settings"]["viewing_conditions"] == "D50/10"
    assert any("has hue 8;" in warning for warning in report["warnings"])
    assert any("only the white is adapted" in warning for warning in report["warnings"])
    assert {finish["reference"]["derivation"] for finish in report["finishes"]} == {"adapted"}


def test_readings_of_two_geometries_stop_the_job_until_one_is_chosen(tables: MemoryTables) -> None:
    toml = board("nocturne-gold").toml.decode()
    (place,) = re.finditer(r'id = "gold".*?\n\[\[finishes.readings\]\]\n(.*?)(?=\n\n)', toml, re.DOTALL)
    other = place[1].replace("d:8 SCI", "45:0")
    assert other != place[1]
    toml = toml[: place.end()] + f"\n\n[[finishes.readings]]\n{other}" + toml[place.end() :]
    data, settings = png_of(cut("coffee", 60, 60)), read_settings({"width": "3mm", "pitch": "50um"})
    with pytest.raises(FabProfileError, match="gold"):
        convert(data, read_fab_profile(toml.encode()), settings, tables=tables)
    chosen = toml.replace('id = "gold"', 'id = "gold"\ngeometry = "45:0"')
    report = convert(data, read_fab_profile(chosen.encode()), settings, tables=tables).report
    (reference,) = (finish["reference"] for finish in report["finishes"] if finish["id"] == "gold")
    assert (reference["geometry"], reference["readings_used"]) == ("45:0", [1])


def test_a_board_of_any_shape_is_all_that_is_masked_scored_and_shown(tables: MemoryTables) -> None:
    srgb = np.full((200, 200, 3), 30, dtype=np.uint8)
    srgb[:100] = 240
    file = read_board_file(b"[[holes]]\nx = 10\ny = 5\ndiameter = 3\nplated = false")
    settings = read_settings({"width": "20mm", "pitch": "100um", "board": "disc"})
    found = convert(png_of(srgb), board("alba-black"), settings, board_file=file, tables=tables)
    y, x = (np.indices((200, 200)) + 0.5) * 0.1
    wanted = (np.hypot(x - 10, y - 10) < 10) & (np.hypot(x - 10, y - 15) >= 1.5)
    # Pixels whose centres lie on the edge to within the chord error may be either.
    assert ((found.separation.labels != 255) != wanted).sum() <= 8
    assert sum(int(mask.sum()) for mask in found.masks.values()) == int(found.shape.board.sum())
    assert (found.preview[~found.shape.board] == 255).all()
    report = found.report
    assert report["board"]["area_mm2"] == pytest.approx(np.pi * (100 - 2.25), abs=0.05)
    assert report["board"]["holes"] == [
        {"x_mm": 10.0, "y_mm": 5.0, "diameter_mm": 3.0, "plated": False, "slot_to": None}
    ]
    assert sum(finish["area_mm2"] for finish in report["finishes"]) == pytest.approx(np.pi * 97.75, rel=0.002)
    beyond = srgb.copy()
    beyond[np.hypot(x - 10, y - 10) > 12] = (255, 0, 255)  # off the board it costs nothing
    same = convert(png_of(beyond), board("alba-black"), settings, board_file=file, tables=tables)
    assert same.score.ciede2000.mean == pytest.approx(found.score.ciede2000.mean, abs=1e-6)


def test_the_other_side_takes_the_shape_mirrored(tables: MemoryTables) -> None:
    srgb = np.full((200, 200, 3), 30, dtype=np.uint8)
    file = read_board_file(b"[outline]\npolygon = [[0, 0], [20, 0], [20, 8], [9, 8], [9, 20], [0, 20]]")
    settings = read_settings({"width": "20mm", "pitch": "100um"})
    top = convert(png_of(srgb), board("alba-black"), settings, board_file=file, tables=tables)
    bottom = convert(
        png_of(srgb), board("alba-black"), settings, side="bottom", shape=mirrored(top.shape), tables=tables
    )
    np.testing.assert_array_equal(bottom.separation.labels != 255, (top.separation.labels != 255)[:, ::-1])


def test_a_path_of_the_artwork_is_the_board(tables: MemoryTables) -> None:
    svg = (
        b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100"><rect width="100" height="100" fill="#eee"/>'
        b'<circle id="edge" cx="50" cy="50" r="40" fill="none"/></svg>'
    )
    settings = read_settings({"width": "20mm", "pitch": "100um", "board": "path:#edge"})
    found = convert(io.BytesIO(svg), board("alba-black"), settings, tables=tables)
    assert found.report["board"]["shape"] == "path"
    assert found.report["board"]["area_mm2"] == pytest.approx(np.pi * 64, abs=0.05)
