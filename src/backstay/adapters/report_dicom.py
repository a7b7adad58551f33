"""The report as a DICOM Encapsulated PDF."""

from __future__ import annotations

import hashlib
import io
from datetime import datetime
from pathlib import Path

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

from backstay.adapters.dicom_bounded import read_head
from backstay.adapters.report_file import ReportDocument
from backstay.errors import FileFormatError

ENCAPSULATED_PDF = UID("1.2.840.10008.5.1.4.1.1.104.1")
_MOST_CHARACTERS = 1024


_PATIENT = ("PatientName", "PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientSex")
_STUDY = (
    *("StudyInstanceUID", "StudyDate", "StudyTime", "ReferringPhysicianName"),
    *("StudyID", "AccessionNumber", "StudyDescription"),
)


def read_study(file: Path) -> Dataset:
    """Return whose a run is and of which study: what a report joins it by, and nothing else of it.

    Raises
    ------
    NotFound, FileFormatError
        It cannot be read, or names no study.
    """
    head, found = read_head(file).dataset, Dataset()
    try:
        for name in (*_PATIENT, *_STUDY):
            if name in head:
                setattr(found, name, head[name].value)
    except Exception as error:  # a damaged file makes the library raise nearly anything
        raise FileFormatError(
            f"unreadable: {error}", field="patient or study", where=str(file), allowed="a DICOM file"
        ) from None
    if not found.get("StudyInstanceUID"):
        raise FileFormatError(
            "names no study", field="(0020,000D) Study Instance UID", where=str(file), allowed="a UID"
        )
    return found


def encapsulated(document: ReportDocument, pdf: bytes, study: Dataset | None = None) -> bytes:
    """Return the report's PDF inside a DICOM file; the same report gives the same bytes.

    Without a study to join, who the patient is is left empty: the archive that takes it in fills that from the
    order.
    """
    c = document.content
    at = datetime.fromisoformat(
        document.signature.at if document.signature else c.ended or c.began or "1970-01-01T00:00+00:00"
    )
    data = Dataset()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = ENCAPSULATED_PDF
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID = _uid(document, "instance", pdf)
    data.SpecificCharacterSet = "ISO_IR 192"
    _patient(data, document)
    _study(data, document, at)
    if study is not None:
        data.update(study)
    _equipment(data)
    data.Modality = "DOC"
    data.SeriesInstanceUID = _uid(document, "series")
    data.SeriesNumber = 1
    data.InstanceNumber = 1
    data.ConversionType = "WSD"
    data.ContentDate, data.ContentTime = _date(at), _time(at)
    data.AcquisitionDateTime = None if c.began is None else _moment(datetime.fromisoformat(c.began))
    data.TimezoneOffsetFromUTC = at.strftime("%z")
    # Free text may name anybody, so that none may take it for free of names.
    data.BurnedInAnnotation = "YES"
    data.DocumentTitle = c.title[:_MOST_CHARACTERS]
    data.ConceptNameCodeSequence = Sequence([_report_code()])
    data.VerificationFlag = "UNVERIFIED" if document.is_draft else "VERIFIED"
    data.MIMETypeOfEncapsulatedDocument = "application/pdf"
    data.EncapsulatedDocumentLength = len(pdf)
    data.EncapsulatedDocument = pdf if len(pdf) % 2 == 0 else pdf + b"\0"
    buffer = io.BytesIO()
    data.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def _patient(data: Dataset, document: ReportDocument) -> None:
    sex = next((fact.text for fact in document.content.patient if fact.what == "sex"), "")
    data.PatientName = data.PatientID = data.PatientBirthDate = ""
    data.PatientSex = {"female": "F", "male": "M"}.get(sex, "")


def _study(data: Dataset, document: ReportDocument, at: datetime) -> None:
    began = document.content.began
    first = at if began is None else datetime.fromisoformat(began)
    data.StudyInstanceUID = _uid(document, "study")
    data.StudyDate, data.StudyTime = _date(first), _time(first)
    data.ReferringPhysicianName = data.StudyID = data.AccessionNumber = ""


def _equipment(data: Dataset) -> None:
    from importlib import metadata

    data.Manufacturer = "Backstay"
    data.SoftwareVersions = metadata.version("backstay")


def _report_code() -> Dataset:
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator = "34896-1", "LN"
    code.CodeMeaning = "CV interventional procedure note"
    return code


def _uid(document: ReportDocument, name: str, content: bytes = b"") -> UID:
    """Return a UID under the root of UUIDs; study and series belong to the record, the instance to its bytes."""
    text = (
        f"backstay report\n{document.content.record}\n{document.head if content else ''}\n{name}\n".encode()
    )
    digest = hashlib.sha256(text + content).digest()[:16]
    return UID(f"2.25.{int.from_bytes(digest, 'big')}")


def _date(at: datetime) -> str:
    return at.strftime("%Y%m%d")


def _time(at: datetime) -> str:
    return at.strftime("%H%M%S")


def _moment(at: datetime) -> str:
    return at.strftime("%Y%m%d%H%M%S%z")
