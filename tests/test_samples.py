"""The samples: small, readable, orderable as their settings say, and drawn by their own script."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from worker.engine.artwork.decode import read_artwork
from worker.engine.artwork.grid import place_on_grid
from worker.engine.artwork.picture import GridPicture, WantedSize
from worker.fab_profile import read_fab_profile
from worker.job_settings import read_settings

SAMPLES = Path(__file__).parents[1] / "samples"
ARTWORKS = sorted(path for path in (SAMPLES / "artworks").iterdir() if path.suffix not in (".toml", ".md"))
ORDERS = tomllib.loads((SAMPLES / "artworks" / "settings.toml").read_text())
FABS = sorted((SAMPLES / "fabs").glob("*.toml"))


def placed(path: Path) -> GridPicture:
    order = ORDERS[path.name]
    settings = read_settings({key: value for key, value in order.items() if key not in ("fab", "bottom")})
    size = WantedSize(width_mm=settings.width_mm, height_mm=settings.height_mm, pitch_um=50.0)
    with path.open("rb") as source:
        artwork = read_artwork(source, name=path.name, size=size)
    assert artwork.warnings == ()
    return place_on_grid(artwork, size, smallest_feature_um=150.0)


def test_there_are_enough_and_they_are_small() -> None:
    sizes = [path.stat().st_size for path in ARTWORKS]
    assert len(sizes) >= 8
    assert max(sizes) < 300_000 and sum(sizes) < 1_500_000
    assert len({path.suffix for path in ARTWORKS}) >= 6


def test_each_has_an_order_for_a_fab_of_the_samples() -> None:
    assert set(ORDERS) == {path.name for path in ARTWORKS}
    assert {order["fab"] for order in ORDERS.values()} == {path.stem for path in FABS}


@pytest.mark.parametrize("path", ARTWORKS, ids=lambda path: path.name)
def test_each_fits_its_board(path: Path) -> None:
    picture = placed(path)
    assert 19.0 <= picture.width_mm <= 100.0 and 19.0 <= picture.height_mm <= 100.0
    photo_like = {"comet-over-ridge.jpg", "gibbous-moon.webp"}
    assert picture.flat == (path.name not in photo_like)
    assert (picture.alpha is not None) == (path.name == "owl.png")
    assert bool(picture.warnings) == (path.name == "small-rover.bmp")


@pytest.mark.parametrize("path", FABS, ids=lambda path: path.stem)
def test_fabs_are_valid_and_say_that_they_are_invented(path: Path) -> None:
    fab = read_fab_profile(path.read_bytes(), file_name=path.name)
    assert fab.id == path.stem
    assert "invented" in fab.fab and "Invented" in fab.note
    assert all(limit.date and limit.source for limit in fab.limits.values())
    for finish in fab.finishes:
        assert all(reference.origin == "assumed" and reference.source for reference in finish.readings)


FLAT_ART = ["quillmere-badge.png", "star-chart.png", "open-night-card.gif", "owl.png", "rosette.tif", "small-rover.bmp",
            "night-watch-token.png", "lamp-keepsake.png", "../backs/lamp-keepsake.png"]  # fmt: skip
SCENES = [pytest.param(name, marks=pytest.mark.slow) for name in ("comet-over-ridge.jpg", "gibbous-moon.webp")]


@pytest.mark.parametrize("name", [*FLAT_ART, *SCENES])
def test_the_script_draws_what_is_there(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Palettes move a few rims by some levels, JPEG and WebP all pixels by a little; encoders differ by version."""
    monkeypatch.syspath_prepend(str(SAMPLES))
    try:
        from render_artworks import ARTWORKS as drawings

        drawn = np.asarray(drawings[name][0]().convert("RGBA")).astype(int)
    finally:
        for module in [module for module in sys.modules if module.split(".")[0] in ("drawing", "render_artworks")]:
            del sys.modules[module]
    with Image.open(SAMPLES / "artworks" / name) as picture:
        kept = np.asarray(picture.convert("RGBA")).astype(int)
    assert drawn.shape == kept.shape
    assert np.abs(drawn - kept).mean() < 2.0


def test_the_series_is_what_its_script_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """The WebP is lossless; the GIF has 96 colours."""
    monkeypatch.syspath_prepend(str(SAMPLES.parent))
    from samples.render_series import FRAME_MS, frames

    for kind, most in (("webp", 0.5), ("gif", 4.0)):
        with Image.open(SAMPLES / "series" / f"moth-round-lantern.{kind}") as kept:
            for number, drawn in enumerate(frames()):
                kept.seek(number)
                seen = np.asarray(kept.convert("RGB")).astype(int)
                assert np.abs(seen - np.asarray(drawn)).mean() < most
                assert kept.info["duration"] == FRAME_MS


def test_the_picture_of_references_is_what_its_script_draws(tmp_path: Path) -> None:
    """The fourth reading is crossed out, so the script and the derivation agree on which one is bad."""
    picture = tmp_path / "references.png"
    script = SAMPLES / "render_references.py"
    subprocess.run([sys.executable, str(script), str(picture)], check=True, cwd=SAMPLES.parent)
    with Image.open(picture) as drawn, Image.open(SAMPLES / "pictures" / "references.png") as kept:
        assert drawn.size == kept.size
        assert np.abs(np.asarray(drawn, dtype=int) - np.asarray(kept, dtype=int)).mean() < 1.0


def test_the_pictures_of_readings_are_what_their_script_draws(tmp_path: Path) -> None:
    script = SAMPLES / "render_readings.py"
    subprocess.run([sys.executable, str(script), str(tmp_path)], check=True, cwd=SAMPLES.parent)
    for name in ("imported.png", "tuned.png"):
        with Image.open(tmp_path / name) as drawn, Image.open(SAMPLES / "pictures" / name) as kept:
            assert drawn.size == kept.size
            assert np.abs(np.asarray(drawn, dtype=int) - np.asarray(kept.convert("RGB"), dtype=int)).mean() < 1.0


def test_the_circuit_is_what_its_script_writes(monkeypatch: pytest.MonkeyPatch) -> None:
    """And without attributes it draws the same, and says nothing of itself."""
    monkeypatch.syspath_prepend(str(SAMPLES.parent))
    from samples.render_circuit import FOLDER, circuit_files

    written = circuit_files()
    assert {path.name for path in FOLDER.iterdir()} == {*written, "README.md"}
    assert all((FOLDER / name).read_bytes() == data for name, data in written.items())
    assert sum(len(data) for data in written.values()) < 100_000
    plain = circuit_files(attributes=False)
    assert set(written) - set(plain) == {"badge.gbrjob"}
    assert not any(b"%T" in data or b"#@!" in data for data in plain.values())
    words = (FOLDER / "README.md").read_text()
    assert "Invented" in words and "swallowed coin cell" in words and "local codes and licensed practice" in words
