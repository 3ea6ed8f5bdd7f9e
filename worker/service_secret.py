"""The secret of one installation: keys are kept as digests under it, and links are signed with it.

It stands in MASKWRIGHT_SECRET, or else in a file of the data folder that the first who needs it makes. Several machines
that serve one database need the same one, so there it must be in the environment.
"""

from __future__ import annotations

import hmac
import os
import secrets
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from worker.errors import SettingsError, StorageError
from worker.settings import Environment

FILE = "secret"
FEWEST_LETTERS = 32


@dataclass(frozen=True, slots=True)
class ServiceSecret:
    """The secret. It never goes out: subkeys of it do the work, one for each purpose."""

    value: bytes = field(repr=False)

    def subkey(self, purpose: str) -> bytes:
        """32 bytes for one purpose, which tell nothing of the secret or of other subkeys (one step of HKDF-Expand)."""
        return hmac.digest(self.value, purpose.encode() + b"\x01", "sha256")

    @property
    def id(self) -> str:
        """16 hex digits that tell one secret from another, and nothing else of it."""
        return self.subkey("id").hex()[:16]


def read_service_secret(environment: Environment) -> ServiceSecret:
    """The secret of this environment; its file is made where there is none. Raises SettingsError, StorageError."""
    given = environment.secret.get_secret_value()
    if given:
        return ServiceSecret(_checked(given, "MASKWRIGHT_SECRET"))
    path = environment.data_dir.absolute() / FILE
    try:
        with suppress(FileNotFoundError):
            return ServiceSecret(_checked(path.read_text("ascii").strip(), str(path)))
        return ServiceSecret(_checked(_made(path), str(path)))
    except (OSError, UnicodeDecodeError) as error:
        raise StorageError(
            f"The service's secret in {path} can't be read or made: {error}.",
            mend="See to the rights of the data folder and its disk, or set MASKWRIGHT_SECRET.",
        ) from error


def _checked(text: str, place: str) -> bytes:
    if len(text) < FEWEST_LETTERS:
        raise SettingsError(
            f"{place} has {len(text)} letters.",
            mend=f"It takes {FEWEST_LETTERS} or more, such as the output of: openssl rand -hex 32.",
        )
    return text.encode()


def _made(path: Path) -> str:
    """Write a new secret, whole or not at all; of two that do so at once the first one's counts for both."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_name(f"{FILE}.{secrets.token_hex(8)}")
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(secrets.token_hex(32) + "\n")
        file.flush()
        os.fsync(file.fileno())
    try:
        with suppress(FileExistsError):
            os.link(draft, path)
    finally:
        draft.unlink()
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return path.read_text("ascii").strip()
