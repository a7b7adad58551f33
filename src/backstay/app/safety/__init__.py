"""Limits and hazards of a case: what is left, what is in the body, what not to do, and the sheet for the time-out."""

from backstay.app.safety.hazards import judge_step, move_hazards
from backstay.app.safety.limits import limits_of
from backstay.app.safety.setting import CaseSafety, case_safety

__all__ = ["CaseSafety", "case_safety", "judge_step", "limits_of", "move_hazards"]
