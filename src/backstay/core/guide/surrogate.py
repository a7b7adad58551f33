"""A table of solved guides, read between its entries: how much a guide holds, in no time.

The table holds the full model's answers (`pushback`) for ordinary guides, ways in, roots and depths of an extension.
Between roots and depths, and between sizes by their bending stiffness, the logarithm of the hold is read along straight
lines. What nobody knows (material, friction, how it was seated, the rest of the anatomy) is kept beside it as a spread.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.guide.ordinary import SECTIONS_MM
from backstay.errors import NotFound, OutsideValidity
from backstay.identifiers import Access, Coronary, GuideShape

FloatArray = NDArray[np.float64]
Seat = tuple[GuideShape, Coronary, Access]

LEAST_N = 0.05
"""A hold below this (5 gram-force) counts as this: the guide hardly holds, and the logarithm of what is left has no meaning."""
MOST_BETWEEN = 2.0
"""Where neighbouring entries differ by more than this factor nothing is read between them: the guide sits in another way there."""
FIELDS = ("backup_N", "retreat_mm", "stiffness_N_per_mm", "ostium_N", "aorta_N")
_FORCES = np.array([0, 2, 3, 4])


@dataclass(frozen=True)
class GuideTable:
    """The solved guides.

    Attributes
    ----------
    roots_mm, depths_mm, sizes_fr : ndarray
        Roots, depths of an extension's tip (0: none), and guide sizes of the entries.
    values : dict of (GuideShape, Coronary, Access) to ndarray, shape (sizes, roots, depths, 5)
        Entries by `FIELDS`; NaN where the guide found no seat.
    spreads : dict of (GuideShape, Coronary, Access) to float
        Spread of the hold's logarithm over what nobody knows.
    error_sd : float
        Standard deviation of reading between entries, of the logarithm, at held-out points.
    """

    roots_mm: FloatArray
    depths_mm: FloatArray
    sizes_fr: FloatArray
    values: Mapping[Seat, FloatArray]
    spreads: Mapping[Seat, float]
    error_sd: float


@dataclass(frozen=True)
class GuideHold:
    """What the table says of one guide.

    Attributes
    ----------
    backup_N : float
        Push at which it is lost.
    low_N, high_N : float
        About two thirds of what nobody knows lies between; reading between entries included.
    spread_sd : float
        The same as a standard deviation of the logarithm.
    retreat_mm, stiffness_N_per_mm : float
        Retreat at loss, and stiffness before it.
    ostium_N, aorta_N : float
        Load on the ostium and on the aorta's wall at loss.
    """

    backup_N: float
    low_N: float
    high_N: float
    spread_sd: float
    retreat_mm: float
    stiffness_N_per_mm: float
    ostium_N: float
    aorta_N: float


def stiffness_ratio(size_fr: float) -> float:
    """Return the bending stiffness of an ordinary guide of a size against 6 Fr, log-linear between whole sizes.

    Parameters
    ----------
    size_fr : float
        5 to 8.

    Returns
    -------
    float
        Ratio of D^4 - d^4.

    Examples
    --------
    >>> round(stiffness_ratio(7.0), 2)
    2.16
    """
    sizes = np.array(list(SECTIONS_MM))
    sections = np.array([outer**4 - bore**4 for outer, bore in SECTIONS_MM.values()])
    return float(np.exp(np.interp(size_fr, sizes, np.log(sections)) - np.log(sections[1])))


def guide_hold(
    table: GuideTable,
    shape: GuideShape,
    coronary: Coronary,
    access: Access,
    *,
    size_fr: float,
    root_diameter_mm: float,
    extension_depth_mm: float = 0.0,
) -> GuideHold:
    """Return what one guide holds, from the table.

    Parameters
    ----------
    table : GuideTable
        The solved guides.
    shape, coronary, access : GuideShape, Coronary, Access
        Which guide, where, which way in.
    size_fr : float
        5 to 8.
    root_diameter_mm : float
        Within the table's roots.
    extension_depth_mm : float
        Depth of an extension's tip beyond the ostium, 0 for none.

    Returns
    -------
    GuideHold
        Hold with its bounds, retreat, loads.

    Raises
    ------
    NotFound
        This shape is not in the table for this artery.
    OutsideValidity
        A value is outside the table.
    """
    if (shape, coronary, access) not in table.values:
        held = sorted({f"{s.value} in the {c.value}" for s, c, _ in table.values})
        raise NotFound(
            "no solved guide of this shape for this artery",
            field="guide.shape",
            value=f"{shape.value} in the {coronary.value}",
            allowed=", ".join(held),
        )
    for name, value, axis in (
        ("guide.size_fr", size_fr, table.sizes_fr),
        ("aorta.root_diameter_mm", root_diameter_mm, table.roots_mm),
        ("extension.depth_mm", extension_depth_mm, table.depths_mm),
    ):
        if not axis[0] <= value <= axis[-1]:
            raise OutsideValidity(
                "outside the table of solved guides",
                field=name,
                value=value,
                allowed=f"{axis[0]:g} to {axis[-1]:g}",
            )
    if 0.0 < extension_depth_mm < table.depths_mm[1]:
        raise OutsideValidity(
            "an extension is solved from some depth on",
            field="extension.depth_mm",
            value=extension_depth_mm,
            allowed=f"0 for none, or {table.depths_mm[1]:g} to {table.depths_mm[-1]:g}",
        )
    found = _read(table, table.values[shape, coronary, access], size_fr, root_diameter_mm, extension_depth_mm)
    spread = float(np.hypot(table.spreads[shape, coronary, access], table.error_sd))
    backup = float(found[0])
    return GuideHold(
        backup,
        backup * float(np.exp(-spread)),
        backup * float(np.exp(spread)),
        spread,
        float(found[1]),
        float(found[2]),
        float(found[3]),
        float(found[4]),
    )


def _read(
    table: GuideTable, values: FloatArray, size_fr: float, root_mm: float, depth_mm: float
) -> FloatArray:
    """Return the entry between entries; forces are read in the logarithm of force per stiffness."""
    scales = np.log([stiffness_ratio(size) for size in table.sizes_fr])
    here = float(np.log(stiffness_ratio(size_fr)))
    corners, shares = [], []
    for i, wi in _weights(scales, here):
        for j, wj in _weights(table.roots_mm, root_mm):
            for k, wk in _weights(table.depths_mm, depth_mm):
                if wi * wj * wk == 0.0:
                    continue
                corner = values[i, j, k].copy()
                corner[_FORCES] = np.log(np.maximum(corner[_FORCES], LEAST_N)) - scales[i]
                corners.append(corner)
                shares.append(wi * wj * wk)
    around = np.array(corners)
    if np.isnan(around).any() or np.ptp(around[:, 0]) > np.log(MOST_BETWEEN):
        raise OutsideValidity(
            "the solved guides around this one seat in different ways, or one found no seat",
            field="aorta.root_diameter_mm",
            value=root_mm,
            allowed="another root, size or depth; `backstay guides` solves this one",
        )
    found = np.array(shares) @ around
    found[_FORCES] = np.exp(found[_FORCES] + here)
    return np.asarray(found)


def _weights(axis: FloatArray, at: float) -> list[tuple[int, float]]:
    """Return the entries on both sides of a value and their weights."""
    upper = int(np.clip(np.searchsorted(axis, at), 1, len(axis) - 1))
    share = (at - axis[upper - 1]) / (axis[upper] - axis[upper - 1])
    return [(upper - 1, 1.0 - float(share)), (upper, float(share))]
