"""The facts that rules speak of: one name for each, and what it means.

A fact is a truth value, a number in the unit its name ends in, a word, or a set of words. A fact that is left
out of a mapping, or is None, is unknown; that is not the same as false.
"""

from __future__ import annotations

from collections.abc import Mapping

Value = bool | float | str | frozenset[str]
Facts = Mapping[str, Value | None]

# What is being judged
_OCCASION = {
    "moment": "what is judged: plan, event, move or end",
    "event": "kind of the event just logged; none where a plan or a standing case is judged",
    "moves": "the moves a step is made of",
    "device_kind": "kind of the device now pushed",
}
# Lesion and vessel at the target
_LESION = {
    "lesion_calcium": "heaviest calcium of the lesions the device passes or treats",
    "lesion_prepared": "what has been done to the lesion at the target",
    "lesion_dissected": "a dissection is known on the way or at the target",
    "dissection_known": "a dissection is known anywhere in the vessel, covered since or not",
    "dissection_open": "a dissection is recorded and not recorded as over",
    "lesion_opened_fully": "a balloon sized to the distal reference opened fully in two views",
    "lesion_length_mm": "length of the stretch to be covered",
    "reference_diameter_mm": "distal reference of the target",
    "calcium_arc_deg": "greatest arc of calcium by imaging",
    "proximal_stent_wanted": "a stent is wanted proximal of the device's place: the lesion is long, or a second one lies there",
}
# What is in place
_RIG = {
    "wires_in_place": "how many wires lie in the coronary arteries, trapped ones not counted",
    "buddies_in_place": "free wires beside the rail",
    "buddy_in_place": "at least one free wire lies beside the rail",
    "trapped_in_place": "wires held behind a stent",
    "stents_in_place": "stents opened in this case",
    "extension_in": "a guide extension is in",
    "extension_depth_mm": "where the extension's tip stands",
    "anchor_inflated": "an anchor balloon is inflated",
    "seat_mm": "how far the guide is seated beyond the ostium",
}

# What the next or the last step does. Of a step that has none of a kind the fact is unknown.
_STEP = {
    "step": "what the step does (StepKind)",
    "purpose": "what a balloon is inflated for",
    "pressure_atm": "pressure of the inflation",
    "duration_s": "how long it was held",
    "balloon_diameter_mm": "labelled diameter of the balloon or stent",
    "balloon_to_vessel": "size of the balloon, stent or burr against the vessel",
    "balloon_to_branch": "size of the balloon against the branch",
    "rated_burst_atm": "rated burst pressure of the balloon or stent",
    "vessel_diameter_mm": "healthy lumen beyond the stretch and its lesions, after a stent that of the place itself, or of the branch",
    "branch_diameter_mm": "lumen of the branch the step works in",
    "stent_limit_mm": "how far the platform of the stent at that stretch expands",
    "in_new_stent": "the stretch lies at least partly in a stent of this case",
    "over_trapped_wire": "the stretch lies over a trapped wire",
    "free_wires_beside": "free wires that lie where the stent opens, those trapped on purpose not counted",
    "branch_wires_under": "wires in branches that the stent covers",
    "wires_to_trap": "wires the stent is to trap on purpose",
    "trapped_length_mm": "length that is to lie trapped",
    "trapped_soft_mm": "length of the wire's soft section",
    "trapped_coating": "coating of the wire that is to be trapped",
    "lesion_in_stretch": "a lesion is described in the stretch",
    "narrowing_in_stretch": "the stretch has a narrowing that was not there before the wire",
    "extension_in_stretch": "the extension's tip lies in the stretch to be stented",
    "extension_meets_stent": "the extension's tip comes to or past the edge of a stent of this case",
    "guide_meets_stent": "the guide's tip comes to the edge of a stent of this case",
    "wire_is_trapped": "the wire the step is about is held behind a stent",
    "guide_disengaged": "the guide stands out of the vessel meanwhile",
    "wire_role": "rail, buddy or branch",
    "tip_load_N": "tip load of the wire",
    "rail_length_cm": "length of the rail",
    "stent_undeployed": "the device is a stent that was not opened",
    "drawn_into": "what the device is drawn into first",
    "came_out_whole": "the device came out whole",
    "run_s": "how long a burr ran",
    "push": "how hard it was pushed",
    "limited_by": "what stopped the last attempt",
    "systolic_mmHg": "systolic pressure",
    "drug": "drug given",
    "dose_mg_per_kg": "dose of the drug by weight, given in mg at once",
    "dose_most_mg_per_kg": "largest usual dose of it",
    "heparin_acts": "heparin was given, and no protamine since",
    "act_site_doubt": "drawn from the guide; at the sheath the verdict would be another",
    "act_sheath_s": "what it would be at the sheath, by the mean of pairs",
    "dose_U_per_kg": "heparin of this dose by weight",
    "heparin_untested": "no clotting time was taken since the last heparin",
    "dose_low_U_per_kg": "lower end of the range of one dose, with or without a glycoprotein inhibitor as the patient has it",
    "dose_high_U_per_kg": "upper end of that range",
    "complication": "what went wrong",
    "guide_size_fr": "size of the guide in Fr",
    "side_holes": "the guide has side holes",
    "wanted": "the guide was taken out on purpose",
    "imaging_catheter": "the device is an imaging catheter",
}
# What a move that is only thought of must find
_MOVE = {
    "guide_coaxial": "the guide lies in line with the vessel",
    "tool_arrives": "what the move itself brings in gets to its place",
    "exchange_length_at_hand": "a wire long enough for the exchange, or a piece that lengthens it, is on the table",
    "wires_wrapped": "two wires are wound round each other",
    "second_access_agreed": "a second access is agreed",
}
# What stands in the record
_RECORD = {
    "branch_wires_in_place": "wires in side branches",
    "rail_in_place": "a wire lies in the main vessel",
    "equipment_in": "guide, wire, balloon or anything else that must come out is in the body",
    "devices_inside": "how many things must come out and are not recorded as out",
    "still_inside": "what must come out and is not recorded as out",
    "counted": "what is in the body was counted, and agreed",
    "wire_tip": "where the rail's tip was last seen",
    "other_wire_tip": "where the tip of a wire beside the rail or in a branch was last seen, the worst of them",
    "not_over": "what went wrong and is not recorded as over",
    "heparin_reversed": "protamine was given since the last heparin",
    "trouble": "what went wrong and lasts, and is not recorded as over",
    "troubles": "how many of them",
    "leak_known": "a perforation or a tamponade is known and not recorded as over",
    "tamponade_known": "a tamponade is known and not recorded as drained",
    "burr_is_stuck": "a burr is stuck and not recorded as free",
    "presumed": "what must have come out, and no record says so",
    "presumed_out": "how many of them",
    "wire_stiffness_Nmm2": "stiffness of the stiffest wire in the main vessel, at its supporting section",
    "wire_is_last": "no other free wire lies in the main vessel, or the guide comes out over it",
    "was_inside": "what comes out is in by the record",
    "way_needed": "something that lasts needs the wire: an open dissection, a leak, a lost stent, something stuck",
    "bends_deg": "total bend of the path",
    "perforation_known": "a perforation is known",
    "pressure_damped": "pressure at the tip is damped, or was when last looked at",
    "anticoagulated": "heparin, bivalirudin or enoxaparin was given, and no protamine since the heparin",
    "other_agent_given": "an agent other than heparin that suffices alone was given",
    "fondaparinux_alone": "fondaparinux is on board and no heparin acts",
    "act_s": "last activated clotting time",
    "act_age_min": "minutes since the last clotting time, or since heparin where there is none",
    "act_is_old": "heparin was given after the last clotting time",
    "act_low_s": "lower end of the target; of the lower one while the instrument's family is not said",
    "act_high_s": "upper end of the target; of the higher one while the instrument's family is not said",
    "act_hangs_on_instrument": "one family of instruments would call the clotting time too short, and the lab's is not said",
    "act_doubt_is_new": "no earlier value of the case hung on the instrument",
    "act_overdue_min": "age at which the next one is overdue",
    "contrast_mL": "contrast used",
    "contrast_limit_mL": "lowest ceiling that binds",
    "contrast_share": "share of the ceiling that is used",
    "contrast_near_share": "share of it from which on it is near",
    "air_kerma_mGy": "air kerma at the reference point",
    "kerma_said_mGy": "air kerma that the display is said to show",
    "kerma_limit_mGy": "air kerma agreed for the case",
    "new_kerma_notice": "this step passes a notice of air kerma; of where the case stands: one was passed",
    "kerma_notice_mGy": "first notice of air kerma",
    "substantial_mGy": "substantial level of air kerma",
    "kap_Gycm2": "air kerma-area product",
    "substantial_kap_Gycm2": "substantial level of it",
    "fluoroscopy_min": "fluoroscopy time",
    "skin_mGy": "estimated peak of the dose to the skin",
    "substantial_skin_mGy": "substantial level of it",
    "kap_notice_Gycm2": "first notice of air kerma-area product",
    "fluoroscopy_notice_min": "first notice of fluoroscopy time",
    "substantial_fluoroscopy_min": "substantial level of it",
    "minutes": "minutes since access",
    "minutes_limit": "minutes agreed for the case",
    "exchanged_since_flush": "something that lets air in was exchanged since the guide was bled back and flushed",
    "blocked_s": "how long flow has been blocked by a balloon without a break",
    "failed_hard_pushes": "attempts of this case that failed at all the push that was safe",
}
# The patient, and what was settled before the case
_PATIENT = {
    "contrast_allergy": "allergy to contrast",
    "egfr": "estimated filtration rate of the kidneys (eGFR)",
    "p2y12_loaded": "a P2Y12 inhibitor was loaded",
    "chronic_occlusion": "work on a chronic occlusion",
    "bleeding_high": "bleeding risk is high by the consensus criteria",
    "covered_stent_ready": "a covered stent is in the room",
    "pericardiocentesis_ready": "a pericardiocentesis set is in the room",
    "snare_ready": "a snare is in the room",
}
# Edges that the lab's protocol sets
_EDGES = {
    "high_atm": "an inflation above it is high-pressure",
    "anchor_atm": "an anchor above it is hard",
    "small_branch_mm": "a branch up to it is small",
    "deep_extension_mm": "an extension from it on stands deep",
    "oversize_ratio": "balloon or stent to vessel above which it is too large",
    "burr_ratio": "burr to artery above which it is too large",
    "burr_run_limit_s": "longest run of a burr",
    "blocked_limit_s": "longest block of flow",
    "bend_limit_deg": "bend from which a stiff wire may make false narrowings",
    "stiff_wire_Nmm2": "a wire from it on is stiff",
}

FACTS: Mapping[str, str] = {
    **_OCCASION,
    **_LESION,
    **_RIG,
    **_STEP,
    **_MOVE,
    **_RECORD,
    **_PATIENT,
    **_EDGES,
}
"""Every fact by name, and what it means. A rule that names another one is refused."""
