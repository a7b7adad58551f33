"""Anticoagulation and bleeding criteria against printed ranges.

Sources: [@stemi2013; @nsteacs2014; @lawton2022; @actsite2024; @urban2019].
"""

from __future__ import annotations

import pytest

from backstay.core.safety.bleeding import bleeding_class, dual_therapy
from backstay.core.safety.heparin import (
    act_target_s,
    bivalirudin_dose,
    enoxaparin_top_up_mg,
    heparin_dose_U,
    heparin_over_fondaparinux_U,
    read_act,
)
from backstay.core.safety.protocol import HeparinProtocol
from backstay.identifiers import BleedingRisk


@pytest.mark.parametrize(
    ("weight_kg", "inhibitor", "low_U", "high_U"),
    [(80, False, 5600, 8000), (80, True, 4000, 5600), (55, True, 2750, 3850), (55, False, 3850, 5500)],
)
def test_heparin_by_weight(weight_kg: float, inhibitor: bool, low_U: float, high_U: float) -> None:
    dose = heparin_dose_U(weight_kg=weight_kg, glycoprotein_inhibitor=inhibitor)
    assert (dose.low, dose.high) == (low_U, high_U)
    other = heparin_dose_U(weight_kg=weight_kg, glycoprotein_inhibitor=not inhibitor)
    assert (other.low, other.high) != (low_U, high_U)


def test_bivalirudin() -> None:
    usual, kidney = (bivalirudin_dose(weight_kg=80, clearance_mL_min=c) for c in (60.0, 29.9))
    assert (usual.bolus_mg, usual.infusion_mg_h, usual.extra_bolus_mg) == (60.0, 140.0, 24.0)
    assert (kidney.bolus_mg, kidney.infusion_mg_h) == (60.0, 80.0)
    assert not bivalirudin_dose(weight_kg=80, clearance_mL_min=30.0).reduced


def test_an_unknown_clearance_gets_the_lower_rate_of_bivalirudin() -> None:
    """Which of the two printed rates an unknown clearance gets: the cautious one; judgement, no source."""
    found = bivalirudin_dose(weight_kg=80, clearance_mL_min=None)
    assert (found.infusion_mg_h, found.usual_infusion_mg_h, found.reduced) == (80.0, 140.0, True)


@pytest.mark.parametrize(
    ("instrument", "inhibitor", "low_s", "high_s"),
    [
        ("lower reading", False, 250, 300),
        ("higher reading", False, 300, 350),
        ("lower reading", True, 200, 250),
        ("higher reading", True, 200, 250),
    ],
)
def test_targets(instrument: str, inhibitor: bool, low_s: float, high_s: float) -> None:
    protocol = HeparinProtocol(instrument=instrument)  # type: ignore[arg-type]
    target = act_target_s(protocol, glycoprotein_inhibitor=inhibitor)
    assert (target.low, target.high) == (low_s, high_s)
    assert target.verdict(low_s) == target.verdict(high_s) == "within"
    assert (target.verdict(low_s - 1), target.verdict(high_s + 1)) == ("below", "above")


def test_an_unknown_instrument_has_the_stricter_edge_of_each_target() -> None:
    """250 to 300 s and 300 to 350 s, printed by family: what one of them calls too little or too much is."""
    target = act_target_s(HeparinProtocol(), glycoprotein_inhibitor=False)
    assert (target.low, target.high) == (300, 300)
    assert [target.verdict(x) for x in (299, 300, 301)] == ["below", "within", "above"]
    for family in ("lower reading", "higher reading"):
        known = act_target_s(HeparinProtocol(instrument=family), glycoprotein_inhibitor=False)  # type: ignore[arg-type]
        for act_s in range(150, 451, 5):
            if known.verdict(act_s) != "within":
                assert target.verdict(act_s) == known.verdict(act_s)


def test_the_sampling_site_shifts_a_value_by_the_mean_of_pairs() -> None:
    """A guide's 294 s against a sheath's 250 s on means; the pairs' mean difference is 43 s (paper)."""
    lab = HeparinProtocol(instrument="lower reading")
    reading = read_act(338.0, age_min=5, site="guide", glycoprotein_inhibitor=False, protocol=lab)
    assert reading.sheath_s is not None and reading.sheath_s[1] == pytest.approx(338 - 43)
    assert reading.site_doubt  # above by the guide's sample, within by the sheath's
    reading = read_act(294.0, age_min=5, site="guide", glycoprotein_inhibitor=False, protocol=lab)
    assert reading.sheath_s is not None
    assert reading.sheath_s[1] == pytest.approx(294 - 43)
    assert reading.sheath_s[1] == pytest.approx(250, abs=1.0)  # half a second of rounding in each mean
    assert not reading.site_doubt
    near = read_act(280.0, age_min=5, site="guide", glycoprotein_inhibitor=False, protocol=lab)
    assert near.site_doubt


@pytest.mark.parametrize(("age_min", "overdue"), [(29.9, False), (30.0, False), (30.1, True)])
def test_a_value_is_overdue_once_it_is_older_than_that(age_min: float, overdue: bool) -> None:
    """Every 20 to 30 minutes: from memory, no readable source."""
    reading = read_act(
        310.0, age_min=age_min, site=None, glycoprotein_inhibitor=False, protocol=HeparinProtocol()
    )
    assert reading.overdue is overdue


def test_drugs_already_on_board() -> None:
    assert heparin_over_fondaparinux_U(weight_kg=80, glycoprotein_inhibitor=False) == 6800
    assert heparin_over_fondaparinux_U(weight_kg=80, glycoprotein_inhibitor=True) == 4800
    assert enoxaparin_top_up_mg(weight_kg=80) == pytest.approx(24.0)


KNOWN = {"age_y": 60.0, "female": False, "egfr": 80.0, "hemoglobin_g_dL": 14.0, "platelets_1e9_L": 220.0}


@pytest.mark.parametrize(
    ("changes", "major", "minor", "high"),
    [
        ({}, 0, 0, False),
        ({"egfr": 30.0}, 0, 1, False),
        ({"egfr": 29.9}, 1, 0, True),
        ({"egfr": 60.0}, 0, 0, False),
        ({"egfr": 59.9}, 0, 1, False),
        ({"hemoglobin_g_dL": 12.9}, 0, 1, False),
        ({"hemoglobin_g_dL": 11.0}, 0, 1, False),
        ({"hemoglobin_g_dL": 10.9}, 1, 0, True),
        ({"hemoglobin_g_dL": 13.0}, 0, 0, False),
        ({"hemoglobin_g_dL": 12.0, "female": True}, 0, 0, False),
        ({"hemoglobin_g_dL": 11.9, "female": True}, 0, 1, False),
        ({"age_y": 75.0}, 0, 1, False),
        ({"age_y": 75.0, "egfr": 45.0}, 0, 2, True),
        ({"platelets_1e9_L": 99.0}, 1, 0, True),
        ({"platelets_1e9_L": 100.0}, 0, 0, False),
    ],
)
def test_edges_of_the_bleeding_criteria(
    changes: dict[str, float | bool], major: int, minor: int, high: bool
) -> None:
    found = bleeding_class(**{**KNOWN, **changes}, listed=frozenset())  # type: ignore[arg-type]
    assert (len(found.major), len(found.minor), found.high) == (major, minor, high)


@pytest.mark.parametrize(
    ("hemoglobin", "major", "minor", "asked"),
    [(10.9, 1, 0, False), (11.9, 0, 1, False), (12.0, 0, 0, True), (12.9, 0, 0, True), (13.0, 0, 0, False)],
)
def test_haemoglobin_of_a_patient_whose_sex_is_not_known(
    hemoglobin: float, major: int, minor: int, asked: bool
) -> None:
    """Below 11 and from 11 to below 12 either sex counts alike; from 12 to below 13 a man's is minor and a woman's none."""
    known = {**KNOWN, "female": None, "hemoglobin_g_dL": hemoglobin}
    found = bleeding_class(**known, listed=frozenset())  # type: ignore[arg-type]
    assert (len(found.major), len(found.minor)) == (major, minor)
    assert ("sex, for the haemoglobin edge" in found.unknown) is asked


def test_every_listed_criterion_counts_as_the_consensus_has_it() -> None:
    minor = {
        BleedingRisk.BLEED_WITHIN_12_MONTHS,
        BleedingRisk.LONG_TERM_NSAID_OR_STEROID,
        BleedingRisk.STROKE_ISCHAEMIC_OTHER,
    }
    for one in BleedingRisk:
        found = bleeding_class(**KNOWN, listed=frozenset({one}))  # type: ignore[arg-type]
        assert (len(found.major), len(found.minor)) == ((0, 1) if one in minor else (1, 0)), one


def test_what_is_not_known_leaves_the_class_open_unless_it_is_settled() -> None:
    assert bleeding_class(**KNOWN, listed=None).high is None  # type: ignore[arg-type]
    assert bleeding_class(**{**KNOWN, "egfr": 20.0}, listed=None).high is True  # type: ignore[arg-type]


def test_guidelines_stand_side_by_side_with_their_disagreement() -> None:
    acute = dual_therapy(acute=True)
    assert {row.default for row in acute} == {"at least 12 months (I)", "12 months"}
    assert len({row.shorter for row in acute}) == 3
    assert [row.default for row in dual_therapy(acute=False)] == ["at least 6 months", "6 months (I)"]
