"""Dose to the skin from dose reports: the map, its doubt, and what turning the gantry would spare."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from backstay.adapters.dose_report import read_dose_report
from backstay.adapters.limits_file import OtherViewRow, SkinPart
from backstay.app.safety.setting import CaseSafety
from backstay.core.safety.dose import DoseReport, PlacedBeams, beams_of, same_report, without_repeats
from backstay.core.safety.protocol import Protocol, SkinFactors
from backstay.core.safety.radiation import SkinBand, skin_band
from backstay.core.safety.skin import Beam, Body, SkinMap, body_for, missing_the_body, other_views, skin_map
from backstay.errors import InputError

COMING_mGy = 500.0
"""Kerma for which other views are compared; judgement, no source."""
ANCHOR_mm = 50.0
"""How far the table's zero may be from where it was taken to be."""
_MARGIN_PATCHES = 8
_FACTORS = ("backscatter", "tissue", "table")


def read_reports(files: Sequence[Path]) -> list[DoseReport]:
    """Return the dose reports of a case, one or several, in which each event counts once.

    Raises
    ------
    NotFound, FileFormatError
        One cannot be read.
    InputError
        One was given twice: its dose would count twice.
    """
    found = list[DoseReport]()
    for file in files:
        report = read_dose_report(file)
        for before, other in zip(files, found, strict=False):
            if same_report(report, other):
                raise InputError(
                    f"the same dose report as {before}",
                    field="--dose",
                    value=str(file),
                    allowed="each report once",
                )
        found.append(report)
    return without_repeats(found)


def skin_of(safety: CaseSafety) -> SkinPart | None:
    """Return the dose to the skin by a case's dose reports; None where it has none."""
    if not safety.reports:
        return None
    patient = safety.case.patient
    return skin_part(
        safety.reports,
        weight_kg=patient.weight_kg,
        height_cm=patient.height_cm,
        protocol=safety.setting.protocol,
    )


def skin_part(
    reports: Sequence[DoseReport],
    *,
    weight_kg: float | None,
    height_cm: float | None,
    protocol: Protocol,
) -> SkinPart:
    """Return the dose to the skin of all reports together; of totals alone a worst case without a place.

    Parameters
    ----------
    reports : sequence of DoseReport
        One for each run of the machine.
    weight_kg, height_cm : float or None
        For the size of the body.
    protocol : Protocol
        Its factors, the peak from which a dose counts as substantial, and which of them the lab set.
    """
    factors, substantial_mGy = protocol.skin, protocol.radiation.substantial_skin_mGy
    placed = [beams_of(one, beside=[*reports[:k], *reports[k + 1 :]]) for k, one in enumerate(reports)]
    body = body_for(weight_kg=weight_kg, height_cm=height_cm)
    beams, missed_mGy = _on_the_map([beam for one in placed for beam in one.beams], body)
    unplaced = sum(one.unplaced_mGy for one in placed) + missed_mGy
    found = skin_map(beams, body, factors)
    anchors = [
        skin_map(_moved(beams, axis, sign), body, factors).peak_mGy for axis in range(3) for sign in (-1, 1)
    ]
    low, high = found.band_mGy
    scale = factors.backscatter_factor * factors.tissue_factor * factors.calibration_factor
    worst_mGy = high + unplaced * scale * (1.0 + factors.half_range)
    band = skin_band(worst_mGy / 1000.0)
    part = SkinPart(
        peak_Gy=found.peak_mGy / 1000.0,
        low_Gy=low / 1000.0,
        high_Gy=high / 1000.0,
        where=found.where() if beams else "",
        placed_events=len(beams),
        unplaced_Gy=unplaced / 1000.0,
        worst_case_Gy=worst_mGy / 1000.0,
        kerma_unknown=any(one.kerma_unknown for one in placed),
        substantial_Gy=substantial_mGy / 1000.0,
        substantial_source=protocol.whose("radiation.substantial_skin_mGy", otherwise="aapm2022"),
        past_substantial=found.peak_mGy >= substantial_mGy,
        may_be_past_substantial=worst_mGy >= substantial_mGy,
        area_above_2Gy_cm2=found.area_above_cm2(2000.0),
        area_above_3Gy_cm2=found.area_above_cm2(3000.0),
        area_above_5Gy_cm2=found.area_above_cm2(5000.0),
        anchor_low_Gy=min([*anchors, found.peak_mGy]) / 1000.0,
        anchor_high_Gy=max([*anchors, found.peak_mGy]) / 1000.0,
        grade=band.grade,
        effect=band.effect,
        advice=band.advice,
        advice_source=band.advice_source,
        other_views=_other_views(beams, body, factors),
        around_mm=[],
        height_mm=[],
        dose_mGy=[],
        notes=[
            *_missed_words(missed_mGy, body),
            *_notes(reports, placed, weight_kg is None or height_cm is None, band, protocol),
        ],
    )
    return part.model_copy(update=_window(found)) if beams else part


def _on_the_map(beams: Sequence[Beam], body: Body) -> tuple[list[Beam], float]:
    """Return the beams that reach the mapped body, and the kerma of those that do not [mGy]."""
    missed = set(missing_the_body(beams, body))
    lost_mGy = sum(beam.air_kerma_mGy for beam in beams if beam in missed)
    return [beam for beam in beams if beam not in missed], lost_mGy


def _missed_words(missed_mGy: float, body: Body) -> list[str]:
    if missed_mGy <= 0.0:
        return []
    return [
        f"{missed_mGy:.3g} mGy reach no part of the mapped body ({body.half_height_mm / 10.0:.0f} cm to either side of its "
        "centre): they count as not placed"
    ]


def _moved(beams: Sequence[Beam], axis: int, sign: int) -> list[Beam]:
    shift = [0.0, 0.0, 0.0]
    shift[axis] = sign * ANCHOR_mm
    x, y, z = shift
    return [replace(b, shift_mm=(b.shift_mm[0] + x, b.shift_mm[1] + y, b.shift_mm[2] + z)) for b in beams]


def _other_views(beams: Sequence[Beam], body: Body, factors: SkinFactors) -> list[OtherViewRow]:
    if not beams:
        return []
    found = other_views(beams, beams[-1], coming_mGy=COMING_mGy, body=body, factors=factors)
    return [
        OtherViewRow(
            primary_deg=one.primary_deg,
            secondary_deg=one.secondary_deg,
            turned_deg=one.turned_deg,
            at_peak=one.at_peak,
            peak_Gy=one.peak_mGy / 1000.0,
        )
        for one in found
    ]


def _window(found: SkinMap) -> dict[str, object]:
    """Return the part of the map that has any dose, with a margin, to one tenth of a milligray."""
    rows, columns = (found.dose_mGy > 0.0).nonzero()
    if rows.size == 0:
        return {}
    left, right = max(int(rows.min()) - _MARGIN_PATCHES, 0), int(rows.max()) + _MARGIN_PATCHES + 1
    low, high = max(int(columns.min()) - _MARGIN_PATCHES, 0), int(columns.max()) + _MARGIN_PATCHES + 1
    return {
        "around_mm": [round(float(x), 1) for x in found.around_mm[left:right]],
        "height_mm": [float(z) for z in found.height_mm[low:high]],
        "dose_mGy": [[round(float(d), 1) for d in row] for row in found.dose_mGy[left:right, low:high]],
    }


def _notes(
    reports: Sequence[DoseReport],
    placed: Sequence[PlacedBeams],
    usual_size: bool,
    band: SkinBand,
    protocol: Protocol,
) -> list[str]:
    notes = [note for one in placed for note in one.notes] + [
        w for report in reports for w in report.warnings
    ]
    notes.append("the isocentre is taken to lie in the middle of the body")
    unset = [word for word in _FACTORS if f"skin.{word}_factor" not in protocol.set_by_lab]
    if unset:
        notes.append(
            f"factors from memory or judgement, unconfirmed ({', '.join(unset)}): the room's physicist has better ones"
        )
    notes.append("never compared with film or measurement: an estimate for follow-up, not a dosimetry report")
    if band.from_Gy >= 5.0:  # only the grades of these bands were read [@balter2010]
        notes.append("what a dose above 5 Gy does to the skin is put in words from memory, unconfirmed")
    if usual_size:
        notes.append(
            "weight or height is not known: a body of usual size was taken (2 cm of distance are about 6 %)"
        )
    return list(dict.fromkeys(notes))
