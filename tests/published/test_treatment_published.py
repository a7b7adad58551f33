"""Sizing, lesion classes and pressure against printed numbers and against arithmetic derived from them.

Each row says how its number was come by: "printed" stands in the source, "derived" was worked out by hand from a formula of
the source, "memory" means nobody here has opened the source. Only printed and derived numbers are held to; what rests on
memory is marked and its arithmetic alone is checked. Half a unit of the last printed digit is allowed everywhere.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from backstay.core.treatment import bifurcation, branching, classify, flow, result, sizing
from backstay.identifiers import BranchingLaw, Calcium, LesionType

Law = Callable[..., float]

LAWS: dict[str, Law] = {
    "murray": branching.mother_murray_mm,
    "huo_kassab": branching.mother_huo_kassab_mm,
    "finet": branching.mother_finet_mm,
    "area": branching.mother_area_mm,
}

# Daughters, and the mother by Murray, Huo and Kassab, Finet, area [@murray1926; @huo2012; @finet2007]. Derived from the
# formulas; the daughters of the first row are the printed means of 173 bifurcations.
MOTHERS = [
    ((2.70, 2.23), (3.134, 3.338, 3.343, 3.502)),
    ((3.0, 2.5), (3.493, 3.722, 3.729, 3.905)),
    ((2.75, 2.5), (3.315, 3.538, 3.560, 3.717)),
    ((3.5, 3.0), (4.119, 4.391, 4.407, 4.610)),
    ((3.0, 3.0), (3.780, 4.038, 4.068, 4.243)),
    ((3.5, 2.0), (3.705, 3.879, 3.729, 4.031)),
]
EVERY_MOTHER = [
    (law, pair, mother) for pair, mothers in MOTHERS for law, mother in zip(LAWS, mothers, strict=True)
]


@pytest.mark.parametrize(("law", "pair", "mother"), EVERY_MOTHER)
def test_mother_vessel(law: str, pair: tuple[float, float], mother: float) -> None:
    assert LAWS[law](first_mm=pair[0], second_mm=pair[1]) == pytest.approx(mother, abs=5e-4)


@pytest.mark.parametrize(("law", "pair", "mother"), EVERY_MOTHER)
def test_mother_vessel_fails_when_perturbed(law: str, pair: tuple[float, float], mother: float) -> None:
    assert LAWS[law](first_mm=pair[0] + 0.01, second_mm=pair[1]) != pytest.approx(mother, abs=5e-4)


MEASURED_MOTHER_MM = 3.33
"""Printed beside the daughters' means of 2.70 and 2.23 mm [@finet2007]."""


@pytest.mark.parametrize(
    ("law", "agrees"), [("huo_kassab", True), ("finet", True), ("murray", False), ("area", False)]
)
def test_which_laws_meet_the_measured_mother(law: str, agrees: bool) -> None:
    # The measured mean has a standard deviation of 0.94 over 173 bifurcations, so 0.07 of its own: a law that holds is within 0.02.
    found = LAWS[law](first_mm=2.70, second_mm=2.23)
    assert (abs(found - MEASURED_MOTHER_MM) <= 0.02) is agrees


# Which law where [@huo2012], printed: up to 0.25 Murray agrees with Huo and Kassab, from 0.75 Finet does.
@pytest.mark.parametrize(
    ("ratio", "laws"),
    [
        (0.25, {BranchingLaw.HUO_KASSAB, BranchingLaw.MURRAY}),
        (0.26, {BranchingLaw.HUO_KASSAB}),
        (0.74, {BranchingLaw.HUO_KASSAB}),
        (0.75, {BranchingLaw.HUO_KASSAB, BranchingLaw.FINET}),
    ],
)
def test_which_law_where(ratio: float, laws: set[BranchingLaw]) -> None:
    assert set(branching.laws_that_hold(first_mm=4.0, second_mm=4.0 * ratio)) == laws


# Kissing balloons, derived geometry: by area, by the taut band round both.
KISSING = [
    ((3.0, 3.0), 4.243, 4.910),
    ((3.0, 2.5), 3.905, 4.508),
    ((3.5, 3.0), 4.610, 5.325),
    ((2.5, 2.5), 3.536, 4.092),
]


@pytest.mark.parametrize(("pair", "by_area", "by_hull"), KISSING)
def test_kissing_balloons(pair: tuple[float, float], by_area: float, by_hull: float) -> None:
    sizes = {"first_mm": pair[0], "second_mm": pair[1]}
    assert branching.kissing_area_mm(**sizes) == pytest.approx(by_area, abs=5e-4)
    assert branching.kissing_hull_mm(**sizes) == pytest.approx(by_hull, abs=5e-4)


@pytest.mark.parametrize(("pair", "by_area", "by_hull"), KISSING)
def test_kissing_balloons_fail_when_perturbed(
    pair: tuple[float, float], by_area: float, by_hull: float
) -> None:
    sizes = {"first_mm": pair[0] + 0.01, "second_mm": pair[1]}
    assert branching.kissing_area_mm(**sizes) != pytest.approx(by_area, abs=5e-4)
    assert branching.kissing_hull_mm(**sizes) != pytest.approx(by_hull, abs=5e-4)


# How wide two balloons side by side are, derived: the sum of both; the stretched circle lies between area and that.
@pytest.mark.parametrize(
    ("pair", "width"), [((3.0, 3.0), 6.0), ((3.0, 2.5), 5.5), ((3.5, 3.0), 6.5), ((2.5, 2.5), 5.0)]
)
def test_greatest_width_of_kissing_balloons(pair: tuple[float, float], width: float) -> None:
    found = bifurcation.kissing_width_mm(first_mm=pair[0], second_mm=pair[1])
    assert found == pytest.approx(width, abs=5e-3)
    assert bifurcation.kissing_width_mm(first_mm=pair[0] + 0.01, second_mm=pair[1]) != pytest.approx(
        width, abs=5e-3
    )
    assert branching.kissing_hull_mm(first_mm=pair[0], second_mm=pair[1]) < found


# Stent area over references in per cent, derived; the 80 % itself is from memory [@raber2018].
EXPANSION = [(6.0, (8.0, 6.4), 83.33, True), (5.6, (7.5, 6.5), 80.00, False), (4.9, (6.0, 5.0), 89.09, True)]


@pytest.mark.parametrize(("area", "references", "percent", "passes"), EXPANSION)
def test_expansion(area: float, references: tuple[float, ...], percent: float, passes: bool) -> None:
    ratio = result.expansion_ratio(stent_area_mm2=area, reference_areas_mm2=references)
    assert 100.0 * ratio == pytest.approx(percent, abs=5e-3)
    assert result.is_expanded(ratio) is passes


@pytest.mark.parametrize(("area", "references", "percent", "passes"), EXPANSION)
def test_expansion_fails_when_perturbed(
    area: float, references: tuple[float, ...], percent: float, passes: bool
) -> None:
    ratio = result.expansion_ratio(stent_area_mm2=area + 0.01, reference_areas_mm2=references)
    assert 100.0 * ratio != pytest.approx(percent, abs=5e-3)
    assert result.is_expanded(ratio)  # even the one at exactly 80 % now passes


def test_expansion_against_the_distal_reference_alone() -> None:
    ratio = result.expansion_ratio(stent_area_mm2=6.0, reference_areas_mm2=(6.4,))
    assert 100.0 * ratio == pytest.approx(93.8, abs=0.05)
    assert 100.0 * ratio != pytest.approx(93.3, abs=0.05)


# Area to the diameter of a circle, derived.
AREAS = [(4.5, 2.394), (5.5, 2.646), (5.0, 2.523), (6.3, 2.832), (7.2, 3.028), (8.2, 3.231), (11.4, 3.810)]


@pytest.mark.parametrize(("area", "diameter"), AREAS)
def test_diameter_of_an_area(area: float, diameter: float) -> None:
    assert sizing.diameter_of_area_mm(area) == pytest.approx(diameter, abs=5e-4)
    assert sizing.diameter_of_area_mm(area + 0.02) != pytest.approx(diameter, abs=5e-4)
    assert sizing.area_mm2(sizing.diameter_of_area_mm(area)) == pytest.approx(area)


# Outer wall to label, rounded down to a quarter; derived from the printed rule [@ilumien2016].
LABELS = [(3.34, 3.25), (3.10, 3.00), (2.99, 2.75), (3.50, 3.50)]


@pytest.mark.parametrize(("wall", "label"), LABELS)
def test_label_by_the_outer_wall(wall: float, label: float) -> None:
    rule = sizing.size_by_outer_wall(proximal_mm=wall + 0.6, distal_mm=wall)
    assert rule.target_mm == label
    assert rule.high_mm == label, "never above the wall"
    other = sizing.size_by_outer_wall(proximal_mm=wall + 0.6, distal_mm=wall + 0.26)
    assert other.target_mm != label


# Printed means of wall and lumen, and the printed ratios applied to the lumens [@walllumen].
@pytest.mark.parametrize(
    ("lumen", "where", "derived", "measured"), [(2.64, "distal", 3.30, 3.34), (3.14, "proximal", 4.14, 4.12)]
)
def test_outer_wall_from_the_lumen(lumen: float, where: str, derived: float, measured: float) -> None:
    found = sizing.outer_wall_from_lumen_mm(lumen_mm=lumen, where=where)
    assert found == pytest.approx(derived, abs=5e-3)
    # The mean of ratios is not the ratio of means: the printed quartiles of the ratio span 0.17 and 0.14, so 0.05 mm is well inside.
    assert found == pytest.approx(measured, abs=0.05)
    assert sizing.outer_wall_from_lumen_mm(lumen_mm=lumen + 0.02, where=where) != pytest.approx(
        derived, abs=5e-3
    )


# Measured wall over measured lumen, derived from the printed means: 1.265 and 1.312; they lie in the printed quartiles of the ratio.
@pytest.mark.parametrize(
    ("where", "wall", "lumen", "ratio", "quartiles"),
    [("distal", 3.34, 2.64, 1.265, (1.19, 1.36)), ("proximal", 4.12, 3.14, 1.312, (1.23, 1.37))],
)
def test_ratio_of_wall_to_lumen(
    where: str, wall: float, lumen: float, ratio: float, quartiles: tuple[float, float]
) -> None:
    assert wall / lumen == pytest.approx(ratio, abs=5e-4)
    assert quartiles[0] < sizing.WALL_OVER_LUMEN[where] < quartiles[1]
    # Ours is the printed median of the ratio; it is not the ratio of the printed means, from which it differs by 0.015 or less.
    assert sizing.WALL_OVER_LUMEN[where] == pytest.approx(ratio, abs=0.0155)
    assert sizing.WALL_OVER_LUMEN[where] != pytest.approx(ratio, abs=5e-4)


def test_label_by_the_lumen() -> None:
    # Printed: 0 to 0.25 mm above the mean distal reference [@opinion2017].
    rule = sizing.size_by_lumen(distal_mm=2.75)
    assert [label for label in (2.5, 2.75, 3.0, 3.25) if rule.allows(label)] == [2.75, 3.0]
    assert [
        label for label in (2.5, 2.75, 3.0, 3.25) if sizing.size_by_lumen(distal_mm=2.8).allows(label)
    ] == [3.0]


def test_shortfall_of_a_series() -> None:
    # Printed: 27.2 % below the chart; derived: 3.0 mm by the chart leaves 2.18 mm [@aziz2007].
    assert sizing.expected_final_mm(3.0) == pytest.approx(2.18, abs=5e-3)
    assert sizing.expected_final_mm(3.05) != pytest.approx(2.18, abs=5e-3)
    # Printed beside it: 0.65 mm of balloon deficit and 0.28 mm of recoil; together 0.93, and 27.2 % of 3.4 mm is 0.93 too.
    assert 0.65 + sizing.RECOIL_MM == pytest.approx(sizing.SHORTFALL_RATIO * 3.42, abs=5e-3)


# OCT calcium score, derived from the printed thresholds, all strict [@fujino2018].
SCORES = [((200, 0.6, 4), 3), ((200, 0.6, 6), 4), ((170, 0.6, 6), 2), ((180, 0.5, 5), 0)]


@pytest.mark.parametrize(("seen", "score"), SCORES)
def test_calcium_score(seen: tuple[float, float, float], score: int) -> None:
    arc, thickness, length = seen
    assert classify.oct_calcium_score(arc_deg=arc, thickness_mm=thickness, length_mm=length) == score
    more = classify.oct_calcium_score(arc_deg=181, thickness_mm=thickness + 0.1, length_mm=length + 3)
    assert more == 4
    assert more != score or score == 4


# Lesion types, derived from the printed features [@ryan1988; @ellis1990].
TYPES = [
    (classify.Features(length_mm=12, ostial=True), LesionType.B2),
    (classify.Features(length_mm=12), LesionType.B1),
    (classify.Features(length_mm=21), LesionType.C),
    (classify.Features(length_mm=9), LesionType.A),
    (classify.Features(length_mm=9, calcium=Calcium.MODERATE), LesionType.B1),
    (classify.Features(length_mm=9, bend_deg=91), LesionType.C),
    (classify.Features(length_mm=9, bend_deg=60, eccentric=True), LesionType.B2),
    (classify.Features(length_mm=9, occluded_months=2), LesionType.B1),
    (classify.Features(length_mm=9, occluded_months=4), LesionType.C),
    (classify.Features(length_mm=9, branch_needs_wire=True, branch_unprotectable=True), LesionType.C),
]


@pytest.mark.parametrize(("features", "kind"), TYPES)
def test_lesion_type(features: classify.Features, kind: LesionType) -> None:
    assert classify.lesion_type(features) is kind


@pytest.mark.parametrize(
    ("features", "kind"),
    [
        (classify.Features(length_mm=12), LesionType.B2),
        (classify.Features(length_mm=20), LesionType.C),
        (classify.Features(length_mm=9, bend_deg=90), LesionType.C),
        (classify.Features(length_mm=9, occluded_months=3), LesionType.C),
    ],
)
def test_lesion_type_fails_when_perturbed(features: classify.Features, kind: LesionType) -> None:
    assert classify.lesion_type(features) is not kind


# True bifurcations, printed [@medina2023].
@pytest.mark.parametrize("limbs", [(a, b, c) for a in (0, 1) for b in (0, 1) for c in (0, 1)])
def test_true_bifurcations(limbs: tuple[int, int, int]) -> None:
    assert classify.is_true_bifurcation(limbs) is (limbs in {(1, 1, 1), (1, 0, 1), (0, 1, 1)})


def test_medina_counts_above_half() -> None:
    assert classify.medina(proximal_percent=50, distal_percent=51, branch_percent=90) == (0, 1, 1)
    assert classify.medina(proximal_percent=51, distal_percent=51, branch_percent=90) != (0, 1, 1)


# Words for lengths, printed: discrete below 10, tubular 10 to 20, diffuse from 20 [@corelabterms].
def test_words_for_lengths() -> None:
    assert [classify.extent_words(x) for x in (9.9, 10, 19.9, 20)] == [
        "discrete",
        "tubular",
        "tubular",
        "diffuse",
    ]


# Pressure lost, derived from the formula whose coefficients agree in two public sources [@young1973; @seeley1976]: no printed
# numeric example could be read. 3.5 mPa s, 1060 kg/m3, 3.0 mm, length 10 mm.
BLOOD = {"viscosity_mPas": 3.5, "density_kg_m3": 1060.0}
LOSSES = [
    (1.5, 60, 1836.4, 2.273, 1.088, 3.362),
    (1.5, 120, 1836.4, 4.547, 4.354, 8.900),
    (1.2, 120, 4278.3, 10.593, 13.333, 23.926),
    (2.0, 120, 625.3, 1.548, 0.756, 2.304),
    (1.0, 60, 8588.2, 10.632, 7.740, 18.372),
]


@pytest.mark.parametrize(("narrowest", "mL_min", "kv", "viscous", "separation", "total"), LOSSES)
def test_pressure_lost(
    narrowest: float, mL_min: float, kv: float, viscous: float, separation: float, total: float
) -> None:
    stenosis = flow.Stenosis(normal_mm=3.0, narrowest_mm=narrowest, length_mm=10.0)
    loss = flow.loss_young_tsai(stenosis, flow_mL_min=mL_min, **BLOOD)
    assert flow.viscous_coefficient(stenosis) == pytest.approx(kv, abs=0.05)
    assert loss.viscous_mmHg == pytest.approx(viscous, abs=5e-4)
    assert loss.separation_mmHg == pytest.approx(separation, abs=5e-4)
    assert loss.total_mmHg == pytest.approx(total, abs=5e-4)


@pytest.mark.parametrize(("narrowest", "mL_min", "kv", "viscous", "separation", "total"), LOSSES)
def test_pressure_lost_fails_when_perturbed(
    narrowest: float, mL_min: float, kv: float, viscous: float, separation: float, total: float
) -> None:
    stenosis = flow.Stenosis(normal_mm=3.0, narrowest_mm=narrowest + 0.01, length_mm=10.0)
    loss = flow.loss_young_tsai(stenosis, flow_mL_min=mL_min, **BLOOD)
    assert flow.viscous_coefficient(stenosis) != pytest.approx(kv, abs=0.05)
    assert loss.viscous_mmHg != pytest.approx(viscous, abs=5e-4)
    assert loss.separation_mmHg != pytest.approx(separation, abs=5e-4)
    assert loss.total_mmHg != pytest.approx(total, abs=5e-4)


# Closed loop, derived: 95 mmHg, bed for 200 mL/min, length 10 mm in 3.0 mm.
LOOPS = [(1.5, 168.5, 0.842), (1.2, 137.6, 0.688), (1.0, 107.5, 0.538)]


@pytest.mark.parametrize(("narrowest", "mL_min", "ratio"), LOOPS)
def test_closed_loop(narrowest: float, mL_min: float, ratio: float) -> None:
    stenosis = flow.Stenosis(normal_mm=3.0, narrowest_mm=narrowest, length_mm=10.0)
    found = flow.carried_through([stenosis], normal_mL_min=200, aortic_mmHg=95, **BLOOD)
    assert found.flow_mL_min == pytest.approx(mL_min, abs=0.05)
    assert found.distal_mmHg / 95 == pytest.approx(ratio, abs=5e-4)
    other = flow.carried_through([stenosis], normal_mL_min=205, aortic_mmHg=95, **BLOOD)
    assert other.flow_mL_min != pytest.approx(mL_min, abs=0.05)
    assert other.distal_mmHg / 95 != pytest.approx(ratio, abs=5e-4)


def test_poiseuille() -> None:
    # Derived: 20 mm of 3 mm at 120 mL/min lose 0.528 mmHg.
    tube = {"length_mm": 20, "flow_mL_min": 120, "viscosity_mPas": 3.5}
    assert flow.loss_poiseuille_mmHg(diameter_mm=3.0, **tube) == pytest.approx(0.528, abs=5e-4)
    assert flow.loss_poiseuille_mmHg(diameter_mm=3.01, **tube) != pytest.approx(0.528, abs=5e-4)


# Tandem lesions, derived: aortic, between, distal, wedge; ratio with the proximal, with the distal one alone
# [@debruyne2000; @pijls2000]. The equations are from memory; the circuit of tests/analytic stands behind them.
TANDEM = [((100, 85, 65, 25), 0.7955, 0.7500), ((100, 80, 60, 20), 0.7333, 0.7333)]


@pytest.mark.parametrize(("pressures", "proximal", "distal"), TANDEM)
def test_tandem(pressures: tuple[float, float, float, float], proximal: float, distal: float) -> None:
    names = ("aortic_mmHg", "between_mmHg", "distal_mmHg", "wedge_mmHg")
    values = dict(zip(names, pressures, strict=True))
    assert flow.tandem_proximal_ratio(**values) == pytest.approx(proximal, abs=5e-5)
    assert flow.tandem_distal_ratio(**values) == pytest.approx(distal, abs=5e-5)
    values["wedge_mmHg"] += 1.0
    assert flow.tandem_proximal_ratio(**values) != pytest.approx(proximal, abs=5e-5)
    assert flow.tandem_distal_ratio(**values) != pytest.approx(distal, abs=5e-5)


# The left main's least areas, as their sources are quoted: all four sets stand, and they disagree.
def test_left_main_sets_are_all_there_and_disagree() -> None:
    sets = {s.name: dict(s.areas_mm2) for s in result.LEFT_MAIN_SETS}
    assert list(sets["an Asian series"].values()) == [5.0, 6.3, 7.2, 8.2]
    assert list(sets["a Western series"].values()) == [6.0, 7.0, 10.0]
    assert list(sets["two stents, five years"].values()) == [5.7, 8.3, 11.8]
    assert list(sets["one stent into the anterior descending artery"].values()) == [8.1, 8.4, 11.4]
    mouths = {areas["anterior descending mouth"] for areas in sets.values()}
    assert len(mouths) == 4


# The 1998 criteria, printed: 90 % of the mean or all of the smaller; above 9 mm2 80 % or 90 %; symmetry 0.7 [@music1998].
@pytest.mark.parametrize(
    ("area", "references", "symmetry", "meets"),
    [
        (6.3, (7.0, 7.0), 1.0, True),
        (6.29, (7.0, 7.0), 1.0, False),
        (6.0, (9.0, 6.0), 1.0, True),
        (9.6, (12.0, 12.0), 1.0, True),
        (9.5, (12.0, 12.0), 1.0, False),
        (6.3, (7.0, 7.0), 0.69, False),
    ],
)
def test_criteria_of_1998(area: float, references: tuple[float, float], symmetry: float, meets: bool) -> None:
    found = result.meets_music_1998(stent_area_mm2=area, reference_areas_mm2=references, symmetry=symmetry)
    assert found is meets
