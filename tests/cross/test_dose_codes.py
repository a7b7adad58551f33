"""Codes of the dose report reader against the concept dictionary that pydicom carries (from the DICOM standard itself)."""

from __future__ import annotations

import pytest
from pydicom.sr import _concepts_dict, _snomed_dict

from backstay.adapters import dose_report as reader

DCM, SCT = _concepts_dict.concepts["DCM"], _concepts_dict.concepts["SCT"]

EXPECTED = {
    "113706": "IrradiationEventXRayData",
    "113702": "AccumulatedXRayDoseData",
    "113738": "DoseRP",
    "122130": "DoseAreaProduct",
    "112011": "PositionerPrimaryAngle",
    "112012": "PositionerSecondaryAngle",
    "113739": "PositionerPrimaryEndAngle",
    "113740": "PositionerSecondaryEndAngle",
    "113748": "DistanceSourceToIsocenter",
    "113750": "DistanceSourceToDetector",
    "113737": "DistanceSourceToReferencePoint",
    "113789": "CollimatedFieldWidth",
    "113788": "CollimatedFieldHeight",
    "113790": "CollimatedFieldArea",
    "113752": "TableLateralPosition",
    "113753": "TableHeightPosition",
    "113751": "TableLongitudinalPosition",
    "113725": "DoseRPTotal",
    "113722": "DoseAreaProductTotal",
    "113726": "FluoroDoseAreaProductTotal",
    "113730": "TotalFluoroTime",
    "122322": "CalibrationFactor",
    "113764": "AcquisitionPlane",
    "113721": "IrradiationEventType",
    "113780": "ReferencePointDefinition",
    "113860": "_15cmFromIsocenterTowardSource",
    "113743": "PatientOrientation",
    "113744": "PatientOrientationModifier",
    "113745": "PatientTableRelationship",
    "113620": "PlaneA",
    "113621": "PlaneB",
    "113622": "SinglePlane",
    "113611": "StationaryAcquisition",
    "113612": "SteppingAcquisition",
    "113613": "RotationalAcquisition",
}
POSTURES = {"113743": "Recumbent", "113744": "Supine", "113745": "Headfirst"}


def used() -> set[str]:
    """Return every code of the DCM scheme that the reader looks for."""
    single = {
        *(reader._EVENT, reader._ACCUMULATED, reader._CALIBRATION, reader._PLANE, reader._EVENT_KIND),
        *(reader._REFERENCE_POINT, reader._USUAL_REFERENCE),
    }
    tables = (reader._NUMBERS, reader._TABLE, reader._TOTALS, reader._USUAL, reader._PLANES, reader._KINDS)
    return single | {code for table in tables for code in table if code.isdigit() and len(code) == 6}


def test_every_code_is_looked_up() -> None:
    assert used() == EXPECTED.keys()


@pytest.mark.parametrize(("code", "name"), EXPECTED.items())
def test_a_code_means_what_the_reader_takes_it_for(code: str, name: str) -> None:
    assert code in DCM[name]
    other = "113738" if code != "113738" else "113725"
    assert other not in DCM[name]


def test_fields_carry_the_concept_they_are_named_for() -> None:
    fields = {field: EXPECTED[code] for code, (field, _) in reader._NUMBERS.items()}
    assert fields["field_width_mm"] == "CollimatedFieldWidth"
    assert fields["primary_end_deg"] == "PositionerPrimaryEndAngle"
    assert [EXPECTED[code] for code in sorted(reader._TABLE, key=lambda c: reader._TABLE[c])] == [
        *("TableLateralPosition", "TableHeightPosition", "TableLongitudinalPosition")
    ]


@pytest.mark.parametrize(("asked", "posture"), POSTURES.items())
def test_postures_in_the_code_of_today_and_of_old_reports(asked: str, posture: str) -> None:
    (now,) = SCT[posture]
    old = {code for code, new in _snomed_dict.mapping["SRT"].items() if new == now}
    assert now in reader._USUAL[asked]
    assert reader._USUAL[asked] - {now} <= old and len(reader._USUAL[asked]) == 2


def test_fluoroscopy_in_both_codes() -> None:
    (now,) = SCT["Fluoroscopy"]
    assert {code for code, kind in reader._KINDS.items() if kind == "fluoroscopy"} == {
        now,
        _snomed_dict.mapping["SCT"][now],
    }
