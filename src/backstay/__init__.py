"""Backstay: will it go, and if not, what next. A planning and teaching aid for delivering devices through hard coronary lesions.

>>> import backstay
>>> sorted(backstay.__all__)[:3]
['LumenPath', 'Plan', 'limits']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from backstay.app.loading import load_case
    from backstay.app.plan import plan_case
    from backstay.app.safety import limits
    from backstay.core.anatomy.path import LumenPath
    from backstay.report.notebook import Plan, plan

__all__ = ["LumenPath", "Plan", "limits", "load_case", "plan", "plan_case"]

_HOMES = {
    "LumenPath": ("backstay.core.anatomy.path", "LumenPath"),
    "Plan": ("backstay.report.notebook", "Plan"),
    "limits": ("backstay.app.safety", "limits"),
    "load_case": ("backstay.app.loading", "load_case"),
    "plan": ("backstay.report.notebook", "plan"),
    "plan_case": ("backstay.app.plan", "plan_case"),
}


def __getattr__(name: str) -> Any:
    try:
        module, attribute = _HOMES[name]
    except KeyError:
        raise AttributeError(f"module 'backstay' has no attribute {name!r}") from None
    return getattr(import_module(module), attribute)
