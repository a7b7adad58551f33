"""What each move costs, what must be true first, what to beware of and what it may do: one row for each.

Minutes, contrast and air kerma are what setting the move up takes, not what the device's own try takes. They
are judged and marked so. Rates of harm are of procedures, not of moves. The cautions do not replace the instructions for
use of a device, local protocols or the operator's judgement.

Sources: [@klaudel2024; @waterbury2016; @anchorbench2020; @kumar2023; @pan2016; @prabhu2012; @dissection2023]
[@perforation2022; @perforation2016; @iturbe2012; @villanueva2015].
"""

from __future__ import annotations

from dataclasses import dataclass

from backstay.core.rigging import needs
from backstay.core.rigging.needs import Need
from backstay.identifiers import Evidence, StepKind


@dataclass(frozen=True)
class Harm:
    """What a move may do to the patient.

    Attributes
    ----------
    what : str
        In the trade's words.
    per_1000 : float or None
        How often, in 1000 procedures; None where no figure was found.
    source : str
        Key of the source, or the evidence word.
    """

    what: str
    per_1000: float | None
    source: str


@dataclass(frozen=True)
class MoveFacts:
    """What is said of a move, and what setting it up takes.

    Attributes
    ----------
    minutes, contrast_mL, air_kerma_mGy : float
        Cost of setting it up; judgement, no source.
    needs : tuple of Need
        What must be true before it is tried.
    cautions : tuple of str
        What to beware of, in the trade's words; a source key in brackets where there is one.
    sources : tuple of str
        Those keys.
    harm : tuple of Harm
        What it may do.
    give_up : str
        What to see that ends it.
    step : StepKind
        What it does, in the hazards' words.
    """

    minutes: float
    contrast_mL: float
    air_kerma_mGy: float
    needs: tuple[Need, ...] = ()
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    harm: tuple[Harm, ...] = ()
    give_up: str = ""
    step: StepKind = StepKind.PUSH


_NO_FIGURE = Evidence.JUDGEMENT.value

# Derived: the share by cause of the rate over all procedures.
_WIRE_EXIT = Harm("perforation at the wire's exit", 1.44, "perforation2022")
_WIRE_DISSECTION = Harm("dissection by a wire", 4.2, "dissection2023")
_BALLOON_DISSECTION = Harm("dissection by a balloon", 2.8, "dissection2023")
_BALLOON_PERFORATION = Harm("perforation by a balloon", 1.09, "perforation2022")
_BALLOON = (_BALLOON_DISSECTION, _BALLOON_PERFORATION)
# Of all procedures, most of which seated nothing deep: what a guide seated deep does is more, by how much was not found.
_CATHETER_DISSECTION = Harm("dissection by the catheter, seated deep or not: more here", 1.26, "klaudel2024")
_WIRE_TRAPPED = Harm("a wire that cannot be drawn out", 0.86, "iturbe2012")
_STENT_LOST = Harm("a stent lost", 2.1, "iturbe2012")

DISSECTED = "a dissection is known: keep the wire where it is, go gently, inject little"

AS_IT_IS = MoveFacts(
    0.0, 0.0, 0.0, harm=(_STENT_LOST,), give_up="the guide backs out, or the wire's tip moves on"
)

SMALL_BALLOON = MoveFacts(
    4.0,
    6.0,
    40.0,
    (needs.TOOL_ARRIVES,),
    ("inflate slowly; take it out deflated and straight",),
    harm=_BALLOON,
    give_up="it does not cross",
    step=StepKind.INFLATE,
)

PLAIN_BALLOON = MoveFacts(
    4.0,
    6.0,
    40.0,
    (needs.TOOL_ARRIVES,),
    ("not larger than the distal reference", "may dissect; look in two views afterwards"),
    harm=_BALLOON,
    give_up="it does not cross, or keeps a waist",
    step=StepKind.INFLATE,
)

NON_COMPLIANT = MoveFacts(
    5.0,
    8.0,
    50.0,
    (needs.TOOL_ARRIVES,),
    (
        "not larger than the distal reference, and below its rated burst pressure",
        "may dissect or perforate at high pressure; look in two views afterwards",
    ),
    harm=_BALLOON,
    give_up="it does not cross, or keeps a waist at its rated pressure",
    step=StepKind.INFLATE,
)

SCORING = MoveFacts(
    6.0,
    10.0,
    60.0,
    (needs.TOOL_ARRIVES,),
    (
        "stiffer and bulkier than a plain balloon; not larger than the distal reference",
        "may dissect or perforate; inflate and deflate slowly",
    ),
    harm=_BALLOON,
    give_up="it does not cross, or keeps a waist",
    step=StepKind.INFLATE,
)

LITHOTRIPSY = MoveFacts(
    9.0,
    12.0,
    90.0,
    (needs.TOOL_ARRIVES, needs.CALCIUM_ALL_ROUND),
    (
        "bulky: it may not cross",
        "pulses may capture the heartbeat; the inflated balloon stops the flow",
    ),
    harm=(Harm("dissection or perforation", None, _NO_FIGURE),),
    give_up="it does not cross, or its pulses are used up",
    step=StepKind.INFLATE,
)

ATHERECTOMY = MoveFacts(
    20.0,
    20.0,
    200.0,
    (needs.BURR_NO_DISSECTION, needs.BURR_ALONE, needs.BURR_NOT_IN_STENT, needs.TOOL_ARRIVES),
    (
        "slow flow, perforation, a stuck burr: only with the means to treat them at hand",
        "burr to artery up to 0.6 (from memory)",
    ),
    harm=(Harm("perforation, up to", 30.0, "perforation2016"), Harm("a stuck burr", None, _NO_FIGURE)),
    give_up="the burr slows, or does not go on in short runs",
    step=StepKind.RUN_BURR,
)

SEAT_DEEPER = MoveFacts(
    1.0,
    3.0,
    15.0,
    (needs.COAXIAL, needs.NOT_DAMPED),
    (
        "deep intubation is a main trigger of catheter-caused dissection (klaudel2024)",
        "draw the guide back as soon as the device has passed",
    ),
    ("klaudel2024",),
    harm=(_CATHETER_DISSECTION,),
    give_up="pressure damps, or the tip leaves the vessel's line",
    step=StepKind.SEAT,
)

EXTENSION = MoveFacts(
    5.0,
    8.0,
    50.0,
    (needs.TOOL_ARRIVES, needs.NOT_DAMPED),
    (
        "it goes over a balloon or an anchor, not bare, past bends; flush before each injection",
        "its edge may dissect (3.3 %) or deform a stent at the mouth or collar (2.2 %) (waterbury2016)",
        "inject gently with the tip wedged; the vessel beyond may be short of flow",
    ),
    ("waterbury2016",),
    harm=(Harm("dissection", 33.1, "waterbury2016"), Harm("a stent deformed", 22.0, "waterbury2016")),
    give_up="it does not go on without the guide backing out, or pressure damps",
    step=StepKind.EXTEND,
)

EXTENSION_OVER_BALLOON = MoveFacts(
    6.0,
    9.0,
    60.0,
    EXTENSION.needs,
    ("its tip follows the deflating balloon: let it down and push in one movement", *EXTENSION.cautions[1:]),
    EXTENSION.sources,
    harm=EXTENSION.harm,
    give_up=EXTENSION.give_up,
    step=StepKind.EXTEND,
)

STIFFER_RAIL = MoveFacts(
    6.0,
    4.0,
    50.0,
    (needs.TOOL_ARRIVES, needs.WIRE_STAYS_IN_DISSECTION),
    (
        "exchange over a microcatheter, the rail's tip in sight",
        "a stiff wire straightens bends and may mimic narrowings or slow the flow while it lies there",
        "keep its tip away from small branches: wire exits are a leading cause of perforation",
    ),
    harm=(_WIRE_EXIT, _WIRE_DISSECTION),
    give_up="the microcatheter does not cross",
    step=StepKind.PLACE_WIRE,
)

BUDDY_WIRE = MoveFacts(
    4.0,
    4.0,
    35.0,
    (needs.NO_SECOND_WIRE_INTO_DISSECTION,),
    (
        "it crosses beside the first without winding round it",
        "two wires may wrap: take the buddy out if the device drags it along",
        "never open a stent over it by accident",
    ),
    harm=(_WIRE_EXIT, _WIRE_DISSECTION),
    give_up="it does not cross, or moves with the first",
    step=StepKind.PLACE_WIRE,
)

REWIRE = MoveFacts(
    6.0,
    6.0,
    50.0,
    (needs.NO_SECOND_WIRE_INTO_DISSECTION,),
    ("the first wire stays until the second has crossed",),
    harm=(_WIRE_EXIT, _WIRE_DISSECTION),
    give_up="it takes the same way again",
    step=StepKind.PLACE_WIRE,
)

TAKE_OUT_WRAPPED_WIRE = MoveFacts(
    3.0,
    2.0,
    20.0,
    (needs.BUDDY_TO_TAKE_OUT, needs.WIRES_WRAPPED),
    ("turn them apart first; if the rail comes with it, stop: the place of the wire is worth more",),
    give_up="the rail comes with it",
    step=StepKind.TAKE_OUT_WIRE,
)

SIDE_BRANCH_ANCHOR = MoveFacts(
    8.0,
    8.0,
    80.0,
    (needs.TOOL_ARRIVES,),
    (
        "wire the branch; balloon no larger than it, inflated softly, let down as soon as the device has passed",
        "the branch may be injured or shut; ischaemia while it is inflated",
        "pressure and length hold, a larger label does not (anchorbench2020)",
    ),
    ("anchorbench2020",),
    harm=(Harm("the branch injured or shut", None, _NO_FIGURE),),
    give_up="the balloon slips, or the branch's flow is missed",
    step=StepKind.INFLATE,
)

TRAPPED_WIRE = MoveFacts(
    7.0,
    10.0,
    70.0,
    (
        needs.BUDDY_TO_TRAP,
        needs.PROXIMAL_STENT_WANTED,
        needs.ONLY_SOFT_END_TRAPPED,
        needs.NONE_TRAPPED,
        needs.TOOL_ARRIVES,
    ),
    (
        "take it out with the guide disengaged and watched; stop if the guide dives in or the stent moves",
        "no high-pressure inflation over the wire",
        "a trapped buddy wire has pulled a stent out (kumar2023)",
        "the longer the trapped length, the more wires are damaged (pan2016)",
        "the last stent must pass through the one just placed",
    ),
    ("kumar2023", "pan2016"),
    harm=(_WIRE_TRAPPED, Harm("the wire damaged, without a jacket", 530.0, "villanueva2015")),
    give_up="the stent moves when the wire is held",
    step=StepKind.OPEN_STENT,
)

OTHER_GUIDE = MoveFacts(
    15.0,
    15.0,
    120.0,
    (needs.NONE_TRAPPED, needs.EXCHANGE_LENGTH),
    (
        "everything but the rail comes out first",
        "changing guides late risks losing the wire's place (common practice, no source)",
    ),
    harm=(
        Harm("dissection by engaging a guide", 2.52, "dissection2023"),
        Harm("the wire's place lost", None, _NO_FIGURE),
    ),
    give_up="the wire's tip moves back",
    step=StepKind.TAKE_OUT_GUIDE,
)

SECOND_ACCESS = MoveFacts(
    25.0,
    15.0,
    150.0,
    (needs.ACCESS_AGREED, needs.NONE_TRAPPED),
    (
        "a new guide must be wired anew, the first stays until it is",
        "bleeding at the groin: puncture under ultrasound",
    ),
    harm=(
        Harm("dissection by engaging a guide", 2.52, "dissection2023"),
        Harm("bleeding at the second access", None, _NO_FIGURE),
    ),
    give_up="the new guide does not engage",
    step=StepKind.SEAT,
)

OTHER_DEVICE = MoveFacts(
    2.0, 0.0, 0.0, (), ("the size must still suit the vessel",), harm=(_STENT_LOST,), give_up=AS_IT_IS.give_up
)

TWO_SHORTER_STENTS = MoveFacts(
    8.0,
    12.0,
    80.0,
    (),
    (
        "the distal one first; overlap of about 2 mm, two layers of metal there",
        "a catheter's tip caught on a fresh stent loads it with half a newton (prabhu2012)",
    ),
    ("prabhu2012",),
    harm=(_STENT_LOST,),
    give_up=AS_IT_IS.give_up,
)

# These are no rungs: what hands do goes with any push, behind the others no term of the model stands.
HOLD_WIRE_IN_TENSION = MoveFacts(0.5, 0.0, 5.0, cautions=("gently: the wire's tip must not come back",))
ROTATE_GUIDE = MoveFacts(1.0, 2.0, 10.0, (needs.NOT_DAMPED,), ("small turns, pressure watched",))
DEEP_INSPIRATION = MoveFacts(0.5, 0.0, 5.0, cautions=("needs a patient who can follow",))
SOFT_BALLOON_BESIDE = MoveFacts(
    4.0,
    4.0,
    40.0,
    (needs.TOOL_ARRIVES, needs.NO_SECOND_WIRE_INTO_DISSECTION),
    ("two atmospheres or less; let it down as soon as the edge has passed",),
    harm=_BALLOON,
)
DISTAL_ANCHOR = MoveFacts(
    8.0,
    8.0,
    80.0,
    (needs.TOOL_ARRIVES,),
    ("beyond the lesion, soft: the vessel there may be injured, and has no flow while it is inflated",),
    ("anchorbench2020",),
    harm=_BALLOON,
)
LONG_SHEATH = MoveFacts(
    8.0, 0.0, 60.0, (needs.EXCHANGE_LENGTH,), ("the guide comes out for it, or is drawn back",)
)
DRUG_COATED_BALLOON = MoveFacts(
    4.0, 6.0, 50.0, (needs.OPENED_FOR_DRUG,), ("no longer dissection, no residual narrowing above a third",)
)
ANOTHER_DAY = MoveFacts(
    0.0, 0.0, 0.0, cautions=("only with flow, without pain, and nothing half done in the vessel",)
)
STOP = MoveFacts(0.0, 0.0, 0.0, cautions=("agree on it before the case; whoever was named calls it",))
