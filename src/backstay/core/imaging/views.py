"""Working views: from where a stretch of vessel is seen at full length, with nothing lying over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.projection import receptor_axes
from backstay.core.mechanics.compiled import compiled
from backstay.errors import InputError

FloatArray = NDArray[np.float64]

STEP_RAD = np.deg2rad(5.0)
"""Views are named in steps of 5 deg; half a step off costs 0.1 % of length."""


NEAR_SPANS = 2.5
"""Where the lumens of two vessels meet, so many times their radii together along and about it are one junction, not an
overlap: judgement, no source. Vessels that pass each other without meeting overlap however near they are."""


@dataclass(frozen=True)
class Reach:
    """Where the C-arm can go; common practice, no source: a room's own limits go here.

    Attributes
    ----------
    most_right_rad, most_left_rad : float
        Largest RAO and LAO (both positive).
    most_caudal_rad, most_cranial_rad : float
        Largest caudal and cranial (both positive).
    steepest_rad : float
        Largest angle of the beam against the table's normal; beyond it the dose is high and the arm meets the patient.
    """

    most_right_rad: float = np.deg2rad(50.0)
    most_left_rad: float = np.deg2rad(60.0)
    most_caudal_rad: float = np.deg2rad(40.0)
    most_cranial_rad: float = np.deg2rad(40.0)
    steepest_rad: float = np.deg2rad(60.0)


@dataclass(frozen=True, eq=False)
class Strand:
    """A vessel as a line with a radius.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 3)
        In patient axes.
    radius_mm : ndarray, shape (n,)
        Lumen radius.
    weight : float
        Share with which it is there: 1, or less for one of several ways it may run.
    """

    points_mm: FloatArray
    radius_mm: FloatArray
    weight: float = 1.0


@dataclass(frozen=True)
class WorkingView:
    """One view, and what it loses.

    Attributes
    ----------
    primary_rad, secondary_rad : float
        LAO and cranial positive.
    lost_mm, lost_share : float
        Length lost to foreshortening.
    covered_mm : float
        Length over which another vessel lies.
    """

    primary_rad: float
    secondary_rad: float
    lost_mm: float
    lost_share: float
    covered_mm: float


def foreshortening(points_mm: FloatArray, primary_rad: FloatArray, secondary_rad: FloatArray) -> FloatArray:
    """Return the share of length lost in views of parallel rays.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Along the vessel [mm].
    primary_rad, secondary_rad : ndarray, shape (m,)
        Views [rad].

    Returns
    -------
    ndarray, shape (m,)
        1 - sum |E - (E.d) d| / sum |E| over the pieces E, d towards the receptor. Within one point of the cone of
        rays of a real C-arm.

    Examples
    --------
    A vessel along the patient's axis, seen 30 degrees cranial: 1 - cos 30.

    >>> along = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 10.0]])
    >>> round(foreshortening(along, np.zeros(1), np.array([np.pi / 6]))[0].item(), 4)
    0.134
    """
    pieces = np.diff(points_mm, axis=0)
    d = np.stack(
        [
            np.cos(secondary_rad) * np.sin(primary_rad),
            -np.cos(secondary_rad) * np.cos(primary_rad),
            np.sin(secondary_rad),
        ],
        axis=1,
    )
    length = np.linalg.norm(pieces, axis=1)
    seen = np.sqrt(np.maximum(length**2 - (d @ pieces.T) ** 2, 0.0)).sum(axis=1)
    return np.asarray(1.0 - seen / length.sum())


def reachable(reach: Reach) -> tuple[FloatArray, FloatArray]:
    """Return the views the C-arm can take, in steps of 5 degrees.

    Parameters
    ----------
    reach : Reach
        Limits.

    Returns
    -------
    primary_rad, secondary_rad : ndarray, shape (m,)
        Views [rad].
    """
    a = STEP_RAD * np.arange(
        -np.floor(reach.most_right_rad / STEP_RAD + 1e-9), reach.most_left_rad / STEP_RAD + 1e-9
    )
    b = STEP_RAD * np.arange(
        -np.floor(reach.most_caudal_rad / STEP_RAD + 1e-9), reach.most_cranial_rad / STEP_RAD + 1e-9
    )
    primary, secondary = (x.ravel() for x in np.meshgrid(a, b, indexing="ij"))
    allowed = np.cos(primary) * np.cos(secondary) >= np.cos(reach.steepest_rad) - 1e-9
    return primary[allowed], secondary[allowed]


def best_views(
    stretches: tuple[Strand, ...],
    others: tuple[Strand, ...],
    *,
    reach: Reach | None = None,
    count: int = 5,
    apart_rad: float = np.deg2rad(15.0),
) -> tuple[WorkingView, ...]:
    """Return the best reachable views of a stretch of vessel, or of a bifurcation.

    Parameters
    ----------
    stretches : tuple of Strand
        What is to be seen: the stretch, and for a bifurcation the branch's beginning too (in several possible ways,
        each with its weight, where its direction is not known).
    others : tuple of Strand
        What may lie over it; also the stretches lie over each other.
    reach : Reach, optional
        Where the C-arm can go.
    count : int
        How many views.
    apart_rad : float
        Least angle between two of them [rad].

    Returns
    -------
    tuple of WorkingView
        By the millimetres lost and covered together, least first.

    Raises
    ------
    InputError
        Nothing to be seen, or nowhere to go.
    """
    primary, secondary = reachable(reach or Reach())
    if not stretches or len(primary) == 0:
        raise InputError(
            "no view can be ranked",
            field="reach" if stretches else "stretch",
            allowed="a stretch, and views within reach",
        )
    lost, covered, length = np.zeros(len(primary)), np.zeros(len(primary)), 0.0
    axes = np.array([receptor_axes(a, b) for a, b in zip(primary, secondary, strict=True)])
    thin = [_thinned(one, 40) for one in (*stretches, *others)]
    for k, stretch in enumerate(stretches):
        size = float(np.linalg.norm(np.diff(stretch.points_mm, axis=0), axis=1).sum())
        lost += stretch.weight * size * foreshortening(stretch.points_mm, primary, secondary)
        length += stretch.weight * size
        sure = [one for j, one in enumerate(thin[: len(stretches)]) if j != k and one.weight == 1.0]
        over = (*thin[len(stretches) :], *sure)
        if over:
            covered += stretch.weight * size * covered_share(_thinned(stretch, 24), over, axes[:, :2])
    order = np.argsort(lost + covered, kind="stable")
    chosen: list[int] = []
    d = axes[:, 2]
    for i in order:
        if all(d[i] @ d[j] < np.cos(apart_rad) for j in chosen):
            chosen.append(int(i))
        if len(chosen) == count:
            break
    return tuple(
        WorkingView(
            float(primary[i]), float(secondary[i]), float(lost[i]), float(lost[i] / length), float(covered[i])
        )
        for i in chosen
    )


def covered_share(at: Strand, others: tuple[Strand, ...], axes: FloatArray) -> FloatArray:
    """Return the share of a stretch's points over which others lie, in each view.

    Parameters
    ----------
    at : Strand
        The stretch.
    others : tuple of Strand
        What may lie over it, one at least.
    axes : ndarray, shape (v, 2, 3)
        The receptor's axes across and up in each view.

    Returns
    -------
    ndarray, shape (v,)
        Mean over the points of the highest weight that lies over each.

    Notes
    -----
    Not counted is the junction of a vessel whose lumen meets that of the stretch (a branch's own origin, the vessel's
    own going on): what lies within `NEAR_SPANS` times both radii of the place where they meet, along that vessel, and
    as near to the stretch in space.
    """
    counts = [len(one.radius_mm) for one in others]
    line_mm = np.concatenate([one.points_mm for one in others])
    weight = np.repeat([one.weight for one in others], counts)
    touch = at.radius_mm[:, None] + np.concatenate([one.radius_mm for one in others])[None, :]
    apart = np.linalg.norm(at.points_mm[:, None] - line_mm[None], axis=-1)
    from_meeting = np.concatenate(
        [
            _from_meeting_mm(one.points_mm, part)
            for one, part in zip(
                others, np.split((apart / touch).min(axis=0), np.cumsum(counts)[:-1]), strict=True
            )
        ]
    )
    junction = np.maximum(apart, from_meeting) <= NEAR_SPANS * touch
    touch_mm2 = np.where(junction, -1.0, touch**2)
    return np.asarray(_covered(axes @ at.points_mm.T, axes @ line_mm.T, touch_mm2, weight).mean(axis=1))


def _from_meeting_mm(points_mm: FloatArray, apart_share: FloatArray) -> FloatArray:
    """Return the way along a vessel from where its lumen meets another's; infinite where they do not meet.

    `apart_share` is the distance of each point from the other vessel as a share of their radii together.
    """
    k = int(np.argmin(apart_share))
    if apart_share[k] > 1.0:
        return np.full(len(points_mm), np.inf)
    steps = np.sqrt((np.diff(points_mm, axis=0) ** 2).sum(axis=1))
    along = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(np.abs(along - along[k]))


@compiled
def _covered(at_mm: FloatArray, line_mm: FloatArray, touch_mm2: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the highest weight among the points that lie over each point in each view: shape (v, n), from (v, 2, n) and (v, 2, m).

    Two meet where they are no farther apart than the root of `touch_mm2` (n, m), negative where they never count.
    """
    covered = np.zeros((at_mm.shape[0], at_mm.shape[2]))
    for v in range(at_mm.shape[0]):
        for n in range(at_mm.shape[2]):
            most = 0.0
            for m in range(line_mm.shape[2]):
                across, up = at_mm[v, 0, n] - line_mm[v, 0, m], at_mm[v, 1, n] - line_mm[v, 1, m]
                if across * across + up * up < touch_mm2[n, m] and weight[m] > most:
                    most = weight[m]
            covered[v, n] = most
    return covered


def _thinned(strand: Strand, most: int) -> Strand:
    """Return a strand at points about a radius apart, `most` of them at most."""
    length_mm = float(np.linalg.norm(np.diff(strand.points_mm, axis=0), axis=1).sum())
    count = min(most, 2 + int(length_mm / float(np.mean(strand.radius_mm))))
    pick = np.unique(np.linspace(0, len(strand.radius_mm) - 1, count).astype(int))
    return Strand(strand.points_mm[pick], strand.radius_mm[pick], strand.weight)


def branch_strands(
    points_mm: FloatArray,
    s_mm: FloatArray,
    *,
    at_mm: float,
    radius_mm: float,
    angle_rad: float,
    ways: int = 8,
    length_mm: float = 20.0,
) -> tuple[Strand, ...]:
    """Return the ways a branch may run whose angle to the vessel is known and whose direction round it is not.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        The vessel it leaves [mm].
    s_mm : ndarray, shape (n,)
        Distance along it [mm].
    at_mm : float
        Where it leaves [mm].
    radius_mm : float
        Its radius [mm].
    angle_rad : float
        Between it and the distal vessel [rad].
    ways : int
        How many directions round the vessel.
    length_mm : float
        How much of it [mm].

    Returns
    -------
    tuple of Strand
        Straight, of equal weights that add up to 1.
    """
    i = int(np.clip(np.searchsorted(s_mm, at_mm), 2, len(s_mm) - 3))
    tangent = points_mm[i + 2] - points_mm[i - 2]
    tangent /= np.linalg.norm(tangent)
    aside = np.cross(tangent, np.eye(3)[np.argmin(np.abs(tangent))])
    aside /= np.linalg.norm(aside)
    third = np.cross(tangent, aside)
    along = np.linspace(0.0, length_mm, 30)[:, None]
    strands = []
    for turn in 2.0 * np.pi * np.arange(ways) / ways:
        outward = np.cos(turn) * aside + np.sin(turn) * third
        heading = np.cos(angle_rad) * tangent + np.sin(angle_rad) * outward
        strands.append(Strand(points_mm[i] + along * heading, np.full(len(along), radius_mm), 1.0 / ways))
    return tuple(strands)
