"""Who may ask."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from tests.service.fixtures import is_problem, service
from worker.errors import AccessError
from worker.loopback import is_loopback, refuse_open_address
from worker.settings import PROJECT, Environment, child_environment

KEY = "a long random text"


def test_with_a_key_whoever_carries_it_may_ask(tmp_path: Path) -> None:
    with service(tmp_path, key=KEY) as client:
        for headers in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {KEY}"}):
            response = client.get("/v1/jobs", headers=headers)
            assert is_problem(response, 401, "MASKWRIGHT_KEY") and response.headers["www-authenticate"] == "Bearer"
        assert client.get("/v1/jobs", headers={"Authorization": f"Bearer {KEY}"}).status_code == 200
        assert client.get("/livez").status_code == 200


def test_without_a_key_only_this_machine_may_ask(tmp_path: Path) -> None:
    app = create_app(Environment(data_dir=tmp_path))
    with TestClient(app, base_url="http://192.0.2.7") as client:  # an address of RFC 5737, as if it listened there
        assert is_problem(client.get("/v1/jobs"), 403, "MASKWRIGHT_KEY")


def test_without_a_key_pages_of_other_sites_may_not_ask(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        assert is_problem(client.get("/v1/jobs", headers={"Host": "rebound.example"}), 403, "127.0.0.1")
        assert is_problem(client.get("/v1/jobs", headers={"Origin": "https://page.example"}), 403)
        assert client.get("/v1/jobs", headers={"Origin": "http://127.0.0.1"}).status_code == 200


@pytest.mark.parametrize(
    ("host", "loopback"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("localhost", True), ("::1", True), ("[::1]", True),
     ("0.0.0.0", False), ("::", False), ("192.0.2.7", False), ("localhost.example", False), ("", False)],
)  # fmt: skip
def test_loopback_addresses(host: str, loopback: bool) -> None:
    """127.0.0.0/8 is loopback by RFC 1122, ::1 by RFC 4291, the name localhost by RFC 6761."""
    assert is_loopback(host) is loopback
    if loopback:
        refuse_open_address(host, "")
    else:
        with pytest.raises(AccessError, match="MASKWRIGHT_KEY"):
            refuse_open_address(host, "")
    refuse_open_address(host, KEY)


@pytest.mark.parametrize("module", ["service", "worker.embedded"])
def test_both_start_commands_refuse_an_open_address_without_a_key(module: str, tmp_path: Path) -> None:
    environment = {"MASKWRIGHT_HOST": "0.0.0.0", "MASKWRIGHT_PORT": "0", "MASKWRIGHT_DATA_DIR": str(tmp_path / "data")}
    done = subprocess.run(
        [sys.executable, "-m", module],
        cwd=PROJECT,
        env=child_environment(environment),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode != 0 and "MASKWRIGHT_KEY" in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / "data").exists()
