"""A vessel typed in plain words, one segment after the other from the ostium.

    25 mm 3.4 | 15 mm 3.2 bend 70 r12 | 22 mm 2.9 tight 1.2 severe bend 40 | 30 mm 2.8-2.2

Segments stand between bars, semicolons, commas (with a space after them) or line ends. Within a segment the
order is free, and every number says what it is by its neighbour:

    25 mm (or 25 mm long)   length
    3.4 (or 3.4 wide)       lumen diameter in mm; 3.4-3.0 or 3.4 to 3.0 where it tapers
    bend 70                 the vessel turns 70 degrees, spread over the segment
    r12 (or radius 12)      ... with this radius in mm, in the middle of the segment; the rest is straight
    up right down left      ... towards there; else 120 degrees round from the last bend
    tight 1.2               lesion, smallest lumen diameter in mm
    over 8 mm               ... of this length, in the middle of the segment; else the whole segment
    none mild moderate severe    ... its calcium ("calcium" may follow)
    dissected               ... with a dissection
    prepared scoring        ... prepared so; several with +

Lines that start with # are notes.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from backstay.core.anatomy.sketch import BEND_DEG, DIAMETER_MM, LENGTH_MM, MOST_SEGMENTS, Segment
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation

MOST_CHARACTERS = 10_000

_SEPARATORS = re.compile(r"[|;\n]|,(?=\s|$)")
_NUMBER = re.compile(r"\d+(?:\.\d*)?|\.\d+")
_NEGATIVE = re.compile(rf"-(?:{_NUMBER.pattern})")
_TAPER = re.compile(rf"({_NUMBER.pattern})[-–]({_NUMBER.pattern})")
_GLUED = re.compile(rf"({_NUMBER.pattern})(mm|deg|degrees|°)")
_RADIUS = re.compile(rf"r({_NUMBER.pattern})")
_CALCIUM = {x.value: x for x in Calcium}
_PREPARED = {x.value: x for x in Preparation} | {x.value.removesuffix("_balloon"): x for x in Preparation}
_DIRECTIONS = ("up", "right", "down", "left")
_WORDS = (
    *("mm", "long", "wide", "to", "bend", "degrees", "r", "radius", *_DIRECTIONS),
    *("tight", "over", *_CALCIUM, "calcium", "calcified", "lesion", "dissected", "prepared"),
)
_PREPARED_SHOWN = ", ".join(x.value.removesuffix("_balloon").replace("_", "-") for x in Preparation)


def parse_sketch(text: str) -> tuple[Segment, ...]:
    """Return the segments of a vessel typed in words.

    Raises
    ------
    InputError
        A word that is not understood, or a segment that cannot be; `where` names the segment, `value` the
        word.
    """
    if len(text) > MOST_CHARACTERS:
        raise InputError(
            "the sketch is too long",
            field="characters",
            value=len(text),
            allowed=f"up to {MOST_CHARACTERS}",
            where="sketch",
        )
    lines = [line for line in text.lower().splitlines() if not line.lstrip().startswith("#")]
    parts = [part.strip() for part in _SEPARATORS.split("\n".join(lines)) if part.strip()]
    if not parts:
        raise InputError(
            "the sketch is empty",
            field="segments",
            value=0,
            allowed='segments such as "25 mm 3.4 bend 60"',
            where="sketch",
        )
    if len(parts) > MOST_SEGMENTS:
        raise InputError(
            "too many segments",
            field="segments",
            value=len(parts),
            allowed=f"up to {MOST_SEGMENTS}",
            where="sketch",
        )
    return tuple(_Reader(number, part).segment() for number, part in enumerate(parts, 1))


def format_sketch(segments: tuple[Segment, ...]) -> str:
    """Return segments in the words `parse_sketch` reads, on one line."""
    return " | ".join(_formatted(segment) for segment in segments)


def _formatted(x: Segment) -> str:
    words = [f"{x.length_mm:.12g} mm"]
    taper = "" if x.end_diameter_mm is None else f"-{x.end_diameter_mm:.12g}"
    words.append(f"{x.diameter_mm:.12g}{taper}")
    if x.bend_deg:
        words.append(f"bend {x.bend_deg:.12g}")
        words += [] if x.bend_radius_mm is None else [f"r{x.bend_radius_mm:.12g}"]
        words += [] if x.towards is None else [x.towards]
    words += [] if x.tight_mm is None else [f"tight {x.tight_mm:.12g}"]
    words += [] if x.lesion_mm is None else [f"over {x.lesion_mm:.12g} mm"]
    words += [] if x.calcium is None else [x.calcium.value]
    words += ["dissected"] if x.dissected else []
    words += ["prepared " + "+".join(p.value for p in x.prepared)] if x.prepared else []
    return " ".join(words)


class _Reader:
    """Reads the words of one segment from left to right."""

    def __init__(self, number: int, text: str) -> None:
        self.where = f"segment {number}"
        spaced = re.sub(r"\s*\+\s*", "+", text)
        self.words = [piece for word in spaced.split() for piece in _pieces(word)]
        self.at = 0
        self.found: dict[str, Any] = {}

    def segment(self) -> Segment:
        while self.at < len(self.words):
            self._item(self._next())
        for field, need in (
            ("length_mm", "a length, such as 25 mm"),
            ("diameter_mm", "a lumen diameter, such as 3.4"),
        ):
            if field not in self.found:
                self._refuse(f"the segment needs {need.split(',')[0]}", field, " ".join(self.words), need)
        plain = self.found.pop("calcified", None)
        if plain and "calcium" not in self.found:
            self._refuse("how much calcium", "calcium", plain, ", ".join(_CALCIUM))
        if self.found.pop("lesion", None):
            self.found.setdefault("calcium", Calcium.NONE)
        try:
            return Segment(**self.found)
        except InputError as error:
            raise InputError(
                error.message, field=error.field, value=error.value, allowed=error.allowed, where=self.where
            ) from error

    def _item(self, word: str) -> None:
        radius = _RADIUS.fullmatch(word)
        if _NUMBER.fullmatch(word) or _TAPER.fullmatch(word):
            self._size(word)
        elif word == "bend":
            self._set("bend_deg", self._number(word, "bend_deg"))
            self._skip("deg", "degrees", "°")
        elif radius:
            self._set("bend_radius_mm", float(radius.group(1)))
            self._skip("mm")
        elif word in {"r", "radius", "tight", "over"}:
            field = {"tight": "tight_mm", "over": "lesion_mm"}.get(word, "bend_radius_mm")
            self._set(field, self._number(word, field))
            self._skip("mm")
        elif word in _CALCIUM:
            self._set("calcium", _CALCIUM[word])
        elif word in _DIRECTIONS:
            self._set("towards", word)
        elif word == "prepared":
            self._set("prepared", self._preparations())
        elif word == "dissected":
            self._set("dissected", True)
        elif word in {"calcium", "calcified"}:
            self.found["calcified"] = word
        elif word == "lesion":
            self.found["lesion"] = word
        else:
            self._unknown(word)

    def _size(self, word: str) -> None:
        """Take a number that no word announced: a length with mm or long, else a diameter."""
        taper = _TAPER.fullmatch(word)
        first, second = (taper.group(1), taper.group(2)) if taper else (word, None)
        if second is None and self._skip("to"):
            second = f"{self._number('to', 'end_diameter_mm'):.12g}"
        in_mm = self._skip("mm")
        is_long, is_wide = self._skip("long"), self._skip("wide")
        if second is not None and not is_long:
            self._set("diameter_mm", float(first))
            self._set("end_diameter_mm", float(second))
        elif is_long or (in_mm and not is_wide):
            if second is not None:
                self._refuse("a length is one number", "length_mm", word, "such as 25 mm")
            self._set("length_mm", float(first))
        else:
            self._set("diameter_mm", float(first))

    def _preparations(self) -> tuple[Preparation, ...]:
        names = self._next().split("+") if self.at < len(self.words) else [""]
        self._skip("balloon")
        found = []
        for name in names:
            known = _PREPARED.get(name.replace("-", "_"))
            if known is None:
                self._refuse("no such preparation", "prepared", name or "(nothing)", _PREPARED_SHOWN)
            found.append(known)
        return tuple(found)

    def _next(self) -> str:
        self.at += 1
        return self.words[self.at - 1]

    def _skip(self, *words: str) -> bool:
        if self.at < len(self.words) and self.words[self.at] in words:
            self.at += 1
            return True
        return False

    def _number(self, word: str, field: str) -> float:
        following = self._next() if self.at < len(self.words) else "(nothing)"
        if _NEGATIVE.fullmatch(following):
            self._refuse(f'the number after "{word}" must be above 0', field, following, f"such as {word} 12")
        if not _NUMBER.fullmatch(following):
            self._refuse(f'a number must follow "{word}"', field, following, f"such as {word} 12")
        return float(following)

    def _set(self, field: str, value: object) -> None:
        if field in self.found:
            hint = (
                "one; a length is written with mm, a diameter without"
                if field.endswith("r_mm") or field == "length_mm"
                else "one"
            )
            self._refuse(f"given twice ({self.found[field]} and {value})", field, value, hint)
        self.found[field] = value

    def _unknown(self, word: str) -> NoReturn:
        if re.fullmatch(rf"(?:{_NUMBER.pattern}),.*", word):
            self._refuse(
                "a comma within a number",
                "word",
                word,
                "decimals with a point; a space after a comma between segments",
            )
        if _NEGATIVE.fullmatch(word):
            self._refuse(
                "lengths, diameters and angles are above 0",
                "word",
                word,
                "such as 25 mm for a length, 3.4 for a diameter",
            )
        near = difflib.get_close_matches(word, [*_WORDS, *_PREPARED], n=1)
        message = "this word is not understood" + (f'; did you mean "{near[0]}"?' if near else "")
        self._refuse(message, "word", word, ", ".join(_WORDS))

    def _refuse(self, message: str, field: str, value: object, allowed: str) -> NoReturn:
        raise InputError(message, field=field, value=value, allowed=allowed, where=self.where)


def _pieces(word: str) -> list[str]:
    """Return a word, a number parted from the unit glued to it."""
    glued = _GLUED.fullmatch(word)
    return [glued.group(1), glued.group(2)] if glued else [word]


@dataclass(frozen=True)
class Question:
    """One question about a segment, for asking it question by question.

    Attributes
    ----------
    key : str
        Name of the answer for `segment_from_answers`.
    text : str
        The question.
    default : str or None
        Answer taken when nothing is typed; None where an answer is needed.
    allowed : str
        What may be answered.
    """

    key: str
    text: str
    default: str | None
    allowed: str


SEGMENT_QUESTIONS: tuple[Question, ...] = (
    Question("length", "How long is this segment, in mm?", None, f"{LENGTH_MM[0]:g} to {LENGTH_MM[1]:g}"),
    Question(
        "diameter",
        "How wide is its lumen, in mm (3.4, or 3.4-3.0 where it tapers)?",
        None,
        f"{DIAMETER_MM[0]:g} to {DIAMETER_MM[1]:g}",
    ),
    Question("bend", "How far does it bend, in degrees?", "0", f"0, or {BEND_DEG[0]:g} to {BEND_DEG[1]:g}"),
    Question(
        "radius", "With what radius, in mm (nothing: over the whole segment)?", "", "a number, or nothing"
    ),
    Question(
        "tight", "How wide is it at its tightest, in mm (nothing: no narrowing)?", "", "a number, or nothing"
    ),
    Question("calcium", "How much calcium (nothing: no lesion)?", "", ", ".join(_CALCIUM)),
    Question("dissected", "Is there a dissection?", "no", "yes, no"),
    Question("prepared", "What has been done to it (several with +)?", "", _PREPARED_SHOWN),
)
_ANSWERS = {"length": "{} long", "diameter": "{} wide", "bend": "bend {}", "radius": "radius {}"} | {
    "tight": "tight {}",
    "calcium": "{}",
    "prepared": "prepared {}",
}


def segment_from_answers(answers: Mapping[str, str], number: int = 1) -> Segment:
    """Return the segment the answers to `SEGMENT_QUESTIONS` describe.

    Raises
    ------
    InputError
        An answer is missing, unknown or not understood; `where` names the segment by its `number`.
    """
    where = f"segment {number}"
    known = {question.key: question for question in SEGMENT_QUESTIONS}
    for key in answers:
        if key not in known:
            raise InputError(
                "no such question", field=key, value=answers[key], allowed=", ".join(known), where=where
            )
    words = []
    for key, question in known.items():
        answer = answers.get(key, question.default or "").strip().lower() or (question.default or "")
        if key == "dissected":
            if answer not in {"yes", "no", "y", "n"}:
                raise InputError(
                    "answer yes or no", field=key, value=answer, allowed=question.allowed, where=where
                )
            words += ["dissected"] if answer.startswith("y") else []
        elif not answer:
            if question.default is None:
                raise InputError("an answer is needed", field=key, allowed=question.allowed, where=where)
        elif not (key == "bend" and re.fullmatch(r"0+(\.0*)?", answer)):
            words.append(_ANSWERS[key].format(answer))
    if _SEPARATORS.search(" ".join(words)):
        raise InputError(
            "one segment at a time",
            field="segment",
            value=" ".join(words),
            allowed="no , ; or |",
            where=where,
        )
    return _Reader(number, " ".join(words)).segment()
