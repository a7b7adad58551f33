"""Reading angiograms: geometry and its notes, broken files, identifiers that never enter."""

from __future__ import annotations

import resource
import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset

from backstay.adapters.dicom_xa import ENHANCED_XA, Run, read_run
from backstay.adapters.phantom_file import write_run
from backstay.app.measure import density_of
from backstay.core.imaging.projection import View
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import Intensity

VIEW = View(-0.5, 0.3, 1000.0, 750.0, 0.25, 0.25, 64, 48)
FUZZED = 500
MOST_GROWTH_KB = 400_000


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return written(tmp_path / "run.dcm")


def written(file: Path) -> Path:
    frames = np.random.default_rng(0).integers(0, 256, (3, 64, 48)).astype(np.uint16)
    write_run(file, frames, VIEW, bits=8, logarithmic=True, name="reading")
    return file


def changed(file: Path, **values: object) -> Path:
    """Return the file with elements set, or deleted for None."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(file)
        for name, value in values.items():
            if value is None:
                delattr(dataset, name)
            else:
                setattr(dataset, name, value)
        dataset.save_as(file)
    return file


def test_a_run_of_the_phantom(file: Path) -> None:
    run = read_run(file)
    assert (run.frames, run.rows, run.columns, run.bits) == (3, 64, 48, 8)
    assert (run.intensity, run.inverted, run.frame_ms) == (Intensity.LOGARITHMIC, False, 66.7)
    assert run.remarks == ()
    assert np.array_equal(run.frame(2), np.random.default_rng(0).integers(0, 256, (3, 64, 48))[1])


@pytest.mark.parametrize("number", [0, 4, -1])
def test_frames_count_from_one(file: Path, number: int) -> None:
    with pytest.raises(InputError, match="1 to 3"):
        read_run(file).frame(number)


@pytest.mark.parametrize(
    ("values", "note"),
    [
        ({"PositionerPrimaryAngle": None}, "Positioner Primary Angle is missing"),
        ({"DistanceSourceToDetector": None}, "Source to Detector is missing"),
        ({"DistanceSourceToIsocenter": None}, "not always the isocentre's"),
        ({"DistanceSourceToIsocenter": None, "DistanceSourceToPatient": None}, "set isocentre_mm"),
        ({"ImagerPixelSpacing": None}, "calibrate by the catheter"),
        ({"ImagerPixelSpacing": None, "FieldOfViewDimensions": [17, 17]}, "taken from the field of view"),
        ({"PixelIntensityRelationship": "DISP"}, "edge enhancement"),
        ({"PixelIntensityRelationship": None}, "as they are displayed"),
        ({"PatientPosition": "FFS"}, "Patient Position is FFS"),
        ({"FieldOfViewHorizontalFlip": "YES"}, "flipped"),
        ({"FieldOfViewRotation": 90}, "turned by 90 deg"),
        ({"DetectorPrimaryAngle": 12}, "tilted against the beam"),
        ({"PositionerPrimaryAngleIncrement": [0, 1]}, "2 values for 3 frames"),
        ({"ShutterShape": "CIRCULAR"}, "shutter is circular"),
    ],
)
def test_what_is_missing_or_suspect_is_a_note(file: Path, values: dict[str, object], note: str) -> None:
    assert any(note in remark for remark in read_run(changed(file, **values)).remarks)


def test_spacing_is_between_rows_first_then_between_columns(file: Path) -> None:
    geometry = read_run(changed(file, ImagerPixelSpacing=[0.2, 0.3])).geometry
    assert (geometry.row_mm, geometry.column_mm) == (0.2, 0.3)


def test_a_field_of_view_is_a_rows_length_first_then_a_columns(file: Path) -> None:
    """Of 64 rows and 48 columns: 9.6 mm along a row are 0.2 mm a column, 19.2 mm down are 0.3 mm a row."""
    read = read_run(changed(file, ImagerPixelSpacing=None, FieldOfViewDimensions=[9.6, 19.2])).geometry
    assert (read.row_mm, read.column_mm) == pytest.approx((0.3, 0.2))
    assert read.spacing_is_guess


@pytest.mark.parametrize(
    ("turn", "flip", "expected"),
    [(0, "NO", (0, False)), (90, "NO", (1, False)), (270, "YES", (3, True)), (180, "YES", (2, True))],
)
def test_turn_and_flip_are_held_as_they_were_made(
    file: Path, turn: int, flip: str, expected: tuple[int, bool]
) -> None:
    read = read_run(changed(file, FieldOfViewRotation=turn, FieldOfViewHorizontalFlip=flip)).geometry
    assert (read.quarter_turns, read.mirrored) == expected


def test_angles_follow_the_frames(file: Path) -> None:
    run = read_run(changed(file, PositionerPrimaryAngle=10, PositionerPrimaryAngleIncrement=[0, 2, 5]))
    assert run.geometry.primary_deg.tolist() == [10.0, 12.0, 15.0]


def test_shutters_count_from_one(file: Path) -> None:
    edges = {"UpperHorizontal": 3, "LowerHorizontal": 60, "LeftVertical": 1, "RightVertical": 48}
    run = read_run(
        changed(file, ShutterShape="RECTANGULAR", **{f"Shutter{k}Edge": v for k, v in edges.items()})
    )
    assert run.shutter == (2, 59, 0, 47)


def test_what_the_shutter_covers_is_taken_from_its_edge(file: Path) -> None:
    """Open are rows 3 to 60 and columns 5 to 40, counted from 1; the rest repeats the last open pixel."""
    plain = density_of(read_run(file), 2)
    edges = {"UpperHorizontal": 3, "LowerHorizontal": 60, "LeftVertical": 5, "RightVertical": 40}
    seen = density_of(
        read_run(
            changed(file, ShutterShape="RECTANGULAR", **{f"Shutter{k}Edge": v for k, v in edges.items()})
        ),
        2,
    )
    rows, columns = np.clip(np.arange(64), 2, 59), np.clip(np.arange(48), 4, 39)
    np.testing.assert_array_equal(seen, plain[np.ix_(rows, columns)])


@pytest.mark.parametrize("moved", ["", "receptor", "spacing"])
def test_enhanced_xa_by_its_functional_groups(file: Path, moved: str) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(file)
        for name in (
            "PositionerPrimaryAngle",
            "PositionerSecondaryAngle",
            "DistanceSourceToDetector",
            "ImagerPixelSpacing",
        ):
            delattr(dataset, name)
        for name in ("DistanceSourceToIsocenter", "DistanceSourceToPatient", "PixelIntensityRelationship"):
            delattr(dataset, name)
        dataset.SOPClassUID = dataset.file_meta.MediaStorageSOPClassUID = ENHANCED_XA
        shared, geometry, pixels = Dataset(), Dataset(), Dataset()
        geometry.DistanceSourceToDetector, geometry.DistanceSourceToIsocenter = 1100.0, 765.0
        pixels.ImagerPixelSpacing, pixels.PixelIntensityRelationship = [0.2, 0.2], "LIN"
        pixels.PixelIntensityRelationshipSign = 1
        shared.XRayGeometrySequence, shared.FramePixelDataPropertiesSequence = [geometry], [pixels]
        dataset.SharedFunctionalGroupsSequence = [shared]
        own = []
        for k in range(3):
            group, position = Dataset(), Dataset()
            position.PositionerPrimaryAngle, position.PositionerSecondaryAngle = float(10 + k), -5.0
            group.PositionerPositionSequence = [position]
            own.append(group)
        if moved == "receptor":
            own[2].XRayGeometrySequence = [Dataset()]
            own[2].XRayGeometrySequence[0].DistanceSourceToDetector = 1050.0
        if moved == "spacing":
            own[1].FramePixelDataPropertiesSequence = [Dataset()]
            own[1].FramePixelDataPropertiesSequence[0].ImagerPixelSpacing = [0.3, 0.3]
        dataset.PerFrameFunctionalGroupsSequence = own
        dataset.save_as(file)
    run = read_run(file)
    assert run.geometry.primary_deg.tolist() == [10.0, 11.0, 12.0]
    assert run.geometry.secondary_deg.tolist() == [-5.0] * 3
    assert (run.geometry.sid_mm, run.geometry.sod_mm, run.geometry.row_mm) == (1100.0, 765.0, 0.2)
    assert run.intensity is Intensity.LINEAR
    expected = {"": (), "receptor": ("from 1050 to 1100 mm",), "spacing": ("from 0.2 to 0.3 mm",)}[moved]
    assert len(run.remarks) == len(expected)
    assert all(what in remark for what, remark in zip(expected, run.remarks, strict=True))


def in_groups(
    file: Path, sequence: str, *, of_frame: int | None, drop: tuple[str, ...] = (), **values: object
) -> Run:
    """Return a run that says something in its functional groups: those of all frames, or of one."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(file)
        for name in drop:
            delattr(dataset, name)
        dataset.SOPClassUID = dataset.file_meta.MediaStorageSOPClassUID = ENHANCED_XA
        groups, item = [Dataset() for _ in range(3 if of_frame is not None else 1)], Dataset()
        for name, value in values.items():
            setattr(item, name, value)
        setattr(groups[of_frame or 0], sequence, [item])
        # A group of all frames that says something else must hide nothing.
        other = Dataset()
        other.XRayGeometrySequence = [Dataset()]
        dataset.SharedFunctionalGroupsSequence = [other] if of_frame is not None else groups
        if of_frame is not None:
            dataset.PerFrameFunctionalGroupsSequence = groups
        dataset.save_as(file)
    return read_run(file)


@pytest.mark.parametrize("of_frame", [None, 0, 1])
def test_enhanced_xa_says_how_it_was_turned_and_flipped(file: Path, of_frame: int | None) -> None:
    run = in_groups(
        file,
        "FieldOfViewSequence",
        of_frame=of_frame,
        FieldOfViewRotation=180,
        FieldOfViewHorizontalFlip="YES",
    )
    assert (run.geometry.quarter_turns, run.geometry.mirrored) == (2, True)
    assert any("turned by 180 deg, flipped" in remark for remark in run.remarks)


@pytest.mark.parametrize("of_frame", [None, 0, 1])
def test_enhanced_xa_says_what_its_shutter_leaves_open(file: Path, of_frame: int | None) -> None:
    edges = {"UpperHorizontal": 3, "LowerHorizontal": 60, "LeftVertical": 1, "RightVertical": 48}
    values = {f"Shutter{k}Edge": v for k, v in edges.items()}
    run = in_groups(
        file, "FrameDisplayShutterSequence", of_frame=of_frame, ShutterShape="RECTANGULAR", **values
    )
    assert run.shutter == (2, 59, 0, 47)


@pytest.mark.parametrize("of_frame", [None, 0, 1])
def test_enhanced_xa_says_how_grey_follows_the_signal(file: Path, of_frame: int | None) -> None:
    run = in_groups(
        file,
        "FramePixelDataPropertiesSequence",
        of_frame=of_frame,
        drop=("PixelIntensityRelationship",),
        PixelIntensityRelationship="LIN",
        PixelIntensityRelationshipSign=1,
    )
    assert run.intensity is Intensity.LINEAR and not run.inverted


def test_no_identifier_is_held(file: Path) -> None:
    changed(file, PatientName="Secret^Name", PatientID="SECRET-ID", InstitutionName="SECRET HOUSE")
    held = repr({k: v for k, v in vars(read_run(file)).items() if k not in ("_reader", "file")})
    assert "secret" not in held.lower()


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"Rows": 0}, "Rows"),
        ({"Rows": 60000}, "Rows"),
        ({"NumberOfFrames": 99999}, "NumberOfFrames"),
        ({"NumberOfFrames": 4}, "cut short"),
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.2"}, "SOPClassUID"),
        ({"SamplesPerPixel": 3}, "SamplesPerPixel"),
        ({"PixelRepresentation": 1}, "PixelRepresentation"),
    ],
)
def test_what_is_not_handled_is_refused(file: Path, values: dict[str, object], text: str) -> None:
    with pytest.raises(FileFormatError, match=text):
        read_run(changed(file, **values))


def test_no_file_and_no_dicom(tmp_path: Path) -> None:
    with pytest.raises(NotFound):
        read_run(tmp_path / "none.dcm")
    (tmp_path / "text.dcm").write_text("hello" * 100)
    with pytest.raises(FileFormatError, match="not a DICOM file"):
        read_run(tmp_path / "text.dcm")


def test_broken_files_are_refused_and_harm_nothing(tmp_path: Path) -> None:
    """500 files cut short or with bytes overwritten, plain and packed: each is read or refused in one clear error."""
    sources = [written(tmp_path / "plain.dcm"), *(repacked(tmp_path / "plain.dcm", uid) for uid in PACKED)]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    rng = np.random.default_rng(11)
    refused = 0
    for k in range(FUZZED):
        data = bytearray(sources[k % len(sources)].read_bytes())
        if k % 3 == 0:
            del data[int(rng.integers(1, len(data))) :]
        else:
            # Half of the damage falls on the head, where lengths and sizes stand.
            end = len(data) if k % 2 else min(2200, len(data))
            for at in rng.integers(132, end, int(rng.integers(1, 12))):
                data[at] = int(rng.integers(0, 256))
        file = tmp_path / "fuzzed.dcm"
        file.write_bytes(data)
        try:
            read_run(file).frame(1)
        except InputError as error:
            refused += 1
            assert str(file) in str(error) or error.field == "frame"
    # Over half the files are damaged where it shows.
    assert refused > FUZZED // 4
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < MOST_GROWTH_KB


PACKED = ("JPEG2000Lossless", "RLELossless")


def repacked(file: Path, syntax: str) -> Path:
    from pydicom import uid

    out = file.with_name(f"{syntax}.dcm")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dataset = pydicom.dcmread(file)
        dataset.compress(getattr(uid, syntax), generate_instance_uid=False)
        dataset.save_as(out)
    return out


def test_a_frame_that_declares_another_size_is_refused(tmp_path: Path) -> None:
    """A JPEG 2000 frame of 60000 x 60000 in a file of 64 x 48 must not be unpacked."""
    file = repacked(written(tmp_path / "plain.dcm"), "JPEG2000Lossless")
    data = file.read_bytes()
    at = data.index(b"\xff\x4f\xff\x51")
    big = (60000).to_bytes(4, "big")
    file.write_bytes(data[: at + 8] + big + big + data[at + 16 :])
    with pytest.raises(FileFormatError, match="not of the size the file says"):
        read_run(file).frame(1)


def test_the_phantoms_files_pass_the_validator(file: Path) -> None:
    """dciodvfy of Debian's dicom3tools finds no error."""
    if shutil.which("dciodvfy") is None:
        pytest.skip("dciodvfy (Debian: dicom3tools) is not installed")
    result = subprocess.run(["dciodvfy", str(file)], capture_output=True, text=True)
    lines = (result.stdout + result.stderr).splitlines()
    assert any("XAImage" in line for line in lines)
    assert [line for line in lines if line.startswith("Error")] == []


def test_the_validator_sees_a_missing_element(file: Path) -> None:
    if shutil.which("dciodvfy") is None:
        pytest.skip("dciodvfy (Debian: dicom3tools) is not installed")
    changed(file, PixelIntensityRelationship=None)
    result = subprocess.run(["dciodvfy", str(file)], capture_output=True, text=True)
    assert "Error" in result.stdout + result.stderr
