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
    "event": "kind of the event just logged",
    "moves": "the moves a step is made of",
    "device_kind": "kind of the device now pushed",
}
# Lesion and vessel at the target
_LESION = {
    "lesion_calcium": "heaviest calcium of the lesions the device passes or treats",
    "lesion_prepared": "what has been done to the lesion at the target",
    "lesion_dissected": "a dissection is known on the way or at the target",
    "lesion_opened_fully": "a balloon sized to the distal reference opened fully in two views",
    "lesion_length_mm": "length of the stretch to be covered",
    "reference_diameter_mm": "distal reference of the target",
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

FACTS: Mapping[str, str] = {**_OCCASION, **_LESION, **_RIG}
"""Every fact by name, and what it means. A rule that names another one is refused."""
