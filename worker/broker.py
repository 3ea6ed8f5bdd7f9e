"""The Celery app and its wake-ups. A message says only: look into the ledger, there may be work in this lane."""

from __future__ import annotations

from collections.abc import Collection

import redis
from celery import Celery
from kombu.exceptions import OperationalError

from worker.errors import UnavailableError
from worker.job import LANES, Lane
from worker.settings import Environment

WORK = "maskwright.work"
"""Name of the one task: claim a job of a lane and do it. Its argument is the lane."""

QUEUES: dict[Lane, str] = {lane: f"maskwright.{lane}" for lane in LANES}
"""The broker's queue of each lane."""

WAKES_AT_MOST = 16
"""More wake-ups than these are never in a lane's queue: a worker that finds a job looks for the next by itself."""

SPARE_SECONDS = 30
"""A job that doesn't stop when its time is up is killed so much later."""


def celery_app(environment: Environment) -> Celery:
    """The Celery app. Messages may be lost or doubled: the ledger makes up for both."""
    app = Celery("maskwright", broker=environment.broker)
    app.conf.update(
        task_acks_late=False,
        task_ignore_result=True,
        task_soft_time_limit=environment.job_seconds,
        task_time_limit=environment.job_seconds + SPARE_SECONDS,
        worker_prefetch_multiplier=1,
        worker_enable_remote_control=True,  # without it workers hang for good after the broker was away
        worker_cancel_long_running_tasks_on_connection_loss=False,
        worker_max_tasks_per_child=environment.jobs_per_process,
        worker_max_memory_per_child=environment.job_memory_mb * 1024 // 2,
        worker_proc_alive_timeout=120.0,  # a process first loads the engine
        worker_hijack_root_logger=False,
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        broker_connection_timeout=3.0,
        broker_transport_options={
            "visibility_timeout": 60,
            "unacked_restore_interval": 2,
            "unacked_restore_throttle": 1,
            "socket_timeout": 5,
            "socket_connect_timeout": 3,
            "max_retries": 1,  # a sender gives up at once: the ledger's housekeeping sends again
            "interval_start": 0.0,
            "interval_step": 0.1,
        },
    )
    return app


class Broker:
    """Sends wake-ups, and counts those not yet taken."""

    def __init__(self, environment: Environment) -> None:
        self.app = celery_app(environment)
        url = environment.broker.replace("redis+socket://", "unix://", 1)
        self.redis = redis.Redis.from_url(url, socket_timeout=3.0, socket_connect_timeout=3.0)

    def wake(self, lane: Lane) -> None:
        """Send one wake-up, unless many wait already. Raises UnavailableError."""
        if self.waiting(lane) >= WAKES_AT_MOST:
            return
        try:
            self.app.send_task(WORK, args=[lane], queue=QUEUES[lane], retry=False, ignore_result=True)
        except (OperationalError, redis.RedisError, OSError) as error:
            raise _away() from error

    def waiting(self, lane: Lane) -> int:
        """Wake-ups of this lane that no worker has taken. Raises UnavailableError."""
        try:
            return int(self.redis.llen(QUEUES[lane]))
        except (redis.RedisError, OSError) as error:
            raise _away() from error

    def answering(self, names: Collection[str], seconds: float) -> set[str]:
        """Which of the workers of these names answer within so long. Raises UnavailableError."""
        self.check()
        try:
            found = self.app.control.ping(destination=list(names), timeout=seconds)
        except (OperationalError, redis.RedisError, OSError) as error:
            raise _away() from error
        return {name for answer in found for name in answer}

    def check(self) -> None:
        """Raise UnavailableError when the broker does not answer."""
        try:
            self.redis.ping()
        except (redis.RedisError, OSError) as error:
            raise _away() from error

    def close(self) -> None:
        """Close every connection."""
        self.redis.close()
        self.app.close()


def _away() -> UnavailableError:
    return UnavailableError("The broker does not answer.", mend="Ask again shortly; see REDIS_URL.")
