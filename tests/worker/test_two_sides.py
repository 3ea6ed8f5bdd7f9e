"""The sample with two sides, over HTTP and by a real worker; and the same on the command line."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import urllib3
from PIL import Image

from worker.cli import main
from worker.client import Client, RefusedError
from worker.demo import check_piece, service

SAMPLES = Path(__file__).parents[2] / "samples"
FRONT, BACK = SAMPLES / "artworks" / "lamp-keepsake.png", SAMPLES / "backs" / "lamp-keepsake.png"
SETTINGS = {"width": "24mm", "board": "disc", "pitch": "100um"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with service(tmp_path_factory.mktemp("service")) as address, Client(address) as client:
        yield client


def finished(client: Client, job: dict[str, Any]) -> dict[str, Any]:
    *_, last = client.follow(job["id"])
    assert last["state"] == "done", last["error"]
    return last


def test_the_sample_comes_back_whole_with_both_sides_and_its_files(client: Client) -> None:
    order = {"fab": "meadow-tin", "settings": {**SETTINGS, "fabrication": "on"}, "idempotency_key": "lamp"}
    bottom = ("behind.png", BACK.read_bytes())
    job = client.submit(FRONT.name, FRONT.read_bytes(), bottom=bottom, **order)  # type: ignore[arg-type]
    assert job["bottom"]["name"] == "behind.png" and job["bottom"]["bytes"] == len(bottom[1])
    again = client.submit(FRONT.name, FRONT.read_bytes(), bottom=bottom, **order)  # type: ignore[arg-type]
    assert again["id"] == job["id"]
    with pytest.raises(RefusedError) as refused:
        client.submit(FRONT.name, FRONT.read_bytes(), bottom=(bottom[0], FRONT.read_bytes()), **order)  # type: ignore[arg-type]
    assert refused.value.code == "key-reused"
    done = finished(client, job)
    assert [side["side"] for side in done["result"]["sides"]] == ["top", "bottom"]
    listed = {file["path"]: file for file in client.files(job["id"])}
    files = {path: client.download(file) for path, file in listed.items()}
    assert set(check_piece("lamp", files)) == {"lamp (top)", "lamp (bottom)"}
    assert {"fabrication/copper-top.gbr", "fabrication/copper-bottom.gbr"} <= set(files)
    report = json.loads(files["report.json"])
    assert [side["artwork"] for side in report["sides"]] == [FRONT.name, "behind.png"]
    archive = urllib3.PoolManager().request("GET", client.address + job["links"]["package"]).data
    assert set(zipfile.ZipFile(io.BytesIO(archive)).namelist()) == {f"lamp-keepsake/{path}" for path in files}
    light = np.asarray(Image.open(io.BytesIO(files["views/through-light.png"]))).astype(int).sum(axis=-1)
    left, right = light[70:180, 45:95], light[70:180, 145:195]
    assert left.mean() > 2 * right.mean(), "the crescent shines in the lamp, which the front has on the left"
    _previews_each_side(client, job["id"])


def _previews_each_side(client: Client, job_id: str) -> None:
    """A darker tin: the bottom, which has less of it, moves by another amount than the top."""
    edit = {"finish": "tin", "lab": [40.0, 0.0, 0.0], "illuminant": "D65", "observer": "2"}
    shares = {}
    for side in ("top", "bottom"):
        answer = client.ask("POST", "/v1/fabs/meadow-tin/preview", {"job": job_id, "side": side, "edits": [edit]})
        shares[side] = next(finish["share"] for finish in answer["finishes"] if finish["id"] == "tin")
    assert shares["top"] > shares["bottom"] > 0


def test_the_command_line_pairs_folders_by_stem(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for folder, source in (("fronts", FRONT), ("backs", BACK)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "lamp.png").write_bytes(source.read_bytes())
    (tmp_path / "fronts" / "alone.png").write_bytes(FRONT.read_bytes())
    out = tmp_path / "out"
    options = [f"--{name}={value}" for name, value in SETTINGS.items()]
    for name in ("", "lamp.png"):  # both folders, and then the pair alone, whose earlier result is replaced whole
        given = [str(tmp_path / "fronts" / name), "--bottom", str(tmp_path / "backs" / name), "--fab", "meadow-tin"]
        assert main(["convert", *given, "--out", str(out), *options]) == 0
    assert {path.name for path in (out / "lamp").iterdir()} == {"top", "bottom", "views", "report.json"}
    assert (out / "alone" / "masks").is_dir() and not (out / "alone" / "top").exists()
    said = capsys.readouterr().out
    assert "lamp (top): " in said and "lamp (bottom): " in said and "alone: " in said
