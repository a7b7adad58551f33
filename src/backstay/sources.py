"""The published sources behind the numbers: full citations live once, in `sources.toml`, under short keys.

Code and docstrings cite a key in square brackets with an at sign, for example ``[@ikari2005]``; files of the user's name it in a
`source` key.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from backstay.errors import NotFound


@dataclass(frozen=True)
class Source:
    """One published source.

    Attributes
    ----------
    key : str
        Short key, author and year.
    citation : str
        Full citation.
    gives : str
        What is taken from it.
    read_as : str
        How it was read: text, abstract, secondary, derived or memory.
    """

    key: str
    citation: str
    gives: str
    read_as: str


@cache
def all_sources() -> dict[str, Source]:
    """Return every source by key, in the order of the file."""
    text = resources.files("backstay").joinpath("sources.toml").read_text(encoding="utf-8")
    return {key: Source(key=key, **entry) for key, entry in tomllib.loads(text).items()}


def source(key: str) -> Source:
    """Return the source with this key.

    Raises
    ------
    NotFound
        No such key.
    """
    try:
        return all_sources()[key]
    except KeyError:
        raise NotFound(
            "no such source", field="source", value=key, allowed=", ".join(all_sources())
        ) from None
