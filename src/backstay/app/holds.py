"""A lab's own readings of hold: entered, and what they make of the plan's estimates."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from backstay.adapters.case_file import ROUTES
from backstay.adapters.holds_file import HoldsDocument, ReadingTable, read_holds, write_holds
from backstay.adapters.shelf_file import read_shelf
from backstay.adapters.toml_text import validated as model_from
from backstay.app.loading import LoadedCase
from backstay.core.guide.readings import Prior, Reading, narrowed
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSpec, with_overrides
from backstay.core.mechanics.backup import extension_ratio, guide_hold_ratio
from backstay.core.rigging.devices import Extension, Guide, Shelf
from backstay.errors import InputError, NotFound
from backstay.identifiers import DeviceKind
from backstay.units import gram_force_to_N

READING_LABEL = "the lab's own readings"


def case_specs(case: LoadedCase) -> tuple[DrawSpec, ...]:
    """Return the uncertain inputs of a case: those of hold narrowed by the lab's readings, then what the case file itself sets."""
    return with_overrides(_read(case, DEFAULT_DRAWS), case.draw_overrides)


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
    before = prior_of(DEFAULT_DRAWS)
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
