"""A lab's own readings of hold: entered, and what they make of the plan's estimates."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from backstay.adapters.case_file import ROUTES
from backstay.adapters.guide_table import shipped_guide_table
from backstay.adapters.holds_file import HoldsDocument, ReadingTable, read_holds, write_holds
from backstay.adapters.shelf_file import read_shelf
from backstay.adapters.toml_text import validated as model_from
from backstay.app.guides import coronary_of
from backstay.app.loading import LoadedCase
from backstay.core.guide.loads import CAUTION_N
from backstay.core.guide.readings import Prior, Reading, narrowed
from backstay.core.guide.surrogate import LEAST_N, GuideHold, guide_hold
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSpec, with_overrides
from backstay.core.mechanics.backup import extension_ratio, guide_hold_ratio
from backstay.core.rigging.devices import Extension, Guide, Shelf
from backstay.errors import InputError, NotFound, OutsideValidity
from backstay.identifiers import Access, Coronary, DeviceKind, GuideShape
from backstay.units import gram_force_to_N

READING_LABEL = "the lab's own readings"
COMPUTED_LABEL = "computed by the guide model, unvalidated"
ORDINARY_ROOT_MM, ROOT_SD_MM = 34.0, 4.0
"""How far a root nobody measured is from the ordinary one, one standard deviation (judgement, no source)."""
DIFFERS_BY = 2.0


def case_specs(case: LoadedCase) -> tuple[DrawSpec, ...]:
    """Return a case's uncertain inputs: the hold by the guide model, narrowed by the lab's readings; the case has the last word."""
    specs = computed(
        case.aorta.root_diameter_mm, root_known="root_diameter_mm" in case.aorta.model_fields_set
    )
    return with_overrides(_read(case, specs), case.draw_overrides)


def computed(
    root_diameter_mm: float, *, root_known: bool, specs: tuple[DrawSpec, ...] = DEFAULT_DRAWS
) -> tuple[DrawSpec, ...]:
    """Return the inputs with the reference guide's hold as the guide model gives it; a root nobody measured widens its spread."""
    found = _reference(root_diameter_mm)
    spread = found.spread_sd
    if not root_known:
        narrow, wide = (_reference(root_diameter_mm + by_mm).backup_N for by_mm in (-ROOT_SD_MM, ROOT_SD_MM))
        spread = math.hypot(spread, 0.5 * math.log(narrow / wide))
    return _with(specs, "guide_hold_N", found.backup_N, spread, COMPUTED_LABEL)


def _reference(root_diameter_mm: float) -> GuideHold:
    table = shipped_guide_table()
    root_mm = min(max(root_diameter_mm, float(table.roots_mm[0])), float(table.roots_mm[-1]))
    seat = GuideShape.EXTRA_BACKUP_LEFT, Coronary.LEFT, Access.FEMORAL
    return guide_hold(table, *seat, size_fr=6.0, root_diameter_mm=root_mm)


def hold_words(case: LoadedCase) -> list[str]:
    """Return what the guide model says of the guide in place beside what the plan takes: a large difference, a high load on the ostium."""
    guide, route = case.rig.guide, case.rig.access.route
    try:
        found = guide_hold(
            shipped_guide_table(),
            guide.shape,
            coronary_of(case.vessel_name),
            route,
            size_fr=guide.size_fr,
            root_diameter_mm=case.aorta.root_diameter_mm,
        )
    except (NotFound, OutsideValidity) as error:
        return [f"the guide model has no answer for the {guide.name} here: {error}"]
    root = "" if "root_diameter_mm" in case.aorta.model_fields_set else ", a root nobody measured"
    root_words = f"root of {case.aorta.root_diameter_mm:.0f} mm{root}"
    taken_N = next(s.median for s in case_specs(case) if s.name == "guide_hold_N") * guide_hold_ratio(
        guide, route
    )
    words = []
    if (
        max(taken_N, LEAST_N) / max(found.backup_N, LEAST_N) > DIFFERS_BY
        or found.backup_N / taken_N > DIFFERS_BY
    ):
        computed_words = "under 0.05" if found.backup_N < 1.01 * LEAST_N else f"{found.backup_N:.2f}"
        words.append(
            f"{guide.name}: the guide model gives it {computed_words} N ({root_words}), this plan takes {taken_N:.2f} N, the scale times "
            "the ratio to the reference guide; where the two differ the ratio is kept, published or judged (docs/guides.md)"
        )
    if found.ostium_N > CAUTION_N:
        words.append(
            f"{guide.name}: by the guide model it presses the ostium with about {found.ostium_N:.1f} N when it gives way ({root_words}): "
            "watch pressure and tip, a guide's tip can dissect"
        )
    return words


def _read(case: LoadedCase, specs: tuple[DrawSpec, ...]) -> tuple[DrawSpec, ...]:
    if case.holds_file is None:
        return specs
    holds = read_holds(case.holds_file)
    if not holds.reading:
        return specs
    after = narrowed(prior_of(specs), readings_of(holds, case.shelf, where=str(case.holds_file)))
    specs = _with(specs, "guide_hold_N", after.hold_N, after.hold_sd, READING_LABEL)
    return _with(specs, "extension_factor", after.extension_factor, after.extension_sd, READING_LABEL)


def _with(
    specs: tuple[DrawSpec, ...], name: str, median: float, spread: float, source: str
) -> tuple[DrawSpec, ...]:
    return tuple(
        replace(s, median=median, spread=spread, source=source, evidence=source) if s.name == name else s
        for s in specs
    )


def prior_of(specs: tuple[DrawSpec, ...]) -> Prior:
    """Return the two inputs that readings narrow."""
    by_name = {spec.name: spec for spec in specs}
    hold, extension = by_name["guide_hold_N"], by_name["extension_factor"]
    return Prior(hold.median, hold.spread, extension.median, extension.spread)


def readings_of(holds: HoldsDocument, shelf: Shelf, *, where: str = "") -> list[Reading]:
    """Return a lab's readings as the model takes them."""
    found = []
    for k, row in enumerate(holds.reading):
        guide, gain = _guide_on(shelf, row.guide, f"reading#{k + 1}.guide", where), 0.0
        if row.extension is not None:
            extension = _extension_on(shelf, row.extension, f"reading#{k + 1}.extension", where)
            gain = extension_ratio(guide_fr=guide.size_fr, extension=extension, depth_mm=row.depth_mm) - 1.0
        found.append(
            Reading(
                f"{row.guide} {row.access}",
                tuple(gram_force_to_N(g) for g in row.grams),
                gram_force_to_N(row.error_grams),
                guide_hold_ratio(guide, ROUTES[row.access]),
                gain,
            )
        )
    return found


def _guide_on(shelf: Shelf, name: str, field: str, where: str) -> Guide:
    device = shelf.devices.get(name)
    if isinstance(device, Guide):
        return device
    raise NotFound(
        "not a guide on the shelf",
        field=field,
        value=name,
        allowed=", ".join(d.id for d in shelf.of(DeviceKind.GUIDE)) or "none",
        where=where,
    )


def _extension_on(shelf: Shelf, name: str, field: str, where: str) -> Extension:
    device = shelf.devices.get(name)
    if isinstance(device, Extension):
        return device
    raise NotFound(
        "not a guide extension on the shelf",
        field=field,
        value=name,
        allowed=", ".join(d.id for d in shelf.of(DeviceKind.EXTENSION)) or "none",
        where=where,
    )


def record_reading(file: Path, shelf_file: Path | None, reading: ReadingTable) -> tuple[Prior, Prior, int]:
    """Add a reading to a file (a new one where there is none); return the inputs before and after all of its readings, and their number."""
    if file.exists():
        holds = read_holds(file)
    elif shelf_file is None:
        raise InputError("a new file of readings needs its shelf", field="--shelf", allowed="the shelf file")
    else:
        holds = HoldsDocument(schema=1, shelf=shelf_file.name, reading=[])
    shelf = read_shelf(file.parent / holds.shelf)
    holds = HoldsDocument(schema=1, shelf=holds.shelf, reading=[*holds.reading, reading])
    found = readings_of(holds, shelf, where=str(file))
    before = prior_of(computed(ORDINARY_ROOT_MM, root_known=False))
    after = narrowed(before, found)
    write_holds(file, holds)
    return before, after, len(found)


def reading_from_words(
    *,
    guide: str | None,
    grams: str | None,
    access: str,
    extension: str | None,
    depth_mm: float,
    error_grams: float,
) -> ReadingTable:
    """Return a reading from what was typed."""
    if guide is None or grams is None:
        raise InputError("a reading needs a guide and what it held", field="--guide, --grams", allowed="both")
    try:
        numbers = [float(word) for word in grams.replace(",", " ").split()]
    except ValueError:
        raise InputError(
            "not numbers", field="--grams", value=grams, allowed="grams between blanks, as in '61 58 64'"
        ) from None
    return model_from(
        ReadingTable,
        {
            "guide": guide,
            "access": access,
            **({} if extension is None else {"extension": extension}),
            "depth_mm": float(depth_mm),
            "grams": numbers,
            "error_grams": float(error_grams),
        },
        where="the reading",
    )


def recorded_rows(before: Prior, after: Prior, count: int) -> list[tuple[str, str]]:
    """Return what readings have made of the estimates, in words."""

    def span(median: float, spread: float, unit: str) -> str:
        low, high = median * math.exp(-spread), median * math.exp(spread)
        return f"{median:.2f}{unit}, two thirds between {low:.2f} and {high:.2f}"

    return [
        ("readings", f"{count} in the file"),
        ("hold of the reference guide, before", span(before.hold_N, before.hold_sd, " N")),
        ("  with the readings", span(after.hold_N, after.hold_sd, " N")),
        (
            "what an extension adds, factor, before",
            span(before.extension_factor, before.extension_sd, ""),
        ),
        ("  with the readings", span(after.extension_factor, after.extension_sd, "")),
        ("reference guide", "6 Fr extra-backup left, femoral, at the ostium"),
        ("next", 'name the file in a case as holds = "..."'),
    ]
