"""Masks alone, of an artwork too large for a whole job: read in strips, in constant memory."""

from __future__ import annotations

import contextlib
import secrets
import shutil
from pathlib import Path

from worker.errors import ConflictError, StorageError
from worker.fab_profile import FabProfile


def write_masks_alone(
    path: Path, fab: FabProfile, out: Path, *, pitch_um: float, tables: Path, threads: int
) -> dict[str, int]:
    """Write one mask for each finish into the folder `out`; how many pixels each has.

    Each artwork pixel becomes a board pixel of `pitch_um` and goes to its nearest finish. There is no clean-up, no
    score and no report. The folder appears once it is whole.

    Raises
    ------
    ArtworkError
        The artwork is damaged, or not a plain 8-bit PNG, JPEG or TIFF.
    ConflictError, StorageError
        `out` exists, or can't be written.
    """
    from worker.engine.artwork.strips import read_strips
    from worker.engine.palette.finish_colours import finish_colours
    from worker.engine.palette.tables import nearest_finish_table
    from worker.engine.report.mask_stream import write_masks
    from worker.table_folder import TableFolder

    if out.exists():
        raise ConflictError(f"{out} exists.", mend="Move it away, or choose another --out.")
    part = out.with_name(f".{out.name}.part-{secrets.token_hex(4)}")
    ids = [finish.id for finish in fab.finishes]
    try:
        part.mkdir(parents=True)
        with contextlib.ExitStack() as stack:
            source = stack.enter_context(path.open("rb"))
            artwork = read_strips(source, name=path.name)
            table = nearest_finish_table(finish_colours(fab), tables=TableFolder(tables), threads=threads)
            outputs = {i: stack.enter_context((part / f"{ids[i]}.png").open("wb")) for i in range(len(ids))}
            pixels = write_masks(artwork, table, outputs, pitch_um=pitch_um, threads=threads)
        part.rename(out)
    except OSError as error:
        raise StorageError(
            f"{out} can't be written, or {path} not be read: {error.strerror or error}.",
            mend="Check their rights and the free space.",
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return dict(zip(ids, pixels, strict=True))
