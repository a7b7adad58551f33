"""Working views of a stretch of a case's vessel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from backstay.app.loading import LoadedCase
from backstay.core.anatomy.lesion import Branch
from backstay.core.imaging.views import Reach, Strand, WorkingView, best_views, branch_strands
from backstay.errors import InputError, NotFound
from backstay.units import deg_to_rad, rad_to_deg

AROUND_BRANCH_MM = 10.0
BESIDE_LESION_MM = 5.0


@dataclass(frozen=True)
class RankedView:
    """One view in words and numbers, as it leaves the program.

    Attributes
    ----------
    name : str
        As it is said: "LAO 35 CRA 20".
    primary_deg, secondary_deg : float
        LAO and cranial positive.
    lost_mm, lost_percent : float
        Length lost to foreshortening.
    covered_mm : float
        Length over which another vessel may lie.
    """

    name: str
    primary_deg: float
    secondary_deg: float
    lost_mm: float
    lost_percent: float
    covered_mm: float


@dataclass(frozen=True)
class ViewsAnswer:
    """Views of a stretch.

    Attributes
    ----------
    from_mm, to_mm : float
        The stretch.
    what : str
        What it is.
    views : tuple of RankedView
        Best first.
    notes : tuple of str
        What the ranking could not know.
    """

    from_mm: float
    to_mm: float
    what: str
    views: tuple[RankedView, ...]
    notes: tuple[str, ...]


def view_name(primary_deg: float, secondary_deg: float) -> str:
    """Return a view as it is said in the room: AP where an angle is 0."""
    side = f"{'LAO' if primary_deg > 0 else 'RAO'} {abs(primary_deg):.0f}" if round(primary_deg) else ""
    tilt = f"{'CRA' if secondary_deg > 0 else 'CAU'} {abs(secondary_deg):.0f}" if round(secondary_deg) else ""
    return " ".join(part for part in (side or ("AP" if not side else ""), tilt) if part)


def ranked_views(
    case: LoadedCase,
    *,
    from_mm: float | None = None,
    to_mm: float | None = None,
    branch: str | None = None,
    reach: Reach | None = None,
) -> ViewsAnswer:
    """Return the best reachable views of a stretch, of a bifurcation, or of the case's first lesion.

    Raises
    ------
    InputError
        The path's axes are not the patient's, or the stretch is not on it.
    NotFound
        No such branch.
    """
    if case.vessel.axes != "patient" and case.vessel.measurement is None:
        raise InputError(
            "from which side the path is seen is not known: its axes are not said to be the patient's",
            field="vessel.axes", allowed='a measured path, or axes = "patient" (x left, y back, z head)', where=str(case.file),
        )  # fmt: skip
    begin, end, what, chosen = _stretch(case, from_mm, to_mm, branch)
    path = case.path
    inside = (path.s_mm >= begin) & (path.s_mm <= end)
    stretches = [Strand(path.points_mm[inside], path.radius_mm[inside])]
    others = [
        Strand(path.points_mm[part], path.radius_mm[part])
        for part in (path.s_mm < begin - 1.0, path.s_mm > end + 1.0)
        if part.sum() > 3
    ]
    for other in case.branches:
        strands = branch_strands(
            path.points_mm,
            path.s_mm,
            at_mm=other.at_mm,
            radius_mm=0.5 * other.diameter_mm,
            angle_rad=other.angle_rad,
        )
        (stretches if other is chosen else others).extend(strands)
    views = best_views(tuple(stretches), tuple(others), reach=reach)
    notes = ["the main path and the branches of the case only: other vessels may lie over the stretch"]
    if case.branches:
        notes.append(
            "directions of branches round the vessel are not known: lengths are averages over eight of them"
        )
    return ViewsAnswer(begin, end, what, tuple(_ranked(view) for view in views), tuple(notes))


def _stretch(
    case: LoadedCase, from_mm: float | None, to_mm: float | None, branch: str | None
) -> tuple[float, float, str, Branch | None]:
    length = case.path.length_mm
    if branch is not None:
        if from_mm is not None or to_mm is not None:
            raise InputError(
                "a bifurcation or a stretch, not both",
                field="--branch",
                value=branch,
                allowed="without --from and --to",
            )
        found = next((b for b in case.branches if b.name == branch), None)
        if found is None:
            names = ", ".join(b.name for b in case.branches) or "the case has none"
            raise NotFound(
                "no such branch", field="--branch", value=branch, allowed=names, where=str(case.file)
            )
        begin, end = max(found.at_mm - AROUND_BRANCH_MM, 0.0), min(found.at_mm + AROUND_BRANCH_MM, length)
        return begin, end, f"bifurcation with {found.name}", found
    if from_mm is None and to_mm is None and case.lesions:
        lesion = case.lesions[0]
        begin, end = max(lesion.from_mm - BESIDE_LESION_MM, 0.0), min(lesion.to_mm + BESIDE_LESION_MM, length)
        return begin, end, "first lesion, with 5 mm either side", None
    begin, end = from_mm or 0.0, length if to_mm is None else to_mm
    if not 0.0 <= begin < end <= length + 1e-6 or end - begin < 3.0:
        raise InputError(
            "the stretch is not on the path", field="--from, --to", value=f"{begin:g} to {end:g} mm",
            allowed=f"0 to {length:g} mm, 3 mm or more",
        )  # fmt: skip
    return begin, end, "stretch", None


def _ranked(view: WorkingView) -> RankedView:
    a, b = (float(np.round(rad_to_deg(x))) + 0.0 for x in (view.primary_rad, view.secondary_rad))
    return RankedView(
        view_name(a, b),
        a,
        b,
        round(view.lost_mm, 1),
        round(100.0 * view.lost_share, 1),
        round(view.covered_mm, 1),
    )


def reach_from(
    most_right_deg: float, most_left_deg: float, most_caudal_deg: float, most_cranial_deg: float
) -> Reach:
    """Return the limits of a room's C-arm from degrees.

    Raises
    ------
    InputError
        One is no such limit.
    """
    most = (
        ("RAO", most_right_deg, 120),
        ("LAO", most_left_deg, 120),
        ("CAU", most_caudal_deg, 60),
        ("CRA", most_cranial_deg, 60),
    )
    for name, value, limit in most:
        if not 0.0 <= value <= limit:
            raise InputError(
                "not how far a C-arm goes",
                field=f"--most {name}",
                value=value,
                allowed=f"0 to {limit} degrees",
            )
    return Reach(*(deg_to_rad(x) for x in (most_right_deg, most_left_deg, most_caudal_deg, most_cranial_deg)))
