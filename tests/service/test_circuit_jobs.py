"""Art beside a circuit over HTTP: the circuit goes along with the artwork, and what is wrong with it is said."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from tests.engine.circuit.circuits import small_circuit
from tests.service.fixtures import a_worker, backing, is_problem, service
from worker.settings import PROJECT
from worker.tasks import Bench

OWL = (PROJECT / "samples" / "artworks" / "owl.png").read_bytes()
SAID = b'net = "GND"\n[[places]]\nkind = "antenna"\nrectangle = [18, 26, 3, 1.5]\n'
GIVEN = {"fab": "meadow-tin", "pitch": "50um"}


def zipped(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


CIRCUIT = zipped(small_circuit())


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("circuits")) as client, a_worker(client):
        yield client


def ask(client: TestClient, path: str = "/v1/jobs", key: str = "", settings: Any = None, **files: bytes) -> Any:
    named = {"artwork": "owl.png", "circuit": "small.zip", "circuit_file": "circuit.toml", "board_file": "board.toml"}
    named["keep_out"] = "places.png"
    sent = {name: (named[name], data) for name, data in {"artwork": OWL, **files}.items()}
    headers = {"Idempotency-Key": key} if key else {}
    return client.post(path, files=sent, data={**GIVEN, **(settings or {})}, headers=headers)


def worked(client: TestClient, job: str) -> Any:
    """The job, brought to its end by a worker."""
    behind = backing(client)
    bench = Bench(ledger=behind.ledger, store=behind.store, tables=behind.environment.data_dir, threads=1)
    assert bench.work("batch", "test")
    return client.get(f"/v1/jobs/{job}").json()


def test_the_artworks_of_a_collection_lie_beside_one_circuit(client: TestClient) -> None:
    def collection(**more: str) -> Any:
        files = [("artwork", ("one.png", OWL)), ("artwork", ("two.png", png())), ("circuit", ("small.zip", CIRCUIT))]
        files.append(("circuit_file", ("circuit.toml", SAID)))
        return client.post("/v1/collections", files=files, data={**GIVEN, "edges": "threshold", **more})

    first = collection()
    assert first.status_code == 202, first.text
    members = client.get(f"{first.headers['Location']}/artworks").json()["artworks"]
    assert [member["path"] for member in members] == ["one.png", "two.png"]
    for member in members:
        assert worked(client, member["job"]["id"])["state"] == "done"
        report = client.get(f"/v1/jobs/{member['job']['id']}/files/report.json").json()
        assert (report["board"]["shape"], report["circuit"]["net"]) == ("circuit", "GND")
    again = client.get(f"{collection().headers['Location']}/artworks").json()["artworks"]
    assert [member["job"]["id"] for member in again] == [member["job"]["id"] for member in members]
    is_problem(collection(series="on"), 422, "circuit")


def png() -> bytes:
    """A plain artwork."""
    out = io.BytesIO()
    Image.new("RGB", (30, 20), (185, 167, 127)).save(out, "PNG")
    return out.getvalue()


def test_a_job_beside_a_circuit_gives_what_the_engine_gives(client: TestClient) -> None:
    job = ask(client, circuit=CIRCUIT, circuit_file=SAID).json()
    done = worked(client, job["id"])
    assert done["state"] == "done", done
    report = client.get(f"/v1/jobs/{job['id']}/files/report.json").json()
    assert report["board"]["shape"] == "circuit"
    assert (report["board"]["width_mm"], report["board"]["height_mm"]) == (12.0, 8.0)
    block = report["circuit"]
    assert (block["name"], block["net"]) == ("small.zip", "GND")
    assert block["places"] == [{"kind": "antenna", "sides": ["top", "bottom"]}]
    again = client.post(
        "/v1/jobs", files={name: (None, value) for name, value in {**GIVEN, "from_job": job["id"]}.items()}
    )
    assert again.json()["artwork"] == job["artwork"]
    claim = backing(client).ledger.jobs.claim("batch", "test")
    assert claim is not None and set(claim.job.inputs) == {"circuit", "circuit_file"}


def test_a_draft_shows_the_circuit(client: TestClient) -> None:
    plain = ask(client, "/v1/drafts", settings={"width": "12mm"}).json()
    drawn = ask(client, "/v1/drafts", circuit=CIRCUIT, circuit_file=SAID).json()
    assert (drawn["grid"]["width_mm"], drawn["grid"]["height_mm"]) == (12.0, 8.0)
    assert {finish["id"] for finish in drawn["finishes"] if finish["share"] > 0} >= {"mask", "tin", "legend"}
    assert drawn["score"] != plain["score"]


def test_another_circuit_or_another_word_on_it_is_another_request(client: TestClient) -> None:
    first = ask(client, key="one", circuit=CIRCUIT, circuit_file=SAID).json()
    assert ask(client, key="one", circuit=CIRCUIT, circuit_file=SAID).json()["id"] == first["id"]
    assert is_problem(ask(client, key="one", circuit=CIRCUIT), 422, "another request")
    changed = zipped({**small_circuit(), "note.txt": b"x"})
    assert is_problem(ask(client, key="one", circuit=changed, circuit_file=SAID), 422, "another request")


def test_what_is_wrong_is_said_at_once_or_by_the_job(client: TestClient) -> None:
    assert is_problem(ask(client, circuit=b"%FSLAX46Y46*%"), 422, "no archive", "ZIP")
    assert is_problem(ask(client, circuit_file=SAID), 422, "no circuit")
    assert is_problem(ask(client, keep_out=OWL), 422, "no circuit")
    said = ask(client, circuit=CIRCUIT, circuit_file=b"nets = 3")
    assert is_problem(said, 422, "circuit.toml: nets: is not a known key") and said.json()["setting"] == "circuit_file"
    assert is_problem(ask(client, circuit=CIRCUIT, circuit_file=b"#" * (5 << 20)), 413, "circuit_file")
    holes = b"[[holes]]\nx = 5\ny = 5\ndiameter = 1\nplated = true\n"
    assert is_problem(
        ask(client, circuit=CIRCUIT, board_file=holes), 422, "the board file board.toml", "leave the board file out"
    )
    unnamed = {name: data.replace(b"%TF.FileFunction,Legend,Top*%\n", b"") for name, data in small_circuit().items()}
    drafted = ask(client, "/v1/drafts", circuit=zipped(unnamed))
    assert is_problem(drafted, 422, "three.gbr of small.zip does not say which layer it is", "three.gbr=Copper,L1,Top")
    assert drafted.json()["setting"] == "circuit", "also where a worker finds it"
    painted = ask(client, "/v1/drafts", circuit=CIRCUIT, keep_out=b"no picture")
    assert is_problem(painted, 422, "no known picture format") and painted.json()["setting"] == "keep_out"


def test_a_circuit_is_read_with_pictures_of_what_does_not_say_what_it_is(client: TestClient) -> None:
    unnamed = {name: data.replace(b"%TF.FileFunction,Legend,Top*%\n", b"") for name, data in small_circuit().items()}

    def read(**files: bytes) -> Any:
        sent = {name: (f"{name}.zip", data) for name, data in files.items()}
        return client.post("/v1/circuits", files=sent, data={"fab": "meadow-tin"})

    found = read(circuit=zipped({**unnamed, "note.txt": b"x"})).json()
    assert found["unknown"] == ["three.gbr"] and found["other_files"] == ["note.txt"] and found["nets"] == []
    assert "three.gbr" in found["fault"]["what"]
    shown = {layer["name"]: layer for layer in found["layers"]}
    assert shown["one.gbr"]["function"] == "Copper,L1,Top" and shown["one.gbr"]["said_by"] == "the file"
    picture = Image.open(io.BytesIO(client.get(shown["three.gbr"]["picture"]).content)).convert("L")
    assert 0 < picture.histogram()[0] < picture.width * picture.height / 20  # a thin line of legend
    whole = read(circuit=zipped(unnamed), circuit_file=b'{"layers": {"three.gbr": "Legend,Top"}}').json()
    assert whole["fault"] is None and whole["box_mm"] == {"left": 10.0, "low": 20.0, "right": 22.0, "high": 28.0}
    assert {net["name"] for net in whole["nets"]} == {"LED", "GND"}
    assert is_problem(read(circuit_file=b"{}"), 422, "no circuit")
