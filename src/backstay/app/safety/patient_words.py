"""What a case file says of the patient in free words: conditions, allergies, drugs taken; "no diabetes" is no diabetes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

HYPOTENSION = r"hypotensi(?:on|ve)|cardiogenic shock"
BALLOON_PUMP = r"balloon pump|counterpulsation|iabp"
HEART_FAILURE = r"(?:heart|cardiac|ventricular|lv) failure|pulmonary o?edema|hf(?:r|p|mr)ef|chf"
DIABETES = r"(?<!pre-)(?<!pre )(?<!gestational )diabet(?:es|ic)(?! insipidus)|t[12]dm"
CHRONIC_OCCLUSION = r"chronic (?:\w+ )?(?:total )?occlu(?:sion|ded)|cto"
CHRONIC_SYNDROME = r"chronic coronary|stable angina"
ACUTE_SYNDROME = r"acute coronary|acute (?:myocardial infarction|mi)|unstable angina|n?stemi|(?:nste-?)?acs"
CONTRAST = r"contrast|(?<!povidone-)(?<!povidone )iod\w+|(?<!hair )dye|radiocontrast"

_NOT_THEIRS = re.compile(
    r"\b(?:family history|familial|father|mother|brother|sister|siblings?|parents?|relatives?|(?:at )?risk (?:of|for))\b"
)
_PAST_BEFORE = re.compile(
    r"\b(?:prior|previous(?:ly)?|old|past|history of|remote|earlier|former|status post|s/p)(?!\w)"
)
_PAST_AFTER = re.compile(r"\b(?:(?:years?|months?) ago|(?:19|20)\d\d)\b")
_DENIED_BEFORE = re.compile(r"\bnon-?$|\b(?:no|not|never|without|denies|denied|negative for|free of|nil)\b")
_DENIED_AFTER = re.compile(r"\b(?:excluded|ruled out|absent|negative|denied)\b|: ?(?:no|none)\b")


def told(said: Iterable[str], pattern: str) -> bool | None:
    """Return whether one of some free texts says a thing, or denies it; None where none speaks of it.

    Parameters
    ----------
    said : iterable of str
        What is listed: one condition or allergy each, or several between commas.
    pattern : str
        The thing, as a regular expression in lower case; it stands as whole words.

    Returns
    -------
    bool or None
        What affirms it wins. A denial holds to the next comma, semicolon, full stop or "but". What is said of relatives, or
        of a risk, is not said of the patient.

    Examples
    --------
    >>> told(["hypertension, no diabetes"], DIABETES), told(["CTO of another vessel"], CHRONIC_OCCLUSION), told([], DIABETES)
    (False, True, None)
    """
    found = [
        not (_DENIED_BEFORE.search(before) or _DENIED_AFTER.search(after))
        for before, after in _around(said, pattern)
    ]
    return any(found) if found else None


def _around(said: Iterable[str], pattern: str) -> Iterator[tuple[str, str]]:
    """Yield what stands before and after each place that speaks of a thing in the patient."""
    for text in said:
        for part in re.split(r"[;,.]|\bbut\b", " ".join(text.lower().split())):
            for at in re.finditer(rf"(?<!\w)(?:{pattern})(?!\w)", part):
                before, after = part[: at.start()], part[at.end() :]
                if not _NOT_THEIRS.search(before):
                    yield before, after


def acute(said: Iterable[str]) -> bool | None:
    """Return whether the indication is an acute coronary syndrome, not an earlier one; None where that is not told.

    Parameters
    ----------
    said : iterable of str
        What is listed.

    Returns
    -------
    bool or None
        False where chronic disease is told.

    Examples
    --------
    >>> acute(["NSTEMI"]), acute(["prior acute myocardial infarction"]), acute(["prior NSTEMI", "stable angina"])
    (True, None, False)
    """
    said = tuple(said)
    now = any(
        not (
            _PAST_BEFORE.search(before)
            or _PAST_AFTER.search(after)
            or _DENIED_BEFORE.search(before)
            or _DENIED_AFTER.search(after)
        )
        for before, after in _around(said, ACUTE_SYNDROME)
    )
    return True if now else False if told(said, CHRONIC_SYNDROME) else None


NOT_LOADED = (
    *("none", "no", "nil", "not", "never", "without", "n/a", "-"),
    *(
        "pending",
        "planned",
        "later",
        "to be given",
        "to be loaded",
        "to load",
        "will be given",
        "will be loaded",
    ),
    *(
        "not loaded",
        "not given",
        "not taken",
        "not started",
        "not yet",
        "no load",
        "no loading dose",
        "unloaded",
    ),
    *("omitted", "withheld", "on hold", "held", "stopped", "paused", "declined", "refused", "missed"),
)
"""What a case file says where no P2Y12 inhibitor was loaded: the first eight by their place, the others anywhere."""
_ALONE = NOT_LOADED[:8]
_NOT_KNOWN = ("unknown", "not known", "?")


def p2y12_loaded(text: str | None) -> bool | None:
    """Return whether what a case file says of a P2Y12 inhibitor means that it was loaded; None where it is not known.

    A short word such as "no" counts where the text, or a part of it after a colon, comma or dash, begins or ends with it.
    """
    if text is None:
        return None
    words = " ".join(text.lower().split())
    parts = [part.strip(" .()") for part in re.split(r"[:;,()]| - ", words)]
    if any(part in _NOT_KNOWN for part in (words, *parts)):
        return None
    anywhere = (rf"(?<!\w){re.escape(word)}(?!\w)" for word in NOT_LOADED[len(_ALONE) :])
    if any(re.search(pattern, words) for pattern in anywhere):
        return False
    ends = {word for part in (words, *parts) if part for word in (part.split()[0], part.split()[-1])}
    return not ends & set(_ALONE)
