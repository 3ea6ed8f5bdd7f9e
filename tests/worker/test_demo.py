"""The demo, from its start command: everything that it is given comes back, or it says what did not."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.worker.rig import alive
from worker.artwork_files import ArtworkFile
from worker.demo import check_whole, order, read_orders
from worker.errors import SettingsError, StorageError
from worker.settings import PROJECT, child_environment

pytestmark = pytest.mark.slow


SAMPLES = PROJECT / "samples" / "artworks"


def run(artworks: Path, out: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "worker.demo", "--artworks", str(artworks), "--out", str(out)],
        cwd=PROJECT,
        env=child_environment({}),
        capture_output=True,
        text=True,
        timeout=240,
    )


def service_processes(data: Path) -> list[int]:
    """Processes whose environment names this data directory."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid() and alive(int(entry.name)):
            try:
                environment = (entry / "environ").read_bytes()
            except OSError:
                continue
            if f"MASKWRIGHT_DATA_DIR={data}".encode() in environment.split(b"\0"):
                found.append(int(entry.name))
    return found


def test_good_artworks_come_back_whole_and_a_bad_one_is_named(tmp_path: Path) -> None:
    artworks, out = tmp_path / "artworks", tmp_path / "out"
    artworks.mkdir()
    for name in ("small-rover.bmp", "night-watch-token.png"):
        shutil.copy(SAMPLES / name, artworks)
    (artworks / "settings.toml").write_text(
        '["small-rover.bmp"]\nfab = "alba-black"\nwidth = "1in"\npitch = "100um"\n'
        '["night-watch-token.png"]\nfab = "nocturne-gold"\nwidth = "20mm"\npitch = "100um"\nforbid = ["gold"]\n'
    )
    good = run(artworks, out)
    assert good.returncode == 0, good.stdout + good.stderr
    lines = good.stdout.splitlines()
    assert lines[0].startswith("night-watch-token: 20.0 x 20.0 mm (0.79 x 0.79 in); finishes ")
    assert lines[1].startswith("small-rover: 25.4 x 25.4 mm (1.00 x 1.00 in); ")
    assert all("error mean" in line and "continuous reference" in line for line in lines[:2])
    assert lines[2].startswith("near ties: ")
    assert lines[3] == f"results: {out}"
    for name, fab in (("small-rover", "alba-black"), ("night-watch-token", "nocturne-gold")):
        report = json.loads((out / name / "report.json").read_text())
        assert report["fab"]["id"] == fab
        assert all((out / name / finish["mask"]).is_file() for finish in report["finishes"])
    assert service_processes(out / ".service") == []

    (artworks / "broken.png").write_bytes(b"no picture")
    (artworks / "night-watch-token.png").unlink()
    (artworks / "settings.toml").write_text('["small-rover.bmp"]\nfab = "alba-black"\nwidth = "1in"\npitch = "100um"\n')
    bad = run(artworks, out)
    assert bad.returncode == 1
    assert "failed: broken: " in bad.stderr and "Traceback" not in bad.stderr
    assert len(bad.stdout.splitlines()) == 3 and not (out / "broken").exists()
    assert service_processes(out / ".service") == []


def test_a_folder_with_no_artwork_is_said_so(tmp_path: Path) -> None:
    nothing = run(tmp_path, tmp_path / "out")
    assert nothing.returncode == 1 and "No artwork" in nothing.stderr and not (tmp_path / "out").exists()


def test_how_an_artwork_is_ordered(tmp_path: Path) -> None:
    artwork = ArtworkFile(path=Path("a.png"), result=Path("a"))
    plain = order(artwork, {}, "first")
    assert (plain.fab, dict(plain.settings)) == ("first", {"width": "60mm"})
    given = {"a.png": {"fab": "mine", "max_finishes": 3, "pin": ["#000000=mask", "#FFFFFF=legend"]}}
    ordered = order(artwork, given, "first")
    assert ordered.fab == "mine"
    assert dict(ordered.settings) == {"max_finishes": "3", "pin": ["#000000=mask", "#FFFFFF=legend"]}
    (tmp_path / "back.png").write_bytes(b"")
    front = ArtworkFile(path=tmp_path / "front.png", result=Path("front"))
    pair = order(front, {"front.png": {"bottom": "back.png", "width": "24mm"}}, "first")
    assert pair.artwork.bottom == tmp_path / "back.png" and dict(pair.settings) == {"width": "24mm"}
    with pytest.raises(SettingsError, match=r"gone\.png"):
        order(front, {"front.png": {"bottom": "gone.png"}}, "first")
    (tmp_path / "settings.toml").write_text("[")
    with pytest.raises(SettingsError, match=r"settings\.toml"):
        read_orders(tmp_path / "settings.toml")


def test_a_result_with_a_file_missing_is_not_whole() -> None:
    report = json.dumps({"finishes": [{"mask": "masks/gold.png"}]}).encode()
    files = dict.fromkeys(
        ("labels.png", "preview.png", "error.png", "comparison.png", "tuning.npz", "masks/gold.png"), b""
    )
    assert check_whole({**files, "report.json": report})["finishes"]
    with pytest.raises(StorageError, match=r"report\.json"):
        check_whole(files)
    del files["masks/gold.png"]
    with pytest.raises(StorageError, match=r"masks/gold\.png"):
        check_whole({**files, "report.json": report})
