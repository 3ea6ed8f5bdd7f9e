"""How long a person waits who asks for a draft, or tunes a reference: over HTTP.

Drafts are asked for as soon as the service listens, each with a fab that was not used before and of another size.

Previews then are asked for while the two batch workers are at work all the time on 24 MP photographs: of a finished
job of each size, one after the other, each with another reference, as a slider would.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import urllib3

from benchmarks.pictures import encoded, photo_like
from benchmarks.row import Row, at_most, print_table
from worker.client import Client
from worker.settings import PROJECT, child_environment, processor_cores

BAR_MS = 200.0
DRAFT_BAR_MS = 1000.0
DRAFTS = (("nocturne-gold", "60mm"), ("alba-black", "300mm"), ("meadow-tin", "20mm"))
PREVIEWS = 40
FAB = "nocturne-gold"
SIZES = ((600, 400), (6000, 4000))
LIMIT_SECONDS = 300.0


def rows(folder: Path) -> list[Row]:
    """A row for each size of artwork."""
    with _service(folder) as address, Client(address) as client:
        drafts = _draft_row(address)
        large = encoded(photo_like(), "JPEG")
        jobs = {}
        for width, height in SIZES:
            artwork = large if width == 6000 else encoded(photo_like(width, height), "JPEG")
            jobs[width, height] = _finished(client, artwork, f"{width * 0.02:g}mm")
        backlog: list[str] = []
        try:
            return [drafts, *(_row(client, large, backlog, size, job) for size, job in jobs.items())]
        finally:
            for job in backlog:
                _cancel(client, job)


def _draft_row(address: str) -> Row:
    """The longest of the first drafts with each fab, as a page asks for them: a picture of 0.5 MP."""
    artwork = (PROJECT / "samples" / "artworks" / "owl.png").read_bytes()
    found = []
    for fab, width in DRAFTS:
        begin = time.perf_counter()
        fields: dict[str, Any] = {"artwork": ("owl.png", artwork), "fab": fab, "width": width}
        answer = urllib3.request("POST", f"{address}/v1/drafts", fields=fields).json()
        found.append(1000.0 * (time.perf_counter() - begin))
        assert answer["grid"]["height_px"] == 400
    return at_most(
        "first quick draft with a fab, over HTTP, from the start on",
        max(found),
        DRAFT_BAR_MS,
        "ms",
        f"longest of {len(found)}: {', '.join(f'{one:.0f}' for one in found)} ms",
    )


def _row(client: Client, artwork: bytes, backlog: list[str], size: tuple[int, int], job: str) -> Row:
    first: list[float] = []
    later: list[float] = []
    for number in range(PREVIEWS + 1):
        _keep_busy(client, artwork, backlog)
        begin = time.perf_counter()
        answer = _preview(client, job, 60.0 + 0.25 * number)
        (later if number else first).append(1000.0 * (time.perf_counter() - begin))
        assert answer["preview"] and answer["s_cielab"]["preview"]
    high = statistics.quantiles(later, n=20)[-1]
    return at_most(
        f"preview over HTTP, both batch workers busy, {size[0] * size[1] / 1e6:g} MP photo-like",
        statistics.median(later),
        BAR_MS,
        "ms",
        f"median of {PREVIEWS}, 95th percentile {high:.0f} ms, first {first[0]:.0f} ms",
    )


def _preview(client: Client, job: str, lightness: float) -> dict[str, Any]:
    edit = {"finish": "gold", "lab": [lightness, 5.0, 30.0], "illuminant": "D65", "observer": "2"}
    return client.ask("POST", f"/v1/fabs/{FAB}/preview", {"job": job, "edits": [edit]})


def _keep_busy(client: Client, artwork: bytes, backlog: list[str]) -> None:
    """See to it that two batch jobs run and more wait."""
    until = time.monotonic() + LIMIT_SECONDS
    while True:
        states = [client.job(job)["state"] for job in backlog]
        backlog[:] = [job for job, state in zip(backlog, states, strict=True) if state in ("queued", "running")]
        if states.count("running") == 2 and len(backlog) >= 3:
            return
        if len(backlog) < 4:
            number = time.monotonic_ns()
            settings = {"width": "120mm", "edges": "dither"}
            backlog.append(str(client.submit(f"{number}.jpg", artwork, fab=FAB, settings=settings)["id"]))
        elif time.monotonic() > until:
            raise TimeoutError("the batch workers did not begin")
        else:
            time.sleep(0.05)


def _finished(client: Client, artwork: bytes, width: str) -> str:
    job = client.submit("artwork.jpg", artwork, fab=FAB, settings={"width": width}, lane="batch")
    *_, last = client.follow(str(job["id"]))
    if last["state"] != "done":
        raise RuntimeError(f"the job to preview is {last['state']}: {last['error']}")
    return str(job["id"])


def _cancel(client: Client, job: str) -> None:
    if client.job(job)["state"] in ("queued", "running"):
        client.cancel(job)


@contextmanager
def _service(folder: Path) -> Iterator[str]:
    """The embedded service; its address."""
    command = [sys.executable, "-m", "worker.embedded", "--port", "0", "--data-dir", str(folder / "preview")]
    process = subprocess.Popen(command, cwd=PROJECT, env=child_environment({}), stdout=subprocess.PIPE, text=True)
    try:
        line = cast(Any, process.stdout).readline()
        if "http://" not in line:
            raise RuntimeError("the service did not start")
        yield line.split()[-1]
    finally:
        process.terminate()
        process.wait()


def main() -> int:
    """Print the rows; exit status 0 if they are within the bar."""
    with tempfile.TemporaryDirectory(prefix="maskwright-bench-") as name:
        found = rows(Path(name))
    print_table(found, cores=processor_cores())
    return 0 if all(row.met for row in found) else 1


if __name__ == "__main__":
    sys.exit(main())
