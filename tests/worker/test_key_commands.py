"""`maskwright keys` and `maskwright audit`, against a service on the same data folder."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.service.fixtures import is_problem, service
from worker.access_key import SCOPES, new_key, read_expiry, read_scopes, split_key
from worker.cli import main
from worker.command_line import ALL_DONE, WRONG_CALL
from worker.errors import SettingsError, StorageError
from worker.service_secret import ServiceSecret, read_service_secret
from worker.settings import Environment


def run(capsys: pytest.CaptureFixture[str], data: Path, *words: str) -> tuple[int, str, str]:
    status = main([*words, "--data-dir", str(data)])
    out, err = capsys.readouterr()
    return status, out, err


def test_a_key_made_before_the_first_start_opens_the_service(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    status, out, err = run(capsys, data, "keys", "make", "--owner", "ada", "--scopes", "submit,read", "--name", "night")
    key = out.strip()
    parts = split_key(key)
    assert status == ALL_DONE and parts is not None and out == f"{key}\n", "the key alone, for scripts"
    assert parts.id in err and "submit, read" in err and "this once" in err and parts.secret not in err
    assert data.stat().st_mode & 0o777 == 0o700 and (data / "secret").stat().st_mode & 0o777 == 0o600
    with service(data) as client:
        assert client.get("/v1/jobs", headers={"Authorization": f"Bearer {key}"}).status_code == 200
        assert client.get("/v1/jobs").status_code == 401
        _, out, _ = run(capsys, data, "keys", "list")
        head, row = out.splitlines()
        assert head.split()[:4] == ["id", "owner", "scopes", "state"] and "night" in row
        assert row.split()[:4] == [parts.id, "ada", "submit,read", "usable"] and parts.secret not in out
        status, out, _ = run(capsys, data, "keys", "revoke", parts.id)
        assert status == ALL_DONE and parts.id in out
        assert is_problem(client.get("/v1/jobs", headers={"Authorization": f"Bearer {key}"}), 401, "revoked")
        _, out, _ = run(capsys, data, "keys", "list", "--owner", "bob")
        assert len(out.splitlines()) == 1
        _, out, _ = run(capsys, data, "keys", "forget")
        assert "1 dropped" in out and "asks for none" in out and client.get("/v1/jobs").status_code == 200


def test_the_audit_trail_is_a_table_or_lines_of_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for owner in ("ada", "bob"):
        run(capsys, tmp_path, "keys", "make", "--owner", owner, "--scopes", "read")
    _, out, _ = run(capsys, tmp_path, "audit", "--owner", "ada")
    head, row = out.splitlines()
    assert head.split()[:3] == ["at", "what", "owner"] and "key-made" in row and "command line" in row
    _, out, _ = run(capsys, tmp_path, "audit", "--json", "--limit", "1")
    (event,) = [json.loads(line) for line in out.splitlines()]
    assert (event["what"], event["owner"]) == ("key-made", "bob")
    assert datetime.fromisoformat(event["at"]) <= datetime.now(UTC) + timedelta(seconds=5)


def test_links_are_revoked_for_an_owner(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, tmp_path, "keys", "make", "--owner", "ada", "--scopes", "read")
    status, out, _ = run(capsys, tmp_path, "keys", "revoke-links", "--owner", "ada")
    assert status == ALL_DONE and "ada" in out
    status, _, err = run(capsys, tmp_path, "keys", "revoke-links", "--owner", "ada", "--job", "none")
    assert status == WRONG_CALL and "none" in err
    _, out, _ = run(capsys, tmp_path, "audit", "--what", "links-revoked")
    assert len(out.splitlines()) == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("keys", "make", "--owner", "Ada", "--scopes", "read"), "Ada"),
        (("keys", "make", "--owner", "ada", "--scopes", "read,fly"), "fly"),
        (("keys", "make", "--owner", "ada", "--scopes", "read", "--expires", "tomorrow"), "90d"),
        (("keys", "make", "--owner", "ada", "--scopes", "read", "--expires", "2001-01-01"), "past"),
        (("keys", "list"), "no service's data"),
        (("keys", "revoke", "none"), "no service's data"),
        (("audit",), "no service's data"),
        (("audit", "--what", "all"), "fab-edited"),
        (("audit", "--limit", "0"), "1 or more"),
    ],
)
def test_a_wrong_call_says_so_and_makes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    status, out, err = run(capsys, tmp_path / "data", *words)
    assert status == WRONG_CALL and told in err and not out and not (tmp_path / "data").exists()


def test_of_several_keys_all_are_revoked_or_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, tmp_path, "keys", "make", "--owner", "ada", "--scopes", "read")
    parts = split_key(out.strip())
    assert parts is not None
    status, _, err = run(capsys, tmp_path, "keys", "revoke", parts.id, "none")
    assert status == WRONG_CALL and "none" in err
    assert "usable" in run(capsys, tmp_path, "keys", "list")[1]


def test_expiries_and_scopes_as_people_write_them() -> None:
    moment = datetime(2026, 11, 28, 12, tzinfo=UTC)
    for text, expiry in (
        ("12h", moment + timedelta(hours=12)),
        ("90d", moment + timedelta(days=90)),
        ("8w", moment + timedelta(weeks=8)),
        ("2027-01-31", datetime(2027, 1, 31, tzinfo=UTC)),
        ("2027-01-31T10:00+02:00", datetime(2027, 1, 31, 8, tzinfo=UTC)),
    ):
        assert read_expiry(text, moment) == expiry
    for text in ("", "0d", "-1d", "123456d", "1y", "2027-13-01"):
        with pytest.raises(SettingsError, match="expiry"):
            read_expiry(text, moment)
    assert read_scopes(["admin", " read", "read"]) == ("read", "admin") and read_scopes(SCOPES) == tuple(SCOPES)


def test_keys_are_random_and_their_digests_depend_on_all_of_them_and_on_the_secret() -> None:
    keys = [new_key() for _ in range(100)]
    assert len({key.id for key in keys}) == len({key.secret for key in keys}) == 100
    assert all(split_key(key.text) == key for key in keys)
    one, other = ServiceSecret(b"one" * 16), ServiceSecret(b"two" * 16)
    assert len({key.digest(secret) for key in keys for secret in (one, other)}) == 200
    assert one.id != other.id and "one" not in repr(one)
    for text in ("", "maskwright_", keys[0].text[1:], keys[0].text + "x", keys[0].text.replace("_", "-")):
        assert split_key(text) is None


def test_the_secret_is_made_once_and_kept(tmp_path: Path) -> None:
    environment = Environment(data_dir=tmp_path / "data")
    first = read_service_secret(environment)
    assert read_service_secret(environment) == first and len(first.value) == 64
    assert [path.name for path in (tmp_path / "data").iterdir()] == ["secret"]
    assert read_service_secret(Environment(data_dir=tmp_path / "other")) != first
    given = Environment(data_dir=tmp_path / "third", secret="a secret of 32 letters or more ..")
    assert (
        read_service_secret(given).value == b"a secret of 32 letters or more .." and not (tmp_path / "third").exists()
    )


def test_a_secret_that_is_none_is_refused_and_never_replaced(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="MASKWRIGHT_SECRET has 5 letters"):
        read_service_secret(Environment(data_dir=tmp_path, secret="short"))
    (tmp_path / "secret").write_text("")
    with pytest.raises(SettingsError, match="secret has 0 letters"):
        read_service_secret(Environment(data_dir=tmp_path))
    assert (tmp_path / "secret").read_text() == ""
    (tmp_path / "secret").unlink()
    (tmp_path / "secret").mkdir()
    with pytest.raises(StorageError, match="secret"):
        read_service_secret(Environment(data_dir=tmp_path))
