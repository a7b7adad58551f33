"""The shipped table of solved guides (`data/guide_holds.json`, written by tools/make_guide_table.py)."""

from __future__ import annotations

import json
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from backstay.core.guide.surrogate import LEAST_N, GuideTable, guide_hold
from backstay.errors import OutsideValidity
from backstay.identifiers import Access, Coronary, GuideShape


@cache
def raw_guide_table() -> dict[str, Any]:
    """Return the file as it is."""
    text = resources.files("backstay").joinpath("data/guide_holds.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


@cache
def shipped_guide_table() -> GuideTable:
    """Return the table, with the error that reading between its entries has at the held-out places."""
    table = _without_error(raw_guide_table())
    errors = [error for _, error in held_out_errors(table) if error is not None]
    return GuideTable(
        table.roots_mm,
        table.depths_mm,
        table.sizes_fr,
        table.values,
        table.spreads,
        float(np.sqrt(np.mean(np.square(errors)))),
    )


def held_out_errors(table: GuideTable) -> list[tuple[dict[str, Any], float | None]]:
    """Return every held-out place with the error of the hold's logarithm there; None where the table refuses it or it found no seat."""
    found: list[tuple[dict[str, Any], float | None]] = []
    for row in raw_guide_table()["held_out"]:
        try:
            read = guide_hold(
                table,
                *_seat(row),
                size_fr=row["size_fr"],
                root_diameter_mm=row["root_mm"],
                extension_depth_mm=row["depth_mm"],
            )
        except OutsideValidity:
            found.append((row, None))
            continue
        if row["backup_N"] is None:
            found.append((row, None))
            continue
        full_N = max(row["backup_N"], LEAST_N)
        found.append((row, float(np.log(max(read.backup_N, LEAST_N) / full_N))))
    return found


def _seat(row: dict[str, Any]) -> tuple[GuideShape, Coronary, Access]:
    return GuideShape(row["shape"]), Coronary(row["coronary"]), Access(row["access"])


def _without_error(raw: dict[str, Any]) -> GuideTable:
    sizes = [float(size) for size in raw["sizes_fr"]]
    fields = len(raw["fields"])
    values = {}
    for row in raw["rows"]:
        grid = [[entry or [np.nan] * fields for entry in line] for line in row["values"]]
        seat = _seat(row)
        if seat not in values:
            values[seat] = np.full((len(sizes), *np.shape(grid)), np.nan)
        values[seat][sizes.index(float(row["size_fr"]))] = grid
    spreads = {_seat(row): float(row["log_sd"]) for row in raw["spreads"]}
    return GuideTable(
        np.array(raw["roots_mm"]), np.array(raw["depths_mm"]), np.array(sizes), values, spreads, 0.0
    )
