"""Writes X-ray radiation dose structured reports for tests: DICOM files of invented cases."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence as Items
from pydicom.uid import ExplicitVRLittleEndian, generate_uid

XRAY_DOSE_SR = "1.2.840.10008.5.1.4.1.1.88.67"


def code(value: str, scheme: str = "DCM", meaning: str = "x") -> Items:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return Items([item])


def number(name: str, value: object, unit: str) -> Dataset:
    item, measured = Dataset(), Dataset()
    measured.NumericValue = str(value)[:16]
    measured.MeasurementUnitsCodeSequence = code(unit, "UCUM", unit)
    item.RelationshipType, item.ValueType = "CONTAINS", "NUM"
    item.ConceptNameCodeSequence = code(name)
    item.MeasuredValueSequence = Items([measured])
    return item


def coded(name: str, value: str, scheme: str = "DCM") -> Dataset:
    item = Dataset()
    item.RelationshipType, item.ValueType = "CONTAINS", "CODE"
    item.ConceptNameCodeSequence, item.ConceptCodeSequence = code(name), code(value, scheme)
    return item


def identifier(name: str, uid: str) -> Dataset:
    item = Dataset()
    item.RelationshipType, item.ValueType = "CONTAINS", "UIDREF"
    item.ConceptNameCodeSequence, item.UID = code(name), uid
    return item


def container(name: str, parts: Sequence[Dataset]) -> Dataset:
    item = Dataset()
    item.RelationshipType, item.ValueType = "CONTAINS", "CONTAINER"
    item.ConceptNameCodeSequence, item.ContentSequence = code(name), Items(parts)
    return item


def event(
    *,
    kerma_Gy: float = 0.01,
    primary_deg: float = 0.0,
    secondary_deg: float = 0.0,
    kap_Gym2: float | None = None,
    kind: tuple[str, str] = ("113611", "DCM"),
    plane: str = "113622",
    table_mm: tuple[float, float, float] | None = (0.0, 0.0, 0.0),
    field_mm: tuple[float, float] | None = (150.0, 150.0),
    distances_mm: tuple[float, float] | None = (750.0, 1000.0),
    end_deg: tuple[float, float] | None = None,
    point: str | None = "113860",
    extra: Sequence[Dataset] = (),
    uid: str | None = None,
) -> Dataset:
    """Return one irradiation event in the standard's own units: Gy, Gy.m2, mm, deg."""
    kap = kerma_Gy * 0.0081 if kap_Gym2 is None else kap_Gym2
    parts = [
        coded("113764", plane),
        coded("113721", *kind),
        number("113738", kerma_Gy, "Gy"),
        number("122130", kap, "Gy.m2"),
        number("112011", primary_deg, "deg"),
        number("112012", secondary_deg, "deg"),
    ]
    if point is not None:
        parts.append(coded("113780", point))
    if uid is not None:
        parts.append(identifier("113769", uid))
    if end_deg is not None:
        parts += [number("113739", end_deg[0], "deg"), number("113740", end_deg[1], "deg")]
    if distances_mm is not None:
        parts += [number("113748", distances_mm[0], "mm"), number("113750", distances_mm[1], "mm")]
    if field_mm is not None:
        parts += [number("113789", field_mm[0], "mm"), number("113788", field_mm[1], "mm")]
    if table_mm is not None:
        parts += [
            number(name, x, "mm") for name, x in zip(("113752", "113753", "113751"), table_mm, strict=True)
        ]
    return container("113706", [*parts, *extra])


def accumulated(
    *,
    kerma_Gy: float,
    kap_Gym2: float,
    fluoroscopy_s: float,
    plane: str = "113622",
    calibration: float | None = None,
) -> Dataset:
    parts = [
        coded("113764", plane),
        number("113725", kerma_Gy, "Gy"),
        number("113722", kap_Gym2, "Gy.m2"),
        number("113730", fluoroscopy_s, "s"),
    ]
    if calibration is not None:
        parts.append(container("122505", [number("122322", calibration, "1")]))
    return container("113702", parts)


def write(path: Path, parts: Sequence[Dataset], **changes: Any) -> Path:
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = XRAY_DOSE_SR
    dataset.file_meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=["invented", path.name])
    dataset.SOPClassUID, dataset.SOPInstanceUID = XRAY_DOSE_SR, dataset.file_meta.MediaStorageSOPInstanceUID
    dataset.Modality, dataset.PatientName, dataset.PatientID = "SR", "Invented^Case", "invented"
    dataset.ValueType, dataset.ConceptNameCodeSequence = "CONTAINER", code("113701")
    dataset.ContentSequence = Items(parts)
    for name, value in changes.items():
        setattr(dataset, name, value)
    dataset.save_as(path, enforce_file_format=True)
    return path
