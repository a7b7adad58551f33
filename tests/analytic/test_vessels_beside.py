"""A vessel beside the traced one or over it is told from it; the filming shares no physics with the fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from backstay.core.imaging.beside import others
from backstay.core.imaging.density import density
from backstay.core.imaging.lumen import Lumen, measured_lumen
from backstay.core.imaging.phantom import Narrowing, Tube, tube_through
from backstay.core.imaging.phantom_film import Film, filmed
from backstay.core.imaging.profile import profile_table
from backstay.core.imaging.projection import View
from backstay.core.imaging.rowfit import RowFits
from backstay.core.imaging.straighten import Ribbon
from backstay.identifiers import Intensity

VIEW = View(0.0, 0.0, 1000.0, 750.0, 0.25, 0.25, 256, 144)
FILM = Film(background=False, bits=12)
ACROSS_PX = 0.5 * np.arange(-60, 61, dtype=np.float64)


def straight(*, aside_mm: float = 0.0, from_mm: float = 20.0, wide_mm: float = 3.0, **more: object) -> Tube:
    """Return a tube that runs down from a height, so far to the patient's left."""
    line = np.linspace([aside_mm, 0.0, from_mm], [aside_mm, 0.0, -20.0], 400)
    return tube_through(line, first_diameter_mm=wide_mm, last_diameter_mm=wide_mm, **more)  # type: ignore[arg-type]


def measured(main: Tube, *beside: Tube, line: Tube | None = None) -> tuple[Lumen, np.ndarray, np.ndarray]:
    """Return the lumen measured about the main tube's line or another, the error of its middle [px] and diameter [mm]."""
    frame = filmed((main, *beside), VIEW, FILM, np.random.default_rng(3))
    dark = density(frame, intensity=Intensity.LOGARITHMIC, most=2.0**FILM.bits - 1.0)
    path = VIEW.project((line or main).points_mm[12:-12:4])
    lumen = measured_lumen(dark, path, mm_per_px=VIEW.isocentre_mm_per_px)
    away, nearest = cKDTree(VIEW.project(main.points_mm)).query(lumen.line_px)
    wide = lumen.diameter_px * VIEW.mm_per_px(main.points_mm[nearest])
    return lumen, away, wide - 2.0 * main.radius_mm[nearest]


@pytest.mark.parametrize("gap_px", [1.0, 3.0, 5.0])
def test_a_branch_beside_a_narrowing_does_not_widen_it(gap_px: float) -> None:
    """The narrowing is 1.2 mm wide at its least, the branch 1.8 mm; between their edges there lie a few pixels."""
    main = straight(narrowings=(Narrowing(20.0, 12.0, 0.6),))
    aside = 0.6 + 0.9 + gap_px * VIEW.isocentre_mm_per_px
    branch = straight(aside_mm=aside, from_mm=6.0, wide_mm=1.8)
    lumen, away, error = measured(main, branch)
    near = np.abs(lumen.along_px * VIEW.isocentre_mm_per_px + 0.96 - 20.0) < 3.0
    assert abs(error[near].mean()) < 0.08
    assert np.abs(error[near]).max() < 0.25
    assert away[near].mean() < 0.3


def test_nothing_is_taken_from_a_vessel_that_is_alone() -> None:
    main = straight(narrowings=(Narrowing(20.0, 8.0, 0.6),))
    lumen, away, error = measured(main)
    assert np.abs(error[10:-10]).mean() < 0.1
    assert away.mean() < 0.2
    assert not lumen.overlap_px.any()


def test_a_line_that_strayed_onto_a_branch_is_brought_back() -> None:
    """The vessel bows 8 px aside of the traced line, which cuts its corner along a thinner vessel."""
    z = np.linspace(20.0, -20.0, 600)
    bow = 1.6 * np.exp(-((z / 6.0) ** 4))
    points = np.stack([bow, np.zeros(600), z], axis=1)
    main = tube_through(points, first_diameter_mm=3.0, last_diameter_mm=3.0)
    short = np.stack([-0.5 * bow, np.zeros(600), z], axis=1)[150:450]
    branch = tube_through(short, first_diameter_mm=1.8, last_diameter_mm=1.8)
    _, away, error = measured(main, branch, line=straight())
    assert away.mean() < 0.4
    assert np.abs(error[10:-10]).mean() < 0.15


def both(aside_px: float, *, rows: int = 80, wide_px: float = 8.0) -> tuple[Ribbon, RowFits]:
    """Return rows of a lumen of 10 px and a second one beside it from row 20 to 60, and what a single fit would say."""
    table = profile_table(blur_px=1.2, attenuation_per_px=0.04)
    one = table.look_up(ACROSS_PX[None], np.array([10.0]))[0][0]
    other = table.look_up(ACROSS_PX[None] - aside_px, np.array([wide_px]))[0][0]
    density_rows = np.tile(0.02 * one, (rows, 1))
    density_rows[20:60] += 0.02 * other
    density_rows += np.random.default_rng(1).normal(0.0, 0.01, density_rows.shape)
    line = np.stack([np.arange(float(rows)), np.zeros(rows)], axis=1)
    each = np.ones(rows)
    fits = RowFits(
        0.0 * each, 10.0 * each, 0.02 * each, 0.1 * each, 0.1 * each, 1e-4 * each, each, 0.01 * each
    )
    return Ribbon(line, np.tile([0.0, 1.0], (rows, 1)), ACROSS_PX, density_rows), fits


@pytest.mark.parametrize("aside_px", [-14.0, -8.0, 6.0, 11.0])
def test_another_vessel_is_found_where_it_is(aside_px: float) -> None:
    strip, fits = both(aside_px)
    table = profile_table(blur_px=1.2, attenuation_per_px=0.04)
    found = others(strip, fits, table, amplitude=fits.amplitude)
    middle = (found.density * ACROSS_PX).sum(axis=1)[25:55] / found.density.sum(axis=1)[25:55]
    assert np.abs(middle - aside_px).mean() < 0.5
    # As much as was put in, to a tenth; nothing where there is none.
    area = found.density[25:55].sum() / (0.02 * table.look_up(ACROSS_PX[None], np.array([8.0]))[0].sum() * 30)
    assert area == pytest.approx(1.0, abs=0.1)
    assert not found.density[:14].any() and not found.density[66:].any()
    np.testing.assert_allclose(found.overlap_px[25:55].mean(), max(9.0 - abs(aside_px), 0.0), atol=0.8)


def test_noise_makes_no_vessel() -> None:
    strip, fits = both(9.0, rows=20)
    rows = np.arange(400) % 20
    noise = np.random.default_rng(2).normal(0.0, 0.01, (400, len(ACROSS_PX)))
    table = profile_table(blur_px=1.2, attenuation_per_px=0.04)
    quiet = Ribbon(
        np.stack([np.arange(400.0), np.zeros(400)], axis=1), strip.normals[rows], ACROSS_PX,
        0.02 * table.look_up(ACROSS_PX[None], np.array([10.0]))[0] + noise,
    )  # fmt: skip
    many = RowFits(**{name: getattr(fits, name)[rows] for name in RowFits.__dataclass_fields__})
    assert not others(quiet, many, table, amplitude=many.amplitude).density.any()
