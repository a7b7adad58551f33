"""The ladder of a case: which move next, and after that."""

from __future__ import annotations

from backstay.app.ladder.climbing import Climbed, climb
from backstay.app.ladder.document import ladder_part
from backstay.app.ladder.provisional import provisional_rung

__all__ = ["LADDER_DRAWS_PER_DRAW", "Climbed", "climb", "ladder_part", "provisional_rung"]

LADDER_DRAWS_PER_DRAW = 4
"""A ladder asks for more draws than a plan: a few hundred must be left when three tries have failed."""
