"""The coupon as a folder: an exact partition in masks of stated resolution, whole or not there."""

from __future__ import annotations

import json
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.boards import FABS, board
from tests.engine.fabrication.readers import drawn_by_gerbonara
from worker.cli import main
from worker.coupon_run import write_coupon
from worker.engine.fabrication.coupon import Coupon
from worker.errors import ConflictError, CouponError
from worker.patch_map import read_patch_map

Image.MAX_IMAGE_PIXELS = None


@dataclass(frozen=True)
class Written:
    """A coupon, and the folder that it was written to."""

    coupon: Coupon
    folder: Path


@pytest.fixture(scope="module")
def alba(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """One for all that look at what stands in a folder."""
    folder = tmp_path_factory.mktemp("coupon") / "c"
    return Written(write_coupon(board("alba-black"), folder, pitch_um=50.0), folder)


def picture(path: Path) -> np.ndarray:
    """bool (H, W): a 1-bit PNG."""
    with Image.open(path) as image:
        return np.asarray(image)


@pytest.mark.parametrize("name", ["alba-black", "meadow-tin", "nocturne-gold"])
def test_masks_are_an_exact_partition(alba: Written, tmp_path: Path, name: str) -> None:
    """Read back by Pillow."""
    coupon, folder = alba.coupon, alba.folder
    if name != "alba-black":
        folder = tmp_path / "coupon"
        coupon = write_coupon(board(name), folder, pitch_um=50.0)
    total = np.zeros(coupon.labels.shape, dtype=np.uint8)
    with Image.open(folder / "labels.png") as image:
        assert image.mode == "P"
        labels = np.asarray(image)
    for index, finish in enumerate(coupon.fab.finishes):
        with Image.open(folder / "masks" / f"{finish.id}.png") as image:
            assert image.mode == "1"
            assert image.info["dpi"] == pytest.approx((508.0, 508.0), abs=0.1)
            mask = np.asarray(image)
        total += mask
        assert (labels[mask] == index).all()
    assert (total == 1).all()
    with Image.open(folder / "far_copper.png") as image:
        far = np.asarray(image)
    assert far.shape == labels.shape
    assert 0.2 < far.mean() < 0.6


def test_the_folder_is_whole_and_its_map_and_record_agree(alba: Written) -> None:
    assert sorted(path.name for path in alba.folder.iterdir()) == [
        "coupon.json",
        "fabrication",
        "far_copper.png",
        "how_to_use.txt",
        "labels.png",
        "masks",
        "patch_map.json",
        "preview.png",
    ]
    read = read_patch_map((alba.folder / "patch_map.json").read_bytes())
    record = json.loads((alba.folder / "coupon.json").read_text(encoding="utf-8"))
    assert record["board"] == {"width": read.width_mm, "height": read.height_mm}
    assert record["patches"] == len(read.patches) == 24
    assert {patch.finish for patch in read.patches} == set(record["finishes"])


def test_its_fabrication_files_draw_what_its_masks_show(alba: Written) -> None:
    """Read by gerbonara: layers by the finishes' recipes, but for the distance that the fab wants from the edge."""
    fab = board("alba-black")
    files = alba.folder / "fabrication"
    masks = {finish.id: picture(alba.folder / "masks" / f"{finish.id}.png") for finish in fab.finishes}
    shape = next(iter(masks.values())).shape
    layers = {
        "copper-top": [finish.id for finish in fab.finishes if finish.recipe.copper == "solid"],
        "solder-mask-top": [finish.id for finish in fab.finishes if finish.recipe.mask_opening],
        "legend-top": [finish.id for finish in fab.finishes if finish.recipe.legend],
    }
    for name, shown in layers.items():
        drawn = drawn_by_gerbonara((files / f"{name}.gbr").read_bytes(), *shape, 50.0)
        assert shown and (drawn == np.any([masks[finish] for finish in shown], axis=0)).all(), name
    below = drawn_by_gerbonara((files / "copper-bottom.gbr").read_bytes(), *shape, 50.0)
    assert (below == picture(alba.folder / "far_copper.png")).all()  # both as seen from the top
    head = (files / "copper-top.gbr").read_bytes()[:600]
    assert b"%TF.Part,Coupon*%" in head and b"%TF.FileFunction,Copper,L1,Top*%" in head


def test_its_package_says_what_is_meant(alba: Written) -> None:
    files = alba.folder / "fabrication"
    sheet = (files / "READ ME FIRST.txt").read_text(encoding="utf-8")
    width, height = alba.coupon.size_mm
    for said in (f"{width:.2f} x {height:.2f} mm", "from half of your", "Delivered:", "glass dust", "Proof"):
        assert said in sheet
    assert max(len(line) for line in sheet.splitlines()) <= 78
    with zipfile.ZipFile(files / "coupon-alba-black-fabrication.zip") as package:
        names = set(package.namelist())
        assert package.read("copper-top.gbr") == (files / "copper-top.gbr").read_bytes()
    assert {"READ ME FIRST.txt", "profile.gbr", "board.gbrjob", "looks-like-top.png"} < names
    assert names == {path.name for path in files.iterdir()} - {
        "assembly.svg",
        "assembly.dxf",
        "coupon-alba-black-fabrication.zip",
    }


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
