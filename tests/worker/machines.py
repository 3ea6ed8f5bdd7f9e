"""The queue on several machines: PostgreSQL, Redis and an S3 server on one, worker hosts in networks of their own."""

from __future__ import annotations

import secrets
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
import urllib3

from tests.worker.network import Host, Network, network
from tests.worker.postgresql import PostgreSQL
from tests.worker.rig import Rig, wait_for

NO_REDIS = "needs Redis: apt-get install redis-server"
REDIS_PORT = 6379
BUCKET_PORT = 8333


class Machines(Rig):
    """A rig whose parts are servers that are reached over a network. Its workers run on `net.hosts`."""

    def __init__(self, net: Network, database: PostgreSQL, **changes: str) -> None:
        self.net = net
        self.database = database
        self.bucket = f"http://{net.address}:{BUCKET_PORT}"
        super().__init__(
            DATABASE_URL=database.url,
            REDIS_URL=f"redis://{net.address}:{REDIS_PORT}/0",
            STORE_URL="s3://maskwright/tests",
            AWS_ENDPOINT_URL=self.bucket,
            AWS_ACCESS_KEY_ID="test",
            AWS_SECRET_ACCESS_KEY="test",
            **changes,
        )

    def start_bucket(self) -> None:
        """Start moto's S3 server, which keeps its objects in memory, and make the bucket."""
        self.run(sys.executable, "-m", "moto.server", "-H", self.net.address, "-p", str(BUCKET_PORT))
        wait_for(self._made_bucket)

    def _made_bucket(self) -> bool:
        try:
            return urllib3.request("PUT", f"{self.bucket}/maskwright", retries=False, timeout=3.0).status == 200
        except urllib3.exceptions.HTTPError:
            return False

    def start_broker(self) -> None:
        """Start Redis; what an earlier one kept on disk is there again."""
        self.server = self.run(
            "redis-server", "--bind", self.net.address, "--port", str(REDIS_PORT), "--dir", str(self.folder),
            "--protected-mode", "no", "--appendonly", "yes", "--save", "",
        )  # fmt: skip
        wait_for(self.broker_answers)

    def start_worker(self, lane: str = "batch", *, host: int = 0, **options: Any) -> subprocess.Popen[bytes]:
        """Start a worker on one of the hosts, with a data folder of its own; on this machine where there are none."""
        if not self.net.hosts:
            return super().start_worker(lane, **options)
        there = self.net.hosts[host]
        data = self.data_of(there)
        data.mkdir(exist_ok=True)
        return super().start_worker(lane, on=there.command(), **{"MASKWRIGHT_DATA_DIR": str(data), **options})

    def number_of(self, word: str) -> int:
        """The number of the first process with this word in its command, which its log has as well."""
        return next(n for n, process in enumerate(self.processes) if word in process.args)

    def data_of(self, host: Host) -> Path:
        """The data folder of the workers on a host."""
        return self.folder / host.namespace


@contextmanager
def machines(hosts: int = 2, *, options: tuple[str, ...] = (), **changes: str) -> Iterator[Machines]:
    """The servers, running, and hosts without workers; with no hosts all of it is on loopback.

    `options` are of PostgreSQL, `changes` of the environment.
    """
    if shutil.which("redis-server") is None:
        pytest.skip(NO_REDIS)
    with ExitStack() as stack:
        loopback = Network(f"127.{secrets.randbelow(250) + 1}.{secrets.randbelow(256)}.1", ())
        net = stack.enter_context(network(hosts)) if hosts else loopback
        database = PostgreSQL(net.address, *options)
        stack.callback(database.remove)
        rig = stack.enter_context(Machines(net, database, **changes))
        rig.start_broker()
        rig.start_bucket()
        yield rig
