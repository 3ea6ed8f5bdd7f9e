"""Links that let anybody get one result, for a while: signed, never stored.

The signature covers whose job it is, which part of its result, until when, and how often the owner's and the job's
links were revoked. So a link can't be turned to anything else. It ends by its time, a revocation, or with the secret.
"""

from __future__ import annotations

import hmac
import re
import time
from urllib.parse import quote, urlencode

from service.errors import ProtocolError
from worker.ledger.links import LinkRound
from worker.service_secret import ServiceSecret

PACKAGE = "package.zip"
_EXPIRES = re.compile(r"[1-9][0-9]{0,11}")


def file_place(path: str) -> str:
    """The part of a result that is one file."""
    return f"files/{path}"


def link_to(secret: ServiceSecret, round: LinkRound, job_id: str, place: str, expires: int) -> str:
    """Path and query of a link to a part of a job's result, until `expires`, in seconds since 1970."""
    query = {"expires": expires, "signature": _signature(secret, round, job_id, place, expires)}
    return f"/v1/shared/{job_id}/{quote(place)}?{urlencode(query)}"


def check_link(
    secret: ServiceSecret, round: LinkRound | None, job_id: str, place: str, expires: str, signature: str
) -> int:
    """The seconds that a link still has. Raises ProtocolError.

    What was never signed so is not found, whatever is wrong with it; only who has had a link learns that it ended.
    """
    if round is None or not _EXPIRES.fullmatch(expires):
        raise _no_link()
    wanted = _signature(secret, round, job_id, place, int(expires))
    if not hmac.compare_digest(wanted.encode(), signature.encode()):
        raise _no_link()
    left = int(expires) - int(time.time())
    if left <= 0:
        raise ProtocolError("link-ended", "This link has ended.", mend="Ask whoever shared it for a new one.")
    return left


def _no_link() -> ProtocolError:
    return ProtocolError(
        "no-such-page",
        "This link leads nowhere: it is not whole, or was revoked.",
        mend="Copy all of it, or ask whoever shared it for a new one.",
    )


def _signature(secret: ServiceSecret, round: LinkRound, job_id: str, place: str, expires: int) -> str:
    signed = "\n".join((round.owner, str(round.of_owner), job_id, str(round.of_job), str(expires), place))
    return hmac.new(secret.subkey("links"), signed.encode(), "sha256").hexdigest()
