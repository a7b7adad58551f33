"""Where the C-arm stood in each frame of an angiogram, as its file says, and what the file leaves out or contradicts.

Classic XA carries one set of values with increments per frame; Enhanced XA carries functional groups, shared or per
frame. Both become the same arrays. Every value that is missing or suspect is a remark, in words.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from backstay.adapters.dicom_values import first, holders, items, number, numbers, text, whole

FloatArray = NDArray[np.float64]

SID_MM = (500.0, 1800.0)
SOD_MM = (400.0, 1300.0)
SPACING_MM = (0.05, 1.0)
"""Ranges of a room with a C-arm; common practice, no source."""
_SAME = 1.002
"""Distances within this ratio are one distance, rounded."""


@dataclass(frozen=True, eq=False)
class RunGeometry:
    """Per frame, NaN where the file says nothing.

    Attributes
    ----------
    primary_deg, secondary_deg : ndarray, shape (frames,)
        Positive LAO and cranial.
    sid_mm, sod_mm : float
        Source to receptor, source to isocentre.
    row_mm, column_mm : float
        Spacing at the receptor.
    sod_is_guess : bool
        Whether it was taken from Distance Source to Patient.
    spacing_is_guess : bool
        Whether it was taken from the field of view.
    quarter_turns : int
        Clockwise turns of the stored image.
    mirrored : bool
        Whether the stored image was flipped.
    remarks : tuple of str
        What is missing or suspect.
    """

    primary_deg: FloatArray
    secondary_deg: FloatArray
    sid_mm: float
    sod_mm: float
    row_mm: float
    column_mm: float
    sod_is_guess: bool
    spacing_is_guess: bool
    quarter_turns: int
    mirrored: bool
    remarks: tuple[str, ...]


def run_geometry(dataset: Dataset, *, frames: int, rows: int, columns: int) -> RunGeometry:
    """Return the geometry of a run from the head of its file."""
    remarks: list[str] = []
    groups = _groups(dataset, frames)
    primary, secondary = (
        _angles(dataset, groups, frames, which, sign, most, remarks)
        for which, sign, most in (("Primary", "LAO", 180.0), ("Secondary", "cranial", 90.0))
    )
    sid = _one(
        [number(dataset, "DistanceSourceToDetector"), *_from(groups, "XRayGeometrySequence", "DistanceSourceToDetector")],
        SID_MM, "(0018,1110) Distance Source to Detector", remarks,
    )  # fmt: skip
    sod, sod_guess = _source_distance(dataset, groups, sid, remarks)
    row, column, spacing_guess = _spacing(dataset, groups, rows, columns, remarks)
    _steady(groups, remarks)
    turns, mirrored = _orientation(dataset, remarks)
    _positions(dataset, remarks)
    return RunGeometry(
        primary, secondary, sid, sod, row, column, sod_guess, spacing_guess, turns, mirrored, tuple(remarks)
    )


def _groups(dataset: Dataset, frames: int) -> list[list[Dataset]]:
    """Return for every frame its functional groups: its own first, then the shared ones."""
    shared = list(items(dataset, "SharedFunctionalGroupsSequence"))[:1]
    own = list(items(dataset, "PerFrameFunctionalGroupsSequence"))[:frames]
    if not shared and not own:
        return []
    return [([own[k]] if k < len(own) else []) + shared for k in range(frames)]


def _from(groups: list[list[Dataset]], sequence: str, keyword: str) -> list[float | None]:
    """Return a value of the first frame's functional groups."""
    found = (first(group, sequence) for group in (groups[0] if groups else []))
    return [number(item, keyword) for item in found if item is not None]


def _steady(groups: list[list[Dataset]], remarks: list[str]) -> None:
    """Say where distances or spacing change from frame to frame: the first frame's are taken for all."""
    for sequence, keyword, name in (
        ("XRayGeometrySequence", "DistanceSourceToDetector", "(0018,1110) Distance Source to Detector"),
        ("XRayGeometrySequence", "DistanceSourceToIsocenter", "(0018,9402) Distance Source to Isocenter"),
        ("FramePixelDataPropertiesSequence", "ImagerPixelSpacing", "(0018,1164) Imager Pixel Spacing"),
    ):
        said = []
        for group in groups:
            found = (first(one, sequence) for one in group)
            values = (numbers(item, keyword) for item in found if item is not None)
            said += [value[0] for value in values if value][:1]
        if said and max(said) > _SAME * min(said):
            remarks.append(
                f"{name} changes between frames, from {min(said):g} to {max(said):g} mm: the first frame's is taken for all"
            )


def _angles(
    dataset: Dataset,
    groups: list[list[Dataset]],
    frames: int,
    which: str,
    sign: str,
    most: float,
    remarks: list[str],
) -> FloatArray:
    name = f"Positioner {which} Angle"
    start = number(dataset, f"Positioner{which}Angle")
    result = np.full(frames, np.nan if start is None else start)
    steps = numbers(dataset, f"Positioner{which}AngleIncrement")
    if start is not None and steps is not None and np.any(steps):
        if len(steps) == frames:
            # Each is the change from the first frame's angle [@dicomps33, C.8.7.5.1.2].
            result = start + np.asarray(steps)
            if frames > 3 and np.ptp(steps[1:]) < 1e-6:
                remarks.append(
                    f"{name} Increment is the same in every frame: change from the first, or from the last frame?"
                )
        else:
            remarks.append(f"{name} Increment has {len(steps)} values for {frames} frames: left out")
    for k, group in enumerate(groups):
        for item in (first(g, "PositionerPositionSequence") for g in group):
            own = None if item is None else number(item, f"Positioner{which}Angle")
            if own is not None:
                result[k] = own
                break
    if not np.isfinite(result).all():
        remarks.append(f"{name} is missing: set it ({sign} positive)")
    elif np.abs(result).max() > most:
        remarks.append(
            f"{name} is {result[np.argmax(np.abs(result))]:g}, allowed is up to {most:g}: left out"
        )
        result[:] = np.nan
    return result


def _one(
    candidates: list[float | None], allowed: tuple[float, float], name: str, remarks: list[str]
) -> float:
    for value in candidates:
        if value is None:
            continue
        if allowed[0] <= value <= allowed[1]:
            return value
        remarks.append(f"{name} is {value:g} mm, allowed is {allowed[0]:g} to {allowed[1]:g}: left out")
        return np.nan
    remarks.append(f"{name} is missing")
    return np.nan


def _source_distance(
    dataset: Dataset, groups: list[list[Dataset]], sid_mm: float, remarks: list[str]
) -> tuple[float, bool]:
    ways = [
        number(dataset, "DistanceSourceToIsocenter"),
        *_from(groups, "XRayGeometrySequence", "DistanceSourceToIsocenter"),
    ]
    if any(value is not None for value in ways):
        return _one(ways, SOD_MM, "(0018,9402) Distance Source to Isocenter", remarks), False
    patient = number(dataset, "DistanceSourceToPatient")
    if patient is not None and SOD_MM[0] <= patient <= SOD_MM[1] and not patient > sid_mm:
        remarks.append(
            f"(0018,9402) Distance Source to Isocenter is missing: {patient:g} mm taken from (0018,1111) Distance Source to "
            "Patient, which is not always the isocentre's; set isocentre_mm for the room"
        )
        return patient, True
    if patient is not None:
        remarks.append(f"(0018,1111) Distance Source to Patient is {patient:g} mm: left out")
    remarks.append("(0018,9402) Distance Source to Isocenter is missing: set isocentre_mm for the room")
    return np.nan, False


def _spacing(
    dataset: Dataset, groups: list[list[Dataset]], rows: int, columns: int, remarks: list[str]
) -> tuple[float, float, bool]:
    name = "(0018,1164) Imager Pixel Spacing"
    found = numbers(dataset, "ImagerPixelSpacing")
    for group in groups[0] if groups else []:
        item = first(group, "FramePixelDataPropertiesSequence")
        found = found or (None if item is None else numbers(item, "ImagerPixelSpacing"))
    if found is not None:
        pair = (found[0], found[-1])
        if all(SPACING_MM[0] <= x <= SPACING_MM[1] for x in pair):
            if abs(pair[0] - pair[1]) > 0.02 * pair[0]:
                remarks.append(f"{name} differs between rows and columns: {pair[0]:g} and {pair[1]:g} mm")
            return *pair, False
        remarks.append(
            f"{name} is {pair[0]:g} mm, allowed is {SPACING_MM[0]:g} to {SPACING_MM[1]:g}: left out"
        )
    field = numbers(dataset, "FieldOfViewDimensions") or _field_of_view(groups)
    if field is not None:
        guess = (field[-1] / rows, field[0] / columns)
        if all(SPACING_MM[0] <= x <= SPACING_MM[1] for x in guess):
            remarks.append(
                f"{name} is missing: {guess[1]:.3f} mm taken from the field of view over the columns"
            )
            return *guess, True
    remarks.append(f"{name} is missing: calibrate by the catheter, or set pixel_mm")
    return np.nan, np.nan, False


def _field_of_view(groups: list[list[Dataset]]) -> list[float] | None:
    for group in groups[0] if groups else []:
        item = first(group, "FieldOfViewSequence")
        if item is not None and (found := numbers(item, "FieldOfViewDimensionsInFloat")):
            return found
    return None


def _orientation(dataset: Dataset, remarks: list[str]) -> tuple[int, bool]:
    """Return how the stored image was turned and flipped against the receptor."""
    views = holders(dataset, "FieldOfViewSequence")
    turns = [turn for view in views if (turn := whole(view, "FieldOfViewRotation")) is not None]
    flips = [flip for view in views if (flip := text(view, "FieldOfViewHorizontalFlip"))]
    if len(set(turns)) > 1 or len(set(flips)) > 1:
        remarks.append("frames were turned or flipped in different ways: the first frame's is taken for all")
    turn = turns[0] if turns else 0
    if turn % 90:
        remarks.append(
            f"(0018,7032) Field of View Rotation is {turn}, allowed is 0, 90, 180 or 270: left out"
        )
        turn = 0
    mirrored = bool(flips) and flips[0] == "YES"
    if turn % 360 or mirrored:
        what = ", ".join(
            part
            for part in (f"turned by {turn} deg" if turn % 360 else "", "flipped" if mirrored else "")
            if part
        )
        remarks.append(
            f"the stored image was {what} against the receptor: undone in the geometry; check the spine's side"
        )
    return (turn // 90) % 4, mirrored


def _positions(dataset: Dataset, remarks: list[str]) -> None:
    for keyword in ("DetectorPrimaryAngle", "DetectorSecondaryAngle"):
        value = number(dataset, keyword)
        if value is not None and abs(value) > 0.5:
            remarks.append(f"the receptor is tilted against the beam ({keyword} {value:g} deg): not handled")
    position = text(dataset, "PatientPosition")
    if not position:
        remarks.append("(0018,5100) Patient Position is missing: head first, on the back, is taken")
    elif position != "HFS":
        remarks.append(
            f"(0018,5100) Patient Position is {position}: angles and sides hold for a patient head first on the back"
        )
