"""How a distribution leaves the program: three quantiles."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Quantiles(BaseModel):
    """10th, 50th and 90th percentile; null where that share of draws never gets there."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    p10: float | None
    p50: float | None
    p90: float | None
