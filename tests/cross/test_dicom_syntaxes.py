"""Every transfer syntax read, against what went in and against an independent decoder.

Files are packed by gdcm. We unpack with gdcm's decoder through pydicom (run-length: pydicom's own). The independent
decoders: for JPEG and JPEG-LS the reference code of the JPEG committee as wrapped by pylibjpeg-libjpeg; for JPEG 2000
pylibjpeg-openjpeg (the same library as gdcm's in another build, so the lossless frames must also equal what went in);
for run-length gdcm.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from backstay.adapters.dicom_xa import read_run
from backstay.adapters.phantom_file import write_run
from backstay.core.imaging.projection import View
from backstay.errors import FileFormatError

ROWS, COLUMNS, FRAMES = 90, 70, 3
SYNTAXES = {
    "IMPLICIT": ("ImplicitVRLittleEndian", 0),
    "BIG": ("ExplicitVRBigEndian", 0),
    "JPEG_BASELINE": ("JPEGBaselineProcess1", 2),
    "JPEG_EXTENDED": ("JPEGExtendedProcess2_4", 2),
    "JPEG_LOSSLESS": ("JPEGLosslessProcess14", 0),
    "JPEG_LOSSLESS_FIRST": ("JPEGLosslessProcess14_1", 0),
    "JPEG_LS": ("JPEGLSLossless", 0),
    "JPEG_LS_NEAR": ("JPEGLSNearLossless", 2),
    "JPEG_2000_LOSSLESS": ("JPEG2000Lossless", 0),
    "JPEG_2000": ("JPEG2000", 6),
    "RLE": ("RLELossless", 0),
}
"""gdcm's name, and how many grey levels two decoders may differ: rounding of the inverse transforms of lossy frames."""
EIGHT_ONLY = {"JPEG_BASELINE", "JPEG_EXTENDED"}
CASES = [(name, bits) for name in SYNTAXES for bits in (8, 12) if not (bits == 12 and name in EIGHT_ONLY)]


def grey_frames(bits: int) -> NDArray[np.uint16]:
    rng = np.random.default_rng(bits)
    down, right = np.meshgrid(np.arange(ROWS), np.arange(COLUMNS), indexing="ij")
    most = 2**bits - 1
    smooth = 0.5 + 0.35 * np.sin(down / 9.0) * np.cos(right / 7.0)
    frames = [
        most * smooth * (0.8 + 0.1 * k) + rng.normal(0, 0.01 * most, smooth.shape) for k in range(FRAMES)
    ]
    return np.clip(np.round(frames), 0, most).astype(np.uint16)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    folder = tmp_path_factory.mktemp("plain")
    view = View(-0.5, 0.3, 1000.0, 750.0, 0.25, 0.25, ROWS, COLUMNS)
    files = {}
    for bits in (8, 12):
        files[bits] = folder / f"{bits}.dcm"
        write_run(files[bits], grey_frames(bits), view, bits=bits, logarithmic=False, name=f"syntax {bits}")
    return files


def packed(file: Path, name: str, into: Path) -> Path:
    with warnings.catch_warnings():
        # The wrapper's own types have no module name, which Python warns of when they load.
        warnings.simplefilter("ignore", DeprecationWarning)
        import gdcm
    reader = gdcm.ImageReader()
    reader.SetFileName(str(file))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(getattr(gdcm.TransferSyntax, SYNTAXES[name][0])))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    out = into / f"{file.stem}-{name}.dcm"
    writer.SetFileName(str(out))
    assert writer.Write()
    return out


def independent(file: Path, name: str, index: int) -> NDArray[np.uint16]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        import gdcm
        from pydicom.pixels import pixel_array
    if name == "RLE":
        reader = gdcm.ImageReader()
        reader.SetFileName(str(file))
        assert reader.Read()
        data = reader.GetImage().GetBuffer().encode("utf-8", errors="surrogateescape")
        wide = 1 if len(data) == ROWS * COLUMNS * FRAMES else 2
        return np.frombuffer(data, dtype=f"<u{wide}").reshape(FRAMES, ROWS, COLUMNS)[index].astype(np.uint16)
    plugin = "" if name in ("IMPLICIT", "BIG") else "pylibjpeg"
    return np.asarray(pixel_array(file, index=index, raw=True, decoding_plugin=plugin)).astype(np.uint16)


@pytest.mark.parametrize(("name", "bits"), CASES)
def test_frames_as_an_independent_decoder_has_them(
    name: str, bits: int, plain: dict[int, Path], tmp_path: Path
) -> None:
    file = packed(plain[bits], name, tmp_path)
    run = read_run(file)
    truth = grey_frames(bits)
    assert (run.frames, run.rows, run.columns, run.bits) == (FRAMES, ROWS, COLUMNS, bits)
    allowed = SYNTAXES[name][1]
    for k in (2, 0, 1):
        ours = run.frame(k + 1).astype(int)
        assert np.abs(ours - independent(file, name, k)).max() <= allowed
        if allowed == 0:
            assert np.array_equal(ours, truth[k])
        else:
            # Lossy frames: the same picture, not the next frame's (a tenth brighter).
            assert np.abs(ours - truth[k]).mean() < 0.02 * 2**bits


def test_geometry_survives_packing(plain: dict[int, Path], tmp_path: Path) -> None:
    g = read_run(packed(plain[8], "JPEG_LOSSLESS_FIRST", tmp_path)).geometry
    assert g.primary_deg == pytest.approx(np.rad2deg(-0.5), abs=1e-4)
    assert (g.sid_mm, g.sod_mm, g.row_mm) == (1000.0, 750.0, 0.25)


def test_twelve_bit_lossy_jpeg_is_refused_in_words(plain: dict[int, Path], tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="cannot be unpacked"):
        read_run(packed(plain[12], "JPEG_EXTENDED", tmp_path)).frame(1)
