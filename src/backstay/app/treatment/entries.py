"""Entries of a case file that lie on one narrowing, joined to one."""

from __future__ import annotations

from backstay.adapters.case_file import LesionTable
from backstay.app.loading import LoadedCase
from backstay.core.treatment.lesions import Measured
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation


def on_one_narrowing(measured: list[Measured], entries: list[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """Return the case's entries, those joined whose lesions are one by the rule for its ends."""
    named = sorted((m for m in measured if m.named is not None), key=lambda m: m.from_mm.value)
    groups: list[tuple[float, tuple[int, ...]]] = []
    for m in named:
        assert m.named is not None
        mine = entries[m.named]
        if groups and m.from_mm.value < groups[-1][0]:
            end, group = groups[-1]
            groups[-1] = max(end, m.to_mm.value), tuple(sorted((*group, *mine)))
        else:
            groups.append((m.to_mm.value, mine))
    return [group for _, group in groups]


def one_table(case: LoadedCase, entries: tuple[int, ...]) -> LesionTable:
    """Return what the case file says of one narrowing: of several entries the harder, and what all of them had.

    A non-compliant balloon that failed in one of them failed: the order is that entry's.

    Raises
    ------
    InputError
        More than one of them brings imaging that crossed.
    """
    tables = [case.vessel.lesion[k] for k in entries]
    first, *rest = tables
    if not rest:
        return first
    seen = [k for k in entries if (image := case.vessel.lesion[k].imaging) is not None and image.crossed]
    if len(seen) > 1:
        raise InputError(
            f"entries {' and '.join(str(k + 1) for k in entries)} lie on one narrowing, and more than one brings imaging",
            field=f"vessel.lesion.{seen[1] + 1}.imaging",
            allowed="the imaging of one narrowing in one entry",
            where=str(case.file),
        )
    with_image = case.vessel.lesion[seen[0]] if seen else next((t for t in tables if t.imaging), first)
    flags = ("dissected", "eccentric", "irregular", "thrombus", "in_stent", "bridging_collaterals")
    months = [t.occluded_months for t in tables if t.occluded_months is not None]
    order = list(Calcium)
    return first.model_copy(
        update={
            "from_mm": min(t.from_mm for t in tables),
            "to_mm": max(t.to_mm for t in tables),
            "calcium": max((t.calcium for t in tables), key=order.index),
            "prepared": _tried_in_all(tables),
            "opened_fully": all(t.opened_fully for t in tables),
            "occluded_months": max(months, default=None),
            "imaging": with_image.imaging,
            **{name: any(getattr(t, name) for t in tables) for name in flags},
        }
    )


def _tried_in_all(tables: list[LesionTable]) -> list[Preparation]:
    """Return what all entries of a narrowing had, and a non-compliant balloon that failed in one of them, in its order."""
    failed = [t for t in tables if Preparation.NON_COMPLIANT in t.prepared and not t.opened_fully]
    always = {Preparation.NON_COMPLIANT} if failed else set()
    return [
        kind
        for kind in (failed or tables)[0].prepared
        if kind in always or all(kind in t.prepared for t in tables)
    ]
