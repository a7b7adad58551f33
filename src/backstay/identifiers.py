"""Every identifier that crosses a boundary, once: moves, ways to fail, causes, calcium classes, device and event kinds.

Files, screens, the API and the record all use these values; nothing else invents one.
"""

from __future__ import annotations

from enum import StrEnum


class LimitedBy(StrEnum):
    """Why a device stopped. `MODELLED` says which of them a model term stands behind; the rest are only recorded."""

    GUIDE_OUT = "guide_out"
    PROLAPSE = "prolapse"
    EDGE_LOCK = "edge_lock"
    PUSH_LOST = "push_lost"
    SHAFT_KINK = "shaft_kink"
    WIRE_DRAGGED = "wire_dragged"
    WIRE_WRAP = "wire_wrap"
    COLLAR_CATCH = "collar_catch"
    NO_PASSAGE = "no_passage"
    NOT_TOLERATED = "not_tolerated"


MODELLED = frozenset(
    {
        LimitedBy.GUIDE_OUT,
        LimitedBy.PROLAPSE,
        LimitedBy.EDGE_LOCK,
        LimitedBy.PUSH_LOST,
        LimitedBy.SHAFT_KINK,
        LimitedBy.NO_PASSAGE,
    }
)


class Cause(StrEnum):
    """Parts of the push needed; they sum to it."""

    BENDING = "bending"
    WALL_FRICTION = "wall_friction"
    BENDS_PULL = "bends_pull"
    CROSSING = "crossing"
    LEADING_EDGE = "leading_edge"
    EXTENSION = "extension"
    WIRE = "wire"


class MoveId(StrEnum):
    """Changes to rig, lesion or device."""

    AS_IT_IS = "as_it_is"
    PREPARE_AGAIN = "prepare_again"
    SEAT_DEEPER = "seat_deeper"
    EXTENSION = "extension"
    STIFFER_RAIL = "stiffer_rail"
    BUDDY_WIRE = "buddy_wire"
    SECOND_BUDDY_WIRE = "second_buddy_wire"
    SIDE_BRANCH_ANCHOR = "side_branch_anchor"
    TRAPPED_WIRE = "trapped_wire"
    OTHER_GUIDE = "other_guide"
    OTHER_DEVICE = "other_device"
    TWO_SHORTER_STENTS = "two_shorter_stents"
    SCORING_BALLOON = "scoring_balloon"
    LITHOTRIPSY = "lithotripsy"
    ATHERECTOMY = "atherectomy"
    EXTENSION_OVER_BALLOON = "extension_over_balloon"
    REWIRE = "rewire"
    TAKE_OUT_WRAPPED_WIRE = "take_out_wrapped_wire"
    HOLD_WIRE_IN_TENSION = "hold_wire_in_tension"
    ROTATE_GUIDE = "rotate_guide"
    DEEP_INSPIRATION = "deep_inspiration"
    SOFT_BALLOON_BESIDE = "soft_balloon_beside"
    DISTAL_ANCHOR = "distal_anchor"
    LONG_SHEATH = "long_sheath"
    SECOND_ACCESS = "second_access"
    DRUG_COATED_BALLOON = "drug_coated_balloon"
    ANOTHER_DAY = "another_day"
    STOP = "stop"


PREPARING = frozenset({MoveId.PREPARE_AGAIN, MoveId.SCORING_BALLOON, MoveId.LITHOTRIPSY, MoveId.ATHERECTOMY})
"""Moves that prepare the lesion; a look comes after them, before anything is pushed."""


class Calcium(StrEnum):
    """Angiographic calcium of a lesion."""

    NONE = "none"
    MILD = "mild"
    MODERATE = "moderate"
    SEVERE = "severe"


class Preparation(StrEnum):
    """What has been done to a lesion, in the trade's words."""

    SMALL_BALLOON = "small_balloon"
    SEMI_COMPLIANT = "semi_compliant_balloon"
    NON_COMPLIANT = "non_compliant_balloon"
    SCORING = "scoring_balloon"
    LITHOTRIPSY = "lithotripsy"
    ATHERECTOMY = "atherectomy"


class DeviceKind(StrEnum):
    """Tables of a shelf."""

    GUIDE = "guide"
    EXTENSION = "extension"
    WIRE = "wire"
    MICROCATHETER = "microcatheter"
    BALLOON = "balloon"
    STENT = "stent"
    BURR = "burr"


class GuideShape(StrEnum):
    """Shape families of guides, described by their curve."""

    STANDARD_LEFT = "standard_left"
    EXTRA_BACKUP_LEFT = "extra_backup_left"
    AMPLATZ_LEFT = "amplatz_left"
    STANDARD_RIGHT = "standard_right"
    AMPLATZ_RIGHT = "amplatz_right"


class Access(StrEnum):
    """Route of access."""

    FEMORAL = "femoral"
    RIGHT_RADIAL = "right_radial"
    LEFT_RADIAL = "left_radial"


class Coronary(StrEnum):
    """Which coronary artery a guide is seated in."""

    LEFT = "left"
    RIGHT = "right"


class RestsOn(StrEnum):
    """Where a guide rests on the wall."""

    OPPOSITE_WALL = "opposite_wall"
    NEAR_WALL = "near_wall"
    ARCH = "arch"
    OSTIUM = "ostium"
    VESSEL = "vessel"


class Verdict(StrEnum):
    """Does it fit."""

    FITS = "fits"
    TIGHT = "tight"
    NO = "does_not_fit"


class EventKind(StrEnum):
    """Kinds of event in a record (`CASE.events.jsonl`)."""

    ACCESS = "access"
    GUIDE_IN = "guide_in"
    GUIDE_OUT = "guide_out"
    WIRE_IN = "wire_in"
    WIRE_OUT = "wire_out"
    EXTENSION = "extension"
    INFLATION = "inflation"
    STENT = "stent"
    ATTEMPT = "attempt"
    CONTRAST = "contrast"
    ACT = "act"
    HEPARIN = "heparin"
    DOSE = "dose"
    VIEW = "view"
    COMPLICATION = "complication"
    NOTE = "note"
    CORRECTION = "correction"
    OPENED = "opened"
    PREPARED = "prepared"
    RESULT = "result"
    SIGNED = "signed"
    ADDENDUM = "addendum"
    DEVICE_IN = "device_in"
    DEVICE_OUT = "device_out"
    DEFLATION = "deflation"
    WIRE_SEEN = "wire_seen"
    PRESSURE = "pressure"
    DRUG = "drug"
    FLUSH = "flush"
    END = "end"


class StepKind(StrEnum):
    """What a step does, whether logged or only thought of: what rules speak of."""

    PLAN = "plan"
    PLACE_WIRE = "place_wire"
    TAKE_OUT_WIRE = "take_out_wire"
    SEAT = "seat"
    TAKE_OUT_GUIDE = "take_out_guide"
    EXTEND = "extend"
    TAKE_OUT_EXTENSION = "take_out_extension"
    PUSH = "push"
    INFLATE = "inflate"
    LET_DOWN = "let_down"
    OPEN_STENT = "open_stent"
    RUN_BURR = "run_burr"
    WITHDRAW = "withdraw"
    INJECT = "inject"
    GIVE = "give"
    REPORT = "report"
    STAND = "stand"
    END = "end"


class BodyItem(StrEnum):
    """Kinds of things that can be in the body."""

    GUIDE = "guide"
    WIRE = "wire"
    TRAPPED_WIRE = "trapped_wire"
    EXTENSION = "extension"
    BALLOON = "balloon"
    ANCHOR_BALLOON = "anchor_balloon"
    STENT_ON_BALLOON = "stent_on_balloon"
    STENT_BALLOON = "stent_balloon"
    STENT = "stent"
    MICROCATHETER = "microcatheter"
    BURR = "burr"
    IMAGING_CATHETER = "imaging_catheter"
    OTHER = "other"


class Complication(StrEnum):
    """What went wrong, where it is one of these; the words of the record stand beside it."""

    DISSECTION = "dissection"
    PERFORATION = "perforation"
    TAMPONADE = "tamponade"
    SLOW_FLOW = "slow_flow"
    AIR_EMBOLISM = "air_embolism"
    STENT_LOST = "stent_lost"
    STENT_DEFORMED = "stent_deformed"
    BURR_STUCK = "burr_stuck"
    DEVICE_STUCK = "device_stuck"
    WIRE_STUCK = "wire_stuck"
    WIRE_BROKEN = "wire_broken"
    PART_LOST = "part_lost"
    WIRE_POSITION_LOST = "wire_position_lost"
    NEW_NARROWING = "new_narrowing"
    ISCHAEMIA = "ischaemia"
    THROMBUS = "thrombus"
    BRANCH_LOST = "branch_lost"


LASTING = frozenset(
    {
        Complication.PERFORATION,
        Complication.TAMPONADE,
        Complication.AIR_EMBOLISM,
        Complication.STENT_LOST,
        Complication.BURR_STUCK,
        Complication.DEVICE_STUCK,
        Complication.WIRE_STUCK,
        Complication.WIRE_BROKEN,
        Complication.PART_LOST,
    }
)
"""What stays true until the record says that it is over."""


class Drug(StrEnum):
    """Drugs of the record that a rule or a limit speaks of."""

    BIVALIRUDIN = "bivalirudin"
    PROTAMINE = "protamine"
    GLYCOPROTEIN_INHIBITOR = "glycoprotein_inhibitor"
    ENOXAPARIN = "enoxaparin"
    FONDAPARINUX = "fondaparinux"
    P2Y12_INHIBITOR = "p2y12_inhibitor"
    ASPIRIN = "aspirin"
    OTHER = "other"


class BleedingRisk(StrEnum):
    """Criteria of high bleeding risk that no laboratory value gives."""

    ORAL_ANTICOAGULANT = "oral_anticoagulant"
    BLEED_WITHIN_6_MONTHS = "bleed_within_6_months"
    BLEED_RECURRENT = "bleed_recurrent"
    BLEED_WITHIN_12_MONTHS = "bleed_within_12_months"
    BLEEDING_DIATHESIS = "bleeding_diathesis"
    CIRRHOSIS_WITH_PORTAL_HYPERTENSION = "cirrhosis_with_portal_hypertension"
    ACTIVE_CANCER = "active_cancer"
    SPONTANEOUS_INTRACRANIAL_BLEED = "spontaneous_intracranial_bleed"
    TRAUMATIC_INTRACRANIAL_BLEED_12_MONTHS = "traumatic_intracranial_bleed_12_months"
    BRAIN_ARTERIOVENOUS_MALFORMATION = "brain_arteriovenous_malformation"
    STROKE_MODERATE_OR_SEVERE_6_MONTHS = "stroke_moderate_or_severe_6_months"
    STROKE_ISCHAEMIC_OTHER = "stroke_ischaemic_other"
    MAJOR_SURGERY_PLANNED = "major_surgery_planned"
    MAJOR_SURGERY_OR_TRAUMA_30_DAYS = "major_surgery_or_trauma_30_days"
    LONG_TERM_NSAID_OR_STEROID = "long_term_nsaid_or_steroid"


class Ready(StrEnum):
    """Rescue kit that is in the room."""

    COVERED_STENT = "covered_stent"
    PERICARDIOCENTESIS_SET = "pericardiocentesis_set"
    SNARE = "snare"


class Level(StrEnum):
    """How strongly a rule speaks, strongest first: not this, stop and look, or mind."""

    BLOCK = "block"
    PAUSE = "pause"
    NOTE = "note"


class BudgetState(StrEnum):
    """Where a limit stands."""

    NO_LIMIT = "no limit known"
    WITHIN = "within"
    NEAR = "near"
    PAST = "past"


class Evidence(StrEnum):
    """Where a number comes from, best first."""

    PUBLISHED = "published"
    DERIVED = "derived"
    COMMON_PRACTICE = "common practice, no source"
    ILLUSTRATIVE = "illustrative"
    JUDGEMENT = "judgement, no source"


class Whose(StrEnum):
    """Who set a level in place of a source."""

    LAB = "the lab's protocol"
    CASE = "set in the case file"


# Treatment


class BranchingLaw(StrEnum):
    """Laws for diameters where a vessel divides."""

    HUO_KASSAB = "huo_kassab"
    FINET = "finet"
    MURRAY = "murray"


class LesionType(StrEnum):
    """Lesion types of the 1988 and 1990 classification."""

    A = "A"
    B1 = "B1"
    B2 = "B2"
    C = "C"


class SizedBy(StrEnum):
    """What a diameter was sized by."""

    ANGIOGRAPHY = "angiography"
    LUMEN = "lumen"
    OUTER_WALL = "outer_wall"


class BalloonUse(StrEnum):
    """What a balloon is inflated for."""

    PREPARATION = "preparation"
    STENT = "stent"
    AFTER_STENT = "after_stent"
    PROXIMAL_OPTIMISATION = "proximal_optimisation"
    KISSING = "kissing"
    DRUG = "drug"


# Imaging


class Intensity(StrEnum):
    """How grey values of an angiogram follow the signal: the standard's values of (0028,1040) that are handled."""

    LINEAR = "LIN"
    LOGARITHMIC = "LOG"
    DISPLAY = "DISP"


class CalibrationKind(StrEnum):
    """Where the scale of an angiogram comes from."""

    GEOMETRY = "geometry"
    CATHETER = "catheter"


# Withdrawal


class TrappedEnd(StrEnum):
    """What gives first when a wire trapped behind a stent is pulled."""

    SLIPS = "slips"
    MOVES_STENT = "moves_stent"
    BREAKS = "breaks"


class Catch(StrEnum):
    """What an edge can catch on, on the way back out."""

    LEDGE = "ledge"
    STENT_END = "stent_end"
    EXTENSION_MOUTH = "extension_mouth"
    GUIDE_TIP = "guide_tip"


class UserRole(StrEnum):
    """What a user of the workbench may do: a recorder all that a reader may, an operator all that a recorder may."""

    READER = "reader"
    RECORDER = "recorder"
    OPERATOR = "operator"


# Attempts


class Pushed(StrEnum):
    """How hard a device was pushed."""

    GENTLE = "gentle"
    FIRM = "firm"
    ALL_THAT_WAS_SAFE = "all_that_was_safe"


class Question(StrEnum):
    """What could still be asked of an attempt."""

    WHERE = "where"
    WHAT_GAVE = "what_gave"
    HOW_HARD = "how_hard"
