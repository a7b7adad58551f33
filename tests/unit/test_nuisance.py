"""The study of nuisance: its cases are whole, its counts add up, and noise is seen as noise."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

from evidence import nuisance

from backstay.core.safety.attention import MOST_AT_ONCE
from backstay.core.safety.hazards import HAZARDS
from backstay.identifiers import EventKind


def test_ten_full_cases_that_begin_and_end(root: Path) -> None:
    cases = nuisance.read_cases(root)
    assert len(cases) == 10
    for case in cases:
        kinds = [entry.kind for entry in case.entries]
        assert EventKind.HEPARIN in kinds[:5] and kinds[-1] is EventKind.END and len(kinds) >= 20
        times = [entry.at_s for entry in case.entries]
        assert times == sorted(times)
        assert set().union(*case.wanted) <= {rule.id for rule in HAZARDS}


def test_at_most_two_at_once_and_every_wish_is_heard(root: Path) -> None:
    tallies = [nuisance.tally(case) for case in nuisance.read_cases(root)]
    assert max(t.most_at_once for t in tallies) <= MOST_AT_ONCE
    assert sum((t.missed for t in tallies), Counter()) == Counter()
    assert all(t.shown == t.useful + sum(t.nuisance.values()) for t in tallies)
    assert sum(sum(t.kept_back.values()) for t in tallies) > 0


def test_what_nobody_asked_for_counts_as_noise(root: Path) -> None:
    case = nuisance.read_cases(root)[3]
    deaf = replace(case, wanted=[set() for _ in case.wanted])
    heard = nuisance.tally(case)
    assert sum(nuisance.tally(deaf).nuisance.values()) == heard.useful + sum(heard.nuisance.values()) > 0
    assert heard.useful > 0
    eager = replace(case, wanted=[{"tamponade"} for _ in case.wanted])
    assert nuisance.tally(eager).missed["tamponade"] == len(case.entries)
