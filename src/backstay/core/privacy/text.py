"""Identifiers in free text: names that were given, and what looks like a date, a number of a record, an address.

No list of patterns finds every identifier in free text [@hipaa164514]. So a name is only found for sure when it was
given, everything found is shown to a person, and so is every text that is kept.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

_MONTH = (
    "jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?"
    "|nov(?:ember)?|dec(?:ember)?"
)
_DAY = r"[0-3]?\d"
_YEAR = r"(?:19|20)\d\d"
_TITLES = r"dr|prof|professor|mr|mrs|ms|miss|sir|nurse|herr|frau|mme|dott|sig"
# Each kind in the order in which a text is searched; where two overlap the longer stands.
_PATTERNS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (kind, re.compile(pattern, flags))
    for kind, pattern, flags in (
        ("e-mail", r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+", 0),
        ("web address", r"\b(?:https?://|www\.)\S+", re.I),
        ("address of a machine", r"\b\d{1,3}(?:\.\d{1,3}){3}\b", 0),
        ("date", rf"\b{_YEAR}[-/._]?(?:0[1-9]|1[0-2])[-/._]?(?:0[1-9]|[12]\d|3[01])(?!\d)", 0),
        ("date", rf"(?<![\d.]){_DAY}\s?[-/._]\s?{_DAY}\s?[-/._]\s?(?:{_YEAR}|\d\d)(?![\d.]*\d)", 0),
        ("date", rf"\b{_DAY}(?:st|nd|rd|th|\.)?[\s-]?(?:of\s)?(?:{_MONTH})(?:\b|(?={_YEAR}))\.?(?:,?[\s-]?{_YEAR})?", re.I),
        ("date", rf"\b(?:{_MONTH})\.?,?\s{_YEAR}\b", re.I),
        ("date", r"\b(?:on|last|next|this) (?:mon|tues|wednes|thurs|fri|satur|sun)day\b", re.I),
        ("date", rf"\b(?:dob|born|date of birth)\b[: ]+(?:in )?[\w ./-]*?{_YEAR}\b", re.I),
        ("date", rf"\b(?:{_MONTH})\.?\s{_DAY}(?:st|nd|rd|th)?\b(?:,?\s?{_YEAR})?", re.I),
        ("number", r"\b\d{3}-\d\d-\d{4}\b|\b\d{6}[-+A]\d{3,4}\w?\b", 0),
        ("phone", r"(?<![\w.])(?:\+|00)\d{1,3}(?:[ ./-]?\(?\d{1,5}\)?){2,6}(?![\w.]*\d)", 0),
        ("phone", r"(?<![\w.])\(?\d{3}\)?[ .-]\d{3,4}[ .-]\d{3,4}(?![\w.]*\d)", 0),
        ("phone", r"(?<![\w.])0\d{1,4}[ /-]\d{2,4}(?:[ -]?\d{2,4}){1,3}(?![\w.]*\d)", 0),
        ("phone", r"\b(?:tel|phone|fax|mobile|bleep|pager|call)\b[.: ]{0,3}[+\d][\d ()/.-]{2,}", re.I),
        ("number", r"\b(?:mrn|nhs|ssn|pid|hospital|case|record|patient|accession|episode)\s?(?:no\.?|nr\.?|number|id|#)?"
                   r"[ .:#]{1,3}(?=[\w/-]*\d)[\w][\w/-]{2,}", re.I),
        ("number", r"\b(?:id|no\.|nr\.|number)[ .:#]{1,3}(?=[\w/-]*\d)[A-Z0-9][A-Z0-9/-]{3,}", re.I),
        ("number", r"(?<![\w.])[A-Z]{1,4}[-/ ]?\d{5,}[A-Z]?(?![\w])", 0),
        ("number", r"(?<![\w.])\d{6,}(?![\d.]*\d)", 0),
        ("postcode", r"\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b", 0),
        ("postcode", r"\b[ABCEGHJ-NPRSTVXY]\d[A-Z] ?\d[A-Z]\d\b", 0),
        ("postcode", r"\b\d{5}-\d{4}\b|\b[A-Z]{2},? \d{5}\b|\b[A-Z]{1,2}-\d{4,5} [A-Z]\w+", 0),
        ("postcode", r"(?<![\w.])\d{4} ?[A-Z]{2}\b(?= [A-Z]|$|[.,;])|(?<![\w.])\d{5} [A-Z][a-z]{2,}", 0),
        ("name", rf"\b(?i:{_TITLES})\b\.?\s+(?:[A-Z]\.\s?)*[A-Z][\w'\u2019-]+(?:\s+[A-Z][\w'\u2019-]+)?", 0),
        ("name", r"\b(?i:patient|pt|operator|surgeon|referred by|relative)(?: is|:| named|'s name is)?\s"
                 r"(?:[A-Z]\.\s?)*[A-Z][a-z'\u2019-]+\s[A-Z][a-z'\u2019-]+", 0),
        ("age over 89", r"\b(?:9\d|1[01]\d)[- ]?(?:years?[- ]old|y/?o\b|years\b|year[- ])", re.I),
        ("age over 89", r"\baged?:? (?:9\d|1[01]\d)\b|\b(?:9\d|1[01]\d) ?y(?:\.o\.|\b)", re.I),
        ("number", r"\b[0-2](?:\.\d+){5,}\b", 0),  # a DICOM unique identifier
        ("name", r"\b[A-Z][a-z'\u2019-]+, (?:[A-Z]\.|[A-Z][a-z'\u2019-]+)(?=[\s,;.(]|$)", 0),
        ("name", r"\b[A-Z]{5,}, [A-Z]{3,}\b|\b[A-Z]{2,}\^[A-Z]{2,}\b", 0),
        ("name", r"\b(?:dr|prof|mr|mrs|ms)\b\.? (?:(?:van|von|de|der|den|la|di) )*[a-z][\w'\u2019-]+", re.I),
        ("name", r"\b(?:Monsieur|Madame|Signora?|Se\u00f1ora?) [A-Z][\w'\u2019-]+", 0),
        ("hospital", r"\b(?:St\.?|Saint|Royal|General|University|Memorial) (?:[A-Z][\w'\u2019]+ )*(?:Hospital|Infirmary|Clinic)\b", 0),
    )
)  # fmt: skip
LEAST_LETTERS = 3
"""A part of a name this long is looked for by itself; shorter ones only beside the rest of the name."""


@dataclass(frozen=True)
class Known:
    """What a person said to look for, and what they looked at and found harmless.

    Attributes
    ----------
    names : tuple of str
        Of the patient, staff, relatives, the hospital.
    numbers : tuple of str
        Of the record, the study, the patient; as written.
    reviewed : tuple of str
        Texts that look like identifiers and are none.
    """

    names: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    reviewed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Hit:
    """An identifier in a text.

    Attributes
    ----------
    kind : str
        What it is: name, number, date, phone, e-mail, postcode, ...
    start, end : int
        Where it stands.
    text : str
        It.
    """

    kind: str
    start: int
    end: int
    text: str


def folded(text: str) -> str:
    """Return a text in lower case without accents.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str

    Examples
    --------
    >>> folded("Müller-Ångström")
    'muller-angstrom'
    """
    return _folded(text)[0]


def _folded(text: str) -> tuple[str, list[int]]:
    """Return a text in lower case without accents, and where each of its letters stood."""
    out, at = [], []
    for k, letter in enumerate(text):
        for base in unicodedata.normalize("NFKD", letter).lower():
            if not unicodedata.combining(base):
                out.append(base)
                at.append(k)
    return "".join(out), at


def _matches(pattern: str, text: str) -> list[tuple[int, int]]:
    """Return where a pattern in lower case without accents stands in a text as written."""
    low, at = _folded(text)
    return [(at[m.start()], at[m.end() - 1] + 1) for m in re.finditer(pattern, low) if m.end() > m.start()]


def find(text: str, known: Known) -> tuple[Hit, ...]:
    """Return the identifiers in a text, in order, none overlapping another.

    Parameters
    ----------
    text : str
        Any text.
    known : Known
        What was given to look for, and what was reviewed.

    Returns
    -------
    tuple of Hit

    Examples
    --------
    >>> [(hit.kind, hit.text) for hit in find("Seen by Dr. Example on 5 April 2031", Known())]
    [('name', 'Dr. Example'), ('date', '5 April 2031')]
    >>> find("nc 2.5 x 12 at 18 atm, 31.5 to 64.5 mm, ACT 287 s, heparin 10000 U", Known())
    ()
    """
    found = [*_given(text, known)]
    for kind, pattern in _PATTERNS:
        found += [Hit(kind, m.start(), m.end(), m.group()) for m in pattern.finditer(text)]
    return _apart(_unreviewed(found, text, known))


def given_in(text: str, known: Known) -> tuple[Hit, ...]:
    """Return only what was given to look for, as `find`.

    Parameters
    ----------
    text : str
        Any text.
    known : Known
        As for `find`.

    Returns
    -------
    tuple of Hit
    """
    return _apart(_unreviewed(_given(text, known), text, known))


def _unreviewed(found: list[Hit], text: str, known: Known) -> list[Hit]:
    harmless = _places(text, known.reviewed)
    return [h for h in found if not any(a <= h.start and h.end <= b for a, b in harmless)]


def _apart(found: Iterable[Hit]) -> tuple[Hit, ...]:
    kept: list[Hit] = []
    for hit in sorted(found, key=lambda h: (h.start - h.end, h.start)):
        if all(hit.end <= other.start or other.end <= hit.start for other in kept):
            kept.append(hit)
    return tuple(sorted(kept, key=lambda h: h.start))


def _places(text: str, phrases: Iterable[str]) -> list[tuple[int, int]]:
    return [
        place
        for phrase in phrases
        if phrase.strip()
        for place in _matches(re.escape(folded(phrase.strip())), text)
    ]


def name_parts(names: Iterable[str]) -> tuple[str, ...]:
    """Return the parts of names that are looked for by themselves.

    Parameters
    ----------
    names : iterable of str
        As given.

    Returns
    -------
    tuple of str
        Longest first, as `folded` writes them.

    Examples
    --------
    >>> name_parts(["Müller, Jo A."])
    ('mueller', 'muller')
    """
    parts: set[str] = set()
    for name in names:
        for form in (name, _spelled_out(name)):
            parts |= {p for p in re.split(r"[^a-z\d]+", folded(form)) if len(p) >= LEAST_LETTERS}
    return tuple(sorted(parts, key=lambda p: (-len(p), p)))


_SPELLED = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "ø": "oe", "å": "aa", "æ": "ae"}


def _spelled_out(name: str) -> str:
    return "".join(_SPELLED.get(letter, letter) for letter in name.lower())


def _given(text: str, known: Known) -> list[Hit]:
    names = [rf"(?<![a-z]){re.escape(part)}(?![a-z])" for part in name_parts(known.names)]
    for name in known.names:
        # Short parts (a two-letter family name) count where the whole name stands, whatever joins its parts.
        parts = [re.escape(p) for p in re.split(r"[^a-z\d]+", folded(name)) if p]
        for ordered in (parts, parts[::-1]) if parts else ():
            names.append(r"(?<![a-z])" + r"[^a-z\d]{1,3}".join(ordered) + r"(?![a-z])")
    numbers = []
    for number in known.numbers:
        bare = [re.escape(c) for c in folded(number) if c.isalnum()]
        if bare:
            numbers.append(r"(?<!\d)" + r"[ ./_-]?".join(bare) + r"(?!\d)")
    return [
        Hit(kind, start, end, text[start:end])
        for kind, patterns in (("name", names), ("number", numbers))
        for pattern in patterns
        for start, end in _matches(pattern, text)
    ]


def cleaned(text: str, known: Known) -> tuple[str, tuple[Hit, ...]]:
    """Return a text with what was found replaced by its kind in brackets, and what was found.

    Parameters
    ----------
    text : str
        Any text.
    known : Known
        As for `find`.

    Returns
    -------
    tuple of (str, tuple of Hit)

    Examples
    --------
    >>> cleaned("Mrs Example, 01/02/2031", Known())[0]
    '[name], [date]'
    """
    hits = find(text, known)
    out, at = [], 0
    for hit in hits:
        out += [text[at : hit.start], f"[{hit.kind}]"]
        at = hit.end
    return "".join([*out, text[at:]]), hits
