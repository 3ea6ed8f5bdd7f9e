"""Drafts and closer looks, with a worker at hand."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from service.asking import ask_once
from tests.service.fixtures import FAB, a_worker, backing, finish, is_problem, post, service
from worker.engine.report.colour_scale import LARGEST
from worker.settings import PROJECT
from worker.tasks import Bench

OWL = (PROJECT / "samples" / "artworks" / "owl.png").read_bytes()
GIVEN = {"fab": FAB, "width": "12mm", "pitch": "40um"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("looks")) as client, a_worker(client):
        yield client


@pytest.fixture(scope="module")
def job(client: TestClient) -> str:
    """A conversion that a worker has done."""
    job = post(client, OWL, "owl.png", **{name: value for name, value in GIVEN.items() if name != "fab"}).json()["id"]
    behind = backing(client)
    bench = Bench(ledger=behind.ledger, store=behind.store, tables=behind.environment.data_dir, threads=1)
    assert bench.work("batch", "test") and behind.ledger.jobs.get("local", job).state == "done"
    return str(job)


def draft(client: TestClient, **fields: Any) -> Any:
    return client.post("/v1/drafts", files={"artwork": ("owl.png", OWL)}, data={**GIVEN, **fields})


def fields(given: Mapping[str, str]) -> dict[str, tuple[None, str]]:
    """A form without a file."""
    return {name: (None, value) for name, value in given.items()}


def picture(client: TestClient, address: str) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(client.get(address).content)))


def test_a_look_shows_the_job_as_it_was_delivered(client: TestClient, job: str) -> None:
    """Pillow reads the pictures; masks, report and labels are those of the job itself."""
    found = client.get(f"/v1/jobs/{job}/look").json()
    files = f"/v1/jobs/{job}/files"
    report = client.get(f"{files}/report.json").json()
    for name in ("grid", "clusters", "score", "edges", "cautions", "warnings"):
        assert found[name] == report[name], name
    labels = np.asarray(Image.open(io.BytesIO(client.get(f"{files}/labels.png").content)))
    board = np.asarray(Image.open(io.BytesIO(client.get(found["pictures"]["board"]).content)))
    assert found["shown"] == {"step_px": 1, "width_px": labels.shape[1], "height_px": labels.shape[0]}
    assert np.array_equal(board, labels)

    clusters = picture(client, found["pictures"]["clusters"])
    for cluster in report["clusters"]:
        share = (clusters == cluster["id"]).sum() / (clusters != 255).sum()  # 255 where the artwork is transparent
        assert share == pytest.approx(cluster["share"], abs=1e-6)
    art = picture(client, found["pictures"]["artwork"]).astype(float)
    for cluster in report["clusters"][:3]:  # the largest: their mean colour is theirs, but for rims
        mean = art[clusters == cluster["id"]].mean(axis=0)
        wanted = [int(cluster["colour"][i : i + 2], 16) for i in (1, 3, 5)]
        assert np.abs(mean - wanted).max() < 8

    error = picture(client, found["pictures"]["error"])
    step = found["error_map"]["step_px"]
    assert error.shape == (found["error_map"]["height_px"], found["error_map"]["width_px"])
    assert error.astype(float).mean() * LARGEST / 239 <= report["score"]["s_cielab"]["mean"] + 0.1, "cut off at 20"
    worst = found["worst"]
    assert worst[0]["delta_e"] == max(one["delta_e"] for one in worst)
    assert worst[0]["delta_e"] <= report["score"]["s_cielab"]["max"] + 1e-6
    for one in worst:
        value = error[one["y_px"] // step, one["x_px"] // step] * LARGEST / 239
        assert value == pytest.approx(min(one["delta_e"], LARGEST), abs=0.05)
        assert report["finishes"][labels[one["y_px"], one["x_px"]]]["id"] == one["finish"]
        assert one["x_mm"] == pytest.approx((one["x_px"] + 0.5) * 0.04, abs=1e-3)
        assert one["y_mm"] == pytest.approx((labels.shape[0] - one["y_px"] - 0.5) * 0.04, abs=1e-3)

    # What the eye sees keeps the mean light (each Gaussian sums to 1), and has less contrast than the picture.
    seen = picture(client, found["pictures"]["eye_artwork"])
    assert seen.shape[:2] == error.shape
    again = client.get(f"/v1/jobs/{job}/look").json()
    assert again["job"] == found["job"], "its pictures are made once"


def test_from_farther_away_less_is_seen(client: TestClient, job: str) -> None:
    near = client.get(f"/v1/jobs/{job}/look").json()
    far = client.get(f"/v1/jobs/{job}/look", params={"viewing_distance": "2m"})
    assert is_problem(far, 422, "viewing_distance", "2.5in")
    far = client.get(f"/v1/jobs/{job}/look", params={"viewing_distance": "2000mm"}).json()
    assert far["score"]["viewing_distance_mm"] == 2000
    assert far["score"]["s_cielab"]["max"] < near["score"]["s_cielab"]["max"]
    contrast = [picture(client, look["pictures"]["eye_board"]).astype(float).std() for look in (near, far)]
    assert contrast[1] < contrast[0]


def test_a_draft_answers_to_its_settings_and_leaves_no_job(client: TestClient) -> None:
    before = client.get("/v1/jobs").json()
    plain = draft(client).json()
    assert plain["grid"]["pitch_um"] == 40.0 and plain["grid"]["width_mm"] == pytest.approx(12, abs=0.05)
    assert client.get(plain["pictures"]["error"]).is_success and plain["pictures"]["eye_board"] is None
    for width, pitch in (("30mm", 97.5), ("300mm", 975.0)):
        coarse = draft(client, width=width).json()["grid"]
        assert (coarse["height_px"], coarse["pitch_um"]) == (400, pitch), "the file has 640 x 832 px"
    assert is_problem(draft(client, width="900mm"), 422, "the limit is 400 million"), "what the job would say"
    assert draft(client, width="30mm", detail="fine").json()["grid"]["pitch_um"] == 40.0, "no finer than the job"
    without = draft(client, forbid="gold").json()
    assert [one["share"] for one in without["finishes"] if one["id"] == "gold"] == [0.0]
    assert client.get("/v1/jobs").json() == before


def test_a_job_and_a_draft_may_take_the_files_of_an_earlier_job(client: TestClient, job: str) -> None:
    pin = next(one["colour"] for one in client.get(f"/v1/jobs/{job}/look").json()["clusters"]) + "=legend"
    asked = {**GIVEN, "from_job": job, "pin": pin}
    drafted = client.post("/v1/drafts", files=fields(asked)).json()
    assert next(one for one in drafted["clusters"] if one["pinned"])["finish"] == "legend"
    made = client.post("/v1/jobs", files=fields(asked)).json()
    assert made["artwork"] == client.get(f"/v1/jobs/{job}").json()["artwork"]
    assert made["settings"]["pin"] == [pin.replace("=", "~5=")]
    client.delete(f"/v1/jobs/{made['id']}")
    both = client.post("/v1/jobs", files={"artwork": ("a.png", b"x")}, data=asked)
    assert is_problem(both, 422, "from_job", "Send one of the two")
    assert is_problem(client.post("/v1/jobs", files=fields({**asked, "from_job": "0" * 32})), 404)
    assert is_problem(client.post("/v1/jobs", files=fields({**asked, "from_job": drafted["job"]})), 409)


def test_what_can_t_be_looked_at(client: TestClient, job: str) -> None:
    assert is_problem(client.get(f"/v1/jobs/{job}/look", params={"side": "bottom"}), 422, "two artworks")
    assert is_problem(client.get(f"/v1/jobs/{'0' * 32}/look"), 404)
    waiting = post(client, OWL, "owl.png", width="13mm").json()["id"]
    assert is_problem(client.get(f"/v1/jobs/{waiting}/look"), 409, "queued")
    client.delete(f"/v1/jobs/{waiting}")
    for wrong, words in (
        ({"detail": "best"}, "quick, fine"),
        ({"side": "bottom"}, "two artworks"),
        ({"fab": "x"}, "fab"),
    ):
        assert is_problem(draft(client, **wrong), 422, words)
    broken = client.post("/v1/drafts", files={"artwork": ("a.png", b"no picture")}, data=GIVEN)
    assert is_problem(broken, 422)
    assert is_problem(client.post("/v1/drafts", files=fields(GIVEN)), 422, "no artwork")


def test_both_sides_of_a_piece(client: TestClient) -> None:
    front, behind = (PROJECT / "samples" / folder / "lamp-keepsake.png" for folder in ("artworks", "backs"))
    files = {"artwork": ("front.png", front.read_bytes()), "bottom": ("back.png", behind.read_bytes())}
    asked = {"fab": "meadow-tin", "width": "12mm", "pitch": "60um", "board": "disc"}
    sides = [client.post("/v1/drafts", files=files, data={**asked, "side": side}).json() for side in ("top", "bottom")]
    boards = [picture(client, side["pictures"]["board"]) for side in sides]
    assert boards[0].shape == boards[1].shape
    assert np.array_equal(boards[0] == 255, boards[1][:, ::-1] == 255), "one outline, which the bottom sees mirrored"
    assert not np.array_equal(boards[0], boards[1])


def test_a_question_that_takes_long_is_answered_by_its_job(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.routes import looks

    monkeypatch.setattr(looks, "ANSWER_SECONDS", 0.0)
    assert ask_once is looks.ask_once
    made = post(client, b"artwork", "late.png", width="14mm").json()["id"]
    finish(client, made, {"report.json": b"{}"}, {})
    first = client.get(f"/v1/jobs/{made}/look")
    assert (
        first.status_code == 202 and first.json()["kind"] == "look" and first.json()["state"] in ("queued", "running")
    )
