"""Which device of the shelf a few words mean."""

from __future__ import annotations

import re
from collections.abc import Iterable

from backstay.adapters.log_words import BALLOON_WORDS, KIND_WORDS, NUMBER, Line
from backstay.core.rigging.devices import Balloon, Device, Guide, OverWireDevice, Shelf
from backstay.errors import InputError
from backstay.identifiers import DeviceKind

SAME_MM = 0.005
MOST_CHOICES = 9


TO_END = "…"
"""A choice that ends with this is to be typed to its end: what nobody said is not made up."""


class Unclear(InputError):
    """A line means more than one thing; `choices` are lines that mean one, each with what it would be.

    Parameters
    ----------
    message : str
        What is unclear.
    choices : iterable of (str, str)
        What is meant in words, and the line that says so, or its beginning, with `TO_END`.
    """

    def __init__(self, message: str, choices: Iterable[tuple[str, str]], *, field: str = "line") -> None:
        self.choices = tuple(choices)
        shown = [words for words, _ in self.choices[:MOST_CHOICES]]
        more = len(self.choices) - len(shown)
        allowed = " | ".join(shown) + (f" | {more} more" if more else "")
        super().__init__(message, field=field, allowed=allowed)


def take_device(line: Line, kind: DeviceKind, shelf: Shelf, *, said: str, inside: Iterable[str] = ()) -> str:
    """Return the id of the one device meant, and take its words out of the line.

    Parameters
    ----------
    line : Line
        What was typed, less what was understood already.
    kind : DeviceKind
        What kind of device is meant.
    shelf : Shelf
        The devices there are.
    said : str
        The whole line, for the choices.
    inside : iterable of str
        Devices in the body: where they alone fit the words, they are meant.

    Raises
    ------
    Unclear
        Several fit; or none, and then all of the kind are the choices.
    """
    found = [device for device in shelf.devices.values() if device.kind is kind]
    known = _known_words(found, kind)
    left = [word for word in line.words if word in known or _is_size(word)]
    fitting = [device for device in found if _fits(device, left)]
    here = [device for device in fitting if device.id in set(inside)]
    if len(fitting) != 1:
        whole = [device for device in fitting if _whole_name(device, kind) == _named(left, kind)]
        fitting = whole if len(whole) == 1 else (here if len(here) == 1 else fitting)
    if len(fitting) == 1:
        for word in left:
            line.take(re.escape(word))
        return fitting[0].id
    words = " ".join(left)
    several = f"which {kind.value}? {len(fitting)} fit {words!r}" if left else f"which {kind.value}?"
    message = several if fitting else f"no {kind.value} on the shelf fits {words!r}"
    raise Unclear(message, [(d.name, _with(said, left, d.id)) for d in fitting or found], field=kind.value)


def _with(said: str, left: list[str], device_id: str) -> str:
    """Return the line with a device's id in place of the words that did not settle it."""
    words = said.split()
    places = [words.index(word) for word in left if word in words]
    rest = [word for k, word in enumerate(words) if k not in places]
    at = min(places, default=min(1, len(words)))
    return " ".join([*rest[:at], device_id, *rest[at:]])


def _is_size(word: str) -> bool:
    return re.fullmatch(rf"{NUMBER}(?:x{NUMBER})?(?:fr?)?", word) is not None


def _tokens(device: Device) -> set[str]:
    text = f"{device.id} {device.name}".lower()
    text = re.sub(rf"({NUMBER}) x ({NUMBER})", r"\1x\2", text)
    return {device.id.lower(), *re.split(r"[\s,()]+", text), *re.split(r"[\s,()_-]+", text)} - {""}


def _known_words(devices: Iterable[Device], kind: DeviceKind) -> set[str]:
    return set().union(*(_tokens(device) for device in devices), KIND_WORDS[kind], BALLOON_WORDS)


def _fits(device: Device, words: Iterable[str]) -> bool:
    return all(_fits_word(device, word) for word in words)


def _fits_word(device: Device, word: str) -> bool:
    if word in KIND_WORDS[device.kind] and word not in BALLOON_WORDS:
        return True
    if word in BALLOON_WORDS and isinstance(device, Balloon):
        return device.balloon_type == BALLOON_WORDS[word]
    if word in _tokens(device):
        return True
    return _is_size(word) and _fits_size(device, word)


def _fits_size(device: Device, word: str) -> bool:
    """Return whether a device is of a size: diameter x length, diameter alone, or French for a guide."""
    size = [float(part) for part in word.rstrip("fr").split("x")]
    if isinstance(device, Guide):
        return len(size) == 1 and device.size_fr == size[0]
    if not isinstance(device, OverWireDevice):
        return False
    same = abs(device.nominal_diameter_mm - size[0]) < SAME_MM
    return same and (len(size) == 1 or abs(device.working_mm - size[1]) < SAME_MM)


def _whole_name(device: Device, kind: DeviceKind) -> frozenset[str]:
    text = re.sub(rf"({NUMBER}) x ({NUMBER}) mm", r"\1x\2", device.name.lower())
    return _named(re.split(r"[\s,()]+", text), kind)


def _named(words: Iterable[str], kind: DeviceKind) -> frozenset[str]:
    return frozenset(words) - (KIND_WORDS[kind] - frozenset(BALLOON_WORDS))
