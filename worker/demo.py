"""The demo: start the service, send it every sample artwork over HTTP, fetch every result, print a table, stop it all.

`python -m worker.demo`, or `maskwright demo`, or `make demo`.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from worker.artwork_files import ArtworkFile, find_artworks
from worker.client import Client
from worker.errors import MaskwrightError, SettingsError, StorageError, UnavailableError
from worker.job import STAGES
from worker.result_folder import replace_result
from worker.settings import read_environment
from worker.summary_table import SummaryRow, print_summary, summary_row

SETTINGS_FILE = "settings.toml"
DEFAULT_WIDTH = "60mm"
LOOK_SECONDS = 0.1
STOP_SECONDS = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One artwork, with its bottom if it has one, the fab it is for and its settings in their written form."""

    artwork: ArtworkFile
    fab: str
    settings: Mapping[str, str | Sequence[str]]


@dataclass(slots=True)
class Outcome:
    """What has become of the orders: a row for each result that came back whole, a reason for each other."""

    rows: list[SummaryRow] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)


def run(artworks: Path, out: Path) -> int:
    """Run the demo.

    Parameters
    ----------
    artworks : folder of artworks; its settings.toml has a table per file name: fab, settings by their names, and
        bottom, the path from there to the artwork of the other side.
    out : folder for the results, one folder per artwork; the service keeps its own data in `.service` there.

    Returns
    -------
    The exit status: 0 only if every artwork came back whole.
    """
    console = Console()
    try:
        found = find_artworks([artworks], out=out).artworks
        given = read_orders(artworks / SETTINGS_FILE)
        key = read_environment().key.get_secret_value()
        with service(out / ".service") as address, Client(address, key=key) as client:
            first_fab = client.fabs()[0]["id"]
            orders = [order(artwork, given, first_fab) for artwork in found]
            outcome = convert(client, orders, out, console)
    except MaskwrightError as error:
        print(f"demo: {error.what}\n  {error.mend}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("demo: stopped.", file=sys.stderr)
        return 130
    print_summary(outcome.rows, console if console.is_terminal else None)
    print(f"results: {out}", flush=True)
    for failure in outcome.failures:
        print(f"failed: {failure}", file=sys.stderr)
    return 1 if outcome.failures else 0


def read_orders(path: Path) -> dict[str, dict[str, Any]]:
    """The tables of settings.toml by file name, none where there is no such file. Raises SettingsError."""
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return {}
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} can't be read: {error}.", mend="Mend the TOML there.") from error


def order(artwork: ArtworkFile, given: Mapping[str, dict[str, Any]], first_fab: str) -> Order:
    """How one artwork is ordered: as its table says, else for the first fab, 60 mm wide. Raises SettingsError."""
    table = dict(given.get(artwork.path.name, {"width": DEFAULT_WIDTH}))
    fab = str(table.pop("fab", first_fab))
    if "bottom" in table:
        bottom = artwork.path.parent / str(table.pop("bottom"))
        if not bottom.is_file():
            raise SettingsError(f"There is no {bottom}, the bottom of {artwork.name}.", mend="Mend settings.toml.")
        artwork = replace(artwork, bottom=bottom)
    settings = {
        name: [str(one) for one in value] if isinstance(value, list) else str(value) for name, value in table.items()
    }
    return Order(artwork=artwork, fab=fab, settings=settings)


@contextmanager
def service(data_dir: Path) -> Iterator[str]:
    """Run the embedded service on a free port; gives its address. Raises UnavailableError."""
    options = ["--host", "127.0.0.1", "--port", "0", "--data-dir", str(data_dir)]
    command = [sys.executable, "-m", "worker.embedded", *options]
    process = subprocess.Popen(
        [sys.executable, "-m", "worker.leash", str(os.getpid()), *command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,  # Ctrl-C comes to this process, which then stops that one
    )
    assert process.stdout is not None
    try:
        said = process.stdout.readline().split()
        if not said:
            raise UnavailableError("The service did not start.", mend="It says above why.")
        yield said[-1]
    finally:
        process.terminate()
        try:
            process.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()  # what it started is tied to it
            process.wait()
        process.stdout.close()


def convert(client: Client, orders: Sequence[Order], out: Path, console: Console) -> Outcome:
    """Send every order, and fetch each result as soon as it is there."""
    outcome = Outcome()
    bar, shown = _bar(console)
    with shown:
        task = bar.add_task("sending", total=len(orders) * len(STAGES))
        waiting: dict[str, Order] = {}
        for one in orders:
            try:
                bottom = one.artwork.bottom
                job = client.submit(
                    one.artwork.path.name,
                    one.artwork.path.read_bytes(),
                    bottom=None if bottom is None else (bottom.name, bottom.read_bytes()),
                    fab=one.fab,
                    settings=one.settings,
                )
                waiting[job["id"]] = one
            except MaskwrightError as error:
                outcome.failures.append(f"{one.artwork.name}: {error}")
        while waiting:
            time.sleep(LOOK_SECONDS)
            jobs = {job_id: client.job(job_id) for job_id in waiting}
            for job_id, job in jobs.items():
                if job["finished"] is not None:
                    _fetch(client, job, waiting.pop(job_id), out, outcome)
            steps = (len(orders) - len(waiting)) * len(STAGES) + sum(_step(jobs[job_id]) for job_id in waiting)
            bar.update(task, completed=steps, description=_doing(jobs.values(), waiting))
    outcome.rows.sort(key=lambda row: row.name)
    return outcome


def _bar(console: Console) -> tuple[Progress, AbstractContextManager[object]]:
    bar = Progress(
        TextColumn("{task.percentage:>3.0f}%"), BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}"),
        console=console, transient=True,
    )  # fmt: skip
    return bar, bar if console.is_terminal else nullcontext()


def _step(job: Mapping[str, Any]) -> int:
    return STAGES.index(job["progress"]["stage"]) if job["progress"] else 0


def _doing(jobs: Any, waiting: Mapping[str, Order]) -> str:
    running = [job for job in jobs if job["state"] == "running" and job["id"] in waiting]
    return "; ".join(
        f"{waiting[job['id']].artwork.name}: {job['progress']['stage'] if job['progress'] else 'begins'}"
        for job in running
    )


def _fetch(client: Client, job: Mapping[str, Any], one: Order, out: Path, outcome: Outcome) -> None:
    """Download a whole result into its folder and note its row, or why there is none."""
    name = one.artwork.name
    if job["state"] != "done":
        detail = job["error"]["detail"] if job["error"] else f"The job is {job['state']}."
        outcome.failures.append(f"{name}: {detail}")
        return
    try:
        files = {file["path"]: client.download(file) for file in client.files(job["id"])}
        reports = check_piece(name, files) if one.artwork.bottom else {name: check_whole(files)}
        replace_result(out / one.artwork.result, files.items())
    except MaskwrightError as error:
        outcome.failures.append(f"{name}: {error}")
        return
    outcome.rows.extend(summary_row(row, report, job["result"]["seconds"]) for row, report in reports.items())


def check_whole(files: Mapping[str, bytes]) -> dict[str, Any]:
    """The report among the files of a result. Raises StorageError where it, or a file that it names, is missing."""
    wanted = {"report.json", "labels.png", "preview.png", "error.png", "comparison.png", "tuning.npz"}
    report: dict[str, Any] = json.loads(files.get("report.json", b"{}"))
    wanted |= {finish["mask"] for finish in report.get("finishes", [])}
    if missing := sorted(wanted - set(files)):
        raise StorageError(f"The result lacks {', '.join(missing)}.", mend="Run it again.")
    return report


def check_piece(name: str, files: Mapping[str, bytes]) -> dict[str, dict[str, Any]]:
    """The reports of both sides of a piece, by what the summary calls them. Raises StorageError."""
    reports = {}
    for side in ("top", "bottom"):
        inside = {path.removeprefix(f"{side}/"): data for path, data in files.items() if path.startswith(f"{side}/")}
        reports[f"{name} ({side})"] = check_whole(inside)
    if missing := sorted({"report.json", "views/from-behind.png", "views/through-light.png"} - set(files)):
        raise StorageError(f"The result lacks {', '.join(missing)}.", mend="Run it again.")
    return reports


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line of `python -m worker.demo`."""
    parser = argparse.ArgumentParser(prog="python -m worker.demo", description=__doc__)
    parser.add_argument("--artworks", type=Path, default=Path("samples/artworks"))
    parser.add_argument("--out", type=Path, default=Path("build/demo"))
    given = parser.parse_args(arguments)
    return run(given.artworks, given.out)


if __name__ == "__main__":
    sys.exit(main())
