"""Masks alone, in strips: the same as deciding each pixel by itself, and nothing half-written."""

from __future__ import annotations

from pathlib import Path

import colour
import numpy as np
import pytest
from PIL import Image
from skimage import data

from worker.cli import main
from worker.engine.palette.finish_colours import finish_colours
from worker.errors import ArtworkError, ConflictError
from worker.fab_profile import read_fab_profile
from worker.mask_run import write_masks_alone

FABS = Path(__file__).parents[2] / "samples" / "fabs"
FAB = read_fab_profile((FABS / "nocturne-gold.toml").read_bytes())


@pytest.mark.parametrize("threads", [1, 2])
def test_every_pixel_goes_to_its_nearest_finish(tmp_path: Path, threads: int) -> None:
    """Nearest by colour-science's CIEDE2000 (ISO/CIE 11664-6), on a picture of scikit-image; strips are 256 rows."""
    picture = np.ascontiguousarray(data.astronaut()[:300, 100:171])
    Image.fromarray(picture).save(tmp_path / "art.png")
    pixels = write_masks_alone(
        tmp_path / "art.png", FAB, tmp_path / "out", pitch_um=20.0, tables=tmp_path / "tables", threads=threads
    )
    lab = colour.XYZ_to_Lab(
        colour.sRGB_to_XYZ(picture / 255.0), colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    )
    distances = np.stack([colour.delta_E(lab, reference, method="CIE 2000") for reference in finish_colours(FAB).lab])
    total = np.zeros(picture.shape[:2], dtype=int)
    for i, finish in enumerate(FAB.finishes):
        with Image.open(tmp_path / "out" / f"{finish.id}.png") as image:
            assert image.mode == "1"
            assert image.info["dpi"] == pytest.approx((1270.0, 1270.0), abs=0.1)
            mask = np.asarray(image)
        total += mask
        assert pixels[finish.id] == mask.sum()
        # colour-science rounds the sRGB matrix to four digits, which moves a difference by up to 0.02.
        assert (distances[i][mask] <= distances.min(axis=0)[mask] + 0.04).all()
    assert (total == 1).all()


def test_a_damaged_artwork_leaves_nothing(tmp_path: Path) -> None:
    Image.fromarray(data.astronaut()).save(tmp_path / "art.png")
    whole = (tmp_path / "art.png").read_bytes()
    (tmp_path / "art.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ArtworkError):
        write_masks_alone(tmp_path / "art.png", FAB, tmp_path / "out", pitch_um=20.0, tables=tmp_path / "t", threads=1)
    assert sorted(path.name for path in tmp_path.iterdir() if path.name != "t") == ["art.png"]


def test_an_earlier_folder_is_kept(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(ConflictError, match="exists"):
        write_masks_alone(tmp_path / "art.png", FAB, tmp_path / "out", pitch_um=20.0, tables=tmp_path / "t", threads=1)


def test_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Image.new("RGB", (40, 30), (255, 255, 255)).save(tmp_path / "white.png")
    status = main(
        ["masks", str(tmp_path / "white.png"), "--fab", str(FABS / "nocturne-gold.toml"), "--out", str(tmp_path / "m")]
    )
    assert status == 0
    assert "legend.png: 100.00 %" in capsys.readouterr().out
