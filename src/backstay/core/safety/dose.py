"""A dose report in plain values: its events, its totals, and the beams a skin map can be made of."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, field, replace

from backstay.core.safety.body import Now
from backstay.core.safety.skin import Beam, REFERENCE_mm

ROTATION_BEAMS = 15
"""A rotation counts as so many still beams."""


@dataclass(frozen=True, kw_only=True)
class Irradiation:
    """One event of a report; None where the report does not say.

    Attributes
    ----------
    kind : str
        Fluoroscopy, acquisition or rotation, as the report calls it.
    plane : str
        A, B or single.
    air_kerma_mGy, kap_Gycm2 : float or None
        At the reference point; kerma-area product. Calibration is applied.
    primary_deg, secondary_deg : float or None
        Where the receptor stands.
    primary_end_deg, secondary_end_deg : float or None
        Where it ends, for a rotation.
    source_isocentre_mm, source_detector_mm, source_reference_mm : float or None
        Distances.
    field_width_mm, field_height_mm, field_area_mm2 : float or None
        The field at the receptor.
    table_mm : tuple of float or None
        Lateral, height, longitudinal; against the maker's own zero.
    uid : str
        Its own identifier; the same event may stand in an interim report and in the final one.
    """

    kind: str = ""
    plane: str = "single"
    air_kerma_mGy: float | None = None
    kap_Gycm2: float | None = None
    primary_deg: float | None = None
    secondary_deg: float | None = None
    primary_end_deg: float | None = None
    secondary_end_deg: float | None = None
    source_isocentre_mm: float | None = None
    source_detector_mm: float | None = None
    source_reference_mm: float | None = None
    field_width_mm: float | None = None
    field_height_mm: float | None = None
    field_area_mm2: float | None = None
    table_mm: tuple[float, float, float] | None = None
    uid: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, kw_only=True)
class DoseReport:
    """A report.

    Attributes
    ----------
    events : tuple of Irradiation
        In the report's order.
    air_kerma_mGy, kap_Gycm2, fluoroscopy_min : float or None
        Totals as the report gives them, planes added.
    fluoroscopy_kap_Gycm2 : float or None
        The part of it that was fluoroscopy.
    warnings : tuple of str
        What is missing or does not agree.
    instance : str
        Its own identifier, where it has one; two that are equal but for it say the same.
    """

    events: tuple[Irradiation, ...] = ()
    air_kerma_mGy: float | None = None
    kap_Gycm2: float | None = None
    fluoroscopy_min: float | None = None
    fluoroscopy_kap_Gycm2: float | None = None
    warnings: tuple[str, ...] = ()
    instance: str = field(default="", compare=False, repr=False)

    @property
    def least_air_kerma_mGy(self) -> float | None:
        """Return the air kerma that was given at least: the total, or the events' sum where that is more [mGy]."""
        return _larger(self.air_kerma_mGy, _summed(event.air_kerma_mGy for event in self.events))

    @property
    def least_kap_Gycm2(self) -> float | None:
        """Return the kerma-area product that was given at least, as for air kerma [Gy cm2]."""
        return _larger(self.kap_Gycm2, _summed(event.kap_Gycm2 for event in self.events))

    @property
    def field_at_reference_cm2(self) -> float | None:
        """Return the mean field at the reference point: kerma-area product over kerma [cm2]."""
        if not self.air_kerma_mGy or self.kap_Gycm2 is None:
            return None
        return 1e3 * self.kap_Gycm2 / self.air_kerma_mGy


def _summed(values: Iterable[float | None]) -> float | None:
    """Return the sum of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return math.fsum(known) if known else None


def _larger(*values: float | None) -> float | None:
    """Return the largest of what is known; None where nothing is."""
    return max((value for value in values if value is not None), default=None)


def same_report(one: DoseReport, other: DoseReport) -> bool:
    """Return whether two reports are one given twice.

    Parameters
    ----------
    one, other : DoseReport
        The reports.

    Returns
    -------
    bool
        They are the same instance, or give the same doses throughout and some dose at all.
    """
    if one.instance and one.instance == other.instance:
        return True
    return one == other and bool(one.events or one.air_kerma_mGy or one.kap_Gycm2)


def without_repeats(reports: Sequence[DoseReport]) -> list[DoseReport]:
    """Return reports in which each event counts once, told apart by its own identifier and plane.

    Parameters
    ----------
    reports : sequence of DoseReport
        As given; the same event may stand in several, as in an interim report and the final one.

    Returns
    -------
    list of DoseReport
        In their order. One whose events all stand in another is left out with its totals; of two that share some
        events the later keeps its own, and its totals are less by what is counted before. Either is said.
    """
    keys = [{_key(event) for event in one.events if event.uid} for one in reports]
    left: list[DoseReport] = []
    seen = set[tuple[str, str]]()
    for k, (one, own) in enumerate(zip(reports, keys, strict=True)):
        whole = bool(own) and all(event.uid for event in one.events)
        if whole and any(own <= other and (own < other or j < k) for j, other in enumerate(keys) if j != k):
            continue
        left.append(_less(one, own & seen))
        seen |= own
    gone = len(reports) - len(left)
    if gone:
        said = (
            f"{gone} of {len(reports)} reports hold only events that another one holds too: they count once"
        )
        left[0] = replace(left[0], warnings=(*left[0].warnings, said))
    return left


def _key(event: Irradiation) -> tuple[str, str]:
    return event.uid, event.plane


def _less(report: DoseReport, repeated: Set[tuple[str, str]]) -> DoseReport:
    """Return a report without the events that are counted already."""
    again = [event for event in report.events if event.uid and _key(event) in repeated]
    if not again:
        return report

    def rest(total: float | None, given: Iterable[float | None]) -> float | None:
        return None if total is None else max(total - (_summed(given) or 0.0), 0.0)

    said = f"{len(again)} of {len(report.events)} events stand in another report too: they count once; fluoroscopy time may count twice"
    return replace(
        report,
        events=tuple(event for event in report.events if event not in again),
        air_kerma_mGy=rest(report.air_kerma_mGy, (event.air_kerma_mGy for event in again)),
        kap_Gycm2=rest(report.kap_Gycm2, (event.kap_Gycm2 for event in again)),
        warnings=(*report.warnings, said),
    )


def with_reports(now: Now, reports: Sequence[DoseReport]) -> Now:
    """Return where a case stands by its record and its dose reports together.

    Parameters
    ----------
    now : Now
        Where it stands by its record, whose dose is the machine's running total.
    reports : sequence of DoseReport
        One for each run of the machine.

    Returns
    -------
    Now
        Air kerma, kerma-area product and fluoroscopy time each the larger of the record's and the reports' sum: a
        record may have stopped before the case did, and a report may not hold all runs.
    """
    return replace(
        now,
        air_kerma_mGy=_larger(now.air_kerma_mGy, _summed(one.least_air_kerma_mGy for one in reports)),
        kap_Gycm2=_larger(now.kap_Gycm2, _summed(one.least_kap_Gycm2 for one in reports)),
        fluoroscopy_min=_larger(now.fluoroscopy_min, _summed(one.fluoroscopy_min for one in reports)),
    )


AGREE_SHARE = 0.05
ROUNDING_mGy = 1.0
"""Less than this is what rounding leaves between a total and its events: counted, not said; judgement, no source."""
PLAUSIBLE_FIELD_cm2 = (3.0, 1000.0)
"""A field outside it points to a slipped unit; judgement, no source."""


_ALIKE = {
    "angles": "primary_deg",
    "distance from source to isocentre": "source_isocentre_mm",
    "distance from source to receptor": "source_detector_mm",
    "width of the field": "field_width_mm",
    "height of the field": "field_height_mm",
    "place of the table": "table_mm",
}
"""What all events of one machine give, or none."""


def disagreements(report: DoseReport) -> tuple[str, ...]:
    """Return where the events of a report and its totals do not agree, and what looks like a slipped unit.

    Parameters
    ----------
    report : DoseReport
        The report.

    Returns
    -------
    tuple of str
        Each in a sentence; none where all agrees within 5 % and all events say the same kinds of things.
    """
    found = []
    for what, total, values, unit in (
        ("air kerma", report.air_kerma_mGy, [e.air_kerma_mGy for e in report.events], "mGy"),
        ("kerma-area product", report.kap_Gycm2, [e.kap_Gycm2 for e in report.events], "Gy cm2"),
    ):
        if not values:
            continue
        missing = sum(value is None for value in values)
        summed = math.fsum(value for value in values if value is not None)
        if missing:
            found.append(f"{missing} of {len(values)} events give no {what}")
        elif total is not None and abs(summed - total) > AGREE_SHARE * max(total, 1e-9):
            found.append(f"{what}: the events sum to {summed:.4g} {unit}, the report's total is {total:.4g}")
    for what, name in _ALIKE.items():
        without = sum(getattr(event, name) is None for event in report.events)
        if 0 < without < len(report.events):
            found.append(
                f"{without} of {len(report.events)} events give no {what}, the others do: a cut-off file?"
            )
    slipped = sum(_fields_disagree(event) for event in report.events)
    if slipped:
        found.append(
            f"{slipped} of {len(report.events)} events: the field by its sides and that by product over kerma differ by more than "
            f"{FIELDS_AGREE_FACTOR:g} times: a unit or a distance may have slipped, or a filter's kerma is told in another way"
        )
    area = report.field_at_reference_cm2
    if area is not None and not PLAUSIBLE_FIELD_cm2[0] <= area <= PLAUSIBLE_FIELD_cm2[1]:
        found.append(
            f"the mean field at the reference point comes to {area:.3g} cm2: a unit may have slipped"
        )
    return tuple(found)


FIELDS_AGREE_FACTOR = 2.0
"""The reading itself may be off by a third [@iec6060143]; judgement, no source."""


def _fields_disagree(event: Irradiation) -> bool:
    """Return whether an event's field and its product over kerma cannot both be right."""
    by_field_mGy = _kerma_by_field_mGy(event)
    if not by_field_mGy or not event.air_kerma_mGy:
        return False
    ratio = by_field_mGy / event.air_kerma_mGy
    return not 1.0 / FIELDS_AGREE_FACTOR <= ratio <= FIELDS_AGREE_FACTOR


@dataclass(frozen=True)
class PlacedBeams:
    """What a report gives a skin map.

    Attributes
    ----------
    beams : tuple of Beam
        Events that could be placed.
    unplaced_mGy : float
        Kerma of the others, and what of the total is in no event: it may all have gone into one field.
    notes : tuple of str
        What was assumed.
    kerma_unknown : bool
        Some kerma is told by nothing in the report.
    """

    beams: tuple[Beam, ...]
    unplaced_mGy: float
    notes: tuple[str, ...] = field(default=())
    kerma_unknown: bool = False


def beams_of(report: DoseReport, *, beside: Sequence[DoseReport] = ()) -> PlacedBeams:
    """Return the beams of a report.

    Parameters
    ----------
    report : DoseReport
        The report.
    beside : sequence of DoseReport
        Others of the same case and machine: the table's zero is one for all of them.

    Returns
    -------
    PlacedBeams
        The body's centre lies at the isocentre where the table stood for most kerma of all; the events are shifted
        against that place. An event without angles, distances or any size of field is not placed, nor are totals
        without events, nor what a total has that the events do not account for.
    """
    centre = _table_centre_mm([report, *beside])
    beams: list[Beam] = []
    unplaced, missing_notes, unknown = _missing(report)
    without_table, by_area, usual = 0, 0, 0
    for event in report.events:
        if not event.air_kerma_mGy:
            continue
        placed = _beam(event)
        if placed is None:
            unplaced += event.air_kerma_mGy
            continue
        by_area += event.field_width_mm is None or event.field_height_mm is None
        without_table += event.table_mm is None
        usual += event.source_reference_mm is None
        if centre is not None and event.table_mm is not None:
            lateral, height, along = (b - a for a, b in zip(centre, event.table_mm, strict=True))
            placed = replace(placed, shift_mm=(lateral, height, along))
        beams += _rotated(placed, event)
    notes = [*missing_notes]
    if beside:
        notes.append("several reports are taken to be of one machine, whose table has one zero")
    if centre is not None:
        notes.append(
            "the table's zero is the maker's own: the isocentre where the table stood for most kerma is taken as centre"
        )
    if without_table:
        notes.append(f"{without_table} events give no table place: taken as not moved")
    if by_area:
        notes.append(f"{by_area} events give no field sides: a square of the field's area is taken")
    if usual:
        notes.append(
            f"{usual} events give no distance to the reference point: the usual {REFERENCE_mm / 10.0:.0f} cm from the isocentre "
            "towards the tube is taken; if the machine means another point, every dose here is off by the square"
        )
    return PlacedBeams(tuple(beams), unplaced, tuple(notes), kerma_unknown=unknown)


def _table_centre_mm(reports: Sequence[DoseReport]) -> tuple[float, float, float] | None:
    """Return where the table stood for most kerma: in each direction the median, each event weighing by its kerma.

    The first event may be a shot of the groin, far from where the case is done.
    """
    events = [event for report in reports for event in report.events if event.table_mm is not None]
    if not events:
        return None
    weights = [event.air_kerma_mGy or 0.0 for event in events]
    lateral, height, along = (
        _weighted_median(values, weights)
        for values in zip(*(event.table_mm for event in events if event.table_mm is not None), strict=True)
    )
    return lateral, height, along


def _weighted_median(values: Sequence[float], weights: Sequence[float]) -> float:
    """Return the least value up to which half of the weight lies."""
    half, below = 0.5 * math.fsum(weights), 0.0
    for value, weight in sorted(zip(values, weights, strict=True)):
        below += weight
        if below >= half:
            return value
    return max(values)


def _missing(report: DoseReport) -> tuple[float, list[str], bool]:
    """Return the kerma that no event accounts for [mGy], what is to be said of it, and whether some stays unknown."""
    without = [event for event in report.events if event.air_kerma_mGy is None]
    summed = _summed(event.air_kerma_mGy for event in report.events) or 0.0
    by_total = max((report.air_kerma_mGy or 0.0) - summed, 0.0)
    told = [_kerma_by_field_mGy(event) for event in without]
    by_field = _summed(told) or 0.0
    if by_total <= 1e-9 * summed:  # the rounding of the sum
        by_total = 0.0
    notes = []
    if without:
        notes.append(
            f"the {len(without)} events without air kerma gave {by_total:.0f} mGy by the report's total, {by_field:.0f} mGy by "
            "product over field: the larger counts as not placed"
        )
    elif report.events and by_total >= ROUNDING_mGy:
        notes.append(f"{by_total:.3g} mGy of the total are in no event: they count as not placed")
    unknown = report.air_kerma_mGy is None and (not report.events or None in told)
    if unknown:
        notes.append("some air kerma is told by nothing in the report: the dose to the skin is at least this")
    return max(by_total, by_field), notes, unknown


def _kerma_by_field_mGy(event: Irradiation) -> float | None:
    """Return an event's kerma from its product and its field, None where either is not known [mGy]."""
    if event.kap_Gycm2 == 0.0:
        return 0.0
    width_mm, height_mm = event.field_width_mm, event.field_height_mm
    area_mm2 = width_mm * height_mm if width_mm and height_mm else event.field_area_mm2
    isocentre, detector = event.source_isocentre_mm, event.source_detector_mm
    if event.kap_Gycm2 is None or not area_mm2 or isocentre is None or not detector:
        return None
    reference = event.source_reference_mm or isocentre - REFERENCE_mm
    if reference <= 0.0:
        return None
    return 1e5 * event.kap_Gycm2 / (area_mm2 * (reference / detector) ** 2)


def _beam(event: Irradiation) -> Beam | None:
    """Return an event as a beam, or None where it cannot be placed."""
    angles = event.primary_deg, event.secondary_deg
    isocentre, detector = event.source_isocentre_mm, event.source_detector_mm
    field_mm = _field_mm(event)
    if None in angles or isocentre is None or detector is None or field_mm is None:
        return None
    reference = event.source_reference_mm
    if not REFERENCE_mm < isocentre < detector or (reference is not None and not 0.0 < reference < detector):
        return None
    return Beam(
        air_kerma_mGy=event.air_kerma_mGy or 0.0,
        primary_deg=event.primary_deg or 0.0,
        secondary_deg=event.secondary_deg or 0.0,
        source_isocentre_mm=isocentre,
        source_detector_mm=detector,
        field_mm=field_mm,
        reference_mm=reference,
    )


def _field_mm(event: Irradiation) -> tuple[float, float] | None:
    """Return the field at the receptor: as given, or a square from its area, or from product over kerma."""
    if event.field_width_mm and event.field_height_mm:
        return event.field_width_mm, event.field_height_mm
    if event.field_area_mm2:
        side = math.sqrt(event.field_area_mm2)
        return side, side
    if not (
        event.kap_Gycm2 and event.air_kerma_mGy and event.source_detector_mm and event.source_isocentre_mm
    ):
        return None
    at_reference_mm = math.sqrt(1e5 * event.kap_Gycm2 / event.air_kerma_mGy)
    reference = event.source_reference_mm or event.source_isocentre_mm - REFERENCE_mm
    if reference <= 0.0:
        return None
    side = at_reference_mm * event.source_detector_mm / reference
    return side, side


def _rotated(beam: Beam, event: Irradiation) -> Sequence[Beam]:
    """Return a rotation as still beams that share its kerma; anything else as it is."""
    end_primary = event.primary_end_deg if event.primary_end_deg is not None else beam.primary_deg
    end_secondary = event.secondary_end_deg if event.secondary_end_deg is not None else beam.secondary_deg
    turned = max(abs(end_primary - beam.primary_deg), abs(end_secondary - beam.secondary_deg))
    if turned < 5.0:
        return [beam]
    steps = [(k + 0.5) / ROTATION_BEAMS for k in range(ROTATION_BEAMS)]
    return [
        replace(
            beam,
            air_kerma_mGy=beam.air_kerma_mGy / ROTATION_BEAMS,
            primary_deg=beam.primary_deg + t * (end_primary - beam.primary_deg),
            secondary_deg=beam.secondary_deg + t * (end_secondary - beam.secondary_deg),
        )
        for t in steps
    ]
