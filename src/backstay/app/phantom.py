"""Writes the invented phantom as runs of an angiogram, with the file that measures it and the truth beside it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from backstay.adapters.atomic import write_atomic
from backstay.adapters.measurement_file import (
    BranchTable,
    MeasurementDocument,
    RunTable,
    write_measurement,
)
from backstay.adapters.phantom_file import write_run
from backstay.core.imaging.phantom import Phantom, random_phantom
from backstay.core.imaging.phantom_film import Film, chords_mm, filmed
from backstay.core.imaging.projection import View
from backstay.errors import InputError
from backstay.units import deg_to_rad

VIEWS_DEG = ((-30.0, -20.0), (40.0, 20.0))
NAMES = ("rao-caudal.dcm", "lao-cranial.dcm")
CONTRAST = (1.0, 1.0, 1.0)
FILLING = (0.0, 0.2, 0.5, 0.8, 1.0, 1.0, 1.0, 0.8, 0.5, 0.25)
"""Share of the full contrast, frame by frame, of a run that fills and empties."""
TABLE_SD_MM = 3.0
ENDS_SHARE = (0.02, 0.98)
CLICK_SD_PX = 1.0


def make_phantom(
    folder: Path, *, seed: int, quanta: float = 400.0, contrast: tuple[float, ...] = CONTRAST
) -> tuple[Path, ...]:
    """Write two runs, `points.toml` to measure them and `truth.csv`, into a new or empty folder.

    `contrast` is the share of the full contrast, frame by frame; marks are made on the middle frame.

    Raises
    ------
    InputError
        The folder holds something.
    OSError
        It cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(
            "the folder holds something already",
            field="FOLDER",
            value=str(folder),
            allowed="a new or empty folder",
        )
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    phantom = random_phantom(rng)
    tables, files = [], []
    for k, (name, (primary, secondary)) in enumerate(zip(NAMES, VIEWS_DEG, strict=True)):
        tagged = View(deg_to_rad(primary), deg_to_rad(secondary), 1000.0, 750.0, 0.25, 0.25, 512, 512)
        true = tagged.shifted(rng.normal(0.0, TABLE_SD_MM, 3)) if k else tagged
        tubes = (phantom.main, *phantom.branches)
        chords = chords_mm(tubes, true)
        films = [Film(quanta=quanta, attenuation_per_mm=Film.attenuation_per_mm * part) for part in contrast]
        frames = np.stack([filmed(tubes, true, film, rng, chords=chords) for film in films])
        write_run(
            folder / name, frames, tagged, bits=8, logarithmic=True, name=f"phantom {seed}", number=k + 1
        )
        tables.append(_marked(name, len(contrast) // 2 + 1, true, phantom, rng))
        files.append(folder / name)
    document = MeasurementDocument(schema=1, vessel="anterior descending artery", invented=True, run=tables)
    write_measurement(folder / "points.toml", document)
    write_atomic(folder / "truth.csv", _truth(phantom))
    return (*files, folder / "points.toml", folder / "truth.csv")


def _marked(name: str, frame: int, view: View, phantom: Phantom, rng: np.random.Generator) -> RunTable:
    """Return the clicks a person would make, about a pixel off."""
    s = phantom.main.s_mm
    ends = [int(np.searchsorted(s, share * s[-1])) for share in ENDS_SHARE]
    branches = [int(np.searchsorted(s, at)) for at in phantom.branch_at_mm]
    places = view.project(phantom.main.points_mm[[*ends, *branches]])
    places = np.round(places + rng.normal(0.0, CLICK_SD_PX, places.shape), 1)
    return RunTable(
        file=name,
        frame=frame,
        clicks=[[float(x) for x in place] for place in places[:2]],
        branch=[
            BranchTable(name=f"branch {k + 1}", at=[float(x) for x in place])
            for k, place in enumerate(places[2:])
        ],
    )


def _truth(phantom: Phantom) -> str:
    t = phantom.main
    pick = slice(None, None, 6)
    table = np.column_stack([t.points_mm, t.radius_mm])[pick]
    rows = [",".join(f"{value:.4f}" for value in row) for row in table]
    return (
        "\n".join(
            ["# invented phantom: the truth behind the runs beside it", "x_mm,y_mm,z_mm,radius_mm", *rows]
        )
        + "\n"
    )
