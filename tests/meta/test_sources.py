"""Every published source is used, and every reference to one resolves."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from backstay.identifiers import Evidence
from backstay.sources import all_sources

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("src", "tests", "docs", "examples", "benchmarks", "tools")
SUFFIXES = {".py", ".toml", ".md"}
WORDS = {word.value for word in Evidence}


def cited(text: str) -> set[str]:
    """Return the keys cited in square brackets with an at sign; `[@a; @b]` cites two."""
    groups = re.findall(r"\[(@[a-z][\w-]*[^\]\n]*)\]", text)
    return {key for group in groups for key in re.findall(r"@([a-z][\w-]*)", group)}


def named_in_values(value: object, key: str = "") -> set[str]:
    """Return what the `source` and `sources` entries of a TOML document name, evidence words left out."""
    if isinstance(value, dict):
        inside = {k: (key if key == "sources" else k) for k in value}
        return set().union(*(named_in_values(v, inside[k]) for k, v in value.items()))
    if isinstance(value, list):
        return set().union(*(named_in_values(v, key) for v in value))
    return {value} - WORDS if key in {"source", "sources"} and isinstance(value, str) else set()


def references() -> dict[str, set[str]]:
    """Return the keys each file refers to."""
    files = [p for folder in FOLDERS for p in sorted((ROOT / folder).rglob("*")) if p.suffix in SUFFIXES]
    found: dict[str, set[str]] = {}
    for path in files:
        if path.name == "sources.toml" or path == Path(__file__):
            continue
        text = path.read_text()
        keys = cited(text)
        if path.suffix == ".toml":
            keys |= named_in_values(tomllib.loads(text))
        found[path.relative_to(ROOT).as_posix()] = keys
    return found


def test_every_reference_resolves() -> None:
    unknown = {name: sorted(keys - all_sources().keys()) for name, keys in references().items()}
    assert {name: keys for name, keys in unknown.items() if keys} == {}


def test_every_source_is_used() -> None:
    used = set().union(*references().values())
    assert sorted(all_sources().keys() - used) == []


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("as on the bench [@one2005]", {"one2005"}),
        ("[@one2005, Table 2; @two2010]", {"one2005", "two2010"}),
        ("a[0]", set()),
    ],
)
def test_citations_are_read(text: str, keys: set[str]) -> None:
    assert cited(text) == keys


def test_source_entries_are_read() -> None:
    document = tomllib.loads(
        'source = "one2005"\n[[wire]]\nsources = { tip_load_N = "two2010", length_cm = "illustrative" }\n'
    )
    assert named_in_values(document) == {"one2005", "two2010"}
