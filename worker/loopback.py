"""Which addresses only this machine can reach. On any other, the service wants a key."""

from __future__ import annotations

import ipaddress

from worker.errors import AccessError


def is_loopback(host: str) -> bool:
    """Whether a host name or address can only be this machine."""
    host = host.strip("[]")
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def refuse_open_address(host: str, *, keyed: bool) -> None:
    """Raise AccessError for an address that others can reach, where there is no key.

    A name other than localhost counts as one: where it leads may change.
    """
    if not keyed and not is_loopback(host):
        raise AccessError(
            f"The service is to listen on {host!r}, which other machines can reach, and there is no key.",
            mend="Make one with `maskwright keys make`, or set MASKWRIGHT_KEY to a long random text, or listen on "
            "127.0.0.1.",
        )
