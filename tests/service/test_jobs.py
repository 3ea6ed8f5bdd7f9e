"""Jobs over HTTP: ask, look, list, follow, stop."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.upload import _file_name
from tests.service.fixtures import FAB, backing, finish, is_problem, post, service
from worker.job import Package, Progress
from worker.job_settings import SETTINGS


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with service(tmp_path) as client:
        yield client


def test_a_job_is_taken_with_its_settings_though_the_broker_is_away(client: TestClient) -> None:
    response = post(client, width="2in", pin=["#C82828~12=gold", "#000000=mask"], use="worn", lane="interactive")
    assert response.status_code == 202
    job = response.json()
    assert response.headers["location"] == job["links"]["self"] == f"/v1/jobs/{job['id']}"
    assert job["state"] == "queued" and job["lane"] == "interactive" and job["kind"] == "convert"
    assert job["settings"]["width"] == "50.8mm" and job["settings"]["pin"] == ["#C82828~12=gold", "#000000~5=mask"]
    assert job["artwork"] == {
        "name": "badge.png",
        "bytes": 7,
        # of the seven bytes "artwork", by coreutils' sha256sum
        "sha256": "1322ce8bd7553ad00d781150743cb3b760c5715f55bd25a042b3f39e8c28251a",
    }
    assert client.get(job["links"]["self"]).json() == job
    stored = backing(client).store.open(f"artworks/{job['artwork']['sha256']}")
    assert stored.read() == b"artwork"


def test_every_setting_is_taken_by_its_name(client: TestClient) -> None:
    examples = {name: example for name, (example, _, _) in SETTINGS.items()}
    examples |= {"pin": "#C82828~12=gold", "forbid": "legend", "background": "mask", "palette": "each"}
    response = post(client, **examples)
    assert response.status_code == 202, response.text
    assert set(response.json()["settings"]) == set(SETTINGS)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"fab": "nowhere"}, ["nowhere", "GET /v1/fabs"]),
        ({"fab": ""}, ["names no fab", "GET /v1/fabs"]),
        ({"width": "60"}, ["width", "'60'", "mm"]),
        ({"pitch": "200um"}, ["pitch", "200um", "5um to 100um"]),
        ({"pin": "#C82828=silver"}, ["silver", "Its finishes"]),
        ({"forbid": "silver"}, ["silver", "Its finishes"]),
        ({"background": "silver"}, ["silver", "Its finishes"]),
        ({"lane": "fast"}, ["lane", "fast", "batch, interactive"]),
        ({"colour": "red"}, ["colour", "Known parts"]),
        ({"width": ["60mm", "70mm"]}, ["width", "twice"]),
    ],
)
def test_a_wrong_setting_is_said_at_once(client: TestClient, fields: dict[str, str], words: list[str]) -> None:
    assert is_problem(post(client, **fields), 422, *words)
    assert client.get("/v1/jobs").json()["jobs"] == []


def test_forbidding_every_finish_is_an_error(client: TestClient) -> None:
    fab = client.get(f"/v1/fabs/{FAB}", headers={"Accept": "application/json"}).json()
    assert is_problem(post(client, forbid=[finish["id"] for finish in fab["finishes"]]), 422, "Every finish", "one")


def test_no_artwork_or_two(client: TestClient) -> None:
    assert is_problem(client.post("/v1/jobs", data={"fab": FAB}, files={"x": ("", b"")}), 422, "x")
    assert is_problem(client.post("/v1/jobs", files={"fab": (None, FAB)}), 422, "no artwork", "artwork")
    assert is_problem(post(client, artwork=b""), 422, "no artwork")
    two = [("artwork", ("a.png", b"a")), ("artwork", ("b.png", b"b"))]
    assert is_problem(client.post("/v1/jobs", data={"fab": FAB}, files=two), 422, "two parts named artwork")


def test_an_idempotency_key_makes_one_job_of_equal_requests_and_refuses_another(client: TestClient) -> None:
    first = post(client, key="one", width="60mm")
    again = post(client, key="one", width="6cm")
    assert (first.status_code, again.status_code) == (202, 200)
    assert again.json()["id"] == first.json()["id"] and again.headers["location"] == first.headers["location"]
    assert is_problem(post(client, key="one", width="61mm"), 422, "'one'", "new key")
    assert is_problem(post(client, key="one", width="60mm", artwork=b"other"), 422)
    assert post(client, key="two", width="60mm").json()["id"] != first.json()["id"]
    assert is_problem(post(client, key="x" * 256), 422, "dempotency")


def test_forty_equal_requests_at_once_make_one_job(client: TestClient) -> None:
    with ThreadPoolExecutor(40) as pool:
        responses = list(pool.map(lambda _: post(client, key="k"), range(40)))
    assert sorted(response.status_code for response in responses) == [200] * 39 + [202]
    assert len({response.json()["id"] for response in responses}) == 1
    assert len(client.get("/v1/jobs").json()["jobs"]) == 1


def test_a_file_name_is_only_a_label(client: TestClient) -> None:
    for given, kept in (
        ("../../etc/passwd", "passwd"),
        ("C:\\art\\badge.png", "badge.png"),
        ("a%22b.png", "a%22b.png"),
    ):
        assert post(client, name=given).json()["artwork"]["name"] == kept
    assert _file_name(b"a\tb\x00\x1b[1m.png", "artwork") == "ab[1m.png" and _file_name(b"dir/", "artwork") == "artwork"
    long = post(client, name="é" * 300 + ".png").json()["artwork"]["name"]
    assert len(long.encode()) <= 255


def test_a_finished_job_shows_its_score_and_links(client: TestClient) -> None:
    job = post(client).json()
    score = {"viewing_distance_mm": 300.0, "s_cielab": {"mean": 4.25}}
    finish(client, job["id"], {"report.json": b"{}"}, {"score": score, "width_mm": 60.0, "seconds": 0.5})
    done = client.get(job["links"]["self"]).json()
    assert done["state"] == "done" and done["score"] == score and done["error"] is None
    assert done["result"]["width_mm"] == 60.0 and done["result"]["seconds"] == 0.5
    for link in done["links"].values():
        assert client.get(link).status_code == 200


def test_a_failed_job_says_why(client: TestClient) -> None:
    from worker.job import Failure

    job = post(client).json()
    claim = backing(client).ledger.jobs.claim("batch", "test")
    assert claim is not None
    backing(client).ledger.jobs.fail(
        job["id"], claim.token, Failure(code="artwork", what="It is cut.", mend="Send it.")
    )
    failed = client.get(job["links"]["self"]).json()
    assert failed["state"] == "failed" and failed["error"]["code"] == "artwork"
    assert failed["error"]["detail"] == "It is cut. Send it." and failed["error"]["status"] == 422


def test_pages_lead_through_all_jobs(client: TestClient) -> None:
    ids = [post(client, key=str(number)).json()["id"] for number in range(7)]
    seen, address = [], "/v1/jobs?limit=3"
    while address:
        page = client.get(address).json()
        seen += [job["id"] for job in page["jobs"]]
        address = page["next"]
    assert seen == ids[::-1]
    for wrong in ("limit=0", "limit=201", "limit=x", "cursor=x", "cursor=-1", "cursor=" + "9" * 40):
        assert is_problem(client.get(f"/v1/jobs?{wrong}"), 422, wrong.partition("=")[0])


def test_cancel(client: TestClient) -> None:
    job = post(client).json()
    assert client.delete(job["links"]["self"]).json()["state"] == "cancelled"
    assert client.delete(job["links"]["self"]).json()["state"] == "cancelled"
    done = post(client).json()
    finish(client, done["id"], {}, {})
    assert is_problem(client.delete(done["links"]["self"]), 409, "done")
    assert is_problem(client.delete("/v1/jobs/nothing"), 404, "nothing", "GET /v1/jobs")


def events(text: str) -> list[tuple[str, dict[str, object]]]:
    """Id and data of each event, after the event stream format of the HTML standard."""
    found = []
    for block in text.replace("\r\n", "\n").split("\n\n"):
        fields = dict(line.split(": ", 1) for line in block.splitlines() if ": " in line and not line.startswith(":"))
        if "data" in fields:
            assert fields["event"] == "job"
            found.append((fields["id"], json.loads(fields["data"])))
    return found


def test_events_follow_a_job_to_its_end_and_go_on_after_a_break(client: TestClient) -> None:
    job = post(client).json()
    ledger = backing(client).ledger
    with ThreadPoolExecutor(1) as pool:
        stream = pool.submit(client.get, job["links"]["events"])
        claim = ledger.jobs.claim("batch", "test")
        assert claim is not None
        for done in range(3):
            ledger.jobs.keep_alive(job["id"], claim.token, Progress(stage="score", done=done, of=3))
        ledger.jobs.publish(job["id"], claim.token, Package(key="results/x/y", bytes=0, files=()), {"score": {}})
        response = stream.result(20)
    assert response.headers["content-type"].startswith("text/event-stream")
    seen = events(response.text)
    assert seen[-1][1]["state"] == "done" and seen[-1][1]["progress"]["stages"][0] == "artwork"  # type: ignore[index]
    numbers = [int(number) for number, _ in seen]
    assert numbers == sorted(set(numbers))
    last = str(numbers[-1] - 1)
    again = client.get(job["links"]["events"], headers={"Last-Event-ID": last})
    assert [number for number, _ in events(again.text)] == [str(numbers[-1])]
    assert client.get(job["links"]["events"], headers={"Last-Event-ID": str(numbers[-1])}).status_code == 204
    assert is_problem(client.get("/v1/jobs/nothing/events"), 404)


HOLES = b"[[holes]]\nx = 5\ny = 5\ndiameter = 1\nplated = true\n"


def ask_with_board(client: TestClient, data: bytes, key: str = "") -> Any:
    files = {"artwork": ("badge.png", b"artwork"), "board_file": ("holes.toml", data)}
    headers = {"Idempotency-Key": key} if key else {}
    return client.post("/v1/jobs", files=files, data={"fab": FAB, "width": "20mm", "board": "disc"}, headers=headers)


def test_a_board_file_goes_along_with_the_artwork(client: TestClient) -> None:
    response = ask_with_board(client, HOLES)
    assert response.status_code == 202, response.text
    assert response.json()["settings"]["board"] == "disc"
    claim = backing(client).ledger.jobs.claim("batch", "test")
    assert claim is not None
    sent = claim.job.inputs["board_file"]
    assert backing(client).store.open(sent.key).read() == HOLES


def test_a_wrong_board_file_is_refused_at_once(client: TestClient) -> None:
    assert is_problem(ask_with_board(client, b"[[holes]]\nx = 5"), 422, "holes.toml: holes[0].y: is missing", "Add it")
    assert is_problem(ask_with_board(client, b"x" * (5 << 20)), 413, "board_file")


def test_another_board_file_is_another_request(client: TestClient) -> None:
    first = ask_with_board(client, HOLES, key="k")
    assert ask_with_board(client, HOLES, key="k").json()["id"] == first.json()["id"]
    assert is_problem(ask_with_board(client, HOLES + b"# moved", key="k"), 422, "another request")


def test_the_bottoms_artwork_is_kept_for_the_worker_and_belongs_to_the_request(client: TestClient) -> None:
    def sent(bottom: bytes, name: str = "back.png", key: str = "pair") -> Any:
        files = {"artwork": ("front.png", b"artwork"), "bottom": (name, bottom)}
        return client.post("/v1/jobs", files=files, data={"fab": FAB}, headers={"Idempotency-Key": key})

    job = sent(b"behind").json()
    # of the six bytes "behind", by coreutils' sha256sum
    sha256 = "b1b886ce5f5750a00ae3dd003702a16e4916e6830987e03094cbbf699cb0fae1"
    assert job["bottom"] == {"name": "back.png", "bytes": 6, "sha256": sha256}
    claim = backing(client).ledger.jobs.claim("batch", "test")
    assert claim is not None
    kept = claim.job.inputs["bottom"]
    assert b"".join(backing(client).store.read(kept.key, 0, kept.bytes)) == b"behind" and kept.name == "back.png"
    assert sent(b"behind").json()["id"] == job["id"]
    assert is_problem(sent(b"another"), 422, "stands for another request")
    assert is_problem(sent(b"behind", name="other.png"), 422, "stands for another request")
    assert is_problem(post(client, key="pair", artwork=b"artwork", name="front.png"), 422)
    assert is_problem(sent(b"", key="empty"), 422, "bottom is empty")
    assert post(client).json()["bottom"] is None


def test_a_fab_of_one_side_takes_no_bottom(client: TestClient) -> None:
    toml = client.get(f"/v1/fabs/{FAB}").content.replace(b"sides = 2", b"sides = 1")
    etag = client.get(f"/v1/fabs/{FAB}").headers["etag"]
    assert client.put(f"/v1/fabs/{FAB}", content=toml, headers={"If-Match": etag}).status_code == 200
    files = {"artwork": ("front.png", b"artwork"), "bottom": ("back.png", b"behind")}
    assert is_problem(client.post("/v1/jobs", files=files, data={"fab": FAB}), 422, "one side", "sides = 1")
    assert client.get("/v1/jobs").json()["jobs"] == []


def test_a_bottom_over_the_limit_is_refused_while_it_streams(tmp_path: Path) -> None:
    with service(tmp_path, max_upload_bytes=1024) as client:
        files = {"artwork": ("front.png", b"artwork"), "bottom": ("back.png", bytes(1025))}
        assert is_problem(client.post("/v1/jobs", files=files, data={"fab": FAB}), 413, "bottom is over 1024 bytes")
