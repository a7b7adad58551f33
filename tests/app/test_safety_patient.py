"""What a case file says of the patient, as the rules and the time-out sheet take it."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.app.loading import LoadedCase, load_case
from backstay.app.safety import case_safety
from backstay.app.safety.hazards import plan_findings
from backstay.app.safety.limits import limits_of
from backstay.app.safety.patient_words import (
    CHRONIC_OCCLUSION,
    CONTRAST,
    DIABETES,
    HEART_FAILURE,
    NOT_LOADED,
    p2y12_loaded,
    told,
)
from backstay.app.safety.time_out import time_out
from backstay.report.limits import summary_rows

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))


def said(folder: Path, patient: str) -> Path:
    case = folder / "case.toml"
    text = case.read_text()
    start = text.find("[patient]")
    end = text.find("\n[", start + 1) if start >= 0 else -1
    rest = text if start < 0 else text[:start] + (text[end + 1 :] if end >= 0 else "")
    case.write_text(f"{rest.rstrip()}\n\n[patient]\n{patient}\n")
    return case


@pytest.mark.parametrize("words", NOT_LOADED)
def test_every_word_for_not_loaded_means_it(words: str) -> None:
    assert p2y12_loaded(words) is False
    assert p2y12_loaded(f"Clopidogrel: {words.upper()}") is False


@pytest.mark.parametrize(
    ("text", "loaded"),
    [
        ("clopidogrel 600 mg at 08:00", True),
        ("ticagrelor 180 mg, no. 2 of two", True),
        ("prasugrel 60 mg, nothing else", True),
        ("clopidogrel 75 mg daily for months", True),
        ("clopidogrel 600 mg not yet", False),
        ("ticagrelor to be given in the room", False),
        ("prasugrel pending", False),
        ("clopidogrel (not loaded)", False),
        ("no", False),
        ("unknown", None),
        ("clopidogrel, ?", None),
        (None, None),
    ],
)
def test_what_is_said_of_the_inhibitor(text: str | None, loaded: bool | None) -> None:
    assert p2y12_loaded(text) is loaded


@pytest.mark.parametrize(
    ("text", "line", "asked"),
    [
        ("none", "NOT LOADED (none)", True),
        ("ticagrelor, pending", "NOT LOADED (ticagrelor, pending)", True),
        ("unknown", "", True),
        ("clopidogrel 600 mg at 08:00", "clopidogrel 600 mg at 08:00", False),
    ],
)
def test_sheet_and_rule_say_the_same(folder: Path, text: str, line: str, asked: bool) -> None:
    safety = case_safety(load_case(said(folder, f'p2y12 = "{text}"')))
    sheet = time_out(safety)
    shown = {row.what: row.text for row in sheet.patient}["P2Y12 inhibitor"]
    assert shown == line and ("P2Y12 inhibitor" in sheet.missing) is (line == "")
    assert ("no_p2y12_load" in {one.rule.id for one in plan_findings(safety).fired}) is asked
    assert any("P2Y12" in row for row in sheet.hazards) is asked


def test_what_is_missing_is_asked_in_words(folder: Path) -> None:
    document = limits_of(case_safety(load_case(said(folder, 'sex = "female"'))))
    assert (
        "not in the case file: age, weight, creatinine; limits that need them are left out" in document.notes
    )
    assert "estimated filtration rate of the kidneys (eGFR)" in document.not_known
    assert not any("_" in text for text in document.not_known)


@pytest.mark.parametrize(
    ("agent", "dose"),
    [
        ("", "70 to 100 U/kg"),
        ("glycoprotein_inhibitor = true", "50 to 70 U/kg"),
        ('agent = "bivalirudin"', "0.75 mg/kg, then 1.00 mg/kg/h"),
    ],
)
def test_without_a_weight_the_dose_is_said_by_weight_and_without_a_kidney_so_is_that(
    folder: Path, agent: str, dose: str
) -> None:
    case = said(folder, 'sex = "female"')
    case.write_text(case.read_text() + f"\n[anticoagulation]\n{agent}\n")
    safety = case_safety(load_case(case))
    assert any(f"{dose}: the weight is not known" in text for _, text in summary_rows(limits_of(safety)))
    stops = {row.what: row.text for row in time_out(safety).stops}
    assert stops["bivalirudin" if "agent" in agent else "heparin"].startswith(dose)
    assert stops["stop at contrast"].endswith("THE KIDNEY IS NOT KNOWN")


def test_a_known_kidney_and_weight_are_not_said_to_be_missing(folder: Path) -> None:
    safety = case_safety(load_case(folder / "case.toml"))
    text = " ".join(row.text for row in time_out(safety).stops)
    assert "NOT KNOWN" not in text and "the weight" not in text


def test_what_the_case_file_says_of_the_lesion_opens_the_gate_until_a_balloon_keeps_a_waist(
    folder: Path,
) -> None:
    def gate(case: LoadedCase, *texts: str) -> bool:
        entries = [H.entry(text, at_min=0.1 * k, number=k) for k, text in enumerate(texts)]
        safety = case_safety(case, entries)
        return any(row.id == "stent_before_balloon_opened" for row in limits_of(safety).every_move)

    file = folder / "case.toml"
    as_filed = load_case(file)
    file.write_text(file.read_text().replace('calcium = "severe"', 'calcium = "severe"\nopened_fully = true'))
    opened = load_case(file)
    waist = H.OPENED.replace("opened_fully=yes views=2", "opened_fully=no")
    assert gate(as_filed) and not gate(opened)
    assert not gate(opened, *H.BASE) and gate(opened, *H.BASE, waist)
    small = H.OPENED.replace("bal-nc-300-12", "bal-sc-150-12")
    assert gate(as_filed, *H.BASE, small) and not gate(opened, *H.BASE, small)


@pytest.mark.parametrize(
    ("said", "pattern", "meant"),
    [
        (["chronic occlusion"], CHRONIC_OCCLUSION, True),
        (["Chronic total occlusion of this vessel"], CHRONIC_OCCLUSION, True),
        (["CTO"], CHRONIC_OCCLUSION, True),
        (["chronically occluded graft"], CHRONIC_OCCLUSION, None),
        (["no CTO"], CHRONIC_OCCLUSION, False),
        (["factory worker"], CHRONIC_OCCLUSION, None),
        (["type 2 diabetes on tablets"], DIABETES, True),
        (["no diabetes"], DIABETES, False),
        (["hypertension, no diabetes, heart failure"], HEART_FAILURE, True),
        (["no diabetes or heart failure"], HEART_FAILURE, False),
        (["diabetes: no"], DIABETES, False),
        (["heart failure excluded"], HEART_FAILURE, False),
        (["no diabetes", "diabetic since 2020"], DIABETES, True),
        (["prediabetes"], DIABETES, None),
        (["pre-diabetes"], DIABETES, None),
        (["non-diabetic"], DIABETES, False),
        (["central diabetes insipidus"], DIABETES, None),
        (["diabetes insipidus, diabetes mellitus"], DIABETES, True),
        (["family history of diabetes"], DIABETES, None),
        (["mother with diabetes and heart failure"], HEART_FAILURE, None),
        (["family history of diabetes, diabetic himself"], DIABETES, True),
        (["acute pulmonary oedema"], HEART_FAILURE, True),
        (["LV failure"], HEART_FAILURE, True),
        (["povidone-iodine: rash"], CONTRAST, None),
        (["hair dye"], CONTRAST, None),
        (["no diabetes but heart failure"], HEART_FAILURE, True),
        (["iodine"], CONTRAST, True),
        (["x-ray dye: hives"], CONTRAST, True),
        (["Contrast medium, rash 2029"], CONTRAST, True),
        (["no contrast allergy"], CONTRAST, False),
        (["penicillin"], CONTRAST, None),
        ([], CONTRAST, None),
    ],
)
def test_free_words_are_read_with_their_denials(said: list[str], pattern: str, meant: bool | None) -> None:
    assert told(said, pattern) is meant


@pytest.mark.parametrize(
    ("conditions", "acute_rows", "chronic_rows"),
    [
        (["prior acute myocardial infarction"], True, True),
        (["STEMI 2019"], True, True),
        (["acute myocardial infarction three years ago"], True, True),
        (["prior acute myocardial infarction", "stable angina"], False, True),
        (["no unstable angina"], True, True),
        (["NSTEMI"], True, False),
        (["ACS"], True, False),
        (["unstable angina", "previous STEMI"], True, False),
        ([], True, True),
    ],
)
def test_an_earlier_infarction_hides_no_guideline(
    folder: Path, conditions: list[str], acute_rows: bool, chronic_rows: bool
) -> None:
    case = load_case(said(folder, f"conditions = {conditions}"))
    rows = limits_of(case_safety(case), options=()).bleeding.durations
    assert any(", acute:" in row for row in rows) is acute_rows
    assert any(", chronic:" in row for row in rows) is chronic_rows


@pytest.mark.parametrize("left_out", ["sex = 'female'", "age_y = 70"])
def test_creatinine_alone_does_not_tell_the_kidney(folder: Path, left_out: str) -> None:
    known = "sex = 'female'\nage_y = 70\nweight_kg = 64\ncreatinine_mg_dL = 1.3"
    safety = case_safety(load_case(said(folder, known.replace(left_out, ""))))
    assert "THE KIDNEY IS NOT KNOWN" in dict(summary_rows(limits_of(safety, options=())))["contrast"]
    assert left_out.partition(" ")[0].removesuffix("_y") in time_out(safety).missing
    whole = case_safety(load_case(said(folder, known)))
    assert "NOT KNOWN" not in dict(summary_rows(limits_of(whole, options=())))["contrast"]
    assert not {"sex", "age"} & set(time_out(whole).missing)


def test_the_score_counts_no_condition_that_is_denied(folder: Path) -> None:
    base = "age_y = 60\nsex = 'male'\nweight_kg = 80\ncreatinine_mg_dL = 1.0\n"

    def parts(conditions: str) -> tuple[list[str], list[str]]:
        score = limits_of(
            case_safety(load_case(said(folder, f"{base}conditions = {conditions}")))
        ).contrast.score
        assert score is not None
        return score.parts, score.unknown

    counted, _ = parts("['diabetes', 'heart failure']")
    denied, unknown = parts("['no diabetes', 'no heart failure']")
    assert len(counted) == len(denied) + 2
    assert not any("diabetes" in one or "heart failure" in one for one in (*denied, *unknown))
    assert any("diabetes" in one for one in parts("[]")[1])


def test_an_occlusion_named_as_the_trade_does_asks_for_its_kit(folder: Path) -> None:
    for name, found in (("CTO", True), ("no CTO", False)):
        case = said(folder, f"conditions = ['{name}']\nallergies = ['dye']")
        setting = case_safety(load_case(case)).setting
        assert setting.patient.chronic_occlusion is found and setting.patient.contrast_allergy is True
