"""What leaves the source enters the skin: the map's geometry against the solid angle of the beam."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.safety.protocol import SkinFactors
from backstay.core.safety.skin import Beam, Body, _beam_dose_mGy, _grid, other_views, skin_map

BARE = SkinFactors(backscatter_factor=1.0, tissue_factor=1.0, table_factor=1.0)
BODY = Body()


def solid_angle(width_mm: float, height_mm: float, distance_mm: float) -> float:
    """Return the solid angle of a rectangle seen from above its middle [sr]: the closed form of a pyramid's apex."""
    w, h = 0.5 * width_mm, 0.5 * height_mm
    return 4.0 * math.atan(w * h / (distance_mm * math.sqrt(w * w + h * h + distance_mm * distance_mm)))


def flux_mGymm2(beam: Beam, body: Body) -> float:
    """Return kerma times area times cosine of incidence, summed over the skin."""
    grid, around = _grid(body)
    dose = _beam_dose_mGy(grid, beam, body, BARE)
    source = -beam.source_isocentre_mm * beam.axes()[2] - np.array(beam.shift_mm)
    q = np.stack(
        np.broadcast_arrays(
            (grid.x_mm - source[0])[:, None],
            (grid.y_mm - source[1])[:, None],
            (grid.z_mm - source[2])[None, :],
        ),
        axis=-1,
    )
    along = q[..., 0] * grid.normals[:, :1] + q[..., 1] * grid.normals[:, 1:]
    cosine = -along / np.linalg.norm(q, axis=-1)
    return float((dose * np.clip(cosine, 0.0, None)).sum()) * float(around[1] - around[0]) * grid.side_mm


@given(
    primary=st.floats(-60, 60),
    secondary=st.floats(-30, 30),
    field=st.tuples(st.floats(80, 200), st.floats(80, 200)),
    shift=st.tuples(st.floats(-30, 30), st.floats(-30, 30), st.floats(-30, 30)),
)
def test_what_leaves_the_source_enters_the_skin(
    primary: float, secondary: float, field: tuple[float, float], shift: tuple[float, float, float]
) -> None:
    """Kerma falls with the square of distance, so its flux through any surface is kerma x d^2 x solid angle.

    The whole field enters within the mapped stretch. 3 % covers patches of 5 mm cut by the field's edge; it was set
    before the test was run.
    """
    beam = Beam(
        air_kerma_mGy=100.0,
        primary_deg=primary,
        secondary_deg=secondary,
        source_isocentre_mm=750.0,
        source_detector_mm=1000.0,
        field_mm=field,
        shift_mm=shift,
    )
    expected = 100.0 * beam.source_reference_mm**2 * solid_angle(*field, 1000.0)
    assert flux_mGymm2(beam, BODY) == pytest.approx(expected, rel=0.03)


def test_a_wrong_law_of_distance_would_be_seen() -> None:
    beam = Beam(
        air_kerma_mGy=100.0,
        primary_deg=20.0,
        secondary_deg=-15.0,
        source_isocentre_mm=750.0,
        source_detector_mm=1000.0,
        field_mm=(150.0, 150.0),
    )
    expected = 100.0 * beam.source_reference_mm**2 * solid_angle(150.0, 150.0, 1000.0)
    wrong = flux_mGymm2(beam, Body(half_depth_mm=130.0)) * 600.0 / 640.0
    assert wrong != pytest.approx(expected, rel=0.03)


def test_the_small_field_limit_is_kerma_over_the_squares() -> None:
    beam = Beam(
        air_kerma_mGy=100.0,
        primary_deg=0.0,
        secondary_deg=0.0,
        source_isocentre_mm=750.0,
        source_detector_mm=1000.0,
        field_mm=(60.0, 60.0),
    )
    assert skin_map([beam], BODY, BARE).peak_mGy == pytest.approx(100.0 * (600.0 / 640.0) ** 2, rel=1e-9)


def test_turning_away_spares_the_peak() -> None:
    now = Beam(
        air_kerma_mGy=1000.0,
        primary_deg=0.0,
        secondary_deg=0.0,
        source_isocentre_mm=750.0,
        source_detector_mm=1000.0,
        field_mm=(100.0, 100.0),
    )
    same, *others = other_views([now], now, coming_mGy=500.0, body=BODY, factors=BARE)
    assert same.peak_mGy == pytest.approx(1.5 * skin_map([now], BODY, BARE).peak_mGy)
    away = next(one for one in others if abs(one.primary_deg) == 35.0)
    assert away.at_peak == 0.0 and away.turned_deg == pytest.approx(35.0)
    assert away.peak_mGy == pytest.approx(skin_map([now], BODY, BARE).peak_mGy)
