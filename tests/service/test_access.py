"""Who may ask."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from tests.service.fixtures import backing, is_problem, make_key, service
from worker.access_key import SCOPES, new_key
from worker.errors import AccessError
from worker.ledger import Ledger
from worker.ledger.keys import Doer, usable_key_exists
from worker.loopback import is_loopback, refuse_open_address
from worker.settings import PROJECT, Environment, child_environment

KEY = "a long random text"


def test_with_the_key_of_the_environment_whoever_carries_it_may_ask(tmp_path: Path) -> None:
    """The challenges are those of RFC 6750, section 3."""
    with service(tmp_path, key=KEY) as client:
        for headers, challenge in (
            ({}, "Bearer"),
            ({"Authorization": "Bearer wrong"}, 'Bearer error="invalid_token"'),
            ({"Authorization": f"Basic {KEY}"}, "Bearer"),
            ({"Authorization": f"Bearer {KEY}x"}, 'Bearer error="invalid_token"'),
        ):
            response = client.get("/v1/jobs", headers=headers)
            assert is_problem(response, 401, "MASKWRIGHT_KEY", "maskwright keys make")
            assert response.headers["www-authenticate"] == challenge
        assert client.get("/v1/jobs", headers={"Authorization": f"Bearer {KEY}"}).status_code == 200
        assert client.get("/v1/keys", headers={"Authorization": f"bearer {KEY}"}).status_code == 200
        assert client.get("/livez").status_code == 200


def test_without_a_key_only_this_machine_may_ask(tmp_path: Path) -> None:
    app = create_app(Environment(data_dir=tmp_path))
    for address in ("http://192.0.2.7", "http://[2001:db8::7]"):  # of RFC 5737 and RFC 3849, as if it listened there
        with TestClient(app, base_url=address) as client:
            assert is_problem(client.get("/v1/jobs", headers={"Host": "127.0.0.1"}), 403, "MASKWRIGHT_KEY")


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "LOCALHOST", "[::1]:8000", "127.8.8.8"])
def test_without_a_key_the_names_of_this_machine_are_answered(tmp_path: Path, host: str) -> None:
    with service(tmp_path) as client:
        assert client.get("/v1/jobs", headers={"Host": host}).status_code == 200


FOREIGN = [
    {"Host": "rebound.example"},  # DNS rebinding: a page has made its own name lead here
    {"Host": "127.0.0.1.rebound.example"},
    {"Host": "localhost.rebound.example:8000"},
    {"Host": "rebound.example#127.0.0.1"},
    {"Host": "[::1"},
    {"Host": ""},
    {"Origin": "https://page.example"},
    {"Origin": "http://127.0.0.1:8001"},  # another port is another site
    {"Origin": "null"},
    {"Origin": "http://["},
    {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"},
    {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors"},
]


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
def test_without_a_key_pages_of_other_sites_may_not_ask(tmp_path: Path, headers: dict[str, str]) -> None:
    """Origin: RFC 6454; Sec-Fetch-*: W3C Fetch Metadata Request Headers."""
    with service(tmp_path) as client:
        assert is_problem(client.get("/v1/jobs", headers=headers), 403, "127.0.0.1")
        key = make_key(client, "ada", "read")
        assert client.get("/v1/jobs", headers={**headers, **key}).status_code == 200, "who has a key needs no such mark"


def test_without_a_key_pages_of_this_machine_and_links_to_it_work(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        for headers in (
            {"Origin": "http://127.0.0.1"},
            {"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "cors"},
            {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"},
        ):
            assert client.get("/v1/jobs", headers=headers).status_code == 200
        assert client.delete("/v1/links", headers=headers).status_code == 403, "a navigation only gets"


@pytest.mark.parametrize("header", ["Forwarded", "X-Forwarded-For", "Via", "X-Real-IP"])
def test_without_a_key_nothing_that_a_proxy_passes_on_is_answered(tmp_path: Path, header: str) -> None:
    """Forwarded: RFC 7239; Via: RFC 9110, 7.6.3; the X- ones are common practice."""
    with service(tmp_path) as client:
        assert is_problem(client.get("/v1/jobs", headers={header: "for=192.0.2.7"}), 403, "proxy", header.lower())


def test_from_the_first_key_on_every_request_needs_one_and_no_door_opens_by_itself(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        assert client.get("/v1/jobs").status_code == 200
        key = make_key(client, "ada", "read")
        assert is_problem(client.get("/v1/jobs"), 401, "no key")
        assert client.get("/v1/jobs", headers=key).status_code == 200
        (stored,) = backing(client).ledger.keys.all()
        backing(client).ledger.keys.revoke(stored.id, doer=Doer())
        assert is_problem(client.get("/v1/jobs", headers=key), 401, "revoked")
        assert is_problem(client.get("/v1/jobs"), 401, "no key")
        assert backing(client).ledger.keys.forget(doer=Doer()) == 1
        assert client.get("/v1/jobs").status_code == 200


def test_a_key_that_is_sent_must_be_right_even_where_none_is_asked_for(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        for text in ("wrong", new_key().text, ""):
            response = client.get("/v1/jobs", headers={"Authorization": f"Bearer {text}"})
            assert is_problem(response, 401, "key is wrong")


def test_one_letter_less_more_or_other_is_another_key(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        good = make_key(client, "ada", "read")["Authorization"]
        last = "a" if good[-1] != "a" else "b"
        for text in (good[:-1], good + "a", good[:-1] + last, good.swapcase().replace("bEARER", "Bearer")):
            assert is_problem(client.get("/v1/jobs", headers={"Authorization": text}), 401, "key is wrong")


def test_an_expired_key_opens_nothing_and_says_so(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        key = make_key(client, "ada", "read", expires=1.0)
        assert is_problem(client.get("/v1/jobs", headers=key), 401, "has expired", "new one")


def test_a_key_of_another_secret_is_named_as_such(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        key = make_key(client, "ada", "read")
    with service(tmp_path, secret="another secret of 32 letters or so") as client:
        assert is_problem(client.get("/v1/jobs", headers=key), 401, "another secret", "MASKWRIGHT_SECRET")


def test_a_key_opens_at_every_server_of_a_database_and_a_revocation_counts_there_at_once(tmp_path: Path) -> None:
    shared = {
        "secret": "one secret for both, 32 letters or more",
        "database_url": f"sqlite:///{tmp_path}/ledger.sqlite",
    }
    with service(tmp_path / "one", **shared) as one, service(tmp_path / "two", **shared) as two:
        key = make_key(one, "ada", "read", "admin")
        key_id = key["Authorization"].split("_")[1]
        assert [client.get("/v1/jobs", headers=key).status_code for client in (one, two)] == [200, 200]
        assert one.delete(f"/v1/keys/{key_id}", headers=key).json()["state"] == "revoked"
        assert [client.get("/v1/jobs", headers=key).status_code for client in (one, two)] == [401, 401]


def test_a_new_owner_begins_with_the_fabs_that_ship_with_the_program(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        local = client.get("/v1/fabs").json()["fabs"]
        key = make_key(client, "ada", "read")
        fabs = client.get("/v1/fabs", headers=key).json()["fabs"]
        assert [fab["id"] for fab in fabs] == [fab["id"] for fab in local] and len(fabs) >= 3


def test_a_lacking_scope_is_named(tmp_path: Path) -> None:
    """The challenge is that of RFC 6750, section 3.1, which has no other form for what a key may not do."""
    with service(tmp_path) as client:
        key = make_key(client, "ada", "read", "submit")
        response = client.put("/v1/fabs/x", content=b"", headers=key)
        assert is_problem(response, 403, "read, submit", "edit-fabs") and response.json()["code"] == "scope"
        assert response.headers["www-authenticate"] == 'Bearer error="insufficient_scope", scope="edit-fabs"'


def test_a_full_disk_keeps_nobody_from_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from worker.errors import StorageError

    def full(*_: object, **__: object) -> None:
        raise StorageError("The disk of the database is full.", mend="Free some space.")

    with service(tmp_path, key=KEY) as client:
        key = make_key(client, "local", "read")
        monkeypatch.setattr(backing(client).ledger.keys, "note_use", full)
        monkeypatch.setattr(backing(client).ledger.audit, "record_use_of_the_day", full)
        for headers in (key, {"Authorization": f"Bearer {KEY}"}):
            assert client.get("/v1/jobs", headers=headers).status_code == 200


@pytest.mark.parametrize(
    ("host", "loopback"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("localhost", True), ("::1", True), ("[::1]", True),
     ("0.0.0.0", False), ("::", False), ("[::]", False), ("192.0.2.7", False), ("2001:db8::7", False),
     ("fe80::1%eth0", False), ("::ffff:192.0.2.7", False), ("localhost.example", False), ("board-room", False),
     ("0", False), ("*", False), ("", False)],
)  # fmt: skip
def test_loopback_addresses(host: str, loopback: bool) -> None:
    """127.0.0.0/8 is loopback by RFC 1122, ::1 by RFC 4291, the name localhost by RFC 6761; others lead anywhere."""
    assert is_loopback(host) is loopback
    if loopback:
        refuse_open_address(host, keyed=False)
    else:
        with pytest.raises(AccessError, match="MASKWRIGHT_KEY"):
            refuse_open_address(host, keyed=False)
    refuse_open_address(host, keyed=True)


@pytest.mark.parametrize(("module", "host"), [("service", "0.0.0.0"), ("worker.embedded", "board-room.example")])
def test_both_start_commands_refuse_an_open_address_without_a_key(module: str, host: str, tmp_path: Path) -> None:
    environment = {"MASKWRIGHT_HOST": host, "MASKWRIGHT_PORT": "0", "MASKWRIGHT_DATA_DIR": str(tmp_path / "data")}
    done = subprocess.run(
        [sys.executable, "-m", module],
        cwd=PROJECT,
        env=child_environment(environment),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode != 0 and "MASKWRIGHT_KEY" in done.stderr and "Traceback" not in done.stderr
    assert "maskwright keys make" in done.stderr and not (tmp_path / "data").exists()


def test_a_usable_key_in_the_database_is_a_key_to_start_with(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    assert not usable_key_exists(url) and not (tmp_path / "ledger.sqlite").exists()
    (tmp_path / "ledger.sqlite").touch()
    assert not usable_key_exists(url), "tables of an earlier version, or none yet"
    ledger = Ledger(url)
    ledger.migrate()
    assert not usable_key_exists(url)
    ledger.keys.add("a", owner="ada", scopes=("read",), digest="", secret_id="", expires=1.0, doer=Doer())
    assert not usable_key_exists(url), "it has expired"
    ledger.keys.add("b", owner="ada", scopes=tuple(SCOPES), digest="", secret_id="", doer=Doer())
    assert usable_key_exists(url)
    ledger.keys.revoke("b", doer=Doer())
    assert not usable_key_exists(url)
    ledger.close()
