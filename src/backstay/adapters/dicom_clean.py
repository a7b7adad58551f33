"""Copies of angiograms without identifiers, by the basic profile with dates shifted [@dicomps315].

Frames are unpacked and written plain: a packed frame can carry comments of its own.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.sequence import Sequence as DicomSequence
from pydicom.sr.codedict import codes
from pydicom.uid import UID, ExplicitVRLittleEndian

from backstay.adapters.dicom_bounded import read_head
from backstay.adapters.dicom_kept import (
    CHARACTERS,
    EMPTY,
    FRAME_POINTERS,
    METHOD,
    MOMENTS,
    NUMBERS,
    SEQUENCES,
    UIDS,
    WHOLE_MOMENTS,
    WORDS,
)
from backstay.adapters.dicom_values import numbers, raw
from backstay.adapters.dicom_xa import Run, read_run
from backstay.adapters.phantom_file import IMPLEMENTATION
from backstay.core.privacy.letters import Box, blanked, find_letters
from backstay.errors import InputError

DEEPEST = 6
MOST_BYTES = 1_500_000_000
MOST_PASSES = 4
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Disguise:
    """What one export puts in place of what it takes out; the same for all of its files.

    Attributes
    ----------
    key : bytes
        Secret of this export, thrown away after it: UIDs cannot be traced back.
    shift : timedelta
        Added to every date and time.
    alias : str
        In place of the patient's name and number.
    """

    key: bytes
    shift: timedelta
    alias: str

    def uid(self, uid: str) -> UID:
        """Return what stands for a UID."""
        digest = hmac.new(self.key, uid.encode(), hashlib.sha256).digest()
        return UID(f"2.25.{int.from_bytes(digest[:15], 'big')}")


@dataclass(frozen=True)
class Copy:
    """A copy of one run, ready to be written.

    Attributes
    ----------
    content : bytes
        The file.
    letters : tuple of (int, Box)
        Where letters stood in it, by frame from 1; they are blanked.
    """

    content: bytes
    letters: tuple[tuple[int, Box], ...]


def clean_copy(
    run: Run,
    disguise: Disguise,
    *,
    blank: bool,
    rectangles: Sequence[Box] = (),
    progress: Progress | None = None,
) -> Copy:
    """Return a copy of a run without identifiers.

    Parameters
    ----------
    run : Run
        From `read_run`.
    disguise : Disguise
        Of this export.
    blank : bool
        Blank what looks like letters; False refuses a run that has any.
    rectangles : sequence of Box, optional
        Blanked in every frame before letters are looked for.
    progress : callable, optional
        Called with what is being done and the share done.

    Raises
    ------
    InputError
        Letters stand in it and are not to be blanked, or are still seen after it; a rectangle lies outside the
        picture; or it is too large.
    FileFormatError
        A frame cannot be unpacked.
    """
    if run.rows * run.columns * run.frames * 2 > MOST_BYTES:
        raise InputError(
            "too large to copy at once",
            field="frames",
            value=run.frames,
            allowed=f"up to {MOST_BYTES:,} bytes of pixels",
            where=str(run.file),
        )
    _check_inside(rectangles, run)
    frames, letters = _frames(run, tuple(rectangles), blank=blank, progress=progress)
    head = read_head(run.file).dataset
    content = _written(head, run, frames, disguise)
    return Copy(content, tuple(letters))


# Pixels


def _check_inside(rectangles: Sequence[Box], run: Run) -> None:
    for box in rectangles:
        if not (0 <= box.top <= box.bottom < run.rows and 0 <= box.left <= box.right < run.columns):
            raise InputError(
                "not within the picture",
                field="rectangle",
                value=str(box),
                allowed=f"rows 0 to {run.rows - 1}, columns 0 to {run.columns - 1}, the lesser first",
                where=str(run.file),
            )


def _frames(
    run: Run, rectangles: tuple[Box, ...], *, blank: bool, progress: Progress | None
) -> tuple[NDArray[np.uint16], list[tuple[int, Box]]]:
    frames = np.empty((run.frames, run.rows, run.columns), dtype=np.uint16)
    letters: list[tuple[int, Box]] = []
    for k in range(run.frames):
        frames[k] = blanked(run.frame(k + 1), rectangles)
        letters += [(k + 1, box) for box in find_letters(frames[k])]
        if letters and not blank:
            frame, box = letters[0]
            raise InputError(
                f"letters seem to be burned into the picture (rows {box.top} to {box.bottom}, "
                f"columns {box.left} to {box.right})",
                field=f"frame {frame}",
                allowed=f"a run without, --letters blank, or --rectangle {box} and wherever else words stand",
                where=str(run.file),
            )
        if progress is not None:
            progress("looking for letters", (k + 1) / run.frames)
    boxes = tuple({box: None for _, box in letters})
    for k in range(run.frames if boxes else 0):
        frames[k] = _without_letters(frames[k], boxes, run, k + 1)
    return frames, letters


def _without_letters(
    frame: NDArray[np.uint16], boxes: tuple[Box, ...], run: Run, number: int
) -> NDArray[np.uint16]:
    """Return a frame with letters of any frame blanked, until none is seen."""
    for _ in range(MOST_PASSES):
        frame = blanked(frame, boxes)
        boxes = find_letters(frame)
        if not boxes:
            return frame
    raise InputError(
        f"letters are still seen after blanking ({boxes[0]})",
        field=f"frame {number}",
        allowed="a run without letters, or a --rectangle that covers them",
        where=str(run.file),
    )


# Elements


def _written(head: Dataset, run: Run, frames: NDArray[np.uint16], disguise: Disguise) -> bytes:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        kept = _kept(head, disguise, 0)
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = kept.SOPClassUID = UID(str(raw(head, "SOPClassUID")))
        original = str(raw(head, "SOPInstanceUID") or run.sha256)
        meta.MediaStorageSOPInstanceUID = kept.SOPInstanceUID = disguise.uid(original)
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        meta.ImplementationClassUID = UID(IMPLEMENTATION)
        for keyword in ("StudyInstanceUID", "SeriesInstanceUID"):
            if keyword not in kept:
                setattr(kept, keyword, disguise.uid(f"{keyword}/{original}"))
        _mark(kept, disguise)
        wide = 8 if run.bits <= 8 else 16
        kept.BitsAllocated, kept.BitsStored, kept.HighBit = wide, run.bits, run.bits - 1
        kept.SamplesPerPixel, kept.PixelRepresentation = 1, 0
        data = frames.astype("u1" if wide == 8 else "<u2").tobytes()
        kept.add_new(0x7FE00010, "OB" if wide == 8 else "OW", data + b"\0" * (len(data) % 2))
        dataset = FileDataset("copy", kept, file_meta=meta, preamble=b"\0" * 128)
        buffer = BytesIO()
        dataset.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def _mark(kept: Dataset, disguise: Disguise) -> None:
    """Say what the copy is, as the profile asks (E.1.1, steps 4 and 6)."""
    kept.SpecificCharacterSet = CHARACTERS
    kept.PatientName, kept.PatientID = f"Case^{disguise.alias}", disguise.alias
    for keyword in EMPTY:
        if keyword not in kept:
            setattr(kept, keyword, None)
    if "BodyPartExamined" not in kept:
        # Required where the part may be one of a pair, which nothing here says any more.
        kept.Laterality = None
    kept.PatientIdentityRemoved = "YES"
    kept.LongitudinalTemporalInformationModified = "MODIFIED"
    kept.BurnedInAnnotation = "NO"
    kept.DeidentificationMethod = list(METHOD)
    method = codes.cid7050
    kept.DeidentificationMethodCodeSequence = [
        _code(code)
        for code in (
            method.BasicApplicationConfidentialityProfile,
            method.CleanPixelDataOption,
            method.RetainLongitudinalTemporalInformationModifiedDatesOption,
        )
    ]


def _code(code: Any) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = code.value, "DCM", code.meaning
    return item


def _kept(dataset: Dataset, disguise: Disguise, depth: int) -> Dataset:
    """Return the elements that are kept, each made anew from its value."""
    out = Dataset()
    for keyword in NUMBERS:
        _put_numbers(out, dataset, keyword)
    for keyword, allowed in WORDS.items():
        found = _words(raw(dataset, keyword))
        if found and allowed.issuperset(found):
            setattr(out, keyword, found)
    if raw(dataset, "FrameIncrementPointer") in FRAME_POINTERS:
        out.FrameIncrementPointer = raw(dataset, "FrameIncrementPointer")
    table = _table(dataset)
    if table:
        out.add_new(0x00283006, "OW", table)
    for keyword in UIDS:
        value = raw(dataset, keyword)
        if value is not None:
            setattr(out, keyword, disguise.uid(str(value)))
    _shift(out, dataset, disguise)
    for keyword in SEQUENCES if depth < DEEPEST else ():
        value = raw(dataset, keyword)
        if isinstance(value, DicomSequence):
            items = [_kept(item, disguise, depth + 1) for item in value]
            if any(len(item) for item in items):
                setattr(out, keyword, items)
    return out


def _table(dataset: Dataset) -> bytes:
    """Return a look-up table made anew from its numbers, as many as it says it has; empty where there is none.

    Raises
    ------
    InputError
        Its numbers neither rise nor fall throughout, or there are too few of them: text can be kept in one.
    """
    data = raw(dataset, "LUTData")
    if data is None:
        return b""
    said = numbers(dataset, "LUTDescriptor") or []
    count, bits = (int(said[0]) or 65536, int(said[2])) if len(said) == 3 else (0, 0)
    if isinstance(data, bytes):
        is_narrow = bits == 8 and len(data) < 2 * count
        kind = "u1" if is_narrow else ("<u2" if dataset.original_encoding[1] is not False else ">u2")
        found = np.frombuffer(data[: len(data) // np.dtype(kind).itemsize * np.dtype(kind).itemsize], kind)
    else:
        is_narrow, found = False, np.asarray(numbers(dataset, "LUTData") or [])
    found = found[:count].astype(np.int64)
    steps = np.diff(found)
    if (
        not count
        or len(found) < count
        or found.max() >= 2**bits
        or not ((steps >= 0).all() or (steps <= 0).all())
    ):
        raise InputError(
            "not a look-up table of numbers that rise or fall throughout: text can be kept in one",
            field="LUTData",
            allowed="a run without it, or one whose table is as its descriptor says",
        )
    plain = found.astype("u1" if is_narrow else "<u2").tobytes()
    return plain + b"\0" * (len(plain) % 2)


def _vr(dataset: Dataset, keyword: str) -> str:
    found = str(dataset[keyword].VR)
    return found if found in {"US", "SS"} else "US"


def _words(value: Any) -> list[str]:
    if value is None or isinstance(value, bytes):
        return []
    return [str(one) for one in ([value] if isinstance(value, str) else value)]


def _put_numbers(out: Dataset, dataset: Dataset, keyword: str) -> None:
    found, tag = numbers(dataset, keyword), tag_for_keyword(keyword)
    if found is None or tag is None:
        return
    vr = dictionary_VR(tag)
    if vr in ("DS", "FD", "FL"):
        values: list[Any] = [f"{x:.10g}" for x in found] if vr == "DS" else list(found)
    else:
        if any(x != int(x) for x in found):
            return
        vr = vr if vr in ("IS", "US", "SS", "UL", "SL") else _vr(dataset, keyword)
        values = [int(x) for x in found]
    out.add_new(tag, vr, values if len(values) > 1 else values[0])


# Dates


def _shift(out: Dataset, dataset: Dataset, disguise: Disguise) -> None:
    for name in MOMENTS:
        day, time = (_digits(raw(dataset, f"{name}{part}")) for part in ("Date", "Time"))
        moment = _moment(day, time or "000000")
        if moment is None:
            continue
        moved = moment + disguise.shift
        setattr(out, f"{name}Date", moved.strftime("%Y%m%d"))
        if len(time) >= 4:
            setattr(out, f"{name}Time", moved.strftime("%H%M%S"))
    for keyword in WHOLE_MOMENTS:
        value = _digits(raw(dataset, keyword))
        moment = _moment(value[:8], value[8:] or "000000")
        if moment is not None:
            setattr(out, keyword, (moment + disguise.shift).strftime("%Y%m%d%H%M%S"))


def _digits(value: Any) -> str:
    return re.sub(r"[^\d].*$", "", str(value or "").replace(":", "").replace("-", ""))


def _moment(day: str, time: str) -> datetime | None:
    try:
        return datetime.strptime(day + (time + "000000")[:6], "%Y%m%d%H%M%S")
    except ValueError:
        return None


__all__ = ["Copy", "Disguise", "clean_copy", "read_run"]
