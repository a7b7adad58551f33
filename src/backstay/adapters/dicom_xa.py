"""Angiograms: DICOM XA and Enhanced XA. Only what measuring needs is taken; identifiers never enter the program.

`read_run` reads the head; frames come one at a time when asked for.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from backstay.adapters.dicom_bounded import Head, read_head
from backstay.adapters.dicom_frames import FrameReader
from backstay.adapters.dicom_geometry import RunGeometry, run_geometry
from backstay.adapters.dicom_values import holders, number, numbers, raw, text, whole
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import Intensity

XA, ENHANCED_XA = "1.2.840.10008.5.1.4.1.1.12.1", "1.2.840.10008.5.1.4.1.1.12.1.1"
MOST_SIDE_PX = 4096
MOST_FRAMES = 5000
LEAST_SIDE_PX = 32


@dataclass(frozen=True, eq=False)
class Run:
    """One run of an angiogram.

    Attributes
    ----------
    file : Path
        Where it was read.
    rows, columns, frames : int
        Size.
    bits : int
        Of a pixel.
    intensity : Intensity
        How grey values follow the signal.
    inverted : bool
        Whether a larger grey value means less signal.
    frame_ms : float
        Time from frame to frame; NaN where the file does not say.
    r_waves : tuple of int
        Frames (from 1) at which the heart's R wave was seen.
    shutter : tuple of int or None
        First and last row, first and last column that are not covered, from 0.
    geometry : RunGeometry
        Where the C-arm stood.
    remarks : tuple of str
        What is missing or suspect, geometry included.
    """

    file: Path
    rows: int
    columns: int
    frames: int
    bits: int
    intensity: Intensity
    inverted: bool
    frame_ms: float
    r_waves: tuple[int, ...]
    shutter: tuple[int, int, int, int] | None
    geometry: RunGeometry
    remarks: tuple[str, ...]
    _reader: FrameReader

    def frame(self, number: int) -> NDArray[np.uint16]:
        """Return one frame, counted from 1, as stored.

        Raises
        ------
        InputError
            No such frame.
        FileFormatError
            It cannot be unpacked.
        """
        if not 1 <= number <= self.frames:
            raise InputError(
                "no such frame",
                field="frame",
                value=number,
                allowed=f"1 to {self.frames}",
                where=str(self.file),
            )
        return self._reader.frame(number - 1)

    @property
    def most(self) -> float:
        """Return the largest grey value the bits allow."""
        return float(2**self.bits - 1)

    @cached_property
    def sha256(self) -> str:
        """Return the digest of the file, by which a record knows it again."""
        total = hashlib.sha256()
        with self.file.open("rb") as stream:
            while block := stream.read(1 << 20):
                total.update(block)
        return total.hexdigest()


def read_run(file: str | Path) -> Run:
    """Return a run by the head of its file.

    Raises
    ------
    NotFound
        There is no such file.
    FileFormatError
        It is no DICOM file, no angiogram, or broken; or larger than what is read.
    """
    head = read_head(Path(file))
    dataset = head.dataset
    _check_kind(head)
    rows, columns = (_size(head, key, LEAST_SIDE_PX, MOST_SIDE_PX) for key in ("Rows", "Columns"))
    frames = 1 if raw(dataset, "NumberOfFrames") is None else _size(head, "NumberOfFrames", 1, MOST_FRAMES)
    allocated, stored = _size(head, "BitsAllocated", 8, 16), _size(head, "BitsStored", 6, 16)
    if allocated not in (8, 16) or stored > allocated:
        _refuse(
            head, "BitsAllocated", f"{allocated} with {stored} stored", "8 or 16, no fewer than are stored"
        )
    if (whole(dataset, "PixelRepresentation") or 0) != 0:
        _refuse(head, "PixelRepresentation", 1, "0 (no negative pixels)")
    if (whole(dataset, "SamplesPerPixel") or 1) != 1:
        _refuse(head, "SamplesPerPixel", whole(dataset, "SamplesPerPixel"), "1 (grey)")
    remarks: list[str] = []
    intensity, inverted = _intensity(dataset, remarks)
    geometry = run_geometry(dataset, frames=frames, rows=rows, columns=columns)
    reader = FrameReader(
        head, rows=rows, columns=columns, frames=frames, bits_allocated=allocated, bits_stored=stored
    )
    return Run(
        head.file, rows, columns, frames, stored, intensity, inverted, _frame_ms(dataset),
        _r_waves(dataset, frames), _shutter(dataset, rows, columns, remarks), geometry,
        (*remarks, *geometry.remarks), reader,
    )  # fmt: skip


def _check_kind(head: Head) -> None:
    kind = str(raw(head.dataset, "SOPClassUID") or "")
    if kind not in (XA, ENHANCED_XA):
        _refuse(head, "SOPClassUID", kind or None, "X-Ray Angiographic Image Storage, plain or enhanced")


def _size(head: Head, keyword: str, least: int, most: int) -> int:
    value = whole(head.dataset, keyword)
    if value is None or not least <= value <= most:
        _refuse(head, keyword, value, f"{least} to {most}")
    return value


def _refuse(head: Head, keyword: str, value: object, allowed: str) -> NoReturn:
    message = "a value is missing" if value is None else "a value is not handled"
    raise FileFormatError(message, where=str(head.file), field=keyword, value=value, allowed=allowed)


def _intensity(dataset: Dataset, remarks: list[str]) -> tuple[Intensity, bool]:
    """Return how grey values follow the signal, and whether they fall with it."""
    said = [
        (word, number(item, "PixelIntensityRelationshipSign"))
        for item in holders(dataset, "FramePixelDataPropertiesSequence")
        if (word := text(item, "PixelIntensityRelationship"))
    ]
    word, sign = said[0] if said else ("", number(dataset, "PixelIntensityRelationshipSign"))
    if len(set(said)) > 1:
        remarks.append("frames follow the signal in different ways: the first frame's is taken for all")
    inverted = text(dataset, "PhotometricInterpretation") == "MONOCHROME1"
    if sign is not None:
        # 1: a larger value is more X-ray; -1: less [@dicomps33, C.8.7.1.1.2].
        inverted = sign < 0
    try:
        intensity = Intensity(word)
    except ValueError:
        remarks.append(
            f"Pixel Intensity Relationship is {word or 'missing'}: grey values are taken as they are displayed; diameters are less sure"
        )
        return Intensity.DISPLAY, inverted
    if intensity is Intensity.DISPLAY:
        remarks.append(
            "grey values were prepared for display (edge enhancement?): edges may be biased; raw runs are better"
        )
    return intensity, inverted


def _frame_ms(dataset: Dataset) -> float:
    times = numbers(dataset, "FrameTimeVector")
    if times is not None and len(times) > 1:
        return float(np.median(times[1:]))
    value = number(dataset, "FrameTime")
    rate = number(dataset, "CineRate")
    return value if value else (1000.0 / rate if rate else float("nan"))


def _r_waves(dataset: Dataset, frames: int) -> tuple[int, ...]:
    found = numbers(dataset, "RWavePointer") or []
    return tuple(int(x) for x in found if 1 <= x <= frames)


def _shutter(
    dataset: Dataset, rows: int, columns: int, remarks: list[str]
) -> tuple[int, int, int, int] | None:
    """Return the rectangle left open by the shutters, from 0; the file counts from 1."""
    shutters = [one for one in holders(dataset, "FrameDisplayShutterSequence") if text(one, "ShutterShape")]
    if not shutters:
        return None
    shape = text(shutters[0], "ShutterShape")
    others = shape.replace("RECTANGULAR", "").strip(" \\,[]'")
    if others:
        remarks.append(f"the shutter is {others.lower()}: not handled; measure away from the dark border")
    if "RECTANGULAR" not in shape:
        return None
    edges = [
        whole(shutters[0], f"Shutter{name}Edge")
        for name in ("UpperHorizontal", "LowerHorizontal", "LeftVertical", "RightVertical")
    ]
    if any(edge is None for edge in edges):
        remarks.append("the shutter's edges are incomplete: left out")
        return None
    upper, lower, left, right = (int(edge) for edge in edges if edge is not None)
    box = (max(upper - 1, 0), min(lower - 1, rows - 1), max(left - 1, 0), min(right - 1, columns - 1))
    if box[1] - box[0] < 16 or box[3] - box[2] < 16:
        remarks.append("the shutter's edges leave nothing open: left out")
        return None
    return box
