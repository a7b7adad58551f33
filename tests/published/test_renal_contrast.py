"""Kidney and contrast against printed examples. Rows marked "derived" are arithmetic on the published formula, done elsewhere.

Sources: [@inker2021; @tabletools; @cockcroft1976; @cigarroa1989; @brown2010; @gurm2011; @laskey2007; @mehran2004].
"""

from __future__ import annotations

import pytest

from backstay.core.safety.contrast import (
    CLEARANCE_RATIO_BANDS,
    EGFR_RATIO_BANDS,
    WEIGHT_RATIO_BANDS,
    ScoreInputs,
    anaemia_2004,
    band_reached,
    ceilings,
    lowest_binding,
    nephropathy_score_2004,
    weight_limit_dose_capped_mL,
    weight_limit_ratio,
    weight_limit_result_capped_mL,
)
from backstay.core.safety.protocol import ContrastProtocol
from backstay.core.safety.renal import ckd_epi_2021, cockcroft_gault


@pytest.mark.parametrize(
    ("female", "age_y", "creatinine", "printed", "digits"),
    [
        (False, 70, 0.8, 95.2, 1),
        (True, 70, 0.8, 79.2, 1),
        (False, 50, 1.0, 91.69, 2),  # derived, as all below
        (True, 50, 1.0, 68.63, 2),
        (False, 60, 2.0, 37.50, 2),
        (True, 60, 2.0, 28.07, 2),
        (False, 65, 1.4, 55.78, 2),
        (True, 45, 0.9, 80.34, 2),
        (False, 40, 0.9, 110.73, 2),
        (True, 40, 0.7, 112.05, 2),
        (False, 55, 1.2, 71.42, 2),
    ],
)
def test_filtration_rate(female: bool, age_y: float, creatinine: float, printed: float, digits: int) -> None:
    def value(age_y: float) -> float:
        return ckd_epi_2021(creatinine_mg_dL=creatinine, age_y=age_y, female=female)

    assert value(age_y) == pytest.approx(printed, abs=0.5 * 10**-digits)
    assert value(age_y + 1.0) != pytest.approx(printed, abs=0.5 * 10**-digits)


def test_a_wrong_coefficient_found_on_some_pages_is_not_ours() -> None:
    assert ckd_epi_2021(creatinine_mg_dL=1.2, age_y=55, female=False) != pytest.approx(73.0, abs=0.5)


@pytest.mark.parametrize(
    ("female", "age_y", "weight_kg", "creatinine", "printed"),
    [
        (False, 65, 70, 1.4, 52.08),  # derived, as all
        (True, 45, 60, 0.9, 74.77),
        (False, 50, 80, 1.0, 100.00),
        (False, 78, 70, 1.6, 37.67),
        (True, 78, 60, 1.6, 27.45),
    ],
)
def test_clearance(female: bool, age_y: float, weight_kg: float, creatinine: float, printed: float) -> None:
    given = {"creatinine_mg_dL": creatinine, "age_y": age_y, "female": female}
    assert cockcroft_gault(weight_kg=weight_kg, **given) == pytest.approx(printed, abs=0.005)
    assert cockcroft_gault(weight_kg=weight_kg + 1, **given) != pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(
    ("weight_kg", "creatinine", "on_dose_mL", "on_result_mL"),
    [(80, 2.0, 150, 200), (60, 1.0, 300, 300), (50, 2.5, 100, 100), (100, 2.5, 120, 200)],
)
def test_both_readings_of_the_weight_and_creatinine_limit(
    weight_kg: float, creatinine: float, on_dose_mL: float, on_result_mL: float
) -> None:
    given = {"weight_kg": weight_kg, "creatinine_mg_dL": creatinine}
    assert weight_limit_dose_capped_mL(**given) == pytest.approx(on_dose_mL)
    assert weight_limit_result_capped_mL(**given) == pytest.approx(on_result_mL)
    heavier = {**given, "creatinine_mg_dL": creatinine * 1.1}
    assert weight_limit_dose_capped_mL(**heavier) != pytest.approx(on_dose_mL)
    assert weight_limit_result_capped_mL(**heavier) != pytest.approx(on_result_mL)


@pytest.mark.parametrize(
    ("volume_mL", "printed", "edge"), [(150, 0.75, None), (320, 1.60, 1.5), (420, 2.10, 2.0)]
)
def test_ratio_to_the_limit(volume_mL: float, printed: float, edge: float | None) -> None:
    ratio = weight_limit_ratio(volume_mL=volume_mL, weight_kg=80, creatinine_mg_dL=2.0)
    assert ratio == pytest.approx(printed, abs=0.005)
    assert weight_limit_ratio(volume_mL=volume_mL + 10, weight_kg=80, creatinine_mg_dL=2.0) != pytest.approx(
        printed, abs=0.005
    )
    band = band_reached(WEIGHT_RATIO_BANDS, ratio)
    assert (band.edge if band else None) == edge


@pytest.mark.parametrize(
    ("volume_mL", "edge"), [(100, None), (101, 2.0), (150, 2.0), (151, 3.0), (185, 3.0), (190, 3.7)]
)
def test_volume_over_clearance_edges_are_not_passed_at_the_edge(volume_mL: float, edge: float | None) -> None:
    band = band_reached(CLEARANCE_RATIO_BANDS, volume_mL / 50.0)
    assert (band.edge if band else None) == edge


def test_volume_over_filtration_rate_counts_at_the_edge() -> None:
    assert band_reached(EGFR_RATIO_BANDS, 1.78) is not None
    assert band_reached(EGFR_RATIO_BANDS, 1.77) is None


@pytest.mark.parametrize(
    ("given", "volume_mL", "points", "risk"),
    [
        (ScoreInputs(age_y=70, diabetes=True, egfr=50), 150, 6, 14.0),
        (ScoreInputs(age_y=78, diabetes=True, anaemia=True, egfr=35), 250, 16, 57.3),
        (
            ScoreInputs(age_y=80, heart_failure=True, anaemia=True, diabetes=True, egfr=18),
            300,
            24,
            57.3,
        ),
        (ScoreInputs(age_y=75, egfr=90), 0, 0, 7.5),
        (ScoreInputs(age_y=80, heart_failure=True, egfr=70), 200, 11, 26.1),
    ],
)
def test_nephropathy_score(given: ScoreInputs, volume_mL: float, points: int, risk: float) -> None:
    score = nephropathy_score_2004(given, volume_mL=volume_mL)
    assert (score.points, score.nephropathy_percent) == (points, risk)
    assert nephropathy_score_2004(given, volume_mL=volume_mL + 100).points != points


def test_the_disputed_edge_shows_both_sides_and_takes_the_higher() -> None:
    score = nephropathy_score_2004(ScoreInputs(age_y=78, diabetes=True, anaemia=True, egfr=35), volume_mL=250)
    assert score.dialysis_percent == 12.6
    assert "26.1" in score.disputed
    assert nephropathy_score_2004(ScoreInputs(age_y=78, diabetes=True, egfr=35), volume_mL=250).disputed == ""


@pytest.mark.parametrize(
    ("egfr", "creatinine_mg_dL", "points", "disputed"),
    [
        (None, 3.0, 4, ""),
        (None, 1.5, 0, ""),
        (None, 1.51, 4, ""),
        (55.0, 1.6, 4, "by eGFR instead of creatinine: 2 points less"),
        (15.0, 1.6, 6, ""),
        (45.0, 1.2, 2, ""),
        (30.0, 2.0, 4, ""),
        (80.0, 0.9, 0, ""),
    ],
)
def test_the_score_counts_creatinine_or_filtration_rate_and_never_both(
    egfr: float | None, creatinine_mg_dL: float, points: int, disputed: str
) -> None:
    """Mehran 2004: creatinine above 1.5 mg/dL 4 points, or eGFR 40 to 60: 2, 20 to 40: 4, below 20: 6."""
    score = nephropathy_score_2004(ScoreInputs(egfr=egfr, creatinine_mg_dL=creatinine_mg_dL), volume_mL=50)
    assert (score.points, score.disputed) == (points, disputed)


@pytest.mark.parametrize(
    ("weight_kg", "creatinine", "lowest", "volume_mL"),
    [(100, 0.4, "350 mL whatever the kidney", 350), (80, 0.4, "4 mL/kg", 320), (87.4, 0.4, "4 mL/kg", 349.6)],
)
def test_a_strong_kidney_is_bound_by_weight_or_by_350_mL(
    weight_kg: float, creatinine: float, lowest: str, volume_mL: float
) -> None:
    """The 2014 European table: below 350 mL or 4 mL/kg [@windecker2014]; the other ceilings lie above at this creatinine."""
    found = ceilings(
        ContrastProtocol(weight_limit_cap="on the dose"),
        weight_kg=weight_kg,
        creatinine_mg_dL=creatinine,
        clearance_mL_min=200.0,
        agreed_mL=None,
    )
    one = lowest_binding(found)
    assert one is not None and (one.what, one.volume_mL) == (lowest, pytest.approx(volume_mL))
    assert one.source == "windecker2014"


def test_anaemia_of_the_score() -> None:
    assert [anaemia_2004(hematocrit_percent=h, female=False) for h in (38.9, 39.0)] == [True, False]
    assert [anaemia_2004(hematocrit_percent=h, female=True) for h in (35.9, 36.0)] == [True, False]
