"""docker-compose.yml and Dockerfile: valid, in step with the project, and every start command run for real.

The file is checked against the schema of the Compose Specification (data/compose-spec.json, as Debian's package
docker-compose 1.29.2 ships it, Apache-2.0). Its start commands are run as they stand,
against Redis and PostgreSQL from the system's packages and moto's S3 server. The commands of the object store's own
image are not run.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import urllib3
import yaml

from tests.worker.postgresql import postgresql
from tests.worker.rig import alive, descendants, wait_for
from worker.client import Client
from worker.settings import PROJECT, child_environment, rows

COMPOSE: dict[str, Any] = yaml.safe_load((PROJECT / "docker-compose.yml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
OURS = ("service", "batch", "interactive")
KEY = "a-key-for-the-tests"


def test_it_is_valid_by_the_compose_specification() -> None:
    schema = json.loads((PROJECT / "tests" / "data" / "compose-spec.json").read_text())
    jsonschema.Draft7Validator.check_schema(schema)
    jsonschema.Draft7Validator(schema).validate(COMPOSE)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft7Validator(schema).validate({**COMPOSE, "services": {"redis": {"imagine": "x"}}})


def test_every_part_has_a_health_check_and_what_it_keeps_a_volume() -> None:
    for name, part in SERVICES.items():
        assert name == "bucket" or part["healthcheck"]["test"], name
        for volume in part.get("volumes", ()):
            assert volume.partition(":")[0] in COMPOSE["volumes"]
    assert {"redis", "postgres", "store", *OURS} <= set(SERVICES)
    assert all(SERVICES[name]["volumes"] for name in ("redis", "postgres", "store"))


def test_every_part_waits_for_parts_that_exist() -> None:
    for name, part in SERVICES.items():
        for other, condition in part.get("depends_on", {}).items():
            assert other in SERVICES, name
            assert condition["condition"] != "service_healthy" or "healthcheck" in SERVICES[other]


def test_only_variables_that_the_project_reads_are_set() -> None:
    known = {row.name for row in rows()}
    for name in OURS:
        assert set(SERVICES[name]["environment"]) <= known
    text = (PROJECT / "docker-compose.yml").read_text()
    example = (PROJECT / ".env.example").read_text()
    assert set(re.findall(r"\$\{([A-Z0-9_]+)", text)) == set(re.findall(r"^([A-Z0-9_]+)=", example, re.MULTILINE))


def test_nothing_is_open_to_other_machines_but_through_the_key() -> None:
    assert "MASKWRIGHT_KEY" in SERVICES["service"]["environment"]
    for name, part in SERVICES.items():
        for port in part.get("ports", ()):
            assert name == "service" and port.startswith("127.0.0.1:")


def test_the_dockerfile_takes_the_steps_of_the_readme() -> None:
    dockerfile = (PROJECT / "Dockerfile").read_text()
    readme = (PROJECT / "README.md").read_text()
    for step in re.findall(r"\bmake [a-z]+$", dockerfile, re.MULTILINE):
        assert f"`{step}`" in readme
    assert "RUN make setup" in dockerfile
    assert json.loads(re.findall(r"^CMD (.*)$", dockerfile, re.MULTILINE)[0]) == SERVICES["service"]["command"]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


@contextmanager
def running(*command: str, log: Path, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process of the project's folder, ended with all below it."""
    with log.open("ab") as out:
        process = subprocess.Popen(
            command, cwd=PROJECT, env=child_environment(environment), stdout=out, stderr=out, start_new_session=True
        )
    try:
        yield process
    finally:
        below = descendants(process.pid)
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        assert not [pid for pid in below if alive(pid)]


@contextmanager
def redis(folder: Path) -> Iterator[str]:
    """A real Redis, started by the command of docker-compose.yml; its URL."""
    if shutil.which("redis-server") is None:
        pytest.skip("needs Redis: apt-get install redis-server")
    port = free_port()
    command = [*SERVICES["redis"]["command"], "--port", str(port), "--dir", str(folder), "--save", ""]
    with running(*command, log=folder / "redis.log"):
        ping = ["redis-cli", "-p", str(port), *SERVICES["redis"]["healthcheck"]["test"][2:]]
        wait_for(lambda: subprocess.run(ping, capture_output=True).stdout == b"PONG\n")
        yield f"redis://127.0.0.1:{port}/0"


@contextmanager
def bucket_server(folder: Path) -> Iterator[str]:
    """moto's S3 server with a bucket named maskwright; its address."""
    port = free_port()
    address = f"http://127.0.0.1:{port}"
    with running(sys.executable, "-m", "moto.server", "-p", str(port), log=folder / "s3.log"):
        wait_for(lambda: answers(address))
        assert urllib3.request("PUT", f"{address}/maskwright").status == 200
        yield address


def answers(address: str, **headers: str) -> bool:
    try:
        return urllib3.request("GET", address, headers=headers, retries=False, timeout=3).status < 500
    except urllib3.exceptions.HTTPError:
        return False


def command_of(name: str) -> list[str]:
    """A start command as it stands, with this interpreter."""
    first, *rest = SERVICES[name]["command"]
    assert first == ".venv/bin/python"
    return [sys.executable, *rest]


@pytest.mark.slow
def test_the_start_commands_work_together_on_redis_postgresql_and_s3() -> None:
    folder = Path(tempfile.mkdtemp(prefix="mw-compose-"))
    artwork = PROJECT / "samples" / "artworks" / "small-rover.bmp"
    with redis(folder) as redis_url, bucket_server(folder) as s3, postgresql() as database:
        port = free_port()
        environment = {name: str(value) for name, value in SERVICES["service"]["environment"].items()} | {
            "REDIS_URL": redis_url,
            "DATABASE_URL": database,
            "AWS_ENDPOINT_URL": s3,
            "AWS_ACCESS_KEY_ID": "test",
            "AWS_SECRET_ACCESS_KEY": "test",
            "MASKWRIGHT_KEY": KEY,
            "MASKWRIGHT_PORT": str(port),
            "MASKWRIGHT_DATA_DIR": str(folder / "data"),
            "HOSTNAME": socket.gethostname(),
        }
        with (
            running(*command_of("service"), log=folder / "service.log", **environment),
            running(*command_of("batch"), log=folder / "batch.log", **environment) as batch,
            running(*command_of("interactive"), log=folder / "interactive.log", **environment),
        ):
            address = f"http://127.0.0.1:{port}"
            wait_for(lambda: answers(f"{address}/readyz"))
            health = SERVICES["service"]["healthcheck"]["test"][2:]
            subprocess.run([sys.executable, *(part.replace("8000", str(port)) for part in health)], check=True)
            with Client(address, key=KEY) as client:
                for lane in ("batch", "interactive", "batch"):
                    job = client.submit(
                        artwork.name, artwork.read_bytes(), fab="alba-black", settings={"width": "1in"}, lane=lane
                    )
                    *_, done = client.follow(job["id"])
                    assert done["state"] == "done", (done["error"], (folder / f"{lane}.log").read_text()[-3000:])
                    files = {file["path"]: client.download(file) for file in client.files(job["id"])}
                    assert json.loads(files["report.json"])["fab"]["id"] == "alba-black"
                    if lane == "batch":  # the next one must be as good: a child that was born later
                        os.kill(descendants(batch.pid)[0], signal.SIGKILL)
            check = (
                SERVICES["batch"]["healthcheck"]["test"][1]
                .replace("$$", "$")
                .replace(".venv/bin/python", sys.executable)
            )
            subprocess.run(check, shell=True, cwd=PROJECT, env={**os.environ, **environment}, check=True)
            wrong = check.replace("batch@", "nobody@").replace("--timeout 20", "--timeout 2")
            assert subprocess.run(wrong, shell=True, cwd=PROJECT, env={**os.environ, **environment}).returncode != 0
    shutil.rmtree(folder)
