"""`maskwright submit` against a whole service: a folder goes out as one collection, and its results come back."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tarfile
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from urllib.parse import unquote

import pytest
import urllib3

from tests.engine.circuit.circuits import small_circuit
from tests.worker.rig import wait_for
from tests.worker.serving import Service, serving
from worker import client as room
from worker.client import Client
from worker.collection.outgoing import files_below, multipart
from worker.errors import ArtworkError
from worker.settings import PROJECT

SAMPLES = PROJECT / "samples" / "artworks"
COARSE = ("--fab", "nocturne-gold", "--pitch", "100um", "--width", "9mm")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with serving(tmp_path_factory.mktemp("served") / "data") as service:
        yield service


@pytest.fixture
def birds(tmp_path: Path) -> Path:
    folder = tmp_path / "birds"
    (folder / "owls").mkdir(parents=True)
    shutil.copy(SAMPLES / "quillmere-badge.png", folder / "owls" / "badge_7mm.png")
    shutil.copy(SAMPLES / "small-rover.bmp", folder / "rover.bmp")
    (folder / "notes.txt").write_text("remember")
    return folder


def submit(service: Service, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "worker", "submit", *map(str, arguments), "--server", service.address]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=PROJECT, check=False)


def test_a_folder_goes_out_and_its_results_come_back(running: Service, birds: Path, tmp_path: Path) -> None:
    (birds / "broken.png").write_bytes(b"no picture")
    out = tmp_path / "out"
    done = submit(running, birds, *COARSE, "--out", out)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "3 artworks, 0 known" in done.stdout and "left out: notes.txt" in done.stdout
    assert "failed: broken.png: " in done.stderr and "Save the artwork as" in done.stderr
    report = json.loads((out / "owls" / "badge_7mm" / "report.json").read_text())
    assert report["grid"]["width_mm"] == 7.0
    assert json.loads((out / "rover" / "report.json").read_text())["grid"]["width_mm"] == 9.0
    page = (out / "report.html").read_text()
    links = re.findall(r'href="([^"]+)"', page)
    assert "rover.bmp" in page and {"contact-sheet-1.png", "owls/badge_7mm/comparison.png"} <= set(links)
    assert all((out / unquote(link)).is_file() for link in links), "the page needs no service"
    assert [row["path"] for row in json.loads((out / "report.json").read_text())["artworks"]][-1] == "broken.png"

    kept = (out / "rover" / "report.json").stat().st_mtime_ns
    (birds / "broken.png").unlink()
    manifest = tmp_path / "m.csv"
    manifest.write_text("artwork,width\nowls/badge_7mm.png,6mm\n")
    again = submit(running, birds, *COARSE, "--out", out, "--manifest", manifest)
    assert again.returncode == 0 and "2 artworks, 1 known" in again.stdout
    assert json.loads((out / "owls" / "badge_7mm" / "report.json").read_text())["grid"]["width_mm"] == 6.0
    assert (out / "rover" / "report.json").stat().st_mtime_ns == kept, "it did not change"


def test_a_watched_folder_is_sent_when_it_changes(running: Service, birds: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [sys.executable, "-m", "worker", "submit", birds, *COARSE, "--out", out, "--watch"]
    watching = subprocess.Popen(
        [*map(str, command), "--server", running.address], stdout=subprocess.PIPE, text=True, cwd=PROJECT
    )
    try:
        wait_for(lambda: (out / "rover" / "report.json").is_file())
        shutil.copy(SAMPLES / "quillmere-badge.png", birds / "wren.png")
        wait_for(lambda: (out / "wren" / "report.json").is_file())
        watching.send_signal(signal.SIGINT)
        told, _ = watching.communicate(timeout=30)
    finally:
        watching.kill()
    assert watching.returncode == 130
    assert "2 artworks" in told and "3 artworks, 2 known" in told


def test_a_folder_goes_out_beside_a_circuit(running: Service, birds: Path, tmp_path: Path) -> None:
    """What the command says counts before the circuit file; sent again, the same circuit is known again."""
    circuit = birds / "board"
    circuit.mkdir()
    unnamed = {name: data.replace(b"%TF.FileFunction,Legend,Top*%\n", b"") for name, data in small_circuit().items()}
    for name, data in unnamed.items():
        (circuit / name).write_bytes(data)
    said = birds / "circuit.toml"
    said.write_text('net = "LED"\n[[places]]\nkind = "antenna"\ncircle = [20.0, 26.0, 2.0]\n')
    beside = ("--circuit", circuit, "--circuit-file", said, "--net", "GND", "--layer", "three.gbr=Legend,Top")
    call = (running, birds, "--fab", "meadow-tin", "--pitch", "100um", *beside, "--out", tmp_path / "out")
    done = submit(*call)
    assert done.returncode == 0 and "2 artworks, 0 known" in done.stdout, done.stderr
    report = json.loads((tmp_path / "out" / "rover" / "report.json").read_text())
    block = report["circuit"]
    assert (block["net"], [place["kind"] for place in block["places"]]) == ("GND", ["antenna"])
    assert {file["name"]: file["said_by"] for file in block["files"]}["three.gbr"] == "the user"
    assert report["grid"]["width_mm"] == 12.0
    assert "2 artworks, 2 known" in submit(*call).stdout
    (circuit / "edge.gbr").write_bytes(b"no layer")
    refused = submit(*call)
    assert refused.returncode == 1 and "edge.gbr" in refused.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere", *COARSE], "no file or folder 'nowhere'"),
        ([SAMPLES, "--fab", "nobody"], "nobody"),
        ([SAMPLES / "owl.png", *COARSE, "--watch"], "folders alone"),
        ([SAMPLES, *COARSE, "--manifest", "missing.csv"], "missing.csv can't be read"),
        ([SAMPLES, "--fab", "nocturne-gold", "--edges", "round"], "edges"),
        ([SAMPLES, *COARSE, "--net", "GND"], "no circuit"),
    ],
)
def test_what_is_wrong_is_said(running: Service, arguments: list[object], words: str) -> None:
    done = submit(running, *arguments)
    assert done.returncode == 2 and words in done.stderr and "Traceback" not in done.stderr, done.stderr


def test_a_service_that_is_away_is_said_so(birds: Path) -> None:
    command = [sys.executable, "-m", "worker", "submit", birds, *COARSE, "--server", "http://127.0.0.1:9"]
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, cwd=PROJECT, check=False)
    assert done.returncode == 2 and "does not answer" in done.stderr


def test_the_body_is_a_tar_archive_that_tarfile_reads(tmp_path: Path) -> None:
    long = "a" * 120 + "ä.png"
    (tmp_path / "birds").mkdir()
    (tmp_path / "birds" / long).write_bytes(b"x" * 1000)
    (tmp_path / "empty.png").write_bytes(b"")
    (tmp_path / ".hidden.png").write_bytes(b"x")
    os.symlink(tmp_path / "empty.png", tmp_path / "link.png")
    files = files_below([tmp_path])
    assert [file.path for file in files] == [f"birds/{long}", "empty.png"]
    kind, body = multipart([("fab", "f")], files, [("manifest", "m.csv", b"artwork\n")])
    boundary = kind.partition("boundary=")[2].encode()
    *_, last, end = b"".join(body).split(b"--" + boundary)
    assert end == b"--\r\n"
    archive = last.partition(b"\r\n\r\n")[2].removesuffix(b"\r\n")
    with tarfile.open(fileobj=io.BytesIO(archive)) as opened:
        members = opened.getmembers()
        assert [(member.name, member.size) for member in members] == [(f"birds/{long}", 1000), ("empty.png", 0)]
        first = opened.extractfile(members[0])
        assert first is not None and first.read() == b"x" * 1000


def test_a_file_that_shrinks_while_it_is_sent_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"x" * 1000)
    files = files_below([tmp_path])
    time.sleep(0.01)
    (tmp_path / "a.png").write_bytes(b"x")
    with pytest.raises(ArtworkError, match="became shorter"):
        list(multipart([], files)[1])


def test_a_service_may_take_its_time_to_keep_many(monkeypatch: pytest.MonkeyPatch) -> None:
    """Other answers come soon or not at all; this one comes once every artwork is on a disk that may be slow."""

    class Slow(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            time.sleep(0.6)
            self.send_response(202)
            self.end_headers()
            self.wfile.write(b'{"id": "late"}')

    monkeypatch.setattr(room, "TIMEOUT", urllib3.Timeout(connect=5.0, read=0.2))
    server = HTTPServer(("127.0.0.1", 0), Slow)
    threading.Thread(target=server.handle_request, daemon=True).start()
    with Client(f"http://127.0.0.1:{server.server_port}") as client:
        assert client.submit_collection([("fab", "any")], []) == {"id": "late"}
    server.server_close()
