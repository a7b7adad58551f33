"""Angiograms copied without identifiers, into a new folder, all of them or none."""

from __future__ import annotations

import secrets
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from backstay.adapters.dicom_bounded import read_head
from backstay.adapters.dicom_check import identifying_values, survivors_in_copy
from backstay.adapters.dicom_clean import Copy, Disguise, Progress, clean_copy
from backstay.adapters.dicom_xa import read_run
from backstay.adapters.export_check import refuse_survivors, survivors_in_name
from backstay.core.privacy.letters import Box
from backstay.core.privacy.text import Known
from backstay.errors import InputError

LEAST_SHIFT_DAYS, MOST_SHIFT_DAYS = 365, 3650


@dataclass(frozen=True)
class Copied:
    """What was made of one run.

    Attributes
    ----------
    source, copy : Path
        The run, and its copy.
    letters : tuple of int
        Frames in which letters were blanked.
    taken_out : int
        How many values that may identify someone the run had.
    """

    source: Path
    copy: Path
    letters: tuple[int, ...]
    taken_out: int


def new_disguise() -> Disguise:
    """Return what one export puts in place of identifiers: a random key, shift and alias, kept nowhere.

    The alias has no vowels and no digits: it makes no word, and no number that the check would take for a record's.
    """
    day_s = 86_400
    span_s = (MOST_SHIFT_DAYS - LEAST_SHIFT_DAYS) * day_s
    shift = timedelta(seconds=-(LEAST_SHIFT_DAYS * day_s + secrets.randbelow(span_s)))
    return Disguise(
        secrets.token_bytes(32), shift, "".join(secrets.choice("BCDFGHJKLMNPQRSTVWXZ") for _ in range(8))
    )


def deidentify(
    runs: Sequence[Path],
    into: Path,
    known: Known,
    *,
    blank: bool = False,
    rectangles: Sequence[Box] = (),
    disguise: Disguise | None = None,
    progress: Progress | None = None,
) -> tuple[Copied, ...]:
    """Copy runs of one case into a new folder, without identifiers.

    Parameters
    ----------
    runs : sequence of Path
        DICOM XA or Enhanced XA.
    into : Path
        The folder to make; its files are named by number.
    known : Known
        Names and numbers to look for besides those the files themselves hold.
    blank : bool
        Blank letters in the pictures; False refuses a run that has any.
    rectangles : sequence of Box, optional
        Blanked in every frame of every run, whatever stands there; letters are looked for afterwards.
    disguise : Disguise, optional
        What replaces identifiers; random when not given.
    progress : callable, optional
        Called with what is being done and the share done.

    Returns
    -------
    tuple of Copied

    Raises
    ------
    NotFound, FileFormatError
        A file cannot be read.
    InputError
        The folder exists, letters are burned into a picture, a rectangle lies outside one, or an identifier survives:
        nothing is written then.
    """
    if into.exists() or not into.resolve().parent.is_dir():
        raise InputError(
            "not a new folder in one that exists", field="--into", value=str(into), allowed="a new folder"
        )
    disguise = disguise or new_disguise()
    staged = Path(tempfile.mkdtemp(prefix=".backstay-", dir=into.resolve().parent))
    try:
        done = tuple(
            _copied(file, staged, number, known, disguise, blank, rectangles, progress)
            for number, file in enumerate(runs, 1)
        )
        staged.chmod(0o755)
        staged.rename(into)
    except BaseException:
        shutil.rmtree(staged, ignore_errors=True)
        raise
    return tuple(Copied(d.source, into / d.copy.name, d.letters, d.taken_out) for d in done)


def _copied(
    file: Path,
    folder: Path,
    number: int,
    known: Known,
    disguise: Disguise,
    blank: bool,
    rectangles: Sequence[Box],
    progress: Progress | None,
) -> Copied:
    names, values = identifying_values(read_head(file).dataset)
    run = read_run(file)
    copy: Copy = clean_copy(run, disguise, blank=blank, rectangles=rectangles, progress=progress)
    wanted = Known((*known.names, *names), known.numbers, known.reviewed)
    name = f"run-{number:02d}.dcm"
    found = [*survivors_in_copy(copy.content, wanted, values), *survivors_in_name(name, wanted)]
    refuse_survivors(found, where=str(file))
    (folder / name).write_bytes(copy.content)
    frames = tuple(sorted({frame for frame, _ in copy.letters}))
    return Copied(file, folder / name, frames, len(names) + len(values))
