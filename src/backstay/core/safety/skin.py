"""Dose to the skin: where on the back and flanks of a patient-sized body the beams of a case went in.

The body is an upright elliptic cylinder whose back touches the table. Patient frame: x to the patient's left,
y to the back, z to the head; origin at the isocentre where the table stood for most kerma. A beam's angles place the receptor
[@dicomps33]. Sources of the factors: [@johnson2011; @benmakhlouf2011; @iec6060143].
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.safety.protocol import SkinFactors
from backstay.errors import InputError
from backstay.units import deg_to_rad, rad_to_deg

FloatArray = NDArray[np.float64]

PATCH_mm = 5.0
REFERENCE_mm = 150.0
"""From the isocentre towards the source lies the reference point [@iec6060143]."""


@dataclass(frozen=True, kw_only=True)
class Beam:
    """One irradiation event as the map takes it.

    Attributes
    ----------
    air_kerma_mGy : float
        At the reference point, as the machine says.
    primary_deg, secondary_deg : float
        Where the receptor stands: positive is left anterior oblique, and cranial.
    source_isocentre_mm, source_detector_mm : float
        Distances.
    field_mm : tuple of float
        Width and height of the field at the receptor.
    shift_mm : tuple of float
        Where the patient stands against the place that has the origin, x, y, z.
    reference_mm : float or None
        Source to reference point; None for the usual 150 mm in front of the isocentre.
    """

    air_kerma_mGy: float
    primary_deg: float
    secondary_deg: float
    source_isocentre_mm: float
    source_detector_mm: float
    field_mm: tuple[float, float]
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    reference_mm: float | None = None

    def __post_init__(self) -> None:
        if self.air_kerma_mGy < 0.0:
            raise InputError(
                "kerma is not negative", field="air_kerma_mGy", value=self.air_kerma_mGy, allowed="0 or more"
            )
        if not REFERENCE_mm < self.source_isocentre_mm < self.source_detector_mm:
            raise InputError(
                "the isocentre lies between source and receptor",
                field="source_isocentre_mm",
                value=self.source_isocentre_mm,
                allowed=f"{REFERENCE_mm:g} to {self.source_detector_mm:g} mm",
            )

    @property
    def source_reference_mm(self) -> float:
        """Return the distance from source to reference point [mm]."""
        return self.source_isocentre_mm - REFERENCE_mm if self.reference_mm is None else self.reference_mm

    def axes(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the receptor's column, its row, and the direction from isocentre to receptor."""
        a, b = deg_to_rad(self.primary_deg), deg_to_rad(self.secondary_deg)
        u = np.array([np.cos(a), np.sin(a), 0.0])
        v = np.array([np.sin(b) * np.sin(a), -np.sin(b) * np.cos(a), -np.cos(b)])
        d = np.array([np.cos(b) * np.sin(a), -np.cos(b) * np.cos(a), np.sin(b)])
        return u, v, d


@dataclass(frozen=True, kw_only=True)
class Body:
    """The body as an elliptic cylinder.

    Attributes
    ----------
    half_width_mm, half_depth_mm : float
        Half axes.
    half_height_mm : float
        Half of the stretch that is mapped.
    table_half_width_mm : float
        Half width of the table under it.
    """

    half_width_mm: float = 170.0
    half_depth_mm: float = 110.0
    half_height_mm: float = 300.0
    table_half_width_mm: float = 230.0


def body_for(*, weight_kg: float | None, height_cm: float | None) -> Body:
    """Return a body of the patient's size.

    Parameters
    ----------
    weight_kg : float or None
        Weight [kg].
    height_cm : float or None
        Height [cm].

    Returns
    -------
    Body
        Half axes of 170 and 110 mm at 70 kg and 170 cm, scaled so that the cross-section goes with weight
        over height (a cylinder of equal length and density). Judgement, no source: 2 cm of distance to the
        skin are about 6 % of dose.
    """
    if weight_kg is None or height_cm is None:
        return Body()
    factor = float(np.sqrt((weight_kg / height_cm) / (70.0 / 170.0)))
    return Body(half_width_mm=170.0 * factor, half_depth_mm=110.0 * factor)


def skin_dose_mGy(point_mm: FloatArray, beam: Beam, body: Body, factors: SkinFactors) -> float:
    """Return the dose one beam gives to one point of the skin [mGy].

    Parameters
    ----------
    point_mm : ndarray, shape (3,)
        A point on the cylinder, in the patient's frame.
    beam : Beam
        The event.
    body : Body
        The cylinder.
    factors : SkinFactors
        Backscatter, tissue, table, calibration.

    Returns
    -------
    float
        0 outside the field and on the side the beam leaves by.

    Notes
    -----
    kerma x calibration x (d_reference / d)^2 x table^(1/cos) x backscatter x tissue, with d from the source to
    the point; the table counts only where the ray crosses it before the point.
    """
    x, y, z = np.asarray(point_mm, dtype=np.float64)[:, None]
    return float(_beam_dose_mGy(_Grid.of(x, y, z, body, 0.0), beam, body, factors)[0, 0])


@dataclass(frozen=True)
class _Grid:
    """Patches as n places round the body by m heights: all but z depend on the place round it alone."""

    x_mm: FloatArray
    y_mm: FloatArray
    z_mm: FloatArray
    normals: FloatArray
    side_mm: float

    @classmethod
    def of(cls, x_mm: FloatArray, y_mm: FloatArray, z_mm: FloatArray, body: Body, side_mm: float) -> _Grid:
        n = np.stack([x_mm / body.half_width_mm**2, y_mm / body.half_depth_mm**2], axis=-1)
        return cls(x_mm, y_mm, z_mm, n / np.linalg.norm(n, axis=-1, keepdims=True), side_mm)

    def part(self, around: NDArray[np.intp], heights: NDArray[np.intp]) -> _Grid:
        return _Grid(
            self.x_mm[around], self.y_mm[around], self.z_mm[heights], self.normals[around], self.side_mm
        )


def _grid(body: Body) -> tuple[_Grid, FloatArray]:
    """Return patches of about 5 mm and where each lies along the skin, from the spine to the patient's left."""
    dense = np.linspace(0.0, 2.0 * np.pi, 20001)
    step = np.hypot(np.diff(body.half_width_mm * np.sin(dense)), np.diff(body.half_depth_mm * np.cos(dense)))
    along = np.concatenate([[0.0], np.cumsum(step)])
    # Whole quarters, so that spine and flanks each have a patch of their own.
    quarter = max(round(along[-1] / PATCH_mm / 4.0), 1)
    places = np.arange(-2 * quarter, 2 * quarter) * along[-1] / (4 * quarter)
    angle = np.interp(places % along[-1], along, dense)
    x, y = body.half_width_mm * np.sin(angle), body.half_depth_mm * np.cos(angle)
    rows = round(body.half_height_mm / PATCH_mm)
    z = PATCH_mm * np.arange(-rows, rows + 1, dtype=np.float64)
    return _Grid.of(x, y, z, body, PATCH_mm), places


def _covered(at: FloatArray, half: float, size: FloatArray) -> FloatArray:
    """Return the share of a stretch of `size` about `at` that lies within `half` of 0."""
    inside = np.minimum(at + 0.5 * size, half) - np.maximum(at - 0.5 * size, -half)
    whole = np.where(size > 0.0, np.clip(inside, 0.0, None) / np.where(size > 0.0, size, 1.0), inside >= 0.0)
    return np.asarray(np.minimum(whole, 1.0), dtype=np.float64)


def _beam_dose_mGy(grid: _Grid, beam: Beam, body: Body, factors: SkinFactors) -> FloatArray:
    """Return the dose of one beam to every patch [mGy], shape (round the body, heights)."""
    u, v, d = beam.axes()
    source = -beam.source_isocentre_mm * d - np.array(beam.shift_mm)
    # From source to patch; u has no part along z, so the column in the field does not depend on the height.
    qx, qy, qz = grid.x_mm - source[0], grid.y_mm - source[1], grid.z_mm - source[2]
    depth = (qx * d[0] + qy * d[1])[:, None] + (qz * d[2])[None, :]
    magnified = beam.source_detector_mm / np.maximum(depth, 1.0)
    column = (qx * u[0] + qy * u[1])[:, None] * magnified
    row = ((qx * v[0] + qy * v[1])[:, None] + (qz * v[2])[None, :]) * magnified
    tangents = np.stack([-grid.normals[:, 1], grid.normals[:, 0]], axis=-1)
    wide = grid.side_mm * np.abs(tangents @ u[:2])[:, None] * magnified
    high = grid.side_mm * (np.abs(tangents @ v[:2])[:, None] + abs(v[2])) * magnified
    share = _covered(column, 0.5 * beam.field_mm[0], wide) * _covered(row, 0.5 * beam.field_mm[1], high)
    enters = qx * grid.normals[:, 0] + qy * grid.normals[:, 1] < 0.0
    distance2 = (qx * qx + qy * qy)[:, None] + (qz * qz)[None, :]
    scale = factors.calibration_factor * factors.backscatter_factor * factors.tissue_factor
    dose = beam.air_kerma_mGy * scale * beam.source_reference_mm**2 / distance2
    dose = dose * share * (enters & (depth[:, 0] > 0.0))[:, None]
    under = _under_table(source, qx, qy, body)
    passes = np.sqrt(distance2) / np.where(under, np.abs(qy), 1.0)[:, None]
    return np.asarray(np.where(under[:, None], dose * factors.table_factor**passes, dose), dtype=np.float64)


def _under_table(source: FloatArray, qx: FloatArray, qy: FloatArray, body: Body) -> NDArray[np.bool_]:
    """Return which rays from the source cross the table before they reach the skin."""
    plane = body.half_depth_mm
    below = (source[1] > plane) & (source[1] + qy <= plane + 1e-9) & (qy < 0.0)
    crossing = source[0] + qx * (plane - source[1]) / np.where(below, qy, -1.0)
    return np.asarray(below & (np.abs(crossing) <= body.table_half_width_mm), dtype=np.bool_)


def _window(grid: _Grid, beam: Beam) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the patches a beam can reach at all: a little more than its field where it enters."""
    u, v, d = beam.axes()
    source = -beam.source_isocentre_mm * d - np.array(beam.shift_mm)
    qx, qy, qz = grid.x_mm - source[0], grid.y_mm - source[1], grid.z_mm - source[2]
    enters = qx * grid.normals[:, 0] + qy * grid.normals[:, 1] < 0.0
    deepest = float(np.max(qx * d[0] + qy * d[1], where=enters, initial=0.0) + np.max(np.abs(qz * d[2])))
    reach = 0.5 * np.array(beam.field_mm) * deepest / beam.source_detector_mm + 4.0 * grid.side_mm
    around = np.flatnonzero(enters & (np.abs(qx * u[0] + qy * u[1]) <= reach[0]))
    if around.size == 0:
        return around, around
    flat, tilted = qx[around] * v[0] + qy[around] * v[1], qz * v[2]
    heights = np.flatnonzero(
        (tilted + float(np.min(flat)) <= reach[1]) & (tilted + float(np.max(flat)) >= -reach[1])
    )
    return around, heights


@dataclass(frozen=True)
class SkinMap:
    """Dose over the skin, unrolled.

    Attributes
    ----------
    dose_mGy : ndarray, shape (round the body, heights)
        Dose of each patch.
    around_mm : ndarray
        Place along the skin: 0 at the spine, positive to the patient's left.
    height_mm : ndarray
        Place along the body, positive to the head.
    patch_mm2 : float
        Area of a patch.
    half_range : float
        Half of the band about every value, as a share.
    """

    dose_mGy: FloatArray
    around_mm: FloatArray
    height_mm: FloatArray
    patch_mm2: float
    half_range: float

    @property
    def peak_index(self) -> tuple[int, int]:
        """Return the patch with the highest dose."""
        at = int(np.argmax(self.dose_mGy))
        return at // self.dose_mGy.shape[1], at % self.dose_mGy.shape[1]

    @property
    def peak_mGy(self) -> float:
        """Return the highest dose [mGy]; `band_mGy` goes with it."""
        return float(self.dose_mGy.max())

    @property
    def band_mGy(self) -> tuple[float, float]:
        """Return the band about the peak [mGy]."""
        return self.peak_mGy * (1.0 - self.half_range), self.peak_mGy * (1.0 + self.half_range)

    def area_above_cm2(self, dose_mGy: float) -> float:
        """Return the area of skin at or above a dose [cm2]."""
        return float(np.count_nonzero(self.dose_mGy >= dose_mGy)) * self.patch_mm2 / 100.0

    @property
    def integral_Gycm2(self) -> float:
        """Return the dose summed over the skin [Gy cm2]."""
        return float(self.dose_mGy.sum()) * self.patch_mm2 * 1e-5

    def where(self) -> str:
        """Return where the peak lies, in words."""
        i, j = self.peak_index
        x, z = self.around_mm[i], self.height_mm[j]
        side = (
            "at the spine"
            if abs(x) < PATCH_mm
            else f"{abs(x) / 10:.0f} cm to the {'left' if x > 0 else 'right'}"
        )
        height = (
            "level with the isocentre"
            if abs(z) < PATCH_mm
            else f"{abs(z) / 10:.0f} cm towards the {'head' if z > 0 else 'feet'}"
        )
        return f"{side} along the skin, {height}"


def skin_map(beams: Sequence[Beam], body: Body, factors: SkinFactors) -> SkinMap:
    """Return the dose of all beams over the skin.

    Parameters
    ----------
    beams : sequence of Beam
        The events; those that differ in kerma alone are taken together.
    body : Body
        The cylinder.
    factors : SkinFactors
        Backscatter, tissue, table, calibration, band.

    Returns
    -------
    SkinMap
        Patches of 5 mm; one that a field's edge cuts counts by the share of it inside.
    """
    grid, around = _grid(body)
    total = np.zeros((len(grid.x_mm), len(grid.z_mm)))
    for beam in _together(beams):
        rows, heights = _window(grid, beam)
        if rows.size and heights.size:
            total[np.ix_(rows, heights)] += _beam_dose_mGy(grid.part(rows, heights), beam, body, factors)
    pitch = float(around[1] - around[0])
    return SkinMap(total, around, grid.z_mm, pitch * PATCH_mm, factors.half_range)


def missing_the_body(beams: Sequence[Beam], body: Body) -> tuple[Beam, ...]:
    """Return the beams that reach no patch of the map: their kerma is in no dose of it.

    Parameters
    ----------
    beams : sequence of Beam
        The events.
    body : Body
        The cylinder, mapped `half_height_mm` to either side.

    Returns
    -------
    tuple of Beam
        In their order.
    """
    grid, _ = _grid(body)
    bare, reaches = SkinFactors(), dict[Beam, bool]()
    for beam in beams:
        key = replace(beam, air_kerma_mGy=1.0)
        if key not in reaches:
            rows, heights = _window(grid, key)
            reaches[key] = bool(rows.size and heights.size) and bool(
                (_beam_dose_mGy(grid.part(rows, heights), key, body, bare) > 0.0).any()
            )
    return tuple(beam for beam in beams if not reaches[replace(beam, air_kerma_mGy=1.0)])


def _together(beams: Sequence[Beam]) -> list[Beam]:
    """Return beams with the kerma of equal ones added up."""
    kerma: dict[Beam, float] = {}
    for beam in beams:
        key = replace(beam, air_kerma_mGy=0.0)
        kerma[key] = kerma.get(key, 0.0) + beam.air_kerma_mGy
    return [replace(beam, air_kerma_mGy=value) for beam, value in kerma.items() if value > 0.0]


@dataclass(frozen=True)
class OtherView:
    """Another projection in place of the one in use.

    Attributes
    ----------
    primary_deg, secondary_deg : float
        The projection.
    turned_deg : float
        Angle between its beam and the one in use.
    at_peak : float
        Dose to the patch that has the peak now, as a share of what the projection in use gives it.
    peak_mGy : float
        The highest dose anywhere once the coming kerma was given from there.
    """

    primary_deg: float
    secondary_deg: float
    turned_deg: float
    at_peak: float
    peak_mGy: float


_TURNS_deg = (
    (-20.0, 0.0),
    (20.0, 0.0),
    (0.0, -15.0),
    (0.0, 15.0),
    (-35.0, 0.0),
    (35.0, 0.0),
    (0.0, 30.0),
    (0.0, -30.0),
)


def other_views(
    beams: Sequence[Beam], now: Beam, *, coming_mGy: float, body: Body, factors: SkinFactors
) -> tuple[OtherView, ...]:
    """Return what turning the gantry would spare the most exposed skin.

    Parameters
    ----------
    beams : sequence of Beam
        All so far.
    now : Beam
        The projection in use; its kerma does not matter.
    coming_mGy : float
        Kerma still to come [mGy].
    body : Body
        The cylinder.
    factors : SkinFactors
        As for the map.

    Returns
    -------
    tuple of OtherView
        The one in use first, then turns of 15 to 35 degrees, the lowest peak first. Whether the vessel can be
        seen from there is for the views to say.
    """
    done = skin_map(beams, body, factors)
    i, j = done.peak_index
    angles = [(now.primary_deg, now.secondary_deg)]
    angles += [(now.primary_deg + p, now.secondary_deg + s) for p, s in _TURNS_deg]
    found: list[OtherView] = []
    at_now = 0.0
    for primary, secondary in angles:
        if abs(primary) > 100.0 or abs(secondary) > 45.0:
            continue  # no gantry goes there with a patient on the table; judgement, no source
        beam = replace(now, primary_deg=primary, secondary_deg=secondary, air_kerma_mGy=coming_mGy)
        more = skin_map([beam], body, factors).dose_mGy
        at_now = at_now if found else float(more[i, j])
        turned = rad_to_deg(float(np.arccos(np.clip(beam.axes()[2] @ now.axes()[2], -1.0, 1.0))))
        share = float(more[i, j]) / at_now if at_now > 0.0 else 0.0
        found.append(OtherView(primary, secondary, turned, share, float((done.dose_mGy + more).max())))
    return (found[0], *sorted(found[1:], key=lambda one: (round(one.peak_mGy), one.turned_deg)))
