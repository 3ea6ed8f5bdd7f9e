"""`maskwright fab predict`: a finish that nobody measured, from the same mask over other grounds."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from worker.command_line import ALL_DONE, add_command
from worker.errors import PredictionError, ReadingFileError, SettingsError

if TYPE_CHECKING:
    from worker.engine.references.prediction.predict import Known, Prediction, Stack
    from worker.fab_profile import FabProfile
    from worker.reading import Reading

SEED = 1
"""Of the draws that carry the readings' scatter: the same call gives the same figures."""
MOST_UNCERTAIN = 50.0

EXAMPLES = """\
examples:
  green mask was read over a black and a white paint and not over copper; bare copper was read as well:
    maskwright fab predict my-fab.toml --readings stacks.csv --metal copper \\
        --mask-over mask-on-black=black --mask-over mask-on-white=white --over copper
  from finishes of the profile, and kept as a reading of another:
    maskwright fab predict my-fab.toml --mask-over mask=substrate --mask-over mask-copper=tin --over black-core \\
        --finish mask-on-black --save
  a clear mask, which one ground is enough for:
    maskwright fab predict my-fab.toml --readings stacks.csv --clear --mask-over clear-on-white=white --over laminate \\
        --out predicted.csv

Names are samples of the files of --readings, or finishes of the profile; all must have measured spectra, in one
geometry. The mask must be the same throughout: colour, maker, thickness. Black and white grounds tell the most; grounds
that are too alike are refused. The result is a reading of origin 'predicted', with its uncertainty; a measured reading
of the finish always counts before it. Over bare metal it is an estimate.
"""


def add_predict(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `fab predict`."""
    parser = add_command(actions, "predict", "predict a finish that nobody measured, from its mask elsewhere", EXAMPLES)
    parser.add_argument(
        "profile", metavar="PROFILE", help="path to a fab profile (.toml), or the id of an installed one"
    )
    parser.add_argument(
        "--mask-over",
        action="append",
        default=[],
        metavar="MASKED=GROUND",
        help="a name of the mask over a ground, and that ground's bare; twice at least, or once with --clear",
    )
    parser.add_argument("--over", required=True, metavar="GROUND", help="the ground that the mask is predicted over")
    parser.add_argument(
        "--readings", action="append", default=[], type=Path, metavar="FILE", help="CSV, CGATS or CxF3 with samples"
    )
    parser.add_argument(
        "--metal",
        action="append",
        default=[],
        metavar="NAME",
        help="a sample that is bare metal (finishes of the profile are known by their recipe)",
    )
    parser.add_argument("--clear", action="store_true", help="the mask is clear: it absorbs and does not scatter")
    parser.add_argument("--geometry", default="", help="which readings count, where there are several geometries")
    parser.add_argument("--index", type=float, default=1.5, help="refractive index of the mask (default: 1.5)")
    parser.add_argument(
        "--conditions", default="D65/2", metavar="ILLUMINANT/OBSERVER", help="for the printed Lab (default: D65/2)"
    )
    parser.add_argument("--finish", default="", metavar="ID", help="the finish of the profile that is predicted")
    parser.add_argument("--save", action="store_true", help="add the prediction to --finish of the profile's file")
    parser.add_argument("--out", type=Path, metavar="FILE", help="CSV file to write the prediction to; must be new")
    parser.add_argument("--by", metavar="NAME", help="who edits, for the history (default: your login name)")
    parser.set_defaults(run=_predict)


def _predict(given: argparse.Namespace) -> int:
    import numpy as np

    from worker.engine.references.prediction.predict import predict_stack
    from worker.installed_fabs import fab_path, read_fab_file
    from worker.new_file import check_new, write_new
    from worker.reading import read_viewing_conditions
    from worker.reading_files import NamedReading, write_csv
    from worker.shell_environment import read_shell_environment

    path = fab_path(given.profile, read_shell_environment())
    fab = read_fab_file(path)
    conditions = read_viewing_conditions(given.conditions)
    _check_target(given, fab)
    if given.out is not None:
        check_new(given.out)
    pairs = [_pair(text) for text in given.mask_over]
    samples = _Samples(fab, given.readings, given.metal)
    geometry = samples.geometry([given.over, *(name for pair in pairs for name in pair)], given.geometry)
    stacks = [samples.stack(masked, ground, geometry) for masked, ground in pairs]
    ground = samples.known(given.over, geometry)
    prediction = predict_stack(
        stacks,
        ground,
        geometry=geometry,
        clear=given.clear,
        index=_index(given.index),
        conditions=conditions,
        chance=np.random.default_rng(SEED),
    )
    for line in summary(prediction, stacks, ground, clear=given.clear):
        print(line)
    reading = predicted_reading(prediction, stacks, given.over, clear=given.clear)
    if given.out is not None:
        name = given.finish or f"mask over {given.over}"
        write_new(given.out, write_csv([NamedReading(finish=name, reading=reading)]))
        print(f"{given.out}: 1 reading of {name}")
    return _save(path, given.finish, reading, by=given.by) if given.save else ALL_DONE


def _check_target(given: argparse.Namespace, fab: FabProfile) -> None:
    ids = [finish.id for finish in fab.finishes]
    if given.finish and given.finish not in ids:
        raise SettingsError(f"There is no finish {given.finish!r}.", mend=f"The finishes are: {', '.join(ids)}.")
    if given.save and not given.finish:
        raise SettingsError("--save comes without --finish.", mend="Say which finish of the profile is predicted.")


def _index(index: float) -> float:
    if not 1.2 <= index <= 2.0:
        raise SettingsError(f"--index is {index:g}.", mend="Give 1.2 to 2.0; resins have about 1.5.")
    return index


def _pair(text: str) -> tuple[str, str]:
    masked, equals, ground = text.partition("=")
    if not equals or not masked.strip() or not ground.strip():
        raise SettingsError(f"--mask-over is {text!r}.", mend="Write MASKED=GROUND: two names, both of them read.")
    return masked.strip(), ground.strip()


class _Samples:
    """Everything that has a name and spectra: samples of files, finishes of the profile."""

    def __init__(self, fab: FabProfile, files: Sequence[Path], metals: Sequence[str]) -> None:
        self._fab = fab
        self._readings: dict[str, list[Reading]] = {}
        for file in files:
            for name, reading in _file_readings(file):
                self._readings.setdefault(name, []).append(reading)
        self._doubled = {finish.id for finish in fab.finishes if finish.id in self._readings}
        self._metals = set(metals)
        for finish in fab.finishes:
            recipe = finish.recipe
            self._readings.setdefault(finish.id, []).extend(finish.readings)
            if recipe.mask_opening and recipe.copper in ("solid", "hatch"):
                self._metals.add(finish.id)
        unknown = [name for name in metals if name not in self._readings]
        if unknown:
            raise PredictionError(f"--metal names {unknown[0]!r}, which has no reading.", mend=self._there())

    def _there(self) -> str:
        spectral = [name for name in self._readings if self._spectral(name)]
        return f"With measured spectra there are: {', '.join(spectral) or 'none'}."

    def _spectral(self, name: str) -> list[Reading]:
        return [r for r in self._readings.get(name, []) if r.spectrum is not None and r.origin == "measured"]

    def geometry(self, names: Sequence[str], wanted: str) -> str:
        """The one geometry that every name was read in. Raises PredictionError."""
        from worker.reading_files.sample import standard_geometry

        held: dict[str, list[str]] = {}
        for name in dict.fromkeys(names):
            if name not in self._readings:
                raise PredictionError(f"There is no finish or sample {name!r}.", mend=self._there())
            if name in self._doubled:
                raise PredictionError(
                    f"{name!r} names a sample of a file and a finish of {self._fab.id}.",
                    mend="Give the sample another name, or import the file into the profile first.",
                )
            readings = self._spectral(name)
            if not readings:
                raise PredictionError(f"{name} has no measured spectrum.", mend=self._there())
            held[name] = list(dict.fromkeys(standard_geometry(reading.geometry) for reading in readings))
        shared = [geometry for geometry in next(iter(held.values())) if all(geometry in each for each in held.values())]
        if wanted:
            shared = [geometry for geometry in shared if geometry == standard_geometry(wanted)]
        if len(shared) == 1:
            return shared[0]
        told = "; ".join(f"{name}: {', '.join(geometries)}" for name, geometries in held.items())
        if shared:
            raise PredictionError(
                f"All were read as {' and as '.join(shared)}.", mend="Say which counts: --geometry 'd:8 SCI'."
            )
        raise PredictionError(
            f"They were not all read in one geometry{f', {wanted}' if wanted else ''} ({told}).",
            mend="A prediction needs all of them in the same one: read them again.",
        )

    def known(self, name: str, geometry: str) -> Known:
        """The spectra of a name in a geometry."""
        from worker.engine.references.prediction.predict import Known
        from worker.reading_files.sample import standard_geometry

        spectra = [
            reading.spectrum
            for reading in self._spectral(name)
            if reading.spectrum is not None and standard_geometry(reading.geometry) == geometry
        ]
        return Known(name=name, spectra=tuple(spectra), metallic=name in self._metals)

    def stack(self, masked: str, ground: str, geometry: str) -> Stack:
        """The mask over a ground."""
        from worker.engine.references.prediction.predict import Stack

        if masked in self._metals:
            raise PredictionError(
                f"{masked} is bare metal, not a mask over one.", mend="Write --mask-over MASKED=GROUND in this order."
            )
        return Stack(masked=self.known(masked, geometry), ground=self.known(ground, geometry))


def _file_readings(file: Path) -> Iterator[tuple[str, Reading]]:
    from worker.reading_files import MAX_BYTES, read_readings

    try:
        with file.open("rb") as source:
            data = source.read(MAX_BYTES + 1)
    except OSError as error:
        raise ReadingFileError(f"{file} can't be read: {error.strerror or error}.", mend="Check the path.") from error
    for each in read_readings(data, file_name=str(file)):
        yield each.finish, each.reading


def _method(stacks: Sequence[Stack], *, clear: bool) -> str:
    known = ", ".join(f"{stack.masked.name} over {stack.ground.name}" for stack in stacks)
    return f"{'Beer-Lambert' if clear else 'Kubelka-Munk'} from {known}"


def summary(prediction: Prediction, stacks: Sequence[Stack], ground: Known, *, clear: bool) -> Iterator[str]:
    """The lines that tell a prediction and how far it can be trusted."""
    yield f"predicted: the mask over {ground.name}; {_method(stacks, clear=clear)}; {prediction.geometry}"
    lab = ", ".join(f"{value:.1f}" for value in prediction.lab)
    by = "by the worst check below" if prediction.model in [miss for _, miss in prediction.left_out] else "assumed"
    yield (
        f"  Lab {lab} under {prediction.conditions.text()}; ±{prediction.uncertainty:.1f} CIEDE2000 in 95 of 100 cases "
        f"(readings ±{prediction.scatter:.1f}; model ±{prediction.model:.1f}, {by})"
    )
    metals = [known.name for known in dict.fromkeys([*(stack.ground for stack in stacks), ground]) if known.metallic]
    yield f"  bare metal: {', '.join(metals) or 'none; name it by --metal where a sample is'}"
    spectrum = prediction.spectrum
    for first in range(0, len(spectrum.values), 10):
        values = " ".join(f"{value:.4f}" for value in spectrum.values[first : first + 10])
        yield f"  {spectrum.start_nm + first * spectrum.step_nm:.0f} nm: {values}"
    for name, miss in prediction.left_out:
        yield f"  check: {name}, predicted from the others, is missed by {miss:.1f} CIEDE2000"
    for note in prediction.notes:
        yield f"  note: {note}"


def predicted_reading(prediction: Prediction, stacks: Sequence[Stack], over: str, *, clear: bool) -> Reading:
    """The prediction as a reading. Raises PredictionError where it says nothing."""
    from worker.profile_file import today
    from worker.reading import Reading

    if prediction.uncertainty > MOST_UNCERTAIN:
        raise PredictionError(
            f"The prediction may be off by {prediction.uncertainty:.0f} CIEDE2000: the readings tell nothing.",
            mend="Add the mask over a ground that differs more, or more readings of each.",
        )
    source = f"{_method(stacks, clear=clear)}; onto {over}"
    return Reading(
        spectrum=prediction.spectrum,
        geometry=prediction.geometry,
        origin="predicted",
        uncertainty=round(prediction.uncertainty, 2),
        date=today(),
        source=source if len(source) <= 500 else source[:497] + "...",
    )


def _save(path: Path, finish: str, reading: Reading, *, by: str | None) -> int:
    from worker.fab_run import edited
    from worker.profile_edits import add_readings
    from worker.profile_file import edit_profile, login_name

    before, after = edit_profile(
        path,
        lambda toml: add_readings(toml, [(finish, reading)], file_name=str(path)),
        what=f"predicted {finish}",
        by=login_name() if by is None else by,
    )
    for line in edited(before, after):
        print(line)
    earlier = [i for i, held in enumerate(before.finish(finish).readings) if held.origin == "predicted"]
    for index in earlier:
        print(f"note: {finish} holds an earlier prediction, [{index}]; drop it by 'maskwright fab readings drop'.")
    return ALL_DONE
