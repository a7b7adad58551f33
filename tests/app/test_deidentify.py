"""A hundred planted identifiers - in elements, frames, texts and file names - are all found, or the export refuses.

Everything planted is invented. What an export may hold is judged by searching its bytes here, not by the program.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from PIL import Image, ImageDraw, ImageFont
from pydicom.dataset import Dataset
from typer.testing import CliRunner, Result

from backstay.adapters.dicom_check import survivors_in_copy
from backstay.adapters.dicom_xa import read_run
from backstay.app.deidentifying import deidentify, new_disguise
from backstay.app.phantom import make_phantom
from backstay.cli import app
from backstay.core.privacy.letters import Box
from backstay.core.privacy.text import Known
from backstay.errors import InputError

NAMES = [
    "Muster, Erika",
    "Doe^Jo^Q",
    "O'Placeholder",
    "Ng, Su",
    "Testperson",
    "Hôpital Exemple",
    "Beispielheim",
]
NUMBERS = ["48213377", "MRN-0042-17", "AB 99812 X"]

# Keyword: value. Standard elements at the top level, each with an identifier of its own.
TAGS: dict[str, Any] = {
    "PatientName": "Doe^Jo^Q", "PatientID": "MRN-0042-17", "PatientBirthDate": "19570312", "OtherPatientIDs": "XK-55120",
    "OtherPatientNames": "Muster^Erika", "PatientAddress": "17 Nowhere Lane", "PatientTelephoneNumbers": "01632 960123",
    "PatientMotherBirthName": "Testperson", "PatientComments": "brother of Jo Doe", "PatientAge": "094Y",
    "PatientBirthTime": "113355", "MilitaryRank": "Sergeant Placeholder", "EthnicGroup": "groupword",
    "Occupation": "lighthouse man", "AdditionalPatientHistory": "known to Dr. Nobody",
    "InstitutionName": "Beispielheim Heart Centre", "InstitutionAddress": "1 Example Road", "StationName": "CATHLAB7",
    "InstitutionalDepartmentName": "Ward Nine East", "ReferringPhysicianName": "Nobody^Anna",
    "PerformingPhysicianName": "Someone^Else", "OperatorsName": "Handy^Op", "NameOfPhysiciansReadingStudy": "Reader^Re",
    "PhysiciansOfRecord": "Record^Phys", "RequestingPhysician": "Asker^Re", "AccessionNumber": "ACC-771903",
    "StudyID": "S-20310405", "StudyDescription": "angio of Erika Muster", "SeriesDescription": "RCA Muster second",
    "ProtocolName": "protocol of Testperson", "DeviceSerialNumber": "SN-88123", "ManufacturerModelName": "modelword",
    "Manufacturer": "makerword", "SoftwareVersions": "v7.7.custom-ward9", "StudyDate": "20310405", "StudyTime": "091733",
    "SeriesDate": "20310406", "AcquisitionDate": "20310407", "ContentDate": "20310408",
    "AcquisitionDateTime": "20310409101112", "ImageComments": "see MRN-0042-17", "DerivationDescription": "by Ng Su",
    "RequestedProcedureID": "REQ-3141", "PerformedProcedureStepID": "PPS-2718", "AdmissionID": "ADM-1618",
    "PersonName": "Private^Person", "TextComments": "a text of Su Ng", "RetrieveAETitle": "EXAMPLEARCHIVE",
    "StudyInstanceUID": "1.2.826.0.1.99.1", "SeriesInstanceUID": "1.2.826.0.1.99.2", "SOPInstanceUID": "1.2.826.0.1.99.3",
    "FrameOfReferenceUID": "1.2.826.0.1.99.4", "BodyPartExamined": "HEARTOFJO",
}  # fmt: skip


def _nested(dataset: Dataset) -> list[str]:
    item = Dataset()
    item.PersonName = "Deep^Nested"
    code = Dataset()
    code.LongCodeValue = "code-of-Erika"
    item.PersonIdentificationCodeSequence = [code]
    dataset.PerformedProtocolCodeSequence = [item]
    geometry = Dataset()
    geometry.PatientComments = "hidden in the geometry"
    dataset.PositionerPositionSequence = [geometry]
    return ["Deep", "code-of-Erika", "hidden in the geometry"]


def _private(dataset: Dataset) -> list[str]:
    block = dataset.private_block(0x0029, "EXAMPLE MAKER", create=True)
    block.add_new(0x10, "LO", "private Jo Doe")
    block.add_new(0x11, "UN", b"unknown Erika Muster")
    return ["EXAMPLE MAKER", "private Jo Doe", "unknown Erika Muster"]


def _graphics(dataset: Dataset) -> list[str]:
    dataset.add_new(0x60000022, "LO", "overlay of Jo")
    dataset.add_new(0x60001500, "LO", "label for Erika")
    dataset.add_new(0x50000022, "LO", "curve of Jo")
    dataset.add_new(0x00324000, "LT", "comments of old times")
    return ["overlay of Jo", "label for Erika", "curve of Jo", "comments of old times"]


def planted_run(film: Path, file: Path) -> list[str]:
    """Write a run with identifiers all over it; returns them."""
    dataset = pydicom.dcmread(film)
    for keyword, value in TAGS.items():
        setattr(dataset, keyword, value)
    values = (
        [str(value) for value in TAGS.values()] + _nested(dataset) + _private(dataset) + _graphics(dataset)
    )
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    dataset.file_meta.SourceApplicationEntityTitle = "EXAMPLEAE"
    dataset.file_meta.PrivateInformationCreatorUID = "1.2.826.0.1.99.9"
    dataset.file_meta.PrivateInformation = b"private of Jo Doe"
    dataset.preamble = b"preamble of Erika Muster".ljust(128, b"\0")
    dataset.add_new(0xFFFCFFFC, "OB", b"padding of Jo Doe ")
    dataset.save_as(file, enforce_file_format=True)
    return [
        *values,
        "EXAMPLEAE",
        "1.2.826.0.1.99.9",
        "private of Jo Doe",
        "preamble of Erika",
        "padding of Jo Doe",
    ]


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = make_phantom(tmp_path_factory.mktemp("film") / "film", seed=4)
    return next(file for file in made if file.suffix == ".dcm")


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def _with_table(film: Path, file: Path, data: bytes, *, count: int = 256, bits: int = 16) -> Path:
    """Write a run with a look-up table."""
    dataset = pydicom.dcmread(film)
    table = Dataset()
    table.add_new(0x00283002, "US", [count, 0, bits])
    table.ModalityLUTType = "US"
    table.add_new(0x00283006, "OW", data)
    dataset.ModalityLUTSequence = [table]
    dataset.save_as(file, enforce_file_format=True)
    return file


RISING = np.arange(256, dtype="<u2")


@pytest.mark.parametrize(
    "data",
    [
        b"Testperson of Beispielheim".ljust(512, b"\0"),
        np.frombuffer(b"Testperson".ljust(256, b"\0"), "u1").astype("<u2").tobytes(),
        np.frombuffer(b"Testperson".ljust(512, b"\0"), "<u2").byteswap().tobytes(),
    ],
)
def test_a_name_in_a_look_up_table_is_refused(film: Path, tmp_path: Path, data: bytes) -> None:
    with pytest.raises(InputError, match="look-up table"):
        deidentify([_with_table(film, tmp_path / "run.dcm", data)], tmp_path / "out", Known())
    assert not (tmp_path / "out").exists()


def test_what_stands_behind_a_look_up_table_goes(film: Path, tmp_path: Path) -> None:
    source = _with_table(film, tmp_path / "run.dcm", RISING.tobytes() + b"Testperson")
    (done,) = deidentify([source], tmp_path / "out", Known())
    assert b"Testperson" not in done.copy.read_bytes()
    assert pydicom.dcmread(done.copy).ModalityLUTSequence[0].LUTData == RISING.tobytes()
    with pytest.raises(InputError, match="look-up table"):
        deidentify([_with_table(film, source, b"\0\0")], tmp_path / "other", Known())


@pytest.mark.parametrize("how", ["plain", "swapped", "wide"])
def test_a_name_that_survives_in_any_bytes_is_found(film: Path, how: str) -> None:
    """As if a table that rises spelled one: what a copy holds is searched, whatever element it is in."""
    name = b" Adelmost "
    data = {
        "plain": name,
        "swapped": np.frombuffer(name, "<u2").byteswap().tobytes(),
        "wide": np.frombuffer(name, "u1").astype("<u2").tobytes(),
    }[how]
    buffer = BytesIO()
    dataset = pydicom.dcmread(film)
    dataset.ModalityLUTSequence = [Dataset()]
    dataset.ModalityLUTSequence[0].add_new(0x00283006, "OW", data)
    dataset.save_as(buffer, enforce_file_format=True)
    hits = survivors_in_copy(buffer.getvalue(), Known(("Adelmost, Bo",)), ())
    assert "Adelmost" in [hit.text for hit in hits]
    others = survivors_in_copy(buffer.getvalue(), Known(("Adelmast, Bo",)), ())
    assert "Adelmost" not in [hit.text for hit in others] and len(others) == len(hits) - 1


def test_seventy_identifiers_in_the_elements_are_gone(film: Path, tmp_path: Path) -> None:
    source = tmp_path / "Muster_Erika_48213377.dcm"
    values = planted_run(film, source)
    assert len(values) >= 65
    raw = source.read_bytes()
    (done,) = deidentify([source], tmp_path / "out", Known(tuple(NAMES), tuple(NUMBERS)))
    copy = done.copy.read_bytes()
    assert done.copy.name == "run-01.dcm"
    pixels = len(pydicom.dcmread(done.copy).PixelData)
    head = copy[:-pixels].lower()
    for value in values:
        for part in value.split("^"):
            if len(part) >= 3:
                assert part.encode().lower() in raw.lower(), f"{part} was not planted"
                assert part.encode().lower() not in head, f"{part} survives"
    dataset = pydicom.dcmread(done.copy)
    assert not [e for e in dataset.iterall() if e.tag.is_private]
    assert copy[:128] == b"\0" * 128


def test_what_measuring_needs_is_kept(film: Path, tmp_path: Path) -> None:
    source = tmp_path / "run.dcm"
    planted_run(film, source)
    before = read_run(source)
    after = read_run(deidentify([source], tmp_path / "out", Known())[0].copy)
    for k in range(1, before.frames + 1):
        assert np.array_equal(before.frame(k), after.frame(k))
    same = ("rows", "columns", "frames", "bits", "intensity", "inverted", "frame_ms", "r_waves", "shutter")
    assert [getattr(before, name) for name in same] == [getattr(after, name) for name in same]
    for name in vars(before.geometry):
        assert np.array_equal(getattr(before.geometry, name), getattr(after.geometry, name)), name


def test_dates_move_together_and_uids_stay_consistent(film: Path, tmp_path: Path) -> None:
    files = [tmp_path / "a.dcm", tmp_path / "b.dcm"]
    for number, file in enumerate(files):
        planted_run(film, file)
        dataset = pydicom.dcmread(file)
        dataset.SOPInstanceUID = dataset.file_meta.MediaStorageSOPInstanceUID = f"1.2.826.0.1.99.3.{number}"
        dataset.StudyTime = f"0917{33 + number}"
        dataset.save_as(file)
    first, second = (pydicom.dcmread(d.copy) for d in deidentify(files, tmp_path / "out", Known()))
    assert first.StudyInstanceUID == second.StudyInstanceUID != "1.2.826.0.1.99.1"
    assert first.SOPInstanceUID != second.SOPInstanceUID
    assert first.SOPInstanceUID == first.file_meta.MediaStorageSOPInstanceUID
    days = [
        pydicom.valuerep.DA(getattr(first, f"{name}Date"))
        for name in ("Study", "Series", "Acquisition", "Content")
    ]
    # Study was on the 5th at 09:17:33, the others at midnight of the 6th, 7th and 8th: a day apart, or the first
    # pushed over midnight by the shift of the clock.
    assert [(b - a).days for a, b in pairwise(days[1:])] == [1, 1]
    assert (days[1] - days[0]).days in (0, 1)
    assert int(second.StudyTime) - int(first.StudyTime) in (1, 41)
    again = pydicom.dcmread(deidentify(files[:1], tmp_path / "again", Known())[0].copy)
    assert again.StudyInstanceUID != first.StudyInstanceUID and again.StudyDate != first.StudyDate


def lettered(
    film: Path, file: Path, draw: Callable[[ImageDraw.ImageDraw], None], frames: tuple[int, ...]
) -> Path:
    dataset = pydicom.dcmread(film)
    pixels = dataset.pixel_array.copy()
    for k in frames:
        sheet = Image.fromarray(pixels[k])
        draw(ImageDraw.Draw(sheet))
        pixels[k] = np.asarray(sheet)
    dataset.PixelData = pixels.tobytes()
    dataset.save_as(file)
    return file


def text(words: str, at: tuple[int, int], size: int, ink: int) -> Callable[[ImageDraw.ImageDraw], None]:
    return lambda draw: draw.text(at, words, fill=ink, font=ImageFont.load_default(size))


BURNED = [
    text("MUSTER, ERIKA", (8, 8), 12, 255), text("MUSTER, ERIKA", (8, 8), 28, 255), text("Jo Doe", (400, 480), 20, 255),
    text("ID 48213377", (8, 490), 14, 255), text("05.04.2031", (400, 8), 14, 255), text("ID 48213377", (200, 8), 16, 0),
    text("Muster", (20, 240), 40, 0), text("Jo Doe", (180, 200), 24, 255), text("09:17", (440, 490), 16, 255),
    text("Beispielheim", (8, 460), 10, 255), text("48213377", (230, 480), 60, 255), text("DOE JO Q", (8, 30), 9, 255),
]  # fmt: skip


@pytest.mark.parametrize("number", range(len(BURNED)))
def test_letters_in_the_picture_refuse_the_export_or_are_blanked(
    film: Path, tmp_path: Path, number: int
) -> None:
    source = lettered(film, tmp_path / "run.dcm", BURNED[number], (1,) if number % 3 == 0 else (0, 1, 2))
    with pytest.raises(InputError, match="letters"):
        deidentify([source], tmp_path / "out", Known())
    assert not (tmp_path / "out").exists()
    (done,) = deidentify([source], tmp_path / "out", Known(), blank=True)
    assert done.letters
    clean, lettered_, out = (
        pydicom.dcmread(file).pixel_array.astype(int) for file in (film, source, done.copy)
    )
    ink = np.abs(lettered_ - clean) > 0.5 * np.abs(lettered_ - clean).max()
    kept = ink & (out == lettered_) & (out != clean)
    assert kept.sum() <= 0.05 * ink.sum()
    assert pydicom.dcmread(done.copy).BurnedInAnnotation == "NO"


def test_a_rectangle_is_blanked_in_every_frame_and_the_rest_looked_at(film: Path, tmp_path: Path) -> None:
    """Two letters alone are not found: where they stand is said by whoever looked."""
    alone = lettered(film, tmp_path / "alone.dcm", text("Jo", (8, 8), 28, 255), (0, 2))
    assert deidentify([alone], tmp_path / "passed", Known())[0].letters == ()
    words = ("deidentify", alone, "--into", tmp_path / "out", "--rectangle", "0-45, 0-60")
    done = invoke(*words)
    assert done.exit_code == 0 and "1 rectangles blanked" in done.stderr, done.stderr
    clean, before, after = (
        pydicom.dcmread(file).pixel_array.astype(int)
        for file in (film, alone, tmp_path / "out" / "run-01.dcm")
    )
    assert (before[:, :46, :61] != clean[:, :46, :61]).any()
    assert all(len(np.unique(one)) == 1 for one in after[:, :46, :61])
    assert np.array_equal(after[:, 46:], clean[:, 46:]) and np.array_equal(after[:, :, 61:], clean[:, :, 61:])
    both = lettered(alone, tmp_path / "both.dcm", BURNED[3], (1,))
    with pytest.raises(InputError, match="letters"):
        deidentify([both], tmp_path / "refused", Known(), rectangles=[Box(0, 45, 0, 60)])


def test_a_refusal_names_the_rectangle_that_mends_it(film: Path, tmp_path: Path) -> None:
    run = lettered(film, tmp_path / "run.dcm", BURNED[0], (1,))
    with pytest.raises(InputError, match=r"--rectangle (\d+-\d+,\d+-\d+)") as refused:
        deidentify([run], tmp_path / "out", Known())
    named = re.search(r"--rectangle (\S+)", str(refused.value))
    assert named is not None
    assert invoke("deidentify", run, "--into", tmp_path / "out", "--rectangle", named[1]).exit_code == 0


@pytest.mark.parametrize("words", ["0-600,0-60", "40-0,0-60", "0-40", "a-b,c-d", "-1-4,0-3"])
def test_a_rectangle_that_is_none_is_refused(words: str, film: Path, tmp_path: Path) -> None:
    done = invoke("deidentify", film, "--into", tmp_path / "out", f"--rectangle={words}")
    assert done.exit_code == 5 and "rectangle" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "name", ["muster.html", "lesson-Erika.html", "mrn-0042-17.html", "48213377.html", "2031-04-05.html"]
)
def test_a_file_name_that_names_someone_is_refused(
    name: str, finished_case: Path, lesson: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    author = tmp_path / "author.toml"
    author.write_text(f"schema = 1\n[identifiers]\nnames = {NAMES!r}\nnumbers = {NUMBERS!r}\n")
    monkeypatch.setattr(
        "backstay.app.teaching.plans_at", lambda _, moments, **__: [lesson.steps[0].plan] * len(moments)
    )
    result = invoke("teach", finished_case, "--author", author, "--to", tmp_path / name)
    assert result.exit_code == 5 and "identifier survives" in result.stderr
    assert not (tmp_path / name).exists()


TEXTS = [
    "discussed with Erika Muster", "MUSTER agrees", "JO DOE was told", "o'placeholder on call", "Dr. Nobody advised",
    "patient: Anna Nobody", "MRN-0042-17 checked", "mrn 004217 again", "48213377", "born 12.03.1957", "since 2031-04-05",
    "on April 5th, 2031", "call 01632 960123", "bo@example.org", "www.example.org/bo", "lives in ZZ9 9ZZ",
    "moved to Beispielheim", "hopital exemple sent her", "a 94-year-old", "AB99812X on the wristband", "su ng scrubbed",
]  # fmt: skip


def test_identifiers_in_free_text_do_not_reach_the_page(
    demo_dir: Path, root: Path, lesson: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import runpy

    script = runpy.run_path(str(root / "tests" / "teaching_case.py"))
    lines = list(script["LINES"])
    notes = tuple((10.0, f"note {words}") for words in TEXTS[:12])
    teaching = tuple((51.0, f"teaching {words}") for words in TEXTS[12:])
    case = script["record_in"](demo_dir, tmp_path, (*lines[:6], *notes, *lines[6:-1], *teaching, lines[-1]))
    case.write_text(
        case.read_text()
        .replace("first right ventricular branch", "branch of Muster")
        .replace('conditions = ["diabetes"', 'conditions = ["diabetes since Erika Muster was 40"')
    )
    author = tmp_path / "author.toml"
    author.write_text(
        f"schema = 1\ntitle = 'The bend of Jo Doe'\n[identifiers]\nnames = {NAMES!r}\nnumbers = {NUMBERS!r}\n"
    )
    plan = lesson.steps[0].plan
    named = plan.model_copy(
        update={"branches": [b.model_copy(update={"name": "branch of Muster"}) for b in plan.branches]}
    )
    monkeypatch.setattr("backstay.app.teaching.plans_at", lambda _, moments, **__: [named] * len(moments))
    result = invoke(
        "teach", case, "--author", author, "--to", tmp_path / "t.html", "--review", tmp_path / "r.txt"
    )
    assert result.exit_code == 0, result.stderr
    page, review = (tmp_path / "t.html").read_text().lower(), (tmp_path / "r.txt").read_text()
    for word in ("muster", "erika", "jo doe", "placeholder", "nobody", "004217", "0042-17", "48213377", "1957", "2031",
                 "960123", "example.org", "zz9", "beispielheim", "exemple", "94-year", "99812", "su ng"):  # fmt: skip
        assert word not in page, word
    assert int(review.split("Taken out: ")[1].split("\n")[0]) >= len(TEXTS) + 3


def test_a_copy_that_still_holds_a_value_is_refused(film: Path, tmp_path: Path) -> None:
    """The check sees what the cleaning would have let through."""
    source = tmp_path / "run.dcm"
    planted_run(film, source)
    copy = deidentify([source], tmp_path / "out", Known())[0].copy
    dataset = pydicom.dcmread(copy)
    assert survivors_in_copy(copy.read_bytes(), Known(("Doe^Jo",)), {"ACC-771903"}) == []
    dataset.AccessionNumber = "ACC-771903"
    dataset.StudyDescription = "of Jo Doe"
    dataset.private_block(0x0029, "X", create=True).add_new(1, "LO", "y")
    dataset.save_as(copy)
    kinds = {hit.kind for hit in survivors_in_copy(copy.read_bytes(), Known(("Doe^Jo",)), {"ACC-771903"})}
    assert kinds >= {"name", "value", "private element"}


def test_nothing_is_written_when_one_of_several_is_refused(film: Path, tmp_path: Path) -> None:
    bad = lettered(film, tmp_path / "bad.dcm", BURNED[1], (0,))
    good = tmp_path / "good.dcm"
    shutil.copy(film, good)
    with pytest.raises(InputError, match="letters"):
        deidentify([good, bad], tmp_path / "out", Known())
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bad.dcm", "good.dcm"]
    (tmp_path / "out").mkdir()
    with pytest.raises(InputError, match="new folder"):
        deidentify([good], tmp_path / "out", Known())


def test_the_shift_is_a_year_at_least_and_never_the_same() -> None:
    made = [new_disguise() for _ in range(50)]
    assert all(timedelta(days=-3650) <= one.shift <= timedelta(days=-365) for one in made)
    assert len({one.shift for one in made}) == len({one.key for one in made}) == 50
    assert replace(made[0], alias="x").uid("1.2.3") == made[0].uid("1.2.3") != made[1].uid("1.2.3")


def test_the_command_says_what_to_look_at(film: Path, tmp_path: Path) -> None:
    result = invoke("deidentify", film, "--into", tmp_path / "out")
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / "out" / "run-01.dcm").exists() and "Look at every copy" in result.stderr
    wrong = invoke("deidentify", film, "--into", tmp_path / "out2", "--letters", "keep")
    assert wrong.exit_code == 5 and "refuse or blank" in wrong.stderr


def test_copies_pass_the_validator(film: Path, tmp_path: Path) -> None:
    import subprocess

    if shutil.which("dciodvfy") is None:
        pytest.skip("dciodvfy is not installed")
    source = tmp_path / "run.dcm"
    planted_run(film, source)
    copy = deidentify([source], tmp_path / "out", Known())[0].copy
    done = subprocess.run(["dciodvfy", str(copy)], capture_output=True, text=True)
    said = done.stdout + done.stderr
    assert "XAImage" in said and "Error" not in said, said
