"""What a collection costs beside its conversions, how it gains by a second worker, and whether memory stays flat.

Costs are processor seconds of all processes of a service (HTTP, broker, workers), which a busy machine hardly changes:
each conversion is a stand-in that gives the files of one real result of a 512 px artwork, and the peer writes the same
files from one process, as the command does. Idle processes' own use is taken off. Throughput is measured on real
conversions by wall time, which needs a quiet machine; what other processes used of it meanwhile is told beside.
"""

from __future__ import annotations

import io
import shutil
import sqlite3
import struct
import time
import zlib
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

from benchmarks.measured_service import MeasuredService, cores, machine_seconds, measured_service
from benchmarks.row import Row, at_least, at_most
from benchmarks.stand_in import FOLDER, kept_result
from worker.client import Client
from worker.collection.outgoing import files_below
from worker.result_folder import replace_result
from worker.settings import PROJECT

ARTWORKS = PROJECT / "samples" / "artworks"
FAB = "nocturne-gold"
SETTINGS = (("width", "25.6mm"), ("pitch", "50um"))
"""A board of 512 pixels."""
SIDE_PX = 512
MEMBERS = (100, 5000)
SMALL, ORDINARY, FIRST = 256, 64, 16
ORDINARY_SETTINGS = (("width", "60mm"),)
"""The default pitch of 20 um: 3,000 pixels a side for a square one."""
ROUNDS = 2
IDLE_SECONDS = 4.0
LOOK_SECONDS = 0.5
LIMIT_SECONDS = 3600.0
_END = b"\0\0\0\0IEND\xaeB`\x82"
"""The last chunk of a PNG."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """Of one collection: processor seconds of each part by phase, and the most memory that a process held, in MB."""

    members: int
    seconds: dict[str, Counter[str]]
    peaks_mb: dict[str, float]

    def each_ms(self, phase: str) -> float:
        """Processor milliseconds of a phase for each artwork."""
        return 1000.0 * sum(self.seconds[phase].values()) / self.members


def rows(folder: Path) -> list[Row]:
    """The rows of this group."""
    result = folder / "result"
    _one_result(folder, result)
    counted = [_counted(folder, members, result) for members in MEMBERS]
    direct_ms = min(_directly(folder / f"direct-{turn}", result, MEMBERS[0]) for turn in range(3))
    largest = counted[-1]
    asked = largest.each_ms("asked") + largest.each_ms("worked on")
    taken = {phase: largest.each_ms(phase) for phase in largest.seconds if phase not in ("asked", "worked on")}
    by_part = {part: 1000.0 * spent / largest.members for part, spent in largest.seconds["worked on"].items()}
    found = [
        at_most(
            f"cost of an artwork in a collection of {largest.members:,}, beside its conversion",
            asked - direct_ms,
            10.0,
            "ms",
            f"processor time: {largest.each_ms('asked'):.1f} ms sent, {_told(by_part)}; files written directly "
            f"{direct_ms:.1f} ms",
        ),
        at_most(
            "the same with report, contact sheets and package",
            asked - direct_ms + sum(taken.values()),
            10.0,
            "ms",
            _told(taken),
        ),
    ]
    smallest = counted[0]
    for part in ("HTTP", "batch workers", "interactive worker"):
        figures = ", ".join(f"{one.peaks_mb[part]:.0f} MB with {one.members:,}" for one in counted)
        grown = largest.peaks_mb[part] / smallest.peaks_mb[part]
        found.append(
            at_most(f"peak memory of a process, {part}, with {largest.members:,} to 100", grown, 1.1, "x", figures)
        )
    return [*found, *throughput_rows(folder)]


def _told(parts: dict[str, float]) -> str:
    return ", ".join(f"{name} {value:.1f} ms" for name, value in parts.items())


def _one_result(folder: Path, target: Path) -> None:
    """A result of one artwork of 512 px."""
    from worker.artwork_files import ArtworkFile
    from worker.conversion import Means, Order, convert_to_folder  # loads the engine
    from worker.fab_profile import read_fab_profile
    from worker.job_settings import read_settings

    (artwork,) = _artworks(folder / "one", 1)
    means = Means(
        fab=read_fab_profile((PROJECT / "samples" / "fabs" / f"{FAB}.toml").read_bytes()),
        out=target.parent,
        full_size=False,
        tables=folder / "tables",
        threads=1,
    )
    order = Order(artwork=ArtworkFile(path=artwork, result=Path(target.name)), settings=read_settings(dict(SETTINGS)))
    convert_to_folder(order, means, lambda *_: None)


def _artworks(folder: Path, count: int, begin: int = 0, *, small: bool = True) -> list[Path]:
    """So many artworks, of 512 px if `small`, each of its own bytes: samples with a number in a text at the end."""
    folder.mkdir(parents=True, exist_ok=True)
    samples = [ARTWORKS / name for name in ("quillmere-badge.png", "owl.png", "comet-over-ridge.jpg", "rosette.tif")]
    pictures = []
    for path in samples:
        stream = io.BytesIO()
        with Image.open(path) as opened:
            picture = opened.convert("RGB")
        if small:
            picture = picture.resize((SIDE_PX, SIDE_PX), Image.Resampling.BOX)
        picture.save(stream, "PNG", compress_level=1)
        pictures.append(stream.getvalue().removesuffix(_END))
    made = [folder / f"{number:05}.png" for number in range(begin, begin + count)]
    for number, path in enumerate(made, begin):
        text = b"tEXtTitle\0%d" % number
        chunk = struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
        # Not in the same turn again and again: workers that alternate would each see two of the four alone.
        turn = number + number // len(pictures)
        path.write_bytes(pictures[turn % len(pictures)] + chunk + _END)
    return made


def _counted(folder: Path, members: int, result: Path) -> Counted:
    """A collection of stand-ins from its request to its package."""
    art, data = folder / f"art-{members}", folder / f"data-{members}"
    _artworks(art, members)
    shutil.copytree(result, data / FOLDER)
    with measured_service(data, "benchmarks.stand_in", MASKWRIGHT_BATCH_WORKERS="2", MASKWRIGHT_THREADS="1") as service:
        phases = _Phases(service)
        with Client(service.address) as client:
            phases.begin()
            collection = client.submit_collection([("fab", FAB), *SETTINGS], files_below([art]))
            phases.end("asked")
            _ended(client, collection["id"])
            phases.end("worked on")
            for kind in ("json", "html"):
                client.page(f"{collection['links']['self']}/report.{kind}")
            phases.end("reports")
            for _ in client.pages(collection["links"]["contact_sheet"]):
                pass
            phases.end("contact sheets")
            _drained(client, collection["links"]["package"])
            phases.end("package")
        counted = Counted(members=members, seconds=phases.seconds, peaks_mb=service.peaks_mb())
    shutil.rmtree(data)
    shutil.rmtree(art)
    return counted


class _Phases:
    """Processor seconds of each part of a service in each phase, without what it uses idle."""

    def __init__(self, service: MeasuredService) -> None:
        self.service = service
        self.seconds: dict[str, Counter[str]] = {}
        self.idle = service.idle(IDLE_SECONDS)

    def begin(self) -> None:
        """Count from now on."""
        self._before, self._since = self.service.seconds(), time.monotonic()

    def end(self, name: str) -> None:
        """What was used since the last phase belongs to this one."""
        now, lasted = self.service.seconds(), time.monotonic() - self._since
        used: Counter[str] = Counter()
        for part in now:
            used[part] = now[part] - self._before[part] - lasted * self.idle[part]  # type: ignore[assignment]
        self.seconds[name] = used
        self.begin()


def _ended(client: Client, collection_id: str) -> dict[str, Any]:
    """The collection, once all its jobs have ended well."""
    until = time.monotonic() + LIMIT_SECONDS
    while (standing := client.collection(collection_id))["state"] != "ended":
        if time.monotonic() > until:
            raise TimeoutError(f"a collection did not end in {LIMIT_SECONDS:g} s: {standing['counts']}")
        time.sleep(LOOK_SECONDS)
    if standing["counts"]["done"] != standing["artworks"]:
        raise RuntimeError(f"not all went well: {standing['counts']}")
    return standing


def _drained(client: Client, path: str) -> None:
    """Take what lies at a path, and keep nothing of it."""
    response = client.pool.request("GET", client.address + path, preload_content=False)
    for _ in response.stream(1 << 20):
        pass
    response.release_conn()


def _directly(folder: Path, result: Path, times: int) -> float:
    """Processor milliseconds to write the files of the result once, as the command does."""
    files, _ = kept_result(result)
    began = time.process_time()
    for number in range(times):
        replace_result(folder / str(number), files)
    spent = time.process_time() - began
    shutil.rmtree(folder)
    return 1000.0 * spent / times


def throughput_rows(folder: Path) -> list[Row]:
    """Artworks per second at two workers, of those at one; real conversions, one thread each.

    Of artworks as boards are made, and of small ones, of which a service does more beside their conversion.
    """
    ordinary = _throughput(folder / "ordinary", ORDINARY, ORDINARY_SETTINGS, small=False)
    small = _throughput(folder / "small", SMALL, SETTINGS, small=True)
    return [
        at_least("throughput of a collection at two workers, of one's, boards 60 mm wide", *ordinary),
        at_least("the same, small artworks of 512 px", *small),
    ]


def _throughput(
    folder: Path, count: int, settings: tuple[tuple[str, str], ...], *, small: bool
) -> tuple[float, float, str]:
    """How much two workers gain, the bar and what was seen: the best of some rounds of each, in turn.

    Where others use the machine meanwhile, what the processor time of an artwork would allow is told, too.
    """
    art, first = folder / "real", folder / "first"
    _artworks(art, count, small=small)
    # Others first: what has a job already is not converted again, and its time would be that of the warm-up.
    _artworks(first, FIRST, begin=count, small=small)
    paces, each, others = {1: 0.0, 2: 0.0}, {1: float("inf"), 2: float("inf")}, {1: 0.0, 2: 0.0}
    for turn in range(ROUNDS):
        for workers in (1, 2):
            data = folder / f"{workers}-{turn}"
            variables = {"MASKWRIGHT_BATCH_WORKERS": str(workers), "MASKWRIGHT_THREADS": "1"}
            with measured_service(data, "worker.embedded", **variables) as service, Client(service.address) as client:
                # Not counted: each worker process loads what the engine needs, and makes the tables.
                warm = client.submit_collection([("fab", FAB), *settings], files_below([first]))
                _ended(client, warm["id"])
                ours, all_of_it, began = sum(service.seconds().values()), machine_seconds(), time.monotonic()
                collection = client.submit_collection([("fab", FAB), *settings], files_below([art]))
                standing = _ended(client, collection["id"])
                lasted = time.monotonic() - began
                spent = sum(service.seconds().values()) - ours
                used = (machine_seconds() - all_of_it - spent) / lasted
            each[workers] = min(each[workers], 1000.0 * spent / count)
            others[workers] = max(others[workers], used)
            paces[workers] = max(paces[workers], standing["artworks"] / _working_seconds(data, standing["artworks"]))
            shutil.rmtree(data)
    shutil.rmtree(folder)
    told = [
        f"{workers}: {paces[workers]:.2f}/s, {each[workers]:.0f} ms of processor time each, others used up to "
        f"{others[workers]:.2f} of {cores()} cores"
        for workers in (1, 2)
    ]
    told.append(f"best of {ROUNDS}; by processor time alone {2.0 * each[1] / each[2]:.2f} x")
    return paces[2] / paces[1], 1.9, "; ".join(told)


def _working_seconds(data: Path, jobs: int) -> float:
    """From the first begin to the last end of the newest jobs in a service's own database."""
    with closing(sqlite3.connect(data / "ledger.sqlite")) as database:
        wanted = "SELECT min(started), max(finished) FROM (SELECT * FROM jobs ORDER BY seq DESC LIMIT ?)"
        began, ended = database.execute(wanted, (jobs,)).fetchone()
    return float(ended - began)
