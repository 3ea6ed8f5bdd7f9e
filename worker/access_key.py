"""Access keys: what they look like, what they allow, and the digest that is all the service keeps of one.

A key is `maskwright_<id>_<secret>`. The id may be seen by anybody; the secret is 43 letters and digits, 256 random
bits, so no guessing and no dictionary finds it, and a slow hash would add nothing but a way to keep the service busy
(NIST SP 800-63B-3, 5.1.2.2, asks for a one-way function where a stored secret has 112 bits or more, and for a slow one
only below). What is kept is its HMAC-SHA-256 under the service's own secret: who has a copy of the database alone can't
even check a guess, nor write a key of their own into it.
"""

from __future__ import annotations

import hmac
import re
import secrets
import string
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from worker.errors import SettingsError
from worker.service_secret import ServiceSecret

SCOPES = {
    "submit": "ask for jobs, stop them, share their results by link",
    "read": "look at jobs and fabs, get files and answers",
    "edit-fabs": "add and edit fabs",
    "admin": "make and revoke keys, read the audit trail",
}
"""What a key may be allowed, each by itself: none contains another."""

ENVIRONMENT_KEY = "environment"
"""How the key of MASKWRIGHT_KEY is called where a key's id stands."""

NAME_LETTERS = 100

_LETTERS = string.ascii_letters + string.digits
_ID_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
_KEY = re.compile(r"maskwright_([a-z0-9]{10})_([A-Za-z0-9]{43})")
_OWNER = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")
_AFTER = re.compile(r"(\d{1,5})([hdw])")
_UNITS = {"h": timedelta(hours=1), "d": timedelta(days=1), "w": timedelta(weeks=1)}


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyParts:
    """A key as it was sent: its id, and the secret that only its bearer has."""

    id: str
    secret: str

    @property
    def text(self) -> str:
        """The key as it is handed out and sent."""
        return f"maskwright_{self.id}_{self.secret}"

    def digest(self, secret: ServiceSecret) -> str:
        """What the database keeps of it, 64 hex digits."""
        message = f"{self.id}\n{self.secret}".encode()
        return hmac.new(secret.subkey("access keys"), message, "sha256").hexdigest()


def new_key() -> KeyParts:
    """A key that nobody has yet."""
    return KeyParts(
        id="".join(secrets.choice(_ID_LETTERS) for _ in range(10)),
        secret="".join(secrets.choice(_LETTERS) for _ in range(43)),
    )


def without_secrets(text: str, instead: str) -> str:
    """The text with the secret of every key in it struck out; the ids stay, since they say whose key it was."""
    return _KEY.sub(rf"maskwright_\1_{instead}", text) if "maskwright_" in text else text


def split_key(text: str) -> KeyParts | None:
    """The parts of a key, or None for what is none."""
    match = _KEY.fullmatch(text)
    return None if match is None else KeyParts(id=match[1], secret=match[2])


def read_owner(text: str) -> str:
    """The name of an owner. Raises SettingsError."""
    if not _OWNER.fullmatch(text):
        raise SettingsError(
            f"The owner is {text[:64]!r}.",
            mend="Write 1 to 64 lower case letters, digits, dots, hyphens or underscores, a letter or digit first.",
        )
    return text


def read_scopes(names: Iterable[str]) -> tuple[str, ...]:
    """Scopes in their fixed order, each once. Raises SettingsError."""
    given = [name.strip() for name in names]
    unknown = [name for name in given if name not in SCOPES]
    if unknown or not given:
        raise SettingsError(
            f"There is no scope {unknown[0][:64]!r}." if unknown else "The key has no scope.",
            mend=f"Choose some of: {', '.join(SCOPES)}.",
        )
    return tuple(scope for scope in SCOPES if scope in given)


def read_name(text: str) -> str:
    """What a key is for, in a line. Raises SettingsError."""
    text = text.strip()
    if len(text) > NAME_LETTERS or not (text.isprintable() or not text):
        raise SettingsError(f"The name is {text[:64]!r}.", mend=f"Write one line of at most {NAME_LETTERS} letters.")
    return text


def read_expiry(text: str, moment: datetime) -> datetime:
    """When a key ends: so many hours, days or weeks after `moment` (`12h`, `90d`, `8w`), or a date and time.

    A time without a zone is UTC, a date alone is its first moment. Raises SettingsError.
    """
    after = _AFTER.fullmatch(text.strip())
    try:
        expiry = moment + int(after[1]) * _UNITS[after[2]] if after else datetime.fromisoformat(text.strip())
    except (ValueError, OverflowError) as error:
        raise SettingsError(
            f"The expiry is {text[:64]!r}.", mend="Write 12h, 90d, 8w, or a date such as 2027-01-31."
        ) from error
    return check_expiry(expiry if expiry.tzinfo else expiry.replace(tzinfo=UTC), moment)


def check_expiry(expiry: datetime, moment: datetime) -> datetime:
    """Raise SettingsError for a key that would have ended before it was made."""
    if expiry <= moment:
        raise SettingsError(f"The expiry, {expiry.isoformat()}, is past.", mend="Choose a later one.")
    return expiry
