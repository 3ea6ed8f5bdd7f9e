"""Hosts of a network of their own: network namespaces of this machine, joined to it by a bridge that can be cut."""

from __future__ import annotations

import os
import secrets
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

MISSING = "needs iproute2 on Linux: apt-get install iproute2"
NO_ROOT = "needs root, to make network namespaces: run this test by sudo"


def ip(*arguments: str) -> None:
    """Run the system's `ip`; raises CalledProcessError, with what it said."""
    subprocess.run(["ip", *arguments], check=True, capture_output=True, text=True)


@dataclass(frozen=True, slots=True)
class Host:
    """A network namespace with one cable to the bridge."""

    namespace: str
    cable: str
    address: str

    def command(self, *command: str) -> list[str]:
        """A command that runs on this host."""
        return ["ip", "netns", "exec", self.namespace, *command]

    def cut(self) -> None:
        """Pull the cable: nothing that is sent arrives any more, and nobody is told."""
        ip("link", "set", self.cable, "down")

    def mend(self) -> None:
        """Plug it in again."""
        ip("link", "set", self.cable, "up")


@dataclass(frozen=True, slots=True)
class Network:
    """`address` is this machine's own in it, where the servers listen."""

    address: str
    hosts: tuple[Host, ...]


@contextmanager
def network(hosts: int) -> Iterator[Network]:
    """So many hosts that reach this machine and one another. Skips where there can't be any, and says why."""
    if shutil.which("ip") is None:
        pytest.skip(MISSING)
    if os.getuid() != 0:
        pytest.skip(NO_ROOT)
    name = f"mw{secrets.token_hex(4)}"
    prefix = f"10.{200 + secrets.randbelow(50)}.{secrets.randbelow(256)}"
    made = Network(
        address=f"{prefix}.1",
        hosts=tuple(Host(f"{name}-{n}", f"{name}c{n}", f"{prefix}.{n + 2}") for n in range(hosts)),
    )
    try:
        try:
            _join(made, name)
        except subprocess.CalledProcessError as error:
            pytest.skip(f"this machine makes no network namespaces, which needs its administrator: {error.stderr}")
        yield made
    finally:
        for host in made.hosts:
            subprocess.run(["ip", "netns", "delete", host.namespace], capture_output=True)
        subprocess.run(["ip", "link", "delete", name], capture_output=True)


def _join(network: Network, bridge: str) -> None:
    ip("link", "add", bridge, "type", "bridge")
    ip("address", "add", f"{network.address}/24", "dev", bridge)
    ip("link", "set", bridge, "up")
    for host in network.hosts:
        ip("netns", "add", host.namespace)
        ip("link", "add", host.cable, "type", "veth", "peer", "name", "eth0", "netns", host.namespace)
        ip("link", "set", host.cable, "master", bridge, "up")
        ip("-n", host.namespace, "address", "add", f"{host.address}/24", "dev", "eth0")
        for link in ("lo", "eth0"):
            ip("-n", host.namespace, "link", "set", link, "up")
