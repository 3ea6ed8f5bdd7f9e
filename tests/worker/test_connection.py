"""Connections to a real PostgreSQL over a network: by TLS where the server has it, plain where it doesn't."""

from __future__ import annotations

import datetime
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.worker.postgresql import PostgreSQL
from worker.ledger import Ledger


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate that nobody vouches for, and its key, for the server alone to read."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "invented.example")])
    today = datetime.datetime.now(datetime.UTC)
    builder = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
    builder = builder.not_valid_before(today).not_valid_after(today + datetime.timedelta(days=1))
    paths = folder / "certificate", folder / "key"
    paths[0].write_bytes(builder.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
    unsealed = serialization.NoEncryption()
    pkcs8 = serialization.PrivateFormat.PKCS8
    paths[1].write_bytes(key.private_bytes(serialization.Encoding.PEM, pkcs8, unsealed))
    paths[1].chmod(0o600)
    return paths


@contextmanager
def server(*options: str) -> Iterator[PostgreSQL]:
    running = PostgreSQL(f"127.{secrets.randbelow(250) + 1}.{secrets.randbelow(256)}.1", *options)
    try:
        yield running
    finally:
        running.remove()


def kept_secret(running: PostgreSQL) -> bool:
    """Whether the server says that a connection of ours is by TLS."""
    ledger = Ledger(running.url)
    with ledger.database.reading() as connection:
        found = connection.exec_driver_sql("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()").scalar_one()
    ledger.close()
    return bool(found)


@pytest.mark.slow
def test_a_connection_is_kept_secret_where_the_server_can(tmp_path: Path) -> None:
    with server() as running:
        assert not kept_secret(running)
        running.stop()
        for path in make_certificate(tmp_path):
            shutil.move(path, running.folder / path.name)
            if running.user:
                shutil.chown(running.folder / path.name, running.user)
        files = f"ssl_cert_file={running.folder}/certificate", f"ssl_key_file={running.folder}/key"
        running.options = ("ssl=on", *files)
        running.start()
        assert kept_secret(running)
