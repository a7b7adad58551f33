"""A limit that runs down: used, left, and how far past it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from backstay.errors import InputError
from backstay.identifiers import BudgetState


@dataclass(frozen=True, kw_only=True)
class Budget:
    """What was used of a limit.

    Attributes
    ----------
    used : float
        In the limit's own unit.
    limit : float or None
        None where no limit is known.
    near_share : float
        Share of the limit from which on it is near.
    """

    used: float
    limit: float | None
    near_share: float = 0.8

    def __post_init__(self) -> None:
        for name in ("used", "limit"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0.0):
                raise InputError(
                    "a budget is not negative", field=name, value=value, allowed="0 or more, finite"
                )

    @property
    def left(self) -> float | None:
        """Return what is left, never below 0: what is past the limit is in `over`."""
        return None if self.limit is None else max(self.limit - self.used, 0.0)

    @property
    def over(self) -> float:
        """Return how far past the limit."""
        return 0.0 if self.limit is None else max(self.used - self.limit, 0.0)

    @property
    def state(self) -> BudgetState:
        """Return where it stands: exactly at the limit is not past it."""
        if self.limit is None:
            return BudgetState.NO_LIMIT
        if self.used > self.limit:
            return BudgetState.PAST
        return BudgetState.NEAR if self.used >= self.near_share * self.limit else BudgetState.WITHIN

    def after(self, more: float) -> Budget:
        """Return the budget once `more` is used as well."""
        return Budget(used=self.used + more, limit=self.limit, near_share=self.near_share)
