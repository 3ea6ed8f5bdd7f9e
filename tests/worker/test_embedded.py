"""The whole service in one command, with the real engine: start, work, stop, and no process left behind."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from service.tuning_answers import PreviewAnswer, ReferencesAnswer
from tests.worker.rig import alive, wait_for
from tests.worker.serving import Service, serving
from worker.client import Client, RefusedError
from worker.embedded import MAX_SOCKET_PATH, locked, socket_folder
from worker.errors import ConflictError, UnavailableError
from worker.ledger import Ledger
from worker.settings import PROJECT

pytestmark = pytest.mark.slow


ARTWORK = PROJECT / "samples" / "artworks" / "quillmere-badge.png"
FAB = "nocturne-gold"
LIMIT = 4 * 1024 * 1024


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    data = tmp_path_factory.mktemp("embedded") / "data"
    with serving(data, MASKWRIGHT_MAX_UPLOAD_BYTES=str(LIMIT), MASKWRIGHT_DRAIN_SECONDS="1") as service:
        yield service


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(service.address) as client:
        yield client


def submit(client: Client, width: str = "25mm", lane: str = "batch", **more: str) -> str:
    job = client.submit(
        ARTWORK.name,
        ARTWORK.read_bytes(),
        fab=FAB,
        settings={"width": width, "pitch": "50um", "edges": "threshold", **more},
        lane=lane,
    )
    return str(job["id"])


@pytest.mark.parametrize("lane", ["batch", "interactive"])
def test_an_artwork_goes_in_and_masks_come_out(client: Client, service: Service, lane: str) -> None:
    *seen, job = client.follow(submit(client, lane=lane))
    assert job["state"] == "done", (job["error"], service.logs())
    assert seen[0]["state"] in ("queued", "running")
    files = {file["path"]: client.download(file) for file in client.files(job["id"])}
    report = json.loads(files["report.json"])
    assert {"labels.png", "preview.png", "error.png", "comparison.png"} <= set(files)
    assert {finish["mask"] for finish in report["finishes"]} == {path for path in files if path.startswith("masks/")}
    assert all(data.startswith(b"\x89PNG") for path, data in files.items() if path.endswith(".png"))
    assert job["score"] == report["score"] and job["fab"]["revision"] == report["fab"]["revision"]
    assert job["result"]["width_mm"] == pytest.approx(25, abs=0.05)


def test_equal_jobs_give_equal_bytes(client: Client) -> None:
    results = []
    for _ in range(2):
        *_, job = client.follow(submit(client))
        results.append({file["path"]: file["sha256"] for file in client.files(job["id"])})
    del results[0]["report.json"], results[1]["report.json"]  # it tells how long each stage took
    assert results[0] == results[1]


def test_references_and_previews_are_answered_at_once(client: Client) -> None:
    found = client.ask("GET", f"/v1/fabs/{FAB}/references?viewing_conditions=D50/2")
    ReferencesAnswer.model_validate(found)
    *_, job = client.follow(submit(client))
    before = client.ask("POST", f"/v1/fabs/{FAB}/preview", {"job": job["id"]})
    PreviewAnswer.model_validate(before)
    for name in ("ciede2000", "s_cielab"):
        assert before[name]["exact"] == job["score"][name]
    assert before["ciede2000"]["after"]["mean"] == pytest.approx(job["score"]["ciede2000"]["mean"], abs=0.1)
    edit = {"finish": "gold", "lab": [60.0, 12.0, 40.0], "illuminant": "D65", "observer": "2"}
    after = client.ask("POST", f"/v1/fabs/{FAB}/preview", {"job": job["id"], "edits": [edit]})
    assert abs(after["s_cielab"]["change"]) > 0.05 and after["s_cielab"]["before"] == before["s_cielab"]["after"]
    assert all(one["kind"] == "convert" for one in client.ask("GET", "/v1/jobs")["jobs"])
    (newest, *_) = client.ask("GET", "/v1/jobs?kind=preview&limit=1")["jobs"]
    assert newest["result"]["answer"]["s_cielab"] == after["s_cielab"]
    with pytest.raises(RefusedError, match="moon"):
        client.ask("GET", f"/v1/fabs/{FAB}/references?viewing_conditions=moon")


def test_what_is_wrong_for_the_worker_alone_comes_back_to_the_request(client: Client) -> None:
    toml = (PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_text()
    *_, job = client.follow(submit(client))
    lacking = toml.replace('id = "gold"', 'id = "brass"')
    with pytest.raises(RefusedError, match="gold") as refused:
        client.ask("POST", f"/v1/fabs/{FAB}/preview", {"job": job["id"], "toml": lacking})
    assert refused.value.status == 422


def test_an_artwork_that_is_none_fails_with_its_mend(client: Client) -> None:
    job = client.submit("a.png", b"no picture at all", fab=FAB, settings={"width": "25mm"})
    *_, failed = client.follow(job["id"])
    assert failed["state"] == "failed" and failed["error"]["code"] == "artwork" and failed["error"]["detail"]


def test_a_refusal_says_why(client: Client) -> None:
    with pytest.raises(RefusedError, match="Choose 5um to 100um") as caught:
        client.submit("a.png", b"x", fab=FAB, settings={"pitch": "1mm"})
    assert caught.value.status == 422


def test_an_endless_upload_is_stopped_soon_after_the_limit(service: Service) -> None:
    host, _, port = service.address.removeprefix("http://").partition(":")
    sent = 0
    with socket.create_connection((host, int(port)), timeout=20) as connection:
        head = (
            f"POST /v1/jobs HTTP/1.1\r\nHost: {host}:{port}\r\nTransfer-Encoding: chunked\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\n\r\n"
        )
        start = b'--b\r\nContent-Disposition: form-data; name="artwork"; filename="a.png"\r\n\r\n'
        connection.sendall(head.encode() + f"{len(start):x}\r\n".encode() + start + b"\r\n")
        chunk = b"10000\r\n" + bytes(0x10000) + b"\r\n"
        with suppress(BrokenPipeError, ConnectionResetError):
            while sent < 20 * LIMIT:
                connection.sendall(chunk)
                sent += 0x10000
        answer = b""
        with suppress(ConnectionResetError):
            answer = connection.recv(65536)
    assert LIMIT < sent < 10 * LIMIT and (not answer or b" 413 " in answer)
    assert list((service.data / "store" / "spooled").iterdir()) == []


def test_a_second_service_on_the_same_data_is_refused(service: Service) -> None:
    command = [sys.executable, "-m", "worker.embedded", "--port", "0", "--data-dir", str(service.data)]
    second = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, timeout=60)
    assert second.returncode == 1 and "Another service runs" in second.stderr and "--data-dir" in second.stderr


def test_a_part_that_dies_is_started_again(client: Client, service: Service) -> None:
    for name in ("valkey", "celery", "service"):
        killed = [pid for pid in service.below() if name in Path(f"/proc/{pid}/cmdline").read_text()]
        assert killed, name
        os.kill(killed[0], signal.SIGKILL)
    wait_for(lambda: submitted(client))
    *_, job = client.follow(submit(client))
    assert job["state"] == "done"


def submitted(client: Client) -> bool:
    try:
        submit(client)
    except UnavailableError:
        return False
    return True


def test_a_killed_service_leaves_no_process_and_a_stopped_one_neither_and_no_job_is_lost(
    service: Service, client: Client
) -> None:
    job_id = submit(client, width="300mm", pitch="20um")
    wait_for(lambda: client.job(job_id)["state"] == "running")
    below = service.below()
    assert len(below) >= 6
    service.process.kill()
    service.process.wait()
    wait_for(lambda: not [pid for pid in below if alive(pid)])
    with serving(service.data, MASKWRIGHT_DRAIN_SECONDS="1") as again, Client(again.address) as client:
        wait_for(lambda: client.job(job_id)["state"] == "running")
        assert client.job(job_id)["attempt"] == 2
        below = again.below()
        again.process.send_signal(signal.SIGINT)
        assert again.process.wait(30) == 0
        assert not [pid for pid in below if alive(pid)]
    ledger = Ledger(f"sqlite:///{service.data / 'ledger.sqlite'}")
    job = ledger.jobs.get("local", job_id)
    assert job.state == "queued" and job.attempt == 1, "a stop that was asked for costs no attempt"
    ledger.close()


def test_a_data_directory_is_held_alone(tmp_path: Path) -> None:
    with locked(tmp_path / "data"), pytest.raises(ConflictError, match="Another service"), locked(tmp_path / "data"):
        pass
    with locked(tmp_path / "data"):
        assert (tmp_path / "data").stat().st_mode & 0o777 == 0o700


def test_the_brokers_socket_has_a_short_path(tmp_path: Path) -> None:
    with socket_folder(Path("/short")) as folder:
        assert folder == Path("/short")
    with socket_folder(tmp_path / ("x" * 120)) as folder:
        assert len(os.fsencode(folder / "broker.sock")) <= MAX_SOCKET_PATH and folder.is_dir()
    assert not folder.exists()
