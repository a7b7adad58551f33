"""What identifies someone in a DICOM file, and whether a finished copy still holds any of it."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Iterator
from io import BytesIO
from typing import Any

import numpy as np
import pydicom
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

from backstay.adapters.dicom_kept import OWN_TEXTS, WORDS
from backstay.core.privacy.text import Hit, Known, find, folded
from backstay.errors import FileFormatError

_TEXTS = frozenset("PN LO SH LT ST UT UC AE UR CS AS".split())
_NUMBERS_AS_TEXT = frozenset({"DS", "IS"})
_DATES = frozenset({"DA", "DT"})
LEAST_LENGTH = 4
"""Shorter values of elements are too common to be looked for; a name's parts are from three letters on."""
_HARMLESS = OWN_TEXTS | {word for words in WORDS.values() for word in words}
_LETTERS = re.compile(r"[^\W\d_]+")
_OWN_WORDS = {word for text in _HARMLESS for word in _LETTERS.findall(folded(text))}
"""A name that is one of these cannot be told from what every copy says of itself."""
_STANDARD_UID = "1.2.840.10008."
DEEPEST = 12


def identifying_values(dataset: Dataset) -> tuple[set[str], set[str]]:
    """Return what a file says that may identify someone: names, and all other texts, dates and UIDs."""
    names: set[str] = set()
    values: set[str] = set()
    for element in _elements(dataset, 0):
        for value in _values(element):
            text = value.strip(" \0")
            if element.VR == "PN":
                names |= {part.replace("^", " ").strip() for part in text.split("=")} - {""}
            elif element.VR == "UI":
                values |= {text} if not text.startswith(_STANDARD_UID) else set()
            elif element.VR in _NUMBERS_AS_TEXT:
                # A number of a picture is kept; text where a number should be is not.
                values |= {text} if not re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", text) else set()
            elif len(text) >= LEAST_LENGTH and text not in _HARMLESS:
                values.add(text)
    return names, values


def _elements(dataset: Dataset, depth: int) -> Iterator[DataElement]:
    for tag in list(dataset.keys()):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                element = dataset[tag]
        except Exception:
            # Unreadable: the copy does not take it over.
            continue
        if element.VR != "SQ":
            yield element
        elif depth < DEEPEST:
            for item in element.value or ():
                yield from _elements(item, depth + 1)


def _values(element: DataElement) -> list[str]:
    """Return the values of an element that are text, and the readable text in one of unknown kind."""
    value: Any = element.value
    if isinstance(value, bytes):
        if element.VR not in ("UN", "OB", "OW"):
            return []
        found = re.findall(rb"[ -~]{4,}", value[:4096]) if element.VR == "UN" else []
        return [part.decode("ascii") for part in found]
    if element.VR not in _TEXTS | _DATES | _NUMBERS_AS_TEXT | {"UI"} or value is None:
        return []
    many = (
        value if not isinstance(value, str) and hasattr(value, "__iter__") and element.VR != "PN" else [value]
    )
    if (
        element.VR == "PN"
        and hasattr(value, "__iter__")
        and not isinstance(value, str)
        and not hasattr(value, "components")
    ):
        many = list(value)
    return [str(one) for one in many]


def survivors_in_copy(content: bytes, known: Known, values: Iterable[str]) -> list[Hit]:
    """Return the identifiers that a finished copy still holds, in its elements or anywhere before its pixels.

    Raises
    ------
    FileFormatError
        The copy cannot be read back.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = pydicom.dcmread(BytesIO(content))
    except Exception as error:
        raise FileFormatError(f"the copy cannot be read back ({type(error).__name__})") from None
    found: list[Hit] = []
    for element in [*_elements(dataset.file_meta, 0), *_elements(dataset, 0)]:
        if element.tag.is_private:
            found.append(Hit("private element", 0, 0, str(element.tag)))
        if element.VR in _TEXTS:
            found += [
                hit for value in _values(element) if value not in OWN_TEXTS for hit in find(value, known)
            ]
    pixels = len(dataset.PixelData)
    return found + _in_bytes(content[: len(content) - pixels], known, values)


def _in_bytes(head: bytes, known: Known, values: Iterable[str]) -> list[Hit]:
    """Return what stands in the bytes before the pixels, whatever element they belong to and however its letters are kept."""
    even = head[: len(head) // 2 * 2]
    swapped = np.frombuffer(even, "<u2").byteswap().tobytes()
    texts = {
        folded(text)
        for data in (head, swapped, head.replace(b"\0", b""))
        for text in (data.decode("latin-1"), data.decode("utf-8", errors="replace"))
    }
    wanted = {("value", value) for value in values} | {("number", value) for value in known.numbers}
    parts = {part for name in known.names for part in _LETTERS.findall(name) if len(part) >= LEAST_LENGTH}
    wanted |= {("name", part) for part in parts if folded(part) not in _OWN_WORDS}
    found = []
    for kind, value in sorted(wanted):
        pattern = rf"(?<![a-z0-9.]){re.escape(folded(value))}(?![a-z0-9])"
        if folded(value).strip() and any(re.search(pattern, text) for text in texts):
            found.append(Hit(kind, 0, 0, value))
    return found
