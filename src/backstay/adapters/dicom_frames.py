"""Single frames out of a DICOM file, without reading the others."""

from __future__ import annotations

import atexit
import contextlib
import json
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import Any, BinaryIO, NoReturn

import numpy as np
from numpy.typing import NDArray
from pydicom.uid import UID

from backstay.adapters.dicom_bounded import Head
from backstay.errors import FileFormatError

SYNTAXES = {
    "1.2.840.10008.1.2": "raw",
    "1.2.840.10008.1.2.1": "raw",
    "1.2.840.10008.1.2.2": "raw",
    "1.2.840.10008.1.2.4.50": "jpeg",
    "1.2.840.10008.1.2.4.51": "jpeg",
    "1.2.840.10008.1.2.4.57": "jpeg",
    "1.2.840.10008.1.2.4.70": "jpeg",
    "1.2.840.10008.1.2.4.80": "jpeg",
    "1.2.840.10008.1.2.4.81": "jpeg",
    "1.2.840.10008.1.2.4.90": "jpeg2000",
    "1.2.840.10008.1.2.4.91": "jpeg2000",
    "1.2.840.10008.1.2.5": "rle",
}
"""Transfer syntaxes that are read, and what kind of stream a frame is in each."""
LONGEST_UNPACKING_S = 20.0
_ITEM, _END = 0xFFFEE000, 0xFFFEE0DD
_UNDEFINED = 0xFFFFFFFF
MOST_FRAGMENTS = 200_000


class FrameReader:
    """Frames of one file.

    Parameters
    ----------
    head : Head
        From `read_head`.
    rows, columns, frames : int
        Size, checked by the caller.
    bits_allocated, bits_stored : int
        Of a pixel, checked by the caller.
    """

    def __init__(
        self, head: Head, *, rows: int, columns: int, frames: int, bits_allocated: int, bits_stored: int
    ) -> None:
        self.head, self.rows, self.columns, self.frames = head, rows, columns, frames
        self.bits_allocated, self.bits_stored = bits_allocated, bits_stored
        kind = SYNTAXES.get(head.transfer_syntax)
        if kind is None:
            name = UID(head.transfer_syntax).name
            self._refuse(
                "the pixels are packed in a way that is not read",
                name,
                "uncompressed, JPEG, JPEG-LS, JPEG 2000, RLE",
            )
        self.kind = kind
        with head.file.open("rb") as stream:
            self._first_byte, length = self._pixel_element(stream)
            self._fragments = [] if kind == "raw" else list(self._fragment_list(stream, length))
        if kind == "raw":
            self._check_length(length)

    def frame(self, index: int) -> NDArray[np.uint16]:
        """Return one frame, counted from 0, as it is stored: no window, no look-up.

        Raises
        ------
        FileFormatError
            It is cut short or cannot be unpacked.
        """
        with self.head.file.open("rb") as stream:
            if self.kind == "raw":
                return self._raw(stream, index)
            packed = self._packed(stream, index)
        _check_declared_size(self, packed)
        return self._unpacked(packed, index)

    def _raw(self, stream: BinaryIO, index: int) -> NDArray[np.uint16]:
        wide = self.bits_allocated // 8
        count = self.rows * self.columns
        stream.seek(self._first_byte + index * count * wide)
        data = stream.read(count * wide)
        if len(data) < count * wide:
            self._refuse(
                "the pixels are cut short",
                f"frame {index + 1} has {len(data)} bytes",
                f"{count * wide} bytes",
            )
        kind = "u1" if wide == 1 else ("<u2" if self.head.little_endian else ">u2")
        pixels = np.frombuffer(data, dtype=kind).reshape(self.rows, self.columns)
        return np.asarray(pixels & ((1 << self.bits_stored) - 1), dtype=np.uint16)

    def _packed(self, stream: BinaryIO, index: int) -> bytes:
        chosen = self._of_frame(stream, index)
        if sum(length for _, length in chosen) > 4 * self.rows * self.columns + 1_000_000:
            self._refuse("a packed frame is larger than its pixels", f"frame {index + 1}", "less")
        parts = []
        for at, length in chosen:
            stream.seek(at)
            parts.append(stream.read(length))
        return b"".join(parts)

    def _of_frame(self, stream: BinaryIO, index: int) -> list[tuple[int, int]]:
        """Return the fragments (place, length) of one frame, by the offset table or by their first bytes."""
        table, *fragments = self._fragments
        if len(fragments) == self.frames:
            return [fragments[index]]
        if self.frames == 1:
            return fragments
        starts = self._table(stream, table) or self._starts(stream, fragments)
        if len(starts) != self.frames:
            self._refuse(
                "which fragments belong to which frame cannot be told",
                f"{len(starts)} starts",
                f"{self.frames}",
            )
        ends = [*starts[1:], _UNDEFINED * 2]
        origin = fragments[0][0] - 8
        return [f for f in fragments if starts[index] <= f[0] - 8 - origin < ends[index]]

    def _table(self, stream: BinaryIO, table: tuple[int, int]) -> list[int]:
        if table[1] != 4 * self.frames:
            return []
        stream.seek(table[0])
        return list(struct.unpack(f"<{self.frames}I", stream.read(table[1])))

    def _starts(self, stream: BinaryIO, fragments: list[tuple[int, int]]) -> list[int]:
        """Return where frames start, by the marker that a JPEG or JPEG 2000 stream begins with."""
        magic = {"jpeg": b"\xff\xd8", "jpeg2000": b"\xff\x4f"}.get(self.kind, b"\0")
        found = []
        for at, _ in fragments:
            stream.seek(at)
            if stream.read(2)[: len(magic)] == magic:
                found.append(at - fragments[0][0])
        return found

    def _pixel_element(self, stream: BinaryIO) -> tuple[int, int]:
        """Return where the pixels' value begins and the length its element declares."""
        stream.seek(self.head.pixels_at)
        order = "<" if self.head.little_endian else ">"
        head = stream.read(12)
        if len(head) < 12:
            self._refuse("the file ends before its pixels", f"{len(head)} bytes", "a pixel element")
        group, element = struct.unpack(order + "HH", head[:4])
        if (group, element) != (0x7FE0, 0x0010):
            self._refuse(
                "the pixels are not whole numbers", f"({group:04X},{element:04X})", "(7FE0,0010) Pixel Data"
            )
        if self.head.implicit:
            return self.head.pixels_at + 8, int(struct.unpack(order + "I", head[4:8])[0])
        return self.head.pixels_at + 12, int(struct.unpack(order + "I", head[8:12])[0])

    def _check_length(self, declared: int) -> None:
        needed = self.rows * self.columns * self.frames * self.bits_allocated // 8
        there = self.head.size_bytes - self._first_byte
        if declared == _UNDEFINED or min(declared, there) < needed:
            self._refuse(
                "the pixels are cut short",
                f"{min(declared, there)} bytes",
                f"{needed} bytes for {self.frames} frames",
            )

    def _fragment_list(self, stream: BinaryIO, length: int) -> Iterator[tuple[int, int]]:
        if length != _UNDEFINED:
            self._refuse("packed pixels must come in fragments", f"length {length}", "undefined length")
        at = self._first_byte
        for _ in range(MOST_FRAGMENTS):
            stream.seek(at)
            head = stream.read(8)
            if len(head) < 8:
                self._refuse("the pixels are cut short", "no end of fragments", "a whole file")
            group, element, size = struct.unpack("<HHI", head)
            tag = (group << 16) | element
            if tag == _END:
                return
            if tag != _ITEM or at + 8 + size > self.head.size_bytes:
                self._refuse(
                    "the pixels are cut short or broken",
                    f"tag {tag:08X}, length {size}",
                    "fragments inside the file",
                )
            yield at + 8, size
            at += 8 + size
        self._refuse("too many fragments", MOST_FRAGMENTS, f"up to {MOST_FRAGMENTS}")

    def _unpacked(self, packed: bytes, index: int) -> NDArray[np.uint16]:
        order = {
            "syntax": self.head.transfer_syntax, "bytes": len(packed), "rows": self.rows, "columns": self.columns,
            "bits_allocated": self.bits_allocated, "bits_stored": self.bits_stored,
        }  # fmt: skip
        error, pixels = _HELPER.ask(order, packed, 2 * self.rows * self.columns)
        if error:
            self._refuse(
                f"frame {index + 1} cannot be unpacked ({error})",
                UID(self.head.transfer_syntax).name,
                "a whole frame",
            )
        return np.frombuffer(pixels, dtype="<u2").reshape(self.rows, self.columns).astype(np.uint16)

    def _refuse(self, message: str, value: object, allowed: str) -> NoReturn:
        raise FileFormatError(
            message, where=str(self.head.file), field="(7FE0,0010) Pixel Data", value=value, allowed=allowed
        )


def _check_declared_size(reader: FrameReader, packed: bytes) -> None:
    """Refuse a frame whose own header declares another size than the file: it could fill the memory."""
    found = None
    if reader.kind == "jpeg":
        found = _jpeg_size(packed)
    elif reader.kind == "jpeg2000":
        found = _jpeg2000_size(packed)
    else:
        return
    wanted = (reader.rows, reader.columns, 1)
    if found != wanted:
        text = "no size" if found is None else "{} rows, {} columns, {} components".format(*found)
        reader._refuse(
            "a packed frame is not of the size the file says",
            text,
            f"{wanted[0]} rows, {wanted[1]} columns, 1 component",
        )


def _jpeg_size(packed: bytes) -> tuple[int, int, int] | None:
    """Return rows, columns and components of a JPEG or JPEG-LS stream by its frame header (T.81 B.2.2, T.87 C.2.2)."""
    at = 2
    while at + 10 <= len(packed):
        if packed[at] != 0xFF:
            return None
        marker = packed[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker in {*range(0xC0, 0xD0), 0xF7} - {0xC4, 0xC8, 0xCC}:
            rows, columns, components = struct.unpack(">HHB", packed[at + 5 : at + 10])
            return rows, columns, components
        at += 2 + int(struct.unpack(">H", packed[at + 2 : at + 4])[0])
    return None


def _jpeg2000_size(packed: bytes) -> tuple[int, int, int] | None:
    """Return rows, columns and components by the SIZ marker, which comes first (T.800 A.5.1)."""
    if len(packed) < 42 or packed[:4] != b"\xff\x4f\xff\x51":
        return None
    wide, high, left, top, tile_w, tile_h = struct.unpack(">6I", packed[8:32])
    components = struct.unpack(">H", packed[40:42])[0]
    if tile_w == 0 or tile_h == 0 or -(-wide // tile_w) * -(-high // tile_h) > 4096:
        return None
    return high - top, wide - left, components


class _Helper:
    """The helper process, started when first needed and again after it was lost."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def ask(self, order: dict[str, Any], packed: bytes, expected: int) -> tuple[str, bytes]:
        """Return what went wrong ("" for nothing) and the pixels."""
        with self._lock:
            process = self._running()
            timer = threading.Timer(LONGEST_UNPACKING_S, process.kill)
            timer.start()
            try:
                return self._exchange(process, order, packed, expected)
            except (OSError, ValueError):
                self.close()
                return "the decoder stopped", b""
            finally:
                timer.cancel()

    def _exchange(
        self, process: subprocess.Popen[bytes], order: dict[str, Any], packed: bytes, expected: int
    ) -> tuple[str, bytes]:
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write(json.dumps(order).encode() + b"\n" + packed)
        process.stdin.flush()
        line = process.stdout.readline(10_000)
        answer: dict[str, Any] = json.loads(line) if line else {"error": "the decoder stopped", "bytes": -1}
        if answer["bytes"] < 0:
            self.close()
            return str(answer["error"]), b""
        if not answer["error"] and answer["bytes"] != expected:
            self.close()
            return f"{answer['bytes']} bytes came out", b""
        pixels = process.stdout.read(answer["bytes"])
        return (
            (str(answer["error"]), pixels) if len(pixels) == answer["bytes"] else ("the decoder stopped", b"")
        )

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self.close()
            self._process = subprocess.Popen(
                [sys.executable, "-m", "backstay.adapters.dicom_decode"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        return self._process

    def close(self) -> None:
        """End the helper."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        process.wait()


_HELPER = _Helper()
atexit.register(_HELPER.close)
