"""Writes frames of the phantom as angiograms: DICOM XA files with full geometry and an invented patient."""

from __future__ import annotations

import hashlib
import warnings
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from backstay.adapters.atomic import write_atomic
from backstay.adapters.dicom_xa import XA
from backstay.core.imaging.projection import View
from backstay.units import rad_to_deg

IMPLEMENTATION = "2.25.271828182845904523536028747135266249775"
"""Our own class UID for written files, from the range anyone may use (2.25, X.667)."""


def uid_for(text: str) -> UID:
    """Return a UID that always belongs to this text."""
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:15], "big")
    return UID(f"2.25.{number}")


def write_run(
    file: Path,
    frames: NDArray[np.uint16],
    view: View,
    *,
    bits: int,
    logarithmic: bool,
    name: str,
    number: int = 1,
) -> None:
    """Write frames as one XA run, whole or not at all.

    Parameters
    ----------
    file : Path
        Where to.
    frames : ndarray, shape (frames, rows, columns)
        Grey values.
    view : View
        The geometry the tags are to state.
    bits : int
        Of a pixel, up to 16.
    logarithmic : bool
        Whether grey values follow the logarithm of the signal.
    name : str
        Stands for the study: runs of one name belong together.
    number : int
        Of the run within it.
    """
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(XA)
    meta.MediaStorageSOPInstanceUID = uid_for(f"{name}/{number}/image")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(IMPLEMENTATION)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = FileDataset(str(file), {}, file_meta=meta, preamble=b"\0" * 128)
        _identify(dataset, name, number, meta)
        _geometry(dataset, view)
        _pixels(dataset, frames, bits, logarithmic)
        buffer = BytesIO()
        dataset.save_as(buffer, enforce_file_format=True)
    write_atomic(file, buffer.getvalue())


def _identify(dataset: Dataset, name: str, number: int, meta: FileMetaDataset) -> None:
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.ImageType = ["ORIGINAL", "PRIMARY", "SINGLE PLANE"]
    dataset.SOPClassUID = meta.MediaStorageSOPClassUID
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.StudyInstanceUID = uid_for(f"{name}/study")
    dataset.SeriesInstanceUID = uid_for(f"{name}/{number}/series")
    dataset.Modality = "XA"
    dataset.PatientName = "INVENTED^PHANTOM"
    dataset.PatientID = "INVENTED"
    dataset.PatientBirthDate = dataset.PatientSex = ""
    dataset.StudyDate = dataset.StudyTime = dataset.StudyID = dataset.AccessionNumber = ""
    dataset.ReferringPhysicianName = dataset.PatientOrientation = ""
    dataset.Manufacturer = "Backstay phantom"
    dataset.SeriesNumber = dataset.InstanceNumber = number
    dataset.SeriesDescription = "Invented phantom, no person"
    dataset.PatientPosition = "HFS"
    dataset.BodyPartExamined = "HEART"
    dataset.LossyImageCompression = "00"
    dataset.BurnedInAnnotation = "NO"


def _geometry(dataset: Dataset, view: View) -> None:
    dataset.PositionerMotion = "STATIC"
    dataset.PositionerPrimaryAngle = f"{rad_to_deg(view.primary_rad):.4f}"
    dataset.PositionerSecondaryAngle = f"{rad_to_deg(view.secondary_rad):.4f}"
    dataset.DistanceSourceToDetector = f"{view.sid_mm:.2f}"
    dataset.DistanceSourceToPatient = f"{view.sod_mm:.2f}"
    dataset.DistanceSourceToIsocenter = float(view.sod_mm)
    dataset.EstimatedRadiographicMagnificationFactor = f"{view.sid_mm / view.sod_mm:.6f}"
    dataset.ImagerPixelSpacing = [f"{view.row_mm:.6f}", f"{view.column_mm:.6f}"]
    dataset.KVP = dataset.XRayTubeCurrent = dataset.ExposureTime = dataset.Exposure = None
    dataset.RadiationSetting = "GR"


def _to_linear(bits: int) -> Dataset:
    count = 2**bits
    linear = np.exp(np.linspace(np.log(1.0 / 26.7), 0.0, count)) * 65535.0
    table = Dataset()
    table.add_new(0x00283002, "US", [count % 65536, 0, 16])
    table.ModalityLUTType = "US"
    table.add_new(0x00283006, "OW", np.round(linear).astype("<u2").tobytes())
    return table


def _pixels(dataset: Dataset, frames: NDArray[np.uint16], bits: int, logarithmic: bool) -> None:
    count, rows, columns = frames.shape
    wide = 8 if bits <= 8 else 16
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.Rows, dataset.Columns = rows, columns
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = wide, bits, bits - 1
    dataset.PixelRepresentation = 0
    dataset.NumberOfFrames = count
    dataset.FrameIncrementPointer = 0x00181063
    dataset.FrameTime = "66.7"
    dataset.CineRate = 15
    dataset.PixelIntensityRelationship = "LOG" if logarithmic else "LIN"
    if logarithmic:
        # Required with LOG: how to get back to a linear signal [@dicomps33, C.8.7.1.1.2].
        dataset.ModalityLUTSequence = [_to_linear(bits)]
    dataset.WindowCenter, dataset.WindowWidth = str(2 ** (bits - 1)), str(2**bits)
    data = frames.astype("u1" if wide == 8 else "<u2").tobytes()
    dataset.add_new(0x7FE00010, "OB" if wide == 8 else "OW", data + b"\0" * (len(data) % 2))
