"""Words of the log: what the trade says, and what each word or phrase stands for.

The phrases are tried longest first, and each is taken out of the line once it was understood.
"""

from __future__ import annotations

import re

from backstay.identifiers import Complication, DeviceKind, Drug, LimitedBy, Preparation

NUMBER = r"\d+(?:\.\d+)?"

LIMITS: dict[str, LimitedBy] = {
    r"(?:the )?guide (?:backed|backs|came|comes|pushed|went) ?(?:out|back|off)?": LimitedBy.GUIDE_OUT,
    r"guide (?:out|lost)": LimitedBy.GUIDE_OUT,
    r"prolapsed?|buckled|bowed(?: out)?": LimitedBy.PROLAPSE,
    r"(?:edge )?(?:caught|catches|snagged)(?: on (?:the )?(?:edge|ledge|plaque|calcium))?": LimitedBy.EDGE_LOCK,
    r"edge|ledge": LimitedBy.EDGE_LOCK,
    r"(?:no push|push lost|lost push)": LimitedBy.PUSH_LOST,
    r"(?:shaft )?kink(?:ed)?": LimitedBy.SHAFT_KINK,
    r"wire (?:came forward|dragged|moved|advanced)": LimitedBy.WIRE_DRAGGED,
    r"(?:wire )?(?:wrap(?:ped)?|twisted)": LimitedBy.WIRE_WRAP,
    r"collar|mouth": LimitedBy.COLLAR_CATCH,
    r"too (?:big|tight)|no passage|does not fit": LimitedBy.NO_PASSAGE,
    r"(?:not tolerated|pain|ischa?emi[ac])": LimitedBy.NOT_TOLERATED,
}
PUSHES = {
    r"gentle(?: push)?|gently": "gentle",
    r"firm(?: push)?|firmly": "firm",
    r"all (?:that was )?safe|hard(?: push)?|max(?:imum)?(?: push)?": "all_that_was_safe",
}
STOPPED = (
    r"(?:did not|didn't|would not|wouldn't|could not|couldn't|won't|failed to|unable to) (?:cross|go|pass|reach|advance)|"
    r"failed|fails|stopped|stuck|no go"
)
REACHED = r"reached|crossed|crosses|in place|across|arrived|went(?: through)?"
NOT_OPEN = r"(?:did not|didn't|not|never) (?:fully )?open(?:ed)?(?: fully)?|not fully|waist(?:ed)?|dog ?bone"
OPEN = r"(?:opened |open )?fully(?: open(?:ed)?)?|no waist|(?:full(?:y)? )?expan(?:ded|sion)"
COUNTS = {"one": 1, "two": 2, "three": 3, "four": 4}
PURPOSES = {
    r"(?:as )?anchor": "anchor",
    r"trap(?:ping)?": "trapping",
    r"seal(?:ing)?|tamponade": "sealing",
    r"post(?:[- ]?dilat\w*)?|after (?:the )?stent": "after_stent",
    r"pre(?:[- ]?dilat\w*)?|prep(?:aration)?": "preparation",
}
DRAWN_INTO = {
    r"(?:drawn |pulled )?into (?:the )?guide": "guide",
    r"(?:drawn |pulled )?into (?:the )?(?:guide )?extension": "extension",
    r"(?:all )?as (?:one|a) unit|(?:drawn |pulled )?into (?:the )?sheath": "sheath",
}
NOT_WHOLE = r"not whole|in pieces|broken|torn"
OTHER_DEVICES = {
    r"(?:oct|ivus|imaging) (?:catheter|probe)": "imaging_catheter",
    r"snare": "snare",
}
"""What no shelf has."""
ROUTES = {
    r"right radial|rra|radial right": "right radial",
    r"left radial|lra|radial left": "left radial",
    r"(?:right |left )?femoral": "femoral",
}
SITES = {
    r"(?:from )?(?:the )?guide": "guide",
    r"(?:from )?(?:the )?sheath": "sheath",
    r"(?:from )?(?:a )?vein|venous": "vein",
}
ROLES = {
    r"as (?:a )?buddy|buddy": "buddy",
    r"(?:in|to) (?:the )?branch|as branch|branch": "branch",
    r"as (?:the )?rail|rail": "rail",
}
LEFT_IN_PLACE = "left in place"
SETTLED = f"sealed|drained|settled|is over|retrieved|snared|freed|{LEFT_IN_PLACE}"
"""After a complication's name: it is over."""
COMPLICATIONS: dict[str, Complication] = {
    r"dissect(?:ion|ed)": Complication.DISSECTION,
    r"perforat(?:ion|ed)": Complication.PERFORATION,
    r"tamponade": Complication.TAMPONADE,
    r"(?:slow|no)[- ]?(?:re)?flow": Complication.SLOW_FLOW,
    r"air(?: embol(?:ism|us))?": Complication.AIR_EMBOLISM,
    r"stent (?:lost|off|stripped|embolised)|stent(?= (?:retrieved|snared))": Complication.STENT_LOST,
    r"stent (?:deformed|crushed|shortened)": Complication.STENT_DEFORMED,
    r"burr stuck|stuck burr|burr(?= freed)": Complication.BURR_STUCK,
    r"(?:balloon|stent|device) stuck|(?:balloon|stent|device)(?= freed)": Complication.DEVICE_STUCK,
    r"wire stuck|stuck wire|wire(?= freed)": Complication.WIRE_STUCK,
    r"(?:part|piece|fragment)(?: left(?! in place)| lost| behind)?": Complication.PART_LOST,
    r"wire (?:broken|broke|fractured?)": Complication.WIRE_BROKEN,
    r"wire (?:position )?lost|lost (?:the )?wire(?: position)?": Complication.WIRE_POSITION_LOST,
    r"new narrowing|pseudo-?stenosis": Complication.NEW_NARROWING,
    r"ischa?emia": Complication.ISCHAEMIA,
    r"thrombus|clot": Complication.THROMBUS,
    r"(?:side )?branch lost|lost (?:the )?(?:side )?branch": Complication.BRANCH_LOST,
}
DRUGS: dict[str, Drug] = {
    "bivalirudin": Drug.BIVALIRUDIN,
    "protamine": Drug.PROTAMINE,
    "enoxaparin": Drug.ENOXAPARIN,
    "fondaparinux": Drug.FONDAPARINUX,
    "aspirin": Drug.ASPIRIN,
    **dict.fromkeys(("tirofiban", "eptifibatide", "abciximab"), Drug.GLYCOPROTEIN_INHIBITOR),
    **dict.fromkeys(("clopidogrel", "ticagrelor", "prasugrel", "cangrelor"), Drug.P2Y12_INHIBITOR),
    **dict.fromkeys(
        (
            "adenosine",
            "atropine",
            "epinephrine",
            "adrenaline",
            "nitroglycerin",
            "gtn",
            "nicardipine",
            "verapamil",
            "fentanyl",
            "midazolam",
            "noradrenaline",
        ),
        Drug.OTHER,
    ),
}
PREPARED: dict[str, Preparation] = {
    r"lithotripsy|ivl": Preparation.LITHOTRIPSY,
    r"atherectomy|rota(?:tional)?(?: atherectomy)?": Preparation.ATHERECTOMY,
}
BALLOON_WORDS = {
    "nc": "non_compliant",
    "non-compliant": "non_compliant",
    "noncompliant": "non_compliant",
    "sc": "semi_compliant",
    "semi-compliant": "semi_compliant",
    "scoring": "scoring",
    "cutting": "scoring",
    "lithotripsy": "lithotripsy",
    "drug-coated": "drug_coated",
    "dcb": "drug_coated",
}
TOPICS = {
    "note": None,
    "indication": "indication",
    "finding": "finding",
    "findings": "finding",
    "outcome": "result",
    "plan": "plan",
    "teaching": "teaching",
}
KIND_WORDS: dict[DeviceKind, frozenset[str]] = {
    DeviceKind.GUIDE: frozenset({"guide", "catheter"}),
    DeviceKind.EXTENSION: frozenset({"extension", "ext", "guide"}),
    DeviceKind.WIRE: frozenset({"wire", "guidewire"}),
    DeviceKind.BALLOON: frozenset({"balloon", "bal", *BALLOON_WORDS}),
    DeviceKind.STENT: frozenset({"stent", "des"}),
    DeviceKind.MICROCATHETER: frozenset({"microcatheter", "micro", "mc"}),
    DeviceKind.BURR: frozenset({"burr"}),
}
FILLERS = frozenset({"a", "an", "the", "of", "on", "and", "with", "for", "mm", "then", "ok", "now"})
EXAMPLES = (
    "nc 2.5x12 18 atm 20 s at lesion fully 2 views",
    "stent 2.75x33 stopped at 48 guide backed out firm",
    "stent 2.75x33 31.5-64.5 14 atm",
    "again 20 atm 15 s",
    "act 287",
    "contrast 8",
    "heparin 5000",
    "dose 812 mgy 61 gycm2 14.5 min",
    "lao 30 cran 20",
    "wire in workhorse",
    "extension to 30",
    "dissection at 52",
    "timi 3 residual 8",
    "note ...",
    "09:42 act 287",
    "fix act 297",
    "undo",
)


class Line:
    """A typed line, from which what was understood is taken piece by piece."""

    def __init__(self, text: str) -> None:
        text = text.lower().strip().replace("\u2019", "'").replace("@", " at ")
        text = re.sub(r"(\d),(\d)", r"\1.\2", text)
        text = re.sub(r"(?<![\d.])\.(?=\d)", "0.", text)
        text = re.sub(r"(?<![\w.])(\d+)k\b", r"\g<1>000", text)
        # Written together: act=287, lao30.
        text = re.sub(r"(?<=[a-z])\s*[=:]\s*(?=\d)", " ", text)
        text = re.sub(r"\b(lao|rao|cran|caud|cra|cau)(?=\d)", r"\1 ", text)
        text = re.sub(rf"({NUMBER})\s*[x×]\s*({NUMBER})", r"\1x\2", text)
        text = re.sub(r"(\d)\s*(?:–|−|-)\s*(\d)", r"\1-\2", text)
        self.text = f" {re.sub(r'[,;]', ' ', text)} "

    def take(self, pattern: str) -> re.Match[str] | None:
        """Return the first place where the pattern stands as whole words, and take it out of the line."""
        found = re.search(rf"(?<=\s)(?:{pattern})(?=\s)", self.text)
        if found is not None:
            self.text = f"{self.text[: found.start()]} {self.text[found.end() :]}"
            self.text = re.sub(r"\s+", " ", self.text)
        return found

    def take_one(self, phrases: dict[str, object]) -> object:
        """Return what the longest phrase found stands for, and take it out; None where there is none."""
        hits = [
            (found.group(0), pattern, value)
            for pattern, value in phrases.items()
            if (found := re.search(rf"(?<=\s)(?:{pattern})(?=\s)", self.text))
        ]
        if not hits:
            return None
        _, pattern, value = max(hits, key=lambda hit: len(hit[0]))
        self.take(pattern)
        return value

    def has(self, pattern: str) -> bool:
        """Return whether the pattern stands in the line as whole words."""
        return re.search(rf"(?<=\s)(?:{pattern})(?=\s)", self.text) is not None

    @property
    def words(self) -> list[str]:
        """Return what is left."""
        return self.text.split()
