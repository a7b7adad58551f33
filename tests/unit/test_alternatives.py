"""Which moves are offered: each precondition has a case that blocks the move and a near miss that passes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.rigging.alternatives import MOST_ALTERNATIVES, Alternative, alternatives
from backstay.core.rigging.devices import (
    AccessRoute,
    Balloon,
    Burr,
    Device,
    Extension,
    Guide,
    Microcatheter,
    Shelf,
    Stent,
    Wire,
)
from backstay.core.rigging.move_table import MOVES
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.errors import InputError
from backstay.identifiers import Access, Calcium, Evidence, GuideShape, MoveId, Preparation


def guide(id_: str, size_fr: float = 6.0, shape: GuideShape = GuideShape.STANDARD_LEFT) -> Guide:
    bore_mm = {6.0: 1.80, 7.0: 2.06, 8.0: 2.31}[size_fr]
    return Guide(id=id_, name=id_, size_fr=size_fr, inner_diameter_mm=bore_mm, length_cm=100.0, shape=shape)


def extension(id_: str = "ext6", for_guide_fr: float = 6.0, inner_mm: float = 1.45) -> Extension:
    return Extension(
        id=id_,
        name=id_,
        for_guide_fr=for_guide_fr,
        inner_diameter_mm=inner_mm,
        outer_diameter_mm=1.70,
        tube_length_mm=250.0,
        collar_inner_diameter_mm=inner_mm,
        push_rod_diameter_mm=0.5,
        length_cm=150.0,
        stiffness_Nmm2=30.0,
    )


def wire(id_: str, core_Nmm2: float, tip_load_N: float = 0.008, coating: str = "hydrophilic") -> Wire:
    return Wire(
        id=id_,
        name=id_,
        diameter_mm=0.356,
        length_cm=190.0,
        core_stiffness_Nmm2=core_Nmm2,
        tip_stiffness_Nmm2=0.3,
        floppy_mm=250.0,
        tip_load_N=tip_load_N,
        coating=coating,
    )


def over_wire(id_: str, diameter_mm: float, working_mm: float, **other: Any) -> dict[str, Any]:
    return {
        "id": id_,
        "name": id_,
        "tip_diameter_mm": 0.45,
        "nose_mm": 3.0,
        "working_mm": working_mm,
        "crossing_diameter_mm": 1.05,
        "working_stiffness_Nmm2": 30.0,
        "nose_stiffness_Nmm2": 8.0,
        "shaft_stiffness_Nmm2": 12.0,
        "shaft_diameter_mm": 0.70,
        "wire_lumen_mm": 0.42,
        "rapid_exchange_mm": 250.0,
        "proximal_shaft_diameter_mm": 0.64,
        "length_cm": 140.0,
        "nominal_diameter_mm": diameter_mm,
    } | other


def balloon(id_: str, kind: str, diameter_mm: float, crossing_mm: float = 0.85) -> Balloon:
    fields = over_wire(id_, diameter_mm, 12.0, crossing_diameter_mm=crossing_mm)
    return Balloon(**fields, balloon_type=kind, nominal_atm=10.0, rated_burst_atm=16.0)


def stent(id_: str, diameter_mm: float, working_mm: float, **other: Any) -> Stent:
    fields = over_wire(id_, diameter_mm, working_mm, **other)
    return Stent(**fields, expansion_limit_mm=4.0, nominal_atm=10.0, rated_burst_atm=16.0)


STENT = stent("stent28", 2.5, 28.0)
WORKHORSE, SUPPORT, STIFF = (
    wire("workhorse", 6.0),
    wire("support", 15.0),
    wire("stiff", 40.0, tip_load_N=0.03),
)
EVERYTHING: tuple[Device, ...] = (
    guide("std6"),
    guide("eb6", shape=GuideShape.EXTRA_BACKUP_LEFT),
    guide("std7", 7.0),
    guide("amr6", shape=GuideShape.AMPLATZ_RIGHT),
    extension(),
    *(WORKHORSE, SUPPORT, STIFF),
    Microcatheter(**over_wire("micro", 0.6, 5.0, crossing_diameter_mm=0.6)),
    balloon("semi15", "semi_compliant", 1.5),
    balloon("semi20", "semi_compliant", 2.0),
    balloon("semi25", "semi_compliant", 2.5),
    balloon("nc25", "non_compliant", 2.5),
    balloon("nc35", "non_compliant", 3.5),
    balloon("score25", "scoring", 2.5),
    balloon("litho25", "lithotripsy", 2.5),
    Burr(**over_wire("burr125", 1.25, 5.0, crossing_diameter_mm=1.25), smallest_guide_bore_mm=1.52),
    STENT,
    stent("stent18", 2.5, 18.0),
    stent("stent12", 2.5, 12.0),
    stent("slim28", 2.5, 28.0, crossing_diameter_mm=0.98),
    stent("soft28", 2.5, 28.0, working_stiffness_Nmm2=20.0),
)
S_mm = np.arange(0.0, 121.0)
RADIUS_mm = np.where((S_mm >= 60.0) & (S_mm <= 86.0), 0.7, np.interp(S_mm, [0.0, 120.0], [1.7, 1.2]))
LESION = Lesion(60.0, 86.0, Calcium.SEVERE, (Preparation.SEMI_COMPLIANT,))
DIAGONAL = Branch("First diagonal", 40.0, 2.0, 0.9)


def path(radius_mm: np.ndarray = RADIUS_mm) -> LumenPath:
    points_mm = np.stack([S_mm, np.zeros_like(S_mm), np.zeros_like(S_mm)], axis=1)
    return LumenPath.through(points_mm, radius_mm, radius_sd_mm=0.1, spacing_mm=1.0)


RIG = Rig(AccessRoute(Access.FEMORAL, 7.0), guide("std6"), WORKHORSE)
CASE: dict[str, Any] = {
    "rig": RIG,
    "device": STENT,
    "shelf": EVERYTHING,
    "path": path(),
    "lesions": (LESION,),
    "branches": (DIAGONAL,),
    "target_from_mm": 59.0,
    "target_to_mm": 87.0,
}


def offered(**changes: Any) -> dict[str, Alternative]:
    """Return every alternative of the case with some of it changed, by id; a short list with `most`."""
    case = CASE | {"most": 1000} | changes
    rig, device, devices = case.pop("rig"), case.pop("device"), case.pop("shelf")
    shelf = Shelf("test", {d.id: d for d in devices})
    found = alternatives(rig, device, shelf=shelf, **case)
    assert len({one.id for one in found}) == len(found)
    return {one.id: one for one in found}


def without(*ids: str) -> tuple[Device, ...]:
    return tuple(d for d in EVERYTHING if d.id not in ids)


def lesion(**changes: Any) -> tuple[Lesion, ...]:
    return (replace(LESION, **changes),)


def narrow(from_mm: float, to_mm: float, diameter_mm: float) -> LumenPath:
    """Return the path with a narrow stretch."""
    return path(np.where((S_mm >= from_mm) & (S_mm <= to_mm), 0.5 * diameter_mm, RADIUS_mm))


def bent(radius_mm: float) -> LumenPath:
    """Return the path with its first 20 mm on an arc."""
    curvature = np.where(S_mm[:, None] <= 20.0, [1.0 / radius_mm, 0.0], 0.0)
    return LumenPath.from_curvature(curvature, RADIUS_mm, radius_sd_mm=0.1, spacing_mm=1.0)


def with_buddy(wire_: Wire = WORKHORSE) -> Rig:
    return RIG.with_buddy(wire_)


ANCHORED = replace(RIG, anchor=Anchor(EVERYTHING[10], "First diagonal", 40.0, 2.0, 6.0))
TRAPPED = replace(RIG, trapped=TrappedWire(WORKHORSE, 40.0, 58.0))
ATHERECTOMY = "prepare_atherectomy"
LONG = {
    "target_from_mm": 58.0,
    "target_to_mm": 88.0,
    "device": stent("stent33", 2.5, 33.0),
    "rig": with_buddy(),
}
TANDEM = {
    "rig": with_buddy(),
    "lesions": (LESION, Lesion(35.0, 46.0, Calcium.NONE)),
    "shelf": (*EVERYTHING, stent("stent12b", 2.75, 12.0)),
}

# id, what blocks it, what only nearly blocks it
PRECONDITIONS: list[tuple[str, str, dict[str, Any], dict[str, Any]]] = [
    (
        "calcium for lithotripsy",
        "prepare_lithotripsy",
        {"lesions": lesion(calcium=Calcium.MILD)},
        {"lesions": lesion(calcium=Calcium.MODERATE)},
    ),
    (
        "not done before",
        "prepare_non_compliant_balloon",
        {"lesions": lesion(prepared=(Preparation.NON_COMPLIANT,))},
        {"lesions": lesion(prepared=(Preparation.SMALL_BALLOON,))},
    ),
    (
        "balloon up to the distal reference",
        "prepare_non_compliant_balloon",
        {"shelf": without("nc25")},
        {"shelf": without("nc35")},
    ),
    (
        "scoring balloon on the shelf",
        "prepare_scoring_balloon",
        {"shelf": without("score25")},
        {"shelf": without("nc25")},
    ),
    (
        "small balloon before larger ones",
        "prepare_small_balloon",
        {"lesions": lesion(prepared=(Preparation.SEMI_COMPLIANT,))},
        {"lesions": lesion(prepared=())},
    ),
    (
        "lower profile than the balloon that fails",
        "prepare_small_balloon",
        {"device": balloon("low", "non_compliant", 2.5, crossing_mm=0.85), "lesions": lesion(prepared=())},
        {"device": balloon("high", "non_compliant", 2.5, crossing_mm=0.86), "lesions": lesion(prepared=())},
    ),
    (
        "a lesion on the way",
        "prepare_non_compliant_balloon",
        {"lesions": (replace(LESION, from_mm=87.0, to_mm=95.0),)},
        {"lesions": (replace(LESION, from_mm=86.9, to_mm=95.0),)},
    ),
    ("no dissection", ATHERECTOMY, {"lesions": lesion(dissected=True)}, {"lesions": lesion(dissected=False)}),
    (
        "no dissection on the way either",
        ATHERECTOMY,
        {"lesions": (LESION, Lesion(20.0, 25.0, Calcium.NONE, dissected=True))},
        {"lesions": (LESION, Lesion(100.0, 105.0, Calcium.NONE, dissected=True))},
    ),
    (
        "calcium for a burr",
        ATHERECTOMY,
        {"lesions": lesion(calcium=Calcium.MILD)},
        {"lesions": lesion(calcium=Calcium.MODERATE)},
    ),
    ("no wire beside the burr", ATHERECTOMY, {"rig": with_buddy()}, {"rig": replace(RIG, rail=SUPPORT)}),
    ("no anchor beside the burr", ATHERECTOMY, {"rig": ANCHORED}, {"rig": replace(RIG, seat_mm=5.0)}),
    (
        "burr through the guide",
        ATHERECTOMY,
        {"rig": replace(RIG, guide=replace(guide("std6"), inner_diameter_mm=1.51))},
        {"rig": replace(RIG, guide=replace(guide("std6"), inner_diameter_mm=1.52))},
    ),
    (
        "burr through the extension",
        ATHERECTOMY,
        {"rig": RIG.with_extension(extension(inner_mm=1.50), 20.0)},
        {"rig": RIG.with_extension(extension(inner_mm=1.53), 20.0)},
    ),
    ("burr to artery", ATHERECTOMY, {"path": narrow(87.0, 93.0, 2.07)}, {"path": narrow(87.0, 93.0, 2.1)}),
    (
        "lumen for the guide's tip",
        "seat_10mm",
        {"path": narrow(9.0, 9.0, 2.19)},
        {"path": narrow(9.0, 9.0, 2.21)},
    ),
    # Over 10 mm an arc of radius R bows by R (1 - cos(5 / R)): 1.22 and 1.02 mm, with 0.66 mm beside the guide and 0.5 mm pressed aside.
    ("straight where the guide goes", "seat_10mm", {"path": bent(10.0)}, {"path": bent(12.0)}),
    (
        "no disease where the guide goes",
        "seat_10mm",
        {"lesions": (LESION, Lesion(14.0, 20.0, Calcium.NONE))},
        {"lesions": (LESION, Lesion(15.0, 20.0, Calcium.NONE))},
    ),
    (
        "not deeper than 15 mm",
        "seat_15mm",
        {"rig": replace(RIG, seat_mm=10.4)},
        {"rig": replace(RIG, seat_mm=10.0)},
    ),
    (
        "the anchored branch stays in front",
        "seat_10mm",
        {"rig": replace(ANCHORED, anchor=replace(ANCHORED.anchor, at_mm=14.0))},
        {"rig": replace(ANCHORED, anchor=replace(ANCHORED.anchor, at_mm=15.0))},
    ),
    (
        "the trapped wire stays in front",
        "seat_10mm",
        {"rig": replace(TRAPPED, trapped=replace(TRAPPED.trapped, from_mm=14.0))},
        {"rig": replace(TRAPPED, trapped=replace(TRAPPED.trapped, from_mm=15.0))},
    ),
    (
        "lumen for the extension",
        "extension_30mm",
        {"path": narrow(25.0, 25.0, 1.69)},
        {"path": narrow(25.0, 25.0, 1.70)},
    ),
    (
        "extension through the guide",
        "extension_30mm",
        {"shelf": (*without("ext6"), extension("ext7", 7.0, 1.60))},
        {"shelf": (*without("ext6"), extension("ext55", 5.5, 1.45))},
    ),
    (
        "device through the extension",
        "extension_30mm",
        {"shelf": (*without("ext6"), extension(inner_mm=1.09))},
        {"shelf": (*without("ext6"), extension(inner_mm=1.10))},
    ),
    (
        "short of the lesion",
        "extension_45mm",
        {"target_from_mm": 47.0, "lesions": lesion(from_mm=47.5)},
        {"target_from_mm": 48.0, "lesions": lesion(from_mm=48.0)},
    ),
    (
        "deeper than it is",
        "extension_30mm",
        {"rig": RIG.with_extension(extension(), 26.0)},
        {"rig": RIG.with_extension(extension(), 25.0)},
    ),
    (
        "tube left in the guide",
        "extension_30mm",
        {"shelf": (*without("ext6"), replace(extension(), tube_length_mm=79.0))},
        {"shelf": (*without("ext6"), replace(extension(), tube_length_mm=80.0))},
    ),
    (
        "short of the branch in use",
        "extension_30mm",
        {"rig": replace(ANCHORED, anchor=replace(ANCHORED.anchor, at_mm=32.0))},
        {"rig": replace(ANCHORED, anchor=replace(ANCHORED.anchor, at_mm=33.0))},
    ),
    (
        "microcatheter to exchange over",
        "rail_support",
        {"shelf": without("micro")},
        {"shelf": without("stiff")},
    ),
    (
        "clearly stiffer than the rail",
        "rail_support",
        {"rig": replace(RIG, rail=wire("workhorse", 11.6))},
        {"rig": replace(RIG, rail=wire("workhorse", 11.5))},
    ),
    (
        "room for a buddy in the guide",
        "buddy_workhorse",
        {"device": replace(STENT, crossing_diameter_mm=1.45)},
        {"device": replace(STENT, crossing_diameter_mm=1.44)},
    ),
    (
        "room for a buddy in the extension",
        "buddy_workhorse",
        {"rig": RIG.with_extension(extension(inner_mm=1.40), 20.0)},
        {"rig": RIG.with_extension(extension(inner_mm=1.41), 20.0)},
    ),
    (
        "not more than two buddies",
        "second_buddy_workhorse",
        {"rig": with_buddy().with_buddy(WORKHORSE)},
        {"rig": with_buddy()},
    ),
    ("two at once only where none lies", "two_buddies_workhorse", {"rig": with_buddy()}, {"rig": RIG}),
    (
        "room for buddy and extension together",
        "buddy_workhorse_extension_30mm",
        {"shelf": (*without("ext6"), extension(inner_mm=1.40))},
        {"shelf": (*without("ext6"), extension(inner_mm=1.41))},
    ),
    (
        "branch large enough",
        "anchor_first_diagonal",
        {"branches": (replace(DIAGONAL, diameter_mm=1.49),)},
        {"branches": (replace(DIAGONAL, diameter_mm=1.50),)},
    ),
    (
        "branch proximal to the lesion",
        "anchor_first_diagonal",
        {"branches": (replace(DIAGONAL, at_mm=59.0),)},
        {"branches": (replace(DIAGONAL, at_mm=58.9),)},
    ),
    (
        "branch not covered by the extension",
        "anchor_first_diagonal",
        {"rig": RIG.with_extension(extension(), 40.0)},
        {"rig": RIG.with_extension(extension(), 39.9)},
    ),
    (
        "branch beyond the guide's tip",
        "anchor_first_diagonal",
        {"rig": replace(RIG, seat_mm=10.0), "branches": (replace(DIAGONAL, at_mm=10.0),)},
        {"rig": replace(RIG, seat_mm=9.0), "branches": (replace(DIAGONAL, at_mm=10.0),)},
    ),
    (
        "balloon of the branch's size",
        "anchor_first_diagonal",
        {"shelf": without("semi15", "semi20")},
        {"shelf": without("semi15", "semi25")},
    ),
    (
        "room for the anchor's shaft",
        "anchor_first_diagonal",
        {"device": replace(STENT, crossing_diameter_mm=1.11)},
        {"device": replace(STENT, crossing_diameter_mm=1.09)},
    ),
    ("one anchor", "anchor_first_diagonal", {"rig": ANCHORED}, {"rig": with_buddy()}),
    ("a buddy to trap", "trapped_workhorse", LONG | {"rig": RIG}, LONG),
    (
        "a long lesion to trap it in",
        "trapped_workhorse",
        LONG | {"target_to_mm": 87.9},
        LONG | {"target_to_mm": 88.0, "shelf": (*EVERYTHING, stent("stent14", 2.5, 14.0))},
    ),
    (
        "two stents to cover the long lesion",
        "trapped_workhorse",
        LONG | {"shelf": without("stent18", "stent28", "slim28", "soft28")},
        LONG,
    ),
    ("or a tandem lesion", "trapped_workhorse", TANDEM | {"lesions": (LESION,)}, TANDEM),
    (
        "the tandem lesion covered short of the target",
        "trapped_workhorse",
        TANDEM | {"lesions": (LESION, Lesion(48.0, 58.0, Calcium.NONE))},
        TANDEM | {"lesions": (LESION, Lesion(47.0, 58.0, Calcium.NONE))},
    ),
    (
        "only the floppy end trapped",
        "trapped_workhorse",
        TANDEM | {"rig": RIG.with_buddy(replace(WORKHORSE, floppy_mm=1.9))},
        TANDEM | {"rig": RIG.with_buddy(replace(WORKHORSE, floppy_mm=2.0))},
    ),
    (
        "a stent to deliver",
        "trapped_workhorse",
        TANDEM | {"device": balloon("big", "non_compliant", 2.5, crossing_mm=1.0)},
        TANDEM,
    ),
    (
        "no wire trapped already",
        "trapped_workhorse",
        TANDEM | {"rig": replace(with_buddy(), trapped=TRAPPED.trapped)},
        TANDEM,
    ),
    (
        "larger guide through the sheath",
        "guide_std7",
        {"rig": replace(RIG, access=AccessRoute(Access.FEMORAL, 6.0))},
        {"rig": replace(RIG, access=AccessRoute(Access.FEMORAL, 7.0))},
    ),
    (
        "guide clearly more supportive",
        "guide_eb6",
        {"rig": replace(RIG, guide=guide("aml6", shape=GuideShape.EXTRA_BACKUP_LEFT))},
        {"rig": RIG},
    ),
    (
        "guide for the same artery",
        "guide_amr6",
        {"rig": RIG},
        {"rig": replace(RIG, guide=guide("str6", shape=GuideShape.STANDARD_RIGHT))},
    ),
    ("no guide change over a trapped wire", "guide_eb6", {"rig": TRAPPED}, {"rig": with_buddy()}),
    (
        "other stent covers the target",
        "device_stent26",
        {"shelf": (*EVERYTHING, stent("stent26", 2.5, 26.0)), "target_from_mm": 60.5},
        {"shelf": (*EVERYTHING, stent("stent26", 2.5, 26.0)), "target_from_mm": 61.0},
    ),
    (
        "other stent of the same diameter",
        "device_slim28",
        {"device": stent("stent28", 2.75, 28.0)},
        {"device": stent("stent28", 2.54, 28.0)},
    ),
    (
        "other stent of lower profile",
        "device_slim28",
        {"device": replace(STENT, crossing_diameter_mm=0.99)},
        {"device": replace(STENT, crossing_diameter_mm=1.00)},
    ),
    (
        "two stents with overlap",
        "two_stents_stent12_stent18",
        {"target_from_mm": 58.5},
        {"target_from_mm": 59.0},
    ),
]


@pytest.mark.parametrize(
    ("id_", "blocks", "passes"), [p[1:] for p in PRECONDITIONS], ids=[p[0] for p in PRECONDITIONS]
)
def test_a_precondition_blocks_and_a_near_miss_passes(
    id_: str, blocks: dict[str, Any], passes: dict[str, Any]
) -> None:
    assert id_ not in offered(**blocks)
    assert id_ in offered(**passes)


def test_the_rig_in_place_comes_first_and_costs_nothing() -> None:
    first = next(iter(offered().values()))
    assert (first.id, first.moves, first.rig, first.device) == ("as_it_is", (MoveId.AS_IT_IS,), RIG, STENT)
    assert first.lesions == (LESION,)
    assert (first.minutes, first.contrast_mL, first.air_kerma_mGy) == (0.0, 0.0, 0.0)


def test_a_full_shelf_gives_a_list_of_every_kind_and_of_bearable_length() -> None:
    found = offered(most=MOST_ALTERNATIVES)
    assert 13 <= len(found) <= MOST_ALTERNATIVES
    kinds = {move for one in found.values() for move in one.moves}
    ranked = {move.id for move in MOVES if move.effects} | {MoveId.AS_IT_IS}
    only_in_the_ladder = {MoveId.SECOND_ACCESS, MoveId.TAKE_OUT_WRAPPED_WIRE}
    assert kinds == ranked - {MoveId.TRAPPED_WIRE} - only_in_the_ladder
    with_a_buddy = offered(**LONG, most=MOST_ALTERNATIVES).values()
    both = {move for one in with_a_buddy for move in one.moves}
    assert {MoveId.TRAPPED_WIRE, MoveId.SECOND_BUDDY_WIRE} <= both
    assert MoveId.BUDDY_WIRE not in both


def test_most_alternatives_change_what_lies_in_the_vessel() -> None:
    def in_vessel(one: Alternative) -> tuple[object, ...]:
        return (
            one.rig.rail,
            one.rig.buddies,
            one.rig.extension,
            one.rig.extension_depth_mm,
            one.device,
            one.lesions,
        )

    found = list(offered(most=MOST_ALTERNATIVES).values())
    assert sum(in_vessel(one) != in_vessel(found[0]) for one in found) >= 6


def test_the_same_case_gives_the_same_list() -> None:
    assert list(offered().values()) == list(offered().values())


def test_a_shelf_with_nothing_useful_leaves_the_guide_to_be_seated() -> None:
    assert list(offered(shelf=(RIG.guide, STENT))) == ["as_it_is", "seat_5mm", "seat_10mm"]


def test_every_alternative_says_what_it_costs_what_must_be_true_and_where_that_comes_from() -> None:
    for one in list(offered(**LONG).values())[1:]:
        assert one.change
        assert one.conditions
        assert one.minutes > 0.0
        assert one.cost_source == Evidence.JUDGEMENT
        assert all(f"({key})" in " ".join(one.cautions) for key in one.sources)


def test_the_cautions_that_matter_are_there() -> None:
    found = offered(**LONG) | offered()
    cautions = {id_: " ".join([*one.cautions, *one.conditions]) for id_, one in found.items()}
    assert "dissection" in cautions["seat_5mm"]
    assert "losing the wire's place" in cautions["guide_eb6"]
    assert "branch may be injured" in cautions["anchor_first_diagonal"]
    assert "guide disengaged and watched" in cautions["trapped_workhorse"]
    assert "heavy tip" in cautions["rail_stiff"]
    assert "heavy tip" not in cautions["rail_support"]


def test_no_stent_into_a_calcified_lesion_before_a_balloon_has_opened_fully() -> None:
    def says(one: Alternative) -> bool:
        return any("opened fully in two views" in text for text in one.conditions)

    assert all(says(one) for one in offered().values())
    assert not any(says(one) for one in offered(lesions=lesion(calcium=Calcium.MILD)).values())
    assert not any(says(one) for one in offered(device=balloon("nc30", "non_compliant", 2.5)).values())


def test_a_dissection_is_named_where_a_lesion_is_prepared() -> None:
    assert any(
        "dissection is known" in text
        for text in offered(lesions=lesion(dissected=True))["prepare_scoring_balloon"].cautions
    )
    assert not any("dissection is known" in text for text in offered()["prepare_scoring_balloon"].cautions)


def test_preparation_is_added_to_the_lesions_it_is_for_and_to_no_other() -> None:
    soft, beyond = Lesion(20.0, 25.0, Calcium.NONE), Lesion(100.0, 110.0, Calcium.SEVERE)
    found = offered(lesions=(LESION, soft, beyond))
    litho = found["prepare_lithotripsy"].lesions
    assert litho == (
        replace(LESION, prepared=(Preparation.SEMI_COMPLIANT, Preparation.LITHOTRIPSY)),
        soft,
        beyond,
    )
    hard_balloon = found["prepare_non_compliant_balloon"].lesions
    assert [Preparation.NON_COMPLIANT in one.prepared for one in hard_balloon] == [True, True, False]


def test_what_a_move_puts_in_place() -> None:
    found = offered()
    assert found["seat_10mm"].rig == replace(RIG, seat_mm=10.0)
    assert found["extension_30mm"].rig == RIG.with_extension(extension(), 30.0)
    assert found["rail_support"].rig == replace(RIG, rail=SUPPORT)
    assert found["buddy_workhorse"].rig.buddies == (WORKHORSE,)
    assert found["two_buddies_workhorse"].rig.buddies == (WORKHORSE, WORKHORSE)
    both = found["rail_stiff_extension_30mm"]
    assert (both.rig.rail, both.rig.extension_depth_mm) == (STIFF, 30.0)
    assert both.moves == (MoveId.STIFFER_RAIL, MoveId.EXTENSION)
    assert both.minutes == found["rail_support"].minutes + found["extension_30mm"].minutes
    anchor = found["anchor_first_diagonal"].rig.anchor
    assert anchor is not None
    assert (anchor.balloon.id, anchor.at_mm, anchor.branch_diameter_mm, anchor.pressure_atm) == (
        "semi20",
        40.0,
        2.0,
        6.0,
    )
    assert found["two_stents_stent12_stent18"].device.id == "stent12"


def test_changing_the_guide_leaves_only_the_rail() -> None:
    full = replace(
        ANCHORED.with_extension(extension(), 20.0), buddies=(WORKHORSE,), seat_mm=5.0, rail=SUPPORT
    )
    after = offered(rig=full)["guide_eb6"].rig
    assert after == Rig(RIG.access, EVERYTHING[1], SUPPORT)


def test_trapping_moves_the_buddy_behind_the_stent_and_pushes_the_distal_one() -> None:
    one = offered(**LONG)["trapped_workhorse"]
    assert one.rig.buddies == ()
    assert one.rig.trapped == TrappedWire(WORKHORSE, 58.0, 76.0)
    assert one.device.id == "stent18"
    tandem = offered(**TANDEM)["trapped_workhorse"]
    assert tandem.rig.trapped == TrappedWire(WORKHORSE, 35.0, 47.0)
    assert tandem.device == STENT


def test_a_jacketed_buddy_is_trapped_rather_than_a_bare_one() -> None:
    jacketed = wire("jacketed", 6.0, coating="polymer_jacket")
    assert "trapped_jacketed" in offered(**(LONG | {"rig": with_buddy().with_buddy(jacketed)}))


def test_the_largest_branch_is_offered_first_and_names_may_repeat() -> None:
    branches = (
        DIAGONAL,
        replace(DIAGONAL, at_mm=30.0, diameter_mm=2.4),
        replace(DIAGONAL, at_mm=20.0, name="/ 2"),
    )
    found = offered(branches=branches, shelf=without("score25", "litho25", "burr125", "std7", "micro"))
    anchors = [one.rig.anchor for one in found.values() if one.id.startswith("anchor")]
    assert [(anchor.at_mm, anchor.balloon.id) for anchor in anchors if anchor] == [
        (30.0, "semi25"),
        (20.0, "semi20"),
        (40.0, "semi20"),
    ]
    assert [id_ for id_ in found if id_.startswith("anchor")] == [
        "anchor_first_diagonal",
        "anchor_2",
        "anchor_first_diagonal_2",
    ]


def test_when_the_list_is_full_every_kind_keeps_its_first() -> None:
    everything = offered()
    short = offered(most=15)
    assert len(short) == 15 < len(everything)
    assert list(short) == [id_ for id_ in everything if id_ in short]
    assert {one.moves for one in short.values()} >= {
        (MoveId.EXTENSION,),
        (MoveId.STIFFER_RAIL,),
        (MoveId.STIFFER_RAIL, MoveId.EXTENSION),
        (MoveId.OTHER_GUIDE,),
    }
    assert {"prepare_scoring_balloon", "prepare_lithotripsy", "prepare_atherectomy"} <= short.keys()
    assert [id_ for id_ in short if id_.startswith("extension")] == ["extension_30mm", "extension_56mm"]
    assert sum(id_.startswith("extension") for id_ in everything) == 5


@pytest.mark.parametrize(("from_mm", "to_mm"), [(87.0, 59.0), (100.0, 130.0), (-1.0, 10.0)])
def test_a_target_off_the_path_is_refused(from_mm: float, to_mm: float) -> None:
    with pytest.raises(InputError, match="target"):
        offered(target_from_mm=from_mm, target_to_mm=to_mm)
