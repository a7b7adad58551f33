"""The fit card: what goes through what on one lab's shelf, at a glance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from backstay.core.rigging.devices import (
    Balloon,
    Burr,
    Device,
    Extension,
    Guide,
    Microcatheter,
    OverWireDevice,
    Shelf,
    Stent,
)
from backstay.core.rigging.passage import Bore, Member, Passage, STANDARD_WIRE_mm, parts, passage
from backstay.identifiers import DeviceKind, Verdict

_WIRE = Member("wire", "wire", 0.5 * STANDARD_WIRE_mm)
_BUDDY = Member("buddy wire", "buddy", 0.5 * STANDARD_WIRE_mm)


@dataclass(frozen=True)
class CardLoad:
    """A column of the card.

    Attributes
    ----------
    key : str
        Short name, unique.
    label : str
        As shown.
    note : str
        Which devices of the shelf stand for it.
    """

    key: str
    label: str
    note: str


@dataclass(frozen=True)
class CardCell:
    """One answer.

    Attributes
    ----------
    verdict : Verdict or None
        None where the question does not arise.
    spare_mm : float or None
        Free width left [mm].
    note : str
        What else to know.
    """

    verdict: Verdict | None
    spare_mm: float | None
    note: str = ""


@dataclass(frozen=True)
class CardRow:
    """A guide or an extension.

    Attributes
    ----------
    ids : tuple of str
        The devices it stands for: guides of one size and bore share a row.
    name : str
        As shown.
    kind : DeviceKind
        Guide or extension.
    bore_mm : float
        Its bore; an extension's is the narrower of tube and collar.
    cells : tuple of CardCell
        One for each load.
    """

    ids: tuple[str, ...]
    name: str
    kind: DeviceKind
    bore_mm: float
    cells: tuple[CardCell, ...]


@dataclass(frozen=True)
class FitCard:
    """What goes through what.

    Attributes
    ----------
    title : str
        Of the shelf.
    loads : tuple of CardLoad
        Columns.
    rows : tuple of CardRow
        Guides by size, then extensions.
    """

    title: str
    loads: tuple[CardLoad, ...]
    rows: tuple[CardRow, ...]


@dataclass(frozen=True)
class _Column:
    load: CardLoad
    judge: Callable[[Device, Bore], CardCell]


def fit_card(shelf: Shelf) -> FitCard:
    """Return what goes through each guide and extension of a shelf.

    Parameters
    ----------
    shelf : Shelf
        The lab's devices.

    Returns
    -------
    FitCard
        A row for each guide and extension, a column for each load the shelf has devices for.

    Notes
    -----
    Every load is judged at its tightest moment on the way in, its bulky parts passing one after another:
    two balloons as the widest part of one beside the shaft of the other. Devices run on 0.014 in wires.
    """
    columns = _columns(shelf)
    rows = []
    for alike in _ways(shelf):
        first = alike[0]
        bore = Bore(first.name, _bore_mm(first))
        cells = tuple(column.judge(first, bore) for column in columns)
        name = first.name if len(alike) == 1 else f"{_size_fr(first):g} Fr guides"
        rows.append(CardRow(tuple(d.id for d in alike), name, first.kind, bore.diameter_mm, cells))
    return FitCard(shelf.title, tuple(c.load for c in columns), tuple(rows))


def _ways(shelf: Shelf) -> list[list[Guide | Extension]]:
    """Return guides by size and bore, those alike together, then each extension by itself."""
    guides: dict[tuple[float, float], list[Guide | Extension]] = {}
    extensions: list[list[Guide | Extension]] = []
    for device in shelf.devices.values():
        if isinstance(device, Guide):
            guides.setdefault((device.size_fr, device.inner_diameter_mm), []).append(device)
        elif isinstance(device, Extension):
            extensions.append([device])
    extensions.sort(key=lambda alike: _size_fr(alike[0]))
    return [guides[key] for key in sorted(guides)] + extensions


def _size_fr(device: Guide | Extension) -> float:
    return device.size_fr if isinstance(device, Guide) else device.for_guide_fr


def _bore_mm(device: Guide | Extension) -> float:
    if isinstance(device, Guide):
        return device.inner_diameter_mm
    return min(device.inner_diameter_mm, device.collar_inner_diameter_mm)


def _widest(shelf: Shelf, kind: type[OverWireDevice], *balloon_types: str) -> OverWireDevice | None:
    """Return the device of a kind with the widest crossing profile."""
    found = [
        d
        for d in shelf.devices.values()
        if isinstance(d, kind) and (not isinstance(d, Balloon) or d.balloon_type in balloon_types)
    ]
    return max(found, key=lambda d: d.crossing_diameter_mm, default=None)


def _columns(shelf: Shelf) -> list[_Column]:
    stent = _widest(shelf, Stent)
    balloon = _widest(shelf, Balloon, "semi_compliant", "non_compliant")
    found: list[_Column] = []
    if stent is not None:
        found.append(_column("stent", "largest stent", stent))
        found.append(_column("stent_buddy", "largest stent + buddy wire", stent, _BUDDY))
    if balloon is not None:
        found.append(_column("balloon", "largest balloon", balloon))
        found.append(_kissing(balloon))
        found.append(_trapping(shelf, balloon))
    for bulky in ("scoring", "lithotripsy"):
        device = _widest(shelf, Balloon, bulky)
        if device is not None:
            found.append(_column(bulky, f"{bulky} balloon", device))
    for burr in [d for d in shelf.devices.values() if isinstance(d, Burr)]:
        found.append(_column(f"burr_{burr.id}", f"burr {burr.nominal_diameter_mm:.2f} mm", burr))
    microcatheter = _widest(shelf, Microcatheter)
    if microcatheter is not None:
        found.append(_column("microcatheter", "microcatheter", microcatheter))
    if any(isinstance(d, Extension) for d in shelf.devices.values()):
        found.append(_extension_column(shelf))
    return found


def _tightest(bore: Bore, device: OverWireDevice, *beside: Member) -> Passage:
    """Return the tightest passage among a device's parts."""
    tried = [passage(bore, (*part.members, *beside)) for part in parts(device, _WIRE)]
    return min(tried, key=lambda p: p.spare_mm)


def _as_cell(p: Passage, note: str = "") -> CardCell:
    return CardCell(p.verdict, p.spare_mm, note or p.note)


def _column(key: str, label: str, device: OverWireDevice, *beside: Member) -> _Column:
    def judge(way: Device, bore: Bore) -> CardCell:
        least_mm = device.smallest_guide_bore_mm
        p = _tightest(bore, device, *beside)
        if isinstance(way, Guide) and least_mm is not None and bore.diameter_mm < least_mm:
            note = f"instructions for use name a guide bore of at least {least_mm:.2f} mm"
            return CardCell(Verdict.NO, p.spare_mm, note)
        return _as_cell(p)

    return _Column(CardLoad(key, label, device.name), judge)


def _kissing(balloon: OverWireDevice) -> _Column:
    """Judge two balloons staggered: each part of one beside the other's distal shaft."""

    def judge(way: Device, bore: Bore) -> CardCell:
        shaft = Member(f"shaft of the other {balloon.name}", "shaft", 0.5 * balloon.shaft_diameter_mm)
        abreast_mm = bore.diameter_mm - 2.0 * balloon.crossing_diameter_mm
        note = "" if abreast_mm >= 0.0 else "only one after the other"
        return _as_cell(_tightest(bore, balloon, shaft), note)

    return _Column(CardLoad("kissing", "two balloons (kissing)", f"two of {balloon.name}"), judge)


def _trapping(shelf: Shelf, balloon: OverWireDevice) -> _Column:
    """Hold a balloon catheter's shaft on its wire by a balloon inflated beside it in the guide."""

    def judge(way: Device, bore: Bore) -> CardCell:
        fitting = [
            b
            for b in shelf.devices.values()
            if isinstance(b, Balloon)
            and b.balloon_type == "semi_compliant"
            and b.nominal_diameter_mm >= bore.diameter_mm
        ]
        if not fitting:
            return CardCell(None, None, "no balloon on the shelf fills this bore")
        trap = min(fitting, key=lambda b: (b.nominal_diameter_mm, b.crossing_diameter_mm))
        shaft = Member(f"shaft of {balloon.name}", "shaft", 0.5 * balloon.shaft_diameter_mm)
        body = Member(trap.name, "device", 0.5 * trap.crossing_diameter_mm)
        return _as_cell(passage(bore, (body, shaft)), trap.name)

    note = f"shaft of {balloon.name}, and the smallest semi-compliant balloon that fills the bore"
    return _Column(CardLoad("trapping", "balloon + trapping balloon", note), judge)


def _extension_column(shelf: Shelf) -> _Column:
    """Judge the widest extension made for a guide of this size or less."""

    def judge(way: Device, bore: Bore) -> CardCell:
        if not isinstance(way, Guide):
            return CardCell(None, None, "")
        made = [
            e for e in shelf.devices.values() if isinstance(e, Extension) and e.for_guide_fr <= way.size_fr
        ]
        if not made:
            return CardCell(Verdict.NO, None, "none on the shelf is made for this size")
        going = [e for e in made if e.outer_diameter_mm <= bore.diameter_mm]
        widest = max(going or made, key=lambda e: e.inner_diameter_mm)
        spare_mm = bore.diameter_mm - widest.outer_diameter_mm
        # Made for the guide: it fits with any room at all, as in the check of a rig.
        return CardCell(Verdict.FITS if going else Verdict.NO, spare_mm, widest.name)

    return _Column(CardLoad("extension", "guide extension", "widest one made for the guide"), judge)
