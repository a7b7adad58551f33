"""Every hazard, as rules over facts; their ids are unique and stand only here."""

from __future__ import annotations

from backstay.core.rules import Rule
from backstay.core.safety.hazards.balloons import BALLOONS
from backstay.core.safety.hazards.burr import BURR
from backstay.core.safety.hazards.extension import EXTENSION
from backstay.core.safety.hazards.limits import LIMITS
from backstay.core.safety.hazards.rescue import RESCUE
from backstay.core.safety.hazards.wires import WIRES

__all__ = ["HAZARDS"]

HAZARDS: tuple[Rule, ...] = (*RESCUE, *BURR, *EXTENSION, *WIRES, *BALLOONS, *LIMITS)
"""Of one level the first is said first: what went wrong before what must not be done next."""
