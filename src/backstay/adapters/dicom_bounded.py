"""Reads the head of a DICOM file without trusting it: bounded in bytes, reads and depth, one error for all that fails."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import pydicom
from pydicom.dataset import Dataset
from pydicom.filereader import read_partial

from backstay.errors import FileFormatError, NotFound

MOST_FILE_BYTES = 4_000_000_000
MOST_HEAD_BYTES = 32_000_000
MOST_READS = 600_000
PIXEL_TAGS = (0x7FE00008, 0x7FE00009, 0x7FE00010)


class _TooMuch(Exception):
    """The head asks for more than a head may hold."""


class BoundedStream:
    """A file that gives no more than it has: a made-up length neither reserves memory nor reads on for ever.

    Parameters
    ----------
    stream : BinaryIO
        The open file.
    size_bytes : int
        Its size.
    """

    def __init__(self, stream: BinaryIO, size_bytes: int) -> None:
        self._stream, self._size = stream, size_bytes
        self._left, self._reads = MOST_HEAD_BYTES, MOST_READS
        self.name = getattr(stream, "name", "")

    def read(self, count: int = -1) -> bytes:
        here = self._stream.tell()
        rest = max(self._size - here, 0)
        count = rest if count is None or count < 0 else min(count, rest)
        self._left -= count
        self._reads -= 1
        if self._left < 0 or self._reads < 0:
            raise _TooMuch
        return self._stream.read(count)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._stream.seek(offset, whence)

    def tell(self) -> int:
        return self._stream.tell()

    def close(self) -> None:
        self._stream.close()


@dataclass(frozen=True)
class Head:
    """What stands before the pixels.

    Attributes
    ----------
    file : Path
        The file.
    size_bytes : int
        Its size.
    dataset : Dataset
        Every element before the pixels.
    transfer_syntax : str
        Its UID.
    pixels_at : int
        Where the pixel element begins.
    little_endian, implicit : bool
        How it is written.
    """

    file: Path
    size_bytes: int
    dataset: Dataset
    transfer_syntax: str
    pixels_at: int
    little_endian: bool
    implicit: bool


def read_head(file: Path) -> Head:
    """Return the head of a DICOM file.

    Raises
    ------
    NotFound
        There is no such file.
    FileFormatError
        It is no DICOM file, is cut short, holds no pixels, or asks for more than a head may hold.
    """
    where = str(file)
    if file.is_dir():
        raise FileFormatError("this is a folder, not a file", where=where, allowed="a DICOM file")
    if not file.is_file():
        raise NotFound("no such file", where=where, allowed="a DICOM file")
    size = file.stat().st_size
    if size > MOST_FILE_BYTES:
        raise FileFormatError(
            "the file is too large",
            where=where,
            field="size",
            value=size,
            allowed=f"at most {MOST_FILE_BYTES:,} bytes",
        )
    with file.open("rb") as raw:
        magic = raw.read(132)
        if len(magic) < 132 or magic[128:] != b"DICM":
            raise FileFormatError(
                "not a DICOM file: the letters DICM are missing at byte 128",
                where=where,
                allowed="a DICOM file",
            )
        raw.seek(0)
        return _parsed(file, BoundedStream(raw, size), size)


def _parsed(file: Path, stream: BoundedStream, size: int) -> Head:
    where = str(file)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = read_partial(stream, stop_when=_at_pixels)  # type: ignore[arg-type]
            syntax = str(dataset.file_meta.TransferSyntaxUID)
            known = pydicom.uid.UID(syntax)
            if known == pydicom.uid.DeflatedExplicitVRLittleEndian:
                raise FileFormatError(
                    "deflated files are not read: their size cannot be bounded",
                    where=where,
                    field="(0002,0010) Transfer Syntax UID",
                    value=syntax,
                    allowed="an uncompressed, JPEG, JPEG-LS, JPEG 2000 or RLE syntax",
                )
            little, implicit = known.is_little_endian, known.is_implicit_VR
    except FileFormatError:
        raise
    except _TooMuch:
        raise FileFormatError(
            "the part before the pixels is too large",
            where=where,
            allowed=f"at most {MOST_HEAD_BYTES:,} bytes in {MOST_READS:,} pieces",
        ) from None
    except MemoryError:
        raise FileFormatError(
            "the file asks for more memory than there is", where=where, allowed="a whole file"
        ) from None
    except (Exception, RecursionError) as error:
        # The reader raises whatever it stumbles on; for the user all of it means one thing.
        raise FileFormatError(
            f"the DICOM elements cannot be read ({_brief(error)})", where=where, allowed="a whole DICOM file"
        ) from None
    at = stream.tell()
    if at + 8 > size:
        raise FileFormatError(
            "the file ends before its pixels", where=where, field="(7FE0,0010) Pixel Data", allowed="pixels"
        )
    return Head(file, size, dataset, syntax, at, little, implicit)


def _at_pixels(tag: Any, vr: str | None, length: int) -> bool:
    return int(tag) in PIXEL_TAGS


def _brief(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return f"{type(error).__name__}: {text[:100]}" if text else type(error).__name__
