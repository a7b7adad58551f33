"""Limits and hazards of a case: what is left, what is in the body, what not to do, and the sheet for the time-out."""

from __future__ import annotations

from pathlib import Path

from backstay.adapters.limits_file import LimitsDocument
from backstay.app.loading import load_case
from backstay.app.safety.hazards import judge_step, move_hazards
from backstay.app.safety.limits import limits_of
from backstay.app.safety.setting import CaseSafety, case_safety

__all__ = ["CaseSafety", "case_safety", "judge_step", "limits", "limits_of", "move_hazards"]


def limits(case_file: str | Path) -> LimitsDocument:
    """Read a case with its record, and return what is used and left, and what not to do."""
    return limits_of(case_safety(load_case(case_file)))
