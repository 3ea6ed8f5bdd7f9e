"""`maskwright submit`: a folder of artworks sent to a service as one collection, followed, and its results fetched."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from worker.circuit_options import add_circuit_options, circuit_parts, circuit_paths
from worker.collection.report_files import replace_file, write_sheets
from worker.command_line import ALL_DONE, SOME_FAILED, STOPPED, add_command
from worker.errors import ManifestError, MaskwrightError, SettingsError, UnavailableError
from worker.job_settings import SETTINGS
from worker.setting_options import add_settings

if TYPE_CHECKING:
    from worker.client import Client
    from worker.collection.outgoing import OutgoingFile, Parts

EXAMPLES = """\
examples:
  a folder, 40 mm wide where neither a file's name nor the manifest says otherwise, with its results fetched:
    maskwright submit birds/ --fab nocturne-gold --width 40mm --manifest birds.csv --out birds-done
  leave it to the service, and fetch nothing:
    maskwright submit birds/ --fab nocturne-gold --server https://boards.example.org
  all of them beside one working circuit, whose ground copper they may use as colour:
    maskwright submit birds/ --fab meadow-tin --circuit my-circuit/ --net GND --out birds-done
  keep watching a folder: what is new or changed there is converted a moment later, until Ctrl-C:
    maskwright submit birds/ --fab nocturne-gold --width 40mm --out birds-done --watch

The key of the service is taken from MASKWRIGHT_KEY. Sent again, only what has changed is converted: content, settings,
the fab's profile or the program. Results already in DIR are fetched again only where their artwork was converted anew.
"""

DEFAULT_SERVER = "http://127.0.0.1:8000"
LOOK_SECONDS = 0.5
LOOK_SECONDS_EACH = 2e-4
AGAIN_SECONDS = 30.0
"""A service that does not answer is asked again after so long, where a folder is watched."""


def add_submit(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `submit`."""
    parser = add_command(commands, "submit", "send artworks to a service as one collection", EXAMPLES)
    parser.add_argument("artworks", nargs="+", type=Path, metavar="ARTWORK", help="a picture, or a folder of pictures")
    parser.add_argument("--fab", required=True, metavar="ID", help="id of a fab of the service")
    parser.add_argument("--server", default=DEFAULT_SERVER, metavar="URL", help=f"default: {DEFAULT_SERVER}")
    parser.add_argument(
        "--manifest", type=Path, metavar="FILE", help="what is said of each artwork: .toml, .json or .csv"
    )
    parser.add_argument("--name", default="", help="what the collection is called (default: the folder's name)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the results; without it they stay there")
    parser.add_argument(
        "--series",
        action="store_true",
        help="an animation, or numbered artworks, as one series of boards",
    )
    parser.add_argument("--watch", action="store_true", help="send the folder again whenever something in it changes")
    add_circuit_options(parser)
    add_settings(parser, "for all artworks; a file's name or the manifest may say otherwise of one")
    parser.set_defaults(run=_submit)


def _submit(given: argparse.Namespace) -> int:
    from worker.client import Client
    from worker.settings import read_environment

    if given.watch and not all(path.is_dir() for path in given.artworks):
        raise SettingsError("--watch takes folders alone.", mend="Name the folder to watch.")
    key = read_environment().key.get_secret_value()
    try:
        with Client(given.server, key=key) as client:
            if given.watch:
                return _watch(client, given)
            return _send(client, given, _files(given))
    except KeyboardInterrupt:
        print("maskwright: stopped; what was sent goes on at the service.", file=sys.stderr)
        return STOPPED


def _files(given: argparse.Namespace) -> list[OutgoingFile]:
    from worker.collection.outgoing import files_below

    beside = [given.circuit, given.circuit_file, given.keep_out]
    return files_below(given.artworks, left_out=[given.out, given.manifest, *beside])


def _watch(client: Client, given: argparse.Namespace) -> int:
    """Send whenever the files have changed and are at rest; never ends by itself."""
    from worker.collection.watching import at_rest

    print(f"watching {', '.join(map(str, given.artworks))}; Ctrl-C ends it", flush=True)
    manifest = [] if given.manifest is None else [given.manifest]
    for files in at_rest(lambda: _files(given), lambda: [*manifest, *circuit_paths(given)]):
        while True:
            try:
                _send(client, given, files)
            except MaskwrightError as error:
                print(f"not sent: {error.what}\n  {error.mend}", file=sys.stderr, flush=True)
                if isinstance(error, UnavailableError):
                    time.sleep(AGAIN_SECONDS)
                    continue
            break
    return ALL_DONE


def _send(client: Client, given: argparse.Namespace, files: Sequence[OutgoingFile]) -> int:
    settings = [
        (name, one)
        for name in SETTINGS
        for value in [getattr(given, name)]
        if value is not None
        for one in (value if isinstance(value, list) else [value])
    ]
    name = given.name or next((path.resolve().name for path in given.artworks if path.is_dir()), "artworks")
    series = [("series", "on")] if given.series else []
    fields = [("fab", given.fab), ("name", name), *series, *settings]
    collection = client.submit_collection(fields, files, [*_manifest(given.manifest), *circuit_parts(given)])
    print(f"collection {collection['id']}: {collection['artworks']} artworks, {collection['reused']} known", flush=True)
    for path in collection["skipped"]:
        print(f"left out: {path}")
    if given.out is None:
        print(f"follow it at {client.address}{collection['links']['self']}")
        return ALL_DONE
    for standing in _standings(client, collection["id"]):
        print(_line(standing), flush=True)
        collection = standing
    failed = _fetch(client, collection, given.out)
    print(f"results: {given.out}", flush=True)
    return SOME_FAILED if failed else ALL_DONE


def _manifest(path: Path | None) -> Parts:
    if path is None:
        return []
    try:
        return [("manifest", path.name, path.read_bytes())]
    except OSError as error:
        raise ManifestError(f"{path} can't be read: {error.strerror}.", mend="Check its name and rights.") from error


def _standings(client: Client, collection_id: str) -> Iterator[dict[str, Any]]:
    """The collection each time that a tenth more of it has ended, and at its end."""
    told = -1
    while True:  # a large collection takes longer to count
        standing = client.collection(collection_id)
        counts = standing["counts"]
        live = counts["queued"] + counts["running"]
        tenths = 10 * (standing["artworks"] - live) // max(1, standing["artworks"])
        if tenths != told or not live:
            told = tenths
            yield standing
        if not live:
            return
        time.sleep(max(LOOK_SECONDS, standing["artworks"] * LOOK_SECONDS_EACH))


def _line(standing: Mapping[str, Any]) -> str:
    counts = ", ".join(f"{number} {name}" for name, number in standing["counts"].items() if number)
    to_go = standing["seconds_to_go"]
    return counts if not to_go else f"{counts}; about {to_go:.0f} s to go"


def _fetch(client: Client, collection: Mapping[str, Any], out: Path) -> int:
    """Write what is done below `out`, and say what failed; how many that were."""
    from worker.collection.result_names import REPORT_PAGE, REPORT_TABLE, result_folders
    from worker.result_folder import replace_result

    links = collection["links"]
    listed = [(one["path"], one["job"], one["error"]) for one in client.members(collection["id"])]
    folders = result_folders([path for path, *_ in listed])
    failed = 0
    for path, job, error in listed:
        if job is None or job["state"] != "done":
            failed += 1
            error = error or (job or {}).get("error")
            why = error["detail"] if error else f"the job is {job['state']}"
            print(f"failed: {path}: {why}", file=sys.stderr, flush=True)
            continue
        files = client.files(job["id"])
        if not _is_there(out / folders[path], files):
            replace_result(out / folders[path], ((file["path"], client.download(file)) for file in files))
    for name in (REPORT_PAGE, REPORT_TABLE):
        replace_file(out / name, client.page(f"{links['self']}/{name}?links=package"))
    if any(job is not None and job["kind"] == "piece" and job["state"] == "done" for _, job, _ in listed):
        for form in ("webp", "gif"):
            replace_file(out / f"boards.{form}", client.page(f"{links['self']}/animation.{form}"))
    if failed < len(listed):
        write_sheets(out, client.pages(links["contact_sheet"]))
    return failed


def _is_there(target: Path, files: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the result lies there already: its report, which tells of all that went in, is the same."""
    import hashlib

    report = next((file for file in files if file["path"] == "report.json"), None)
    there = target / "report.json"
    return (
        report is not None
        and there.is_file()
        and hashlib.sha256(there.read_bytes()).hexdigest() == report["sha256"]
        and all((target / file["path"]).is_file() for file in files)
    )
