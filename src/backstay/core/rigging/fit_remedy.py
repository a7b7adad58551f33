"""The least change that makes a device fit: candidates tried one by one with the fit check itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeGuard

from backstay.core.rigging.devices import Balloon, Device, Extension, Guide, OverWireDevice, Shelf, Wire
from backstay.core.rigging.fit_lengths import LEAST_TUBE_IN_GUIDE_mm
from backstay.core.rigging.rig import Rig

# Widest bore of a guide by French size, mm [@guidetable].
WIDEST_BORE_mm = {5.0: 1.47, 6.0: 1.80, 7.0: 2.06, 8.0: 2.31}

_LONG_WIRE_cm = 300.0
_SHORT_OF_BRANCH_mm = 3.0
_SLIMMEST = 0.6
_SIZE_STEP_mm = 0.25

Fails = Callable[[Rig, OverWireDevice], bool]


@dataclass(frozen=True)
class Candidate:
    """A change to try.

    Attributes
    ----------
    change : str
        In the trade's words.
    rig : Rig
        The rig with it.
    device : OverWireDevice
        The device with it.
    """

    change: str
    rig: Rig
    device: OverWireDevice


def nearest_fix(rig: Rig, device: OverWireDevice, *, shelf: Shelf | None, still_fails: Fails) -> str:
    """Return the least change after which nothing fails.

    Parameters
    ----------
    rig : Rig
        The rig that does not do.
    device : OverWireDevice
        The device that does not pass.
    shelf : Shelf or None
        Devices to choose from.
    still_fails : callable
        The fit check, true while something does not fit.

    Returns
    -------
    str
        The change in words; a pair of changes where no single one helps; a statement when nothing tried
        helps.

    Notes
    -----
    The order is a judgement, no source, from what costs least to undo: another wire, one wire less, a
    shallower or another extension, a slimmer device of the same size, the anchor out, the extension out, a
    larger guide, a size smaller.
    """
    singles = list(_candidates(rig, device, shelf, still_fails))
    for c in singles:
        if not still_fails(c.rig, c.device):
            return c.change
    for first in singles:
        for second in _candidates(first.rig, first.device, shelf, still_fails):
            if second.change != first.change and not still_fails(second.rig, second.device):
                return f"{first.change}, and {second.change}"
    return "none found among the single changes and pairs of them tried"


def _candidates(
    rig: Rig, device: OverWireDevice, shelf: Shelf | None, still_fails: Fails
) -> Iterator[Candidate]:
    """Yield the changes in order of how little they undo."""
    yield from _longer_wire(rig, device, shelf)
    yield from _fewer_wires(rig, device)
    yield from _shallower(rig, device)
    yield from _other_extension(rig, device, shelf)
    yield from _slimmer(rig, device, shelf, still_fails, smaller=False)
    if rig.anchor is not None:
        yield Candidate("take out the anchor balloon", replace(rig, anchor=None), device)
    if rig.extension is not None:
        yield Candidate(
            "take out the extension", replace(rig, extension=None, extension_depth_mm=0.0), device
        )
    yield from _larger_guide(rig, device, shelf)
    yield from _slimmer(rig, device, shelf, still_fails, smaller=True)


def _longer_wire(rig: Rig, device: OverWireDevice, shelf: Shelf | None) -> Iterator[Candidate]:
    """Yield the longer wire nearest in stiffness; without a shelf an exchange-length one."""
    if shelf is None:
        if rig.rail.length_cm < _LONG_WIRE_cm:
            rail = replace(rig.rail, length_cm=_LONG_WIRE_cm)
            yield Candidate(f"a rail of {_LONG_WIRE_cm:.0f} cm", replace(rig, rail=rail), device)
        return
    longer = [w for w in shelf.devices.values() if isinstance(w, Wire) and w.length_cm > rig.rail.length_cm]
    for wire in sorted(longer, key=lambda w: abs(w.core_stiffness_Nmm2 - rig.rail.core_stiffness_Nmm2)):
        yield Candidate(f"{wire.name} as the rail", replace(rig, rail=wire), device)


def _fewer_wires(rig: Rig, device: OverWireDevice) -> Iterator[Candidate]:
    for count in range(1, len(rig.buddies) + 1):
        left = sorted(rig.buddies, key=lambda w: w.diameter_mm)[: len(rig.buddies) - count]
        words = "take out the buddy wire" if len(rig.buddies) == 1 else f"take out {count} buddy wire"
        yield Candidate(words + ("s" if count > 1 else ""), replace(rig, buddies=tuple(left)), device)


def _shallower(rig: Rig, device: OverWireDevice) -> Iterator[Candidate]:
    """Yield the extension drawn back until its tube reaches the guide, short of an anchor."""
    ext = rig.extension
    if ext is None:
        return
    limits = [rig.seat_mm + ext.tube_length_mm - LEAST_TUBE_IN_GUIDE_mm]
    if rig.anchor is not None:
        limits.append(rig.anchor.at_mm - _SHORT_OF_BRANCH_mm)
    depth_mm = float(int(min(limits)))
    if rig.seat_mm < depth_mm < rig.extension_depth_mm:
        yield Candidate(
            f"draw the extension back to {depth_mm:.0f} mm", rig.with_extension(ext, depth_mm), device
        )


def _other_extension(rig: Rig, device: OverWireDevice, shelf: Shelf | None) -> Iterator[Candidate]:
    """Yield the extensions of the shelf that go into this guide, the one nearest in bore first."""
    now = rig.extension
    if now is None or shelf is None:
        return
    others = [
        e
        for e in shelf.devices.values()
        if isinstance(e, Extension) and e.id != now.id and e.for_guide_fr <= rig.guide.size_fr
    ]
    for ext in sorted(others, key=lambda e: abs(e.inner_diameter_mm - now.inner_diameter_mm)):
        yield Candidate(f"{ext.name} instead", rig.with_extension(ext, rig.extension_depth_mm), device)


def _slimmer(
    rig: Rig, device: OverWireDevice, shelf: Shelf | None, still_fails: Fails, *, smaller: bool
) -> Iterator[Candidate]:
    """Yield slimmer devices of the same kind: of the same labelled size, or (`smaller`) of less."""
    if shelf is None:
        if not smaller:
            yield from _slimmest_that_fits(rig, device, still_fails)
        return
    alike = [d for d in shelf.devices.values() if _same_job(d, device)]
    slimmer = [d for d in alike if d.crossing_diameter_mm < device.crossing_diameter_mm]
    for other in sorted(slimmer, key=lambda d: _unlike_mm(d, device)):
        same_size = abs(other.nominal_diameter_mm - device.nominal_diameter_mm) < 0.5 * _SIZE_STEP_mm
        if same_size is not smaller:
            yield Candidate(f"{other.name} instead", rig, other)


def _same_job(other: Device, device: OverWireDevice) -> TypeGuard[OverWireDevice]:
    if type(other) is not type(device):
        return False
    return not isinstance(device, Balloon) or getattr(other, "balloon_type", "") == device.balloon_type


def _unlike_mm(other: OverWireDevice, device: OverWireDevice) -> float:
    """How unlike two devices are; 0.25 mm of size counts as much as 10 mm of length."""
    size_mm = abs(other.nominal_diameter_mm - device.nominal_diameter_mm)
    return size_mm + abs(other.working_mm - device.working_mm) * _SIZE_STEP_mm / 10.0


def _slimmest_that_fits(rig: Rig, device: OverWireDevice, still_fails: Fails) -> Iterator[Candidate]:
    """Yield the widest working section that fits, to 0.01 mm, when 0.6 of the present one does."""

    def thinned(hundredths: int) -> OverWireDevice:
        width_mm = 0.01 * hundredths
        return replace(
            device, crossing_diameter_mm=width_mm, tip_diameter_mm=min(device.tip_diameter_mm, width_mm)
        )

    high = int(100.0 * device.crossing_diameter_mm)
    low = int(_SLIMMEST * high)
    if still_fails(rig, thinned(low)):
        return
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if still_fails(rig, thinned(middle)) else (middle, high)
    yield Candidate(f"a device of at most {0.01 * low:.2f} mm crossing profile", rig, thinned(low))


def _larger_guide(rig: Rig, device: OverWireDevice, shelf: Shelf | None) -> Iterator[Candidate]:
    """Yield the next larger guides of the same shape, with a larger sheath where it takes one."""
    for guide in _guides_above(rig.guide, shelf):
        access, words = rig.access, guide.name
        if guide.size_fr > access.sheath_fr:
            access = replace(access, sheath_fr=guide.size_fr)
            words += f" through a {guide.size_fr:g} Fr sheath"
        yield Candidate(f"change to {words}", replace(rig, guide=guide, access=access), device)


def _guides_above(now: Guide, shelf: Shelf | None) -> list[Guide]:
    if shelf is not None:
        larger = [
            g
            for g in shelf.devices.values()
            if isinstance(g, Guide) and g.shape is now.shape and g.size_fr > now.size_fr
        ]
        return sorted(larger, key=lambda g: g.size_fr)
    return [
        replace(
            now, name=f"a {size:g} Fr guide of {bore_mm:.2f} mm bore", size_fr=size, inner_diameter_mm=bore_mm
        )
        for size, bore_mm in WIDEST_BORE_mm.items()
        if size > now.size_fr and bore_mm > now.inner_diameter_mm
    ]
