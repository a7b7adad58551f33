"""A helper process that unpacks compressed frames, so that a broken frame can neither crash nor fill the program.

The parent sends one line of JSON and the frame's bytes, and gets one line of JSON and the pixels back.
"""

from __future__ import annotations

import json
import sys
from typing import Any, BinaryIO

MOST_MEMORY_BYTES = 2_500_000_000


def main() -> None:
    """Serve frames until the input ends."""
    import pydicom.pixels  # noqa: F401  loaded before memory is limited: libraries reserve more than they use

    _limit_memory()
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    while line := source.readline():
        order = json.loads(line)
        answer, pixels = _answer(order, source)
        sink.write(json.dumps(answer).encode() + b"\n" + pixels)
        sink.flush()


def _limit_memory() -> None:
    try:
        import resource
    except ImportError:
        # No such limit on this system; the size declared inside the frame was checked by the parent.
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))


def _answer(order: dict[str, Any], source: BinaryIO) -> tuple[dict[str, Any], bytes]:
    frame = source.read(int(order["bytes"]))
    try:
        pixels = unpacked(frame, order)
    except MemoryError:
        return {"error": "more memory than a frame may need", "bytes": 0}, b""
    except Exception as error:
        return {"error": f"{type(error).__name__}: {' '.join(str(error).split())[:160]}", "bytes": 0}, b""
    return {"error": "", "bytes": len(pixels)}, pixels


def unpacked(frame: bytes, order: dict[str, Any]) -> bytes:
    """Return the pixels of one compressed frame as little-endian 16-bit numbers."""
    import warnings

    import numpy as np
    from pydicom.encaps import encapsulate
    from pydicom.pixels.decoders.base import get_decoder
    from pydicom.uid import UID, RLELossless

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        decoder = get_decoder(UID(order["syntax"]))
        options: dict[str, Any] = {
            **{name: order[name] for name in ("rows", "columns", "bits_allocated", "bits_stored")},
            "samples_per_pixel": 1,
            "number_of_frames": 1,
            "pixel_representation": 0,
            "photometric_interpretation": "MONOCHROME2",
            "pixel_keyword": "PixelData",
        }
        if decoder.UID != RLELossless:
            # One decoder, whatever else is installed: a record must repeat. It lacks 12-bit lossy JPEG.
            options["decoding_plugin"] = "gdcm"
        array, _ = decoder.as_array(encapsulate([frame], has_bot=False), index=0, raw=True, **options)
    return bytes(np.ascontiguousarray(array, dtype="<u2").tobytes())


if __name__ == "__main__":
    main()
