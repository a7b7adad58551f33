"""The report's FHIR bundle by two other implementations of the standard, its DICOM file by a validator and a reader."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pydicom
import pytest
from fhir.resources.R4B.bundle import Bundle as BundleR4B
from fhirclient.models.bundle import Bundle as BundleR4
from fhirclient.models.fhirabstractbase import FHIRValidationError
from pydantic import ValidationError

from backstay.adapters.report_dicom import encapsulated, read_study
from backstay.adapters.report_fhir import CODES, FROM_MEMORY, bundle_text
from backstay.adapters.report_file import ReportDocument
from backstay.app.reporting import Extras, add_to_report, report, sign_report
from backstay.errors import FileFormatError
from backstay.report.procedure.paper import pdf
from backstay.report.procedure.text import text

# Read on the systems' own pages: LOINC 18745-0, 34896-1, 73569-6, 98979-8; SNOMED CT 415070008, 36969009.
READ = {"18745-0", "73569-6", "98979-8", "415070008", "36969009"}


def made(document: ReportDocument) -> dict[str, Any]:
    return json.loads(bundle_text(document, pdf=pdf(document), text=text(document)))


def nodes(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
        for one in value.values():
            yield from nodes(one)
    elif isinstance(value, list):
        for one in value:
            yield from nodes(one)


def resources(bundle: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


def test_valid_in_r4_and_r4b(document: ReportDocument) -> None:
    """R4: models generated from FHIR 4.0.1 (fhirclient). R4B: models generated from 4.3.0 (fhir.resources)."""
    bundle = made(document)
    BundleR4(bundle, strict=True)
    BundleR4B.model_validate(bundle)


@pytest.mark.parametrize("spoil", [{"status": None}, {"usage": "x"}, {"subject": "Patient"}])
def test_the_validators_can_refuse(recorded_case: Path, spoil: dict[str, Any]) -> None:
    bundle = made(report(recorded_case))
    use = resources(bundle, "DeviceUseStatement")[0]
    use.update(spoil)
    with pytest.raises(FHIRValidationError):
        BundleR4(bundle, strict=True)
    with pytest.raises(ValidationError):
        BundleR4B.model_validate(bundle)


def test_every_reference_resolves_inside(document: ReportDocument) -> None:
    bundle = made(document)
    addresses = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(addresses)) == len(addresses)
    assert all(re.fullmatch(r"urn:uuid:[0-9a-f-]{36}", address) for address in addresses)
    references = {node["reference"] for node in nodes(bundle) if "reference" in node}
    assert references and references <= set(addresses)


def test_no_empty_value_and_the_same_again(document: ReportDocument) -> None:
    bundle = made(document)
    assert all(one not in (None, "", [], {}) for node in nodes(bundle) for one in node.values())
    assert made(document) == bundle


def test_what_it_says(recorded_case: Path) -> None:
    bundle = made(report(recorded_case, Extras(dose=(recorded_case.with_name("dose.dcm"),))))
    (procedure,) = resources(bundle, "Procedure")
    assert procedure["status"] == "completed" and "radial spasm" in procedure["complication"][0]["text"]
    (use,) = resources(bundle, "DeviceUseStatement")
    assert use["status"] == "active" and "36 to 64 mm" in use["bodySite"]["text"]
    (final,) = resources(bundle, "DiagnosticReport")
    assert final["status"] == "preliminary" and "issued" not in final
    values = {
        (o["code"]["text"], o["valueQuantity"]["value"], o["valueQuantity"]["code"])
        for o in resources(bundle, "Observation")
        if "valueQuantity" in o
    }
    assert {("contrast medium given", 47, "mL"), ("unfractionated heparin given", 7000, "[USP'U]")} <= values
    assert ("activated clotting time, from the sheath", 287, "s") in values
    radiation = next(o for o in resources(bundle, "Observation") if o["code"]["text"] == "radiation exposure")
    assert [(c["valueQuantity"]["value"], c["valueQuantity"]["code"]) for c in radiation["component"]] == [
        (1184, "mGy"),
        (92.4, "Gy.cm2"),
        (17.6, "min"),
    ]


def test_status_follows_the_signature(recorded_case: Path) -> None:
    signed = sign_report(recorded_case, by="Dr Invented")
    (final,) = resources(made(signed), "DiagnosticReport")
    assert final["status"] == "final" and "issued" in final
    assert [p["name"][0]["text"] for p in resources(made(signed), "Practitioner")] == ["Dr Invented"]
    (later,) = resources(
        made(add_to_report(recorded_case, by="Dr Second", text="Later.")), "DiagnosticReport"
    )
    assert later["status"] == "appended" and "Later." in later["conclusion"]


def test_it_carries_the_paper(document: ReportDocument) -> None:
    (final,) = resources(made(document), "DiagnosticReport")
    paper, plain = (base64.b64decode(form["data"]) for form in final["presentedForm"])
    assert paper == pdf(document) and plain.decode() == text(document)


def test_codes_that_were_not_read_are_marked(recorded_case: Path) -> None:
    bundle = made(report(recorded_case))
    for resource in (entry["resource"] for entry in bundle["entry"]):
        codings = [c for c in resource.get("code", {}).get("coding", []) if "dicom" not in c["system"]]
        marked = {"display": FROM_MEMORY} in resource.get("meta", {}).get("tag", [])
        assert marked == any(c["code"] not in READ for c in codings)
    assert {c.code for c in CODES.values() if c.confirmed and "dicom" not in c.system} == READ


def test_dose_codes_are_those_of_the_dictionary() -> None:
    """DICOM PS3.16 annex D as pydicom carries it."""
    from pydicom.sr.codedict import codes

    for name, keyword in (
        ("air kerma at the reference point", "DoseRPTotal"),
        ("air kerma-area product", "DoseAreaProductTotal"),
        ("fluoroscopy time", "TotalFluoroTime"),
    ):
        known = getattr(codes.DCM, keyword)
        assert (CODES[name].code, CODES[name].display) == (known.value, known.meaning)


# DICOM


def test_dicom_passes_the_validator(document: ReportDocument, tmp_path: Path) -> None:
    if shutil.which("dciodvfy") is None:
        pytest.skip("dciodvfy is not here; tools/system-packages installs it on Debian")
    file = tmp_path / "report.dcm"
    file.write_bytes(encapsulated(document, pdf(document)))
    done = subprocess.run(["dciodvfy", file], capture_output=True, text=True, check=False)
    assert "Error" not in done.stdout + done.stderr
    assert "EncapsulatedPDF" in done.stdout + done.stderr
    spoilt = pydicom.dcmread(file)
    del spoilt.MIMETypeOfEncapsulatedDocument
    spoilt.save_as(file)
    done = subprocess.run(["dciodvfy", file], capture_output=True, text=True, check=False)
    assert "Error" in done.stdout + done.stderr


def test_dicom_holds_the_paper_and_nobody(document: ReportDocument, tmp_path: Path) -> None:
    file = tmp_path / "report.dcm"
    paper = pdf(document)
    file.write_bytes(encapsulated(document, paper))
    assert encapsulated(document, paper) == file.read_bytes()
    data = pydicom.dcmread(file)
    assert data.EncapsulatedDocument[: data.EncapsulatedDocumentLength] == paper
    assert (data.PatientName, data.PatientID, data.PatientBirthDate) == ("", "", "")
    assert data.VerificationFlag == ("UNVERIFIED" if document.is_draft else "VERIFIED")
    assert data.DocumentTitle == document.content.title


def a_run(folder: Path, **changes: Any) -> Path:
    """Return a run of an invented patient, written in another character set."""
    data = pydicom.Dataset()
    data.file_meta = pydicom.dataset.FileMetaDataset()
    data.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = "1.2.840.10008.5.1.4.1.1.12.1"
    data.file_meta.MediaStorageSOPInstanceUID = data.SOPInstanceUID = "2.25.77"
    data.SpecificCharacterSet = "ISO_IR 100"
    data.PatientName, data.PatientID, data.PatientBirthDate = "Erf\u00fcnden^J\u00fcrgen", "INV-1", "19630101"
    data.PatientSex, data.StudyInstanceUID, data.StudyDate, data.StudyTime = (
        "M",
        "2.25.4711",
        "20310405",
        "0855",
    )
    data.AccessionNumber, data.StudyID, data.InstitutionName = "A-17", "S1", "nowhere"
    data.Rows = data.Columns = data.SamplesPerPixel = 1
    data.BitsAllocated, data.PixelRepresentation = 8, 0
    data.PixelData = b"\0\0"
    for name, value in changes.items():
        setattr(data, name, value)
    file = folder / "run.dcm"
    data.save_as(file, enforce_file_format=True)
    return file


def test_dicom_joins_a_study_and_takes_nothing_else(recorded_case: Path, tmp_path: Path) -> None:
    document = report(recorded_case)
    file = tmp_path / "report.dcm"
    file.write_bytes(encapsulated(document, pdf(document), read_study(a_run(tmp_path))))
    data = pydicom.dcmread(file)
    assert (str(data.PatientName), data.PatientID) == ("Erf\u00fcnden^J\u00fcrgen", "INV-1")
    assert (data.StudyInstanceUID, data.AccessionNumber) == ("2.25.4711", "A-17")
    assert "InstitutionName" not in data and data.Modality == "DOC"
    if shutil.which("dciodvfy") is not None:
        done = subprocess.run(["dciodvfy", file], capture_output=True, text=True, check=False)
        assert "Error" not in done.stdout + done.stderr


def test_a_run_without_a_study_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="names no study"):
        read_study(a_run(tmp_path, StudyInstanceUID=""))
    (tmp_path / "text.dcm").write_text("no")
    with pytest.raises(FileFormatError, match="not a DICOM file"):
        read_study(tmp_path / "text.dcm")
