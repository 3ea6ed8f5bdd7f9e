"""Door 2 to the engine: the command line, which does the same work as the service, in one process and with no queue.

Only the standard library is loaded here; each command loads what it needs when it is asked for.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, SOME_FAILED, STOPPED, WRONG_CALL, add_command
from worker.errors import ArtworkError, MaskwrightError
from worker.job_settings import SETTINGS, read_settings
from worker.setting_options import add_settings

if TYPE_CHECKING:
    from rich.console import Console

    from worker.board_file import BoardFile
    from worker.conversion_run import ConversionRun
    from worker.shell_environment import ShellEnvironment

    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

DESCRIPTION = "Turn artworks into one mask per circuit-board finish, with a perceptual error score."

EXAMPLES = """\
examples:
  maskwright convert badge.png --fab alba-black --width 60mm --out results
  maskwright series moth.gif --fab nocturne-gold --width 20mm --out results
  maskwright coupon --fab alba-black --out alba-coupon
  maskwright plan badge.png --width 60mm
  maskwright fab list
  maskwright serve --port 8000
  maskwright submit birds/ --fab alba-black --width 40mm --out birds-done
  maskwright demo

exit status: 0 all done; 1 an artwork or a check failed; 2 the call was wrong; 130 stopped by Ctrl-C
'maskwright COMMAND --help' says more of a command.
"""

CONVERT_EXAMPLES = """\
examples:
  one artwork, 60 mm wide, on a demo board:
    maskwright convert badge.png --fab alba-black --width 60mm --out results
  a whole folder, its sub-folders kept, dithered, for a profile of your own:
    maskwright convert art/ --fab my-fab.toml --width 2.5in --edges dither --out results
  a red that must be legend, and no gold:
    maskwright convert badge.svg --fab nocturne-gold --width 40mm --pin '#C82828~12=legend' --forbid gold --out results
  a round board, and one in the artwork's own shape, 1.5 mm larger all round, with holes:
    maskwright convert token.png --fab nocturne-gold --width 20mm --board disc --out results
    maskwright convert owl.png --fab meadow-tin --height 52mm --board silhouette:1.5mm --board-file holes.toml --out out
  art on both sides, with the files for the fab; and a whole folder, whose bottoms lie in another one:
    maskwright convert front.png --bottom back.png --fab meadow-tin --width 24mm --fabrication on --out results
    maskwright convert fronts/ --bottom backs/ --fab meadow-tin --width 24mm --out results
  a folder with a manifest; and one that is watched:
    maskwright convert birds/ --fab nocturne-gold --width 40mm --manifest birds.csv --out birds-done
    maskwright convert birds/ --fab nocturne-gold --width 40mm --out birds-done --watch
  art beside a working circuit, whose ground copper it may use as colour:
    maskwright convert badge.png --circuit my-circuit.zip --net GND --fab meadow-tin --out results
  a brooch: which cautions apply
    maskwright convert brooch.png --fab alba-black --width 20mm --use worn --out results

The result of one artwork is DIR/<stem>/: report.json, masks/<finish id>.png, labels.png, preview.png, error.png,
comparison.png; with a bottom top/ and bottom/, with these in each, views/ and a report.json of the whole. Two artworks
of one stem in one folder take their full file names. An earlier result is replaced only whole.

A folder is a collection: only what has changed since DIR was written is converted (content, settings, fab, program); a
name may end in a size, as owl_30mm.png; DIR gets report.html, report.json and contact-sheet-1.png; the rest is skipped.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command line, by default this process's own; the exit status."""
    asked = list(sys.argv[1:] if arguments is None else arguments)
    status = _run(asked)
    if arguments is None and asked[0] in LEAVES_AT_ONCE:
        sys.stderr.flush()
        os._exit(status)
    return status


def _run(asked: Sequence[str]) -> int:
    given = _parser(asked).parse_args(asked)
    try:
        status: int = given.run(given)
        sys.stdout.flush()
        return status
    except MaskwrightError as error:
        print(f"maskwright: {error.what}\n  {error.mend}", file=sys.stderr)
        return WRONG_CALL
    except KeyboardInterrupt:
        print("maskwright: stopped.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # The reader has gone. What is still in the buffer goes nowhere, so that closing it raises no second error.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return SOME_FAILED


def _parser(asked: Sequence[str]) -> argparse.ArgumentParser:
    """The parser for this command line: where its first word is a command, of that command alone."""
    parser = argparse.ArgumentParser(
        prog="maskwright",
        description=DESCRIPTION,
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    named = [add for names, add in COMMANDS if asked and asked[0] in names]
    for add in named or [add for _, add in COMMANDS]:
        add(commands)
    return parser


def _add_convert(commands: Commands) -> None:
    from worker.circuit_options import add_circuit_options

    parser = add_command(commands, "convert", "turn artworks into masks, here and now", CONVERT_EXAMPLES)
    parser.add_argument("artworks", nargs="+", type=Path, metavar="ARTWORK", help="a picture, or a folder of pictures")
    parser.add_argument("--fab", required=True, help="path to a fab profile (.toml), or the id of an installed one")
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="folder for the results")
    parser.add_argument(
        "--bottom",
        type=Path,
        metavar="BOTTOM",
        help="the artwork of the board's bottom, as seen from behind; or a folder of them, each with its top's stem",
    )
    parser.add_argument(
        "--full-size", action="store_true", help="comparison.png at the size of the masks, in place of 2,048 px at most"
    )
    parser.add_argument(
        "--board-file", type=Path, metavar="FILE", help="outline, cut-outs and holes of the board (.toml or .json)"
    )
    add_circuit_options(parser)
    parser.add_argument(
        "--manifest", type=Path, metavar="FILE", help="what is said of each artwork: .toml, .json or .csv"
    )
    parser.add_argument("--watch", action="store_true", help="convert what is new or changed in a folder, until Ctrl-C")
    parser.add_argument("--again", action="store_true", help="of a folder, convert what is unchanged, too")
    parser.add_argument(
        "--processes", type=_processes, default=0, metavar="N", help="how many at once (default: the cores, at most 4)"
    )
    add_settings(parser, "the same names as over HTTP and in report.json")
    parser.set_defaults(run=_convert)


def _add_masks(commands: Commands) -> None:
    epilog = (
        "example:\n  maskwright masks wall.png --fab alba-black --pitch 20um --out wall-masks\n\n"
        "For artworks too large for 'convert': a plain 8-bit PNG, JPEG or TIFF is read in strips, in little memory.\n"
        "Each of its pixels becomes one board pixel and goes to its nearest finish, with no clean-up and no score.\n"
    )
    parser = add_command(commands, "masks", "write masks alone, of an artwork of any size", epilog)
    parser.add_argument("artwork", type=Path, metavar="ARTWORK", help="a plain 8-bit PNG, JPEG or TIFF")
    parser.add_argument("--fab", required=True, help="path to a fab profile (.toml), or the id of an installed one")
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="folder for the masks; must be new")
    parser.add_argument("--pitch", metavar="PITCH", help=f"{SETTINGS['pitch'][2]} (default: {SETTINGS['pitch'][1]})")
    parser.set_defaults(run=_masks)


def _add_coupon(commands: Commands) -> None:
    from worker.coupon_run import DEFAULT_PITCH

    epilog = (
        "example:\n  maskwright coupon --fab alba-black --out alba-coupon\n\n"
        "Writes masks/<finish id>.png, labels.png, preview.png, far_copper.png (copper on the far side, on two-sided\n"
        "boards), patch_map.json (for 'maskwright fab photograph'), coupon.json (what is where), how_to_use.txt, and\n"
        "fabrication/, with all that a fab needs in one ZIP.\n"
        "A pitch that divides 25um, such as 12.5um or 25um, draws the combs exactly; a coarser one leaves them out.\n"
    )
    parser = add_command(commands, "coupon", "lay out a test board that shows every finish of a fab", epilog)
    parser.add_argument("--fab", required=True, help="path to a fab profile (.toml), or the id of an installed one")
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help="folder for the coupon; must be new")
    parser.add_argument(
        "--pitch", metavar="PITCH", default=DEFAULT_PITCH, help=f"{SETTINGS['pitch'][2]} (default: {DEFAULT_PITCH})"
    )
    parser.set_defaults(run=_coupon)


def _add_plan(commands: Commands) -> None:
    from worker.plan_run import add_plan

    add_plan(commands)


def _add_serve(commands: Commands) -> None:
    epilog = (
        "examples:\n  maskwright serve\n  maskwright serve --host 0.0.0.0 --port 9000 --data-dir /srv/maskwright\n\n"
        "It starts the broker (unless REDIS_URL is set), the workers and the HTTP server, prints the address, and\n"
        "stops them all on Ctrl-C. Any address but a loopback one needs a key, MASKWRIGHT_KEY or one made by\n"
        "'maskwright keys make'.\n"
    )
    parser = add_command(commands, "serve", "run the service until Ctrl-C", epilog)
    parser.add_argument("--host", help="address to listen on (default: MASKWRIGHT_HOST, 127.0.0.1)")
    parser.add_argument("--port", type=_port, help="port, 0: any free one (default: MASKWRIGHT_PORT, 8000)")
    parser.add_argument(
        "--data-dir", type=Path, metavar="DIR", help="folder of everything it keeps (default: MASKWRIGHT_DATA_DIR)"
    )
    parser.set_defaults(run=_serve)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port: give 0 to 65535")
    return int(text)


def _processes(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes: give 1 to 256")
    return int(text)


def _add_demo(commands: Commands) -> None:
    epilog = "examples:\n  maskwright demo\n  maskwright demo --artworks art/ --out results\n"
    parser = add_command(commands, "demo", "start the service, send it every sample over HTTP, print a table", epilog)
    parser.add_argument(
        "--artworks",
        type=Path,
        metavar="DIR",
        default=Path("samples/artworks"),
        help="folder of artworks (default: samples/artworks)",
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", default=Path("build/demo"), help="folder for results (default: build/demo)"
    )
    parser.set_defaults(run=_demo)


def _terminal() -> Console | None:
    """The terminal that standard output is, loaded only where it is one."""
    if not sys.stdout.isatty():
        return None
    from rich.console import Console

    return Console()


def _convert(given: argparse.Namespace) -> int:
    gc.disable()  # loading modules leaves nothing to collect; `ConversionRun` turns it on again
    settings = read_settings({name: getattr(given, name) for name in SETTINGS})
    from worker.circuit_options import draw_unknown_layers, given_circuit
    from worker.shell_environment import read_shell_environment

    environment = read_shell_environment()
    if given.manifest is not None or given.watch or any(path.is_dir() for path in given.artworks):
        return _convert_collection(given, environment)
    board_file = _board_file(given.board_file)
    circuit = given_circuit(given)
    from worker.artwork_files import find_artworks
    from worker.fab_profile import check_two_sided
    from worker.installed_fabs import find_fab

    fab = find_fab(given.fab, environment)
    if given.bottom is not None:
        check_two_sided(fab)
    artworks = find_artworks(given.artworks, out=given.out, bottom=given.bottom).artworks
    from worker.conversion import Means, Order, processes_for, with_shared_palette
    from worker.conversion_run import ConversionRun

    cores = environment.threads_or_cores
    processes = given.processes or processes_for(len(artworks), cores)
    orders = [Order(artwork=artwork, settings=settings, board_file=board_file) for artwork in artworks]
    means = Means(
        fab=fab,
        out=given.out,
        full_size=given.full_size,
        tables=environment.tables,
        threads=max(1, cores // processes),
        circuit=circuit,
    )
    run = ConversionRun(means=with_shared_palette(means, orders, settings), console=_terminal(), processes=processes)
    try:
        run.convert(orders)
    except KeyboardInterrupt:
        print(f"maskwright: stopped; {len(run.done)} of {len(artworks)} done and kept.", file=sys.stderr)
        return STOPPED
    status = _tell(run)
    if circuit is not None:
        draw_unknown_layers(circuit, [error for _, error in run.failures], given.out)
    return status


def _convert_collection(given: argparse.Namespace, environment: ShellEnvironment) -> int:
    from worker.circuit_options import circuit_paths, given_circuit
    from worker.collection_run import CollectionCall, convert_and_watch, convert_once

    told = {name: getattr(given, name) for name in SETTINGS}
    call = CollectionCall(
        artworks=given.artworks,
        fab=given.fab,
        out=given.out,
        given={name: (one,) if isinstance(one, str) else tuple(one) for name, one in told.items() if one is not None},
        manifest=given.manifest,
        bottom=given.bottom,
        board_file=given.board_file,
        full_size=given.full_size,
        again=given.again,
        processes=given.processes,
        environment=environment,
        console=_terminal(),
        circuit=lambda: given_circuit(given),
        circuit_paths=lambda: circuit_paths(given),
        circuit_names=[given.circuit, given.circuit_file, given.keep_out],
    )
    return convert_and_watch(call) if given.watch else convert_once(call)


def _board_file(path: Path | None) -> BoardFile | None:
    if path is None:
        return None
    from worker.collection_run import read_board

    return read_board(path)


def _masks(given: argparse.Namespace) -> int:
    settings = read_settings({"pitch": given.pitch})
    from worker.installed_fabs import find_fab
    from worker.mask_run import write_masks_alone
    from worker.shell_environment import read_shell_environment

    environment = read_shell_environment()
    pixels = write_masks_alone(
        given.artwork,
        find_fab(given.fab, environment),
        given.out,
        pitch_um=settings.pitch_um,
        tables=environment.tables,
        threads=environment.threads_or_cores,
    )
    total = max(1, sum(pixels.values()))
    for finish, count in pixels.items():
        print(f"{given.out / finish}.png: {100.0 * count / total:.2f} %")
    return ALL_DONE


def _coupon(given: argparse.Namespace) -> int:
    settings = read_settings({"pitch": given.pitch})
    from worker.coupon_run import write_coupon
    from worker.installed_fabs import find_fab
    from worker.shell_environment import read_shell_environment

    environment = read_shell_environment()
    coupon = write_coupon(
        find_fab(given.fab, environment), given.out, pitch_um=settings.pitch_um, threads=environment.threads_or_cores
    )
    width, height = coupon.size_mm
    print(f"{given.out}: {width:g} x {height:g} mm, {len(coupon.patch_map.patches)} patches; read how_to_use.txt first")
    for entry in coupon.left_out:
        print(f"  left out: {entry.what}, since {entry.why}")
    return ALL_DONE


def _tell(run: ConversionRun) -> int:
    """Print the summary, then what failed and how to mend it."""
    from worker.summary_table import print_summary

    print_summary(run.rows, run.console)
    if run.rows:
        print(f"results: {run.means.out}")
    sys.stdout.flush()
    for order, error in run.failures:
        print(f"failed: {order.artwork.path}: {error.what}\n  {error.mend}", file=sys.stderr)
    return SOME_FAILED if run.failures else ALL_DONE


def _serve(given: argparse.Namespace) -> int:
    from worker import embedded
    from worker.settings import read_environment

    environment = read_environment()
    port: int = environment.port if given.port is None else given.port
    return embedded.serve(given.host or environment.host, port, given.data_dir or environment.data_dir)


def _demo(given: argparse.Namespace) -> int:
    if not given.artworks.is_dir():
        raise ArtworkError(
            f"There is no folder {str(given.artworks)!r}.", mend="Start in the project's folder, or give --artworks."
        )
    from worker import demo

    return demo.run(given.artworks, given.out)


def _add_compare(commands: Commands) -> None:
    from worker.compare_run import add_compare

    add_compare(commands)


def _add_panel(commands: Commands) -> None:
    from worker.panel_run import add_panel

    add_panel(commands)


def _add_fab(commands: Commands) -> None:
    from worker.fab_commands import add_fab

    add_fab(commands)


def _add_data_commands(commands: Commands) -> None:
    from worker.data_commands import add_data_commands

    add_data_commands(commands)


def _add_keys(commands: Commands) -> None:
    from worker.key_commands import add_audit, add_keys

    add_keys(commands)
    add_audit(commands)


def _add_series(commands: Commands) -> None:
    from worker.series_run import add_series

    add_series(commands)


def _add_submit(commands: Commands) -> None:
    from worker.submit_run import add_submit

    add_submit(commands)


COMMANDS: tuple[tuple[tuple[str, ...], Callable[..., None]], ...] = (
    (("convert",), _add_convert),
    (("series",), _add_series),
    (("masks",), _add_masks),
    (("coupon",), _add_coupon),
    (("panel",), _add_panel),
    (("compare",), _add_compare),
    (("plan",), _add_plan),
    (("fab",), _add_fab),
    (("serve",), _add_serve),
    (("backup", "restore", "verify", "doctor"), _add_data_commands),
    (("keys", "audit"), _add_keys),
    (("submit",), _add_submit),
    (("demo",), _add_demo),
)
"""The commands, in the order of the help, and what adds them."""
LEAVES_AT_ONCE = ("convert", "series", "masks")
"""Commands after which nothing is left to do: all is written and no process is left. Python would go on for a quarter
of a second, to take apart what the process loaded."""
