"""The coupon as a folder: an exact partition in masks of stated resolution, whole or not there."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.boards import FABS, board
from worker.cli import main
from worker.coupon_run import write_coupon
from worker.errors import ConflictError, CouponError
from worker.patch_map import read_patch_map

Image.MAX_IMAGE_PIXELS = None


@pytest.mark.parametrize("name", ["alba-black", "meadow-tin", "nocturne-gold"])
def test_masks_are_an_exact_partition(tmp_path: Path, name: str) -> None:
    """Read back by Pillow."""
    coupon = write_coupon(board(name), tmp_path / "coupon", pitch_um=50.0)
    total = np.zeros(coupon.labels.shape, dtype=np.uint8)
    with Image.open(tmp_path / "coupon" / "labels.png") as image:
        assert image.mode == "P"
        labels = np.asarray(image)
    for index, finish in enumerate(coupon.fab.finishes):
        with Image.open(tmp_path / "coupon" / "masks" / f"{finish.id}.png") as image:
            assert image.mode == "1"
            assert image.info["dpi"] == pytest.approx((508.0, 508.0), abs=0.1)
            mask = np.asarray(image)
        total += mask
        assert (labels[mask] == index).all()
    assert (total == 1).all()
    with Image.open(tmp_path / "coupon" / "far_copper.png") as image:
        far = np.asarray(image)
    assert far.shape == labels.shape
    assert 0.2 < far.mean() < 0.6


def test_the_folder_is_whole_and_its_map_and_record_agree(tmp_path: Path) -> None:
    write_coupon(board("alba-black"), tmp_path / "c", pitch_um=50.0)
    assert sorted(path.name for path in (tmp_path / "c").iterdir()) == [
        "coupon.json",
        "far_copper.png",
        "how_to_use.txt",
        "labels.png",
        "masks",
        "patch_map.json",
        "preview.png",
    ]
    read = read_patch_map((tmp_path / "c" / "patch_map.json").read_bytes())
    record = json.loads((tmp_path / "c" / "coupon.json").read_text(encoding="utf-8"))
    assert record["board"] == {"width": read.width_mm, "height": read.height_mm}
    assert record["patches"] == len(read.patches) == 24
    assert {patch.finish for patch in read.patches} == set(record["finishes"])


def test_an_earlier_folder_is_kept(tmp_path: Path) -> None:
    (tmp_path / "c").mkdir()
    with pytest.raises(ConflictError, match="exists"):
        write_coupon(board("alba-black"), tmp_path / "c", pitch_um=50.0)
    assert list(tmp_path.iterdir()) == [tmp_path / "c"]


def test_a_refused_coupon_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(CouponError, match="too coarse"):
        write_coupon(board("alba-black"), tmp_path / "c", pitch_um=100.0)
    assert list(tmp_path.iterdir()) == []


def test_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "c"
    status = main(["coupon", "--fab", str(FABS / "alba-black.toml"), "--out", str(out), "--pitch", "50um"])
    said = capsys.readouterr().out
    assert status == 0
    assert "24 patches" in said
    assert "left out: combs" in said
    assert main(["coupon", "--fab", str(FABS / "alba-black.toml"), "--out", str(out)]) == 2
    assert "exists" in capsys.readouterr().err
