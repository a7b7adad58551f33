"""The way back out with the rig in place: every thing in the vessel, what it takes to bring it back, and what may go wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.way_back_file import BackItem, CatchRow, JumpRow, TrappedRow, WayBackDocument
from backstay.app.drawing_back import DEPTHS_BACK, Thing, curves_back, thing
from backstay.app.loading import LoadedCase
from backstay.app.numbers import quantiles
from backstay.app.progress import Progress
from backstay.app.solving import WIRE_BEYOND_MM, Answer
from backstay.core.inference.chance import Outcome, push_that_arrives_N
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.surface import Curves
from backstay.core.rigging.devices import Balloon, Burr, Microcatheter, OverWireDevice, Stent, Wire
from backstay.core.rigging.rig import Rig, TrappedWire
from backstay.core.withdrawal.guide_in import DEEP_MM, drawn_in_mm, guide_springs_N_per_mm
from backstay.core.withdrawal.lunge import Jump, along, in_series_N_per_mm, sudden_drop
from backstay.core.withdrawal.pull import CATCHES_N, NEAR_MM, Pull, pull_back, pull_under_load_N
from backstay.core.withdrawal.things import NO_WIRE, bare, spring_N_per_mm, tube, without_wire
from backstay.core.withdrawal.trapped import TrappedPull, pull_trapped
from backstay.core.withdrawal.warn import way_back_warnings
from backstay.identifiers import BodyItem, Catch, TrappedEnd

FloatArray = NDArray[np.float64]

OTHER_DEPTHS = 6
CAUTIONS = (
    "what is drawn back follows its instructions for use first; these numbers are a planning aid (common practice, no source)",
    "watch the guide's tip during every pull; stop when it dives in, and disengage it before the next (common practice, no source)",
    "an edge that catches is not pulled on: advance a little, turn, straighten, or bring guide and device back as one over the wire "
    "(common practice, no source)",
)
STENT_CAUTION = (
    "an undeployed stent is crushed or lost most easily at the guide's tip (deformation2012; stentloss2023)"
)
TRAPPED_CAUTION = "a trapped wire comes out with the guide disengaged and watched, slowly, its stent in view (common practice, no source)"
WAY_BACK_SOURCES = ("deformation2012", "stentloss2023", "prabhu2012", "bognar2010", "snider2019")
UNVALIDATED = (
    "stiffness of the guide drawn in (its hold's scale is a judgement; the share of it is derived from guides as elastic curves)",
    "slopes of rims and stent ends that an edge meets (judgement, no source)",
    "hold of a trapped wire and what moves an opened stent (orders of magnitude)",
    "strength of a wire's soft end (derived from alloys, its core's diameter assumed)",
)


@dataclass(frozen=True)
class WayOut:
    """One thing's way back, for every draw; places from the guide's tip.

    Attributes
    ----------
    from_mm, pull_N, guide_in_mm : ndarray, shape (count,)
        Where its tip is drawn back from, the highest pull on the way, how far the guide is drawn in.
    pull : Pull
        The pull at every place.
    catches : dict of Catch to (float, float)
        Place of the edge, and share of draws in which it catches there.
    stripped : float or None
        Share of draws in which a stent could come off its balloon.
    jump : Jump
        What jumps when the highest resistance yields.
    """

    from_mm: FloatArray
    pull_N: FloatArray
    guide_in_mm: FloatArray
    pull: Pull
    catches: dict[Catch, tuple[float, float]]
    stripped: float | None
    jump: Jump


def way_back(
    case: LoadedCase, first: Answer, draws: DrawSet, progress: Progress | None = None
) -> WayBackDocument:
    """Return the way back out with the rig in place; `draws` hold those of the way back too."""
    rig, device = first.alternative.rig, first.alternative.device
    landing = device.landing_tip_mm(case.target_to_mm)
    wires_end = min(case.path.length_mm, landing + WIRE_BEYOND_MM)

    def one(
        moving: OverWireDevice,
        stays: Rig,
        to_mm: float,
        depths: int,
        load_to_N: float = 0.0,
        rubs: bool = True,  # a lumen that lets wires lie side by side lets one of them slide
    ) -> Thing:
        return thing(
            case.path,
            first.alternative.lesions if rubs else (),
            stays,
            moving,
            draws,
            to_mm=to_mm,
            wires_end_mm=wires_end,
            like=first.alternative,
            depths=depths,
            load_to_N=load_to_N,
        )

    things, makers = [one(device, rig, landing, DEPTHS_BACK)], _others(rig)
    for other in makers:
        load_N = 0.0
        if other.trapped is not None:
            load_N = float(np.quantile(pull_trapped(other.trapped, draws).at_N, 0.98))
        rubs = other.kind not in (BodyItem.WIRE, BodyItem.TRAPPED_WIRE)
        things.append(one(other.moving, other.still, other.to_mm or wires_end, OTHER_DEPTHS, load_N, rubs))
    found = curves_back(things, draws, progress)
    way_in = _way_in(first)
    items = [_device_item(first, things[0], found[0], draws, way_in)]
    items += [
        _other_item(other, a_thing, curves, draws)
        for other, a_thing, curves in zip(makers, things[1:], found[1:], strict=True)
    ]
    return WayBackDocument(
        items=items,
        jump_in=_jump_row(_jump_in(first, draws)),
        deep_mm=DEEP_MM,
        catches_N=CATCHES_N,
        unvalidated=list(UNVALIDATED),
        cautions=[
            *CAUTIONS,
            *([STENT_CAUTION] if isinstance(device, Stent) else []),
            *([TRAPPED_CAUTION] if rig.trapped is not None else []),
        ],
    )


@dataclass(frozen=True)
class _Other:
    """One thing beside the device: what moves, what stays, and where its tip lies (None: at the wires' end)."""

    name: str
    kind: BodyItem
    moving: OverWireDevice
    still: Rig
    to_mm: float | None
    trapped: TrappedWire | None = None


def _others(rig: Rig) -> list[_Other]:
    """Return everything else in place, in the order in which it comes out."""
    found = []
    if rig.anchor is not None:
        balloon = rig.anchor.balloon
        still = replace(rig, anchor=None)
        found.append(_Other(balloon.name, BodyItem.ANCHOR_BALLOON, balloon, still, rig.anchor.at_mm))
    for wire, role in (*((buddy, "buddy") for buddy in rig.buddies), (rig.rail, "rail")):
        still = without_wire(rig, wire)
        moving = bare(wire, beside=_lying(still))
        found.append(_Other(f"{wire.name} ({role})", BodyItem.WIRE, moving, still, None))
    if rig.trapped is not None:
        wire, still = rig.trapped.wire, replace(rig, trapped=None)
        moving = bare(wire, beside=_lying(still))
        found.append(_Other(wire.name, BodyItem.TRAPPED_WIRE, moving, still, rig.trapped.to_mm, rig.trapped))
    if rig.extension is not None and rig.extension_depth_mm > rig.seat_mm:
        still = replace(rig, extension=None, extension_depth_mm=0.0)
        moving = tube(rig.extension)
        found.append(_Other(rig.extension.name, BodyItem.EXTENSION, moving, still, rig.extension_depth_mm))
    return found


def _lying(still: Rig) -> tuple[Wire, ...]:
    trapped = (still.trapped.wire,) if still.trapped is not None else ()
    return tuple(w for w in (still.rail, *still.buddies, *trapped) if w.id != NO_WIRE)


def _way_in(first: Answer) -> tuple[FloatArray, FloatArray]:
    """Return how far each draw got [mm from the guide's tip] and the highest push on the way there."""
    o: Outcome = first.outcome
    last = np.maximum(o.stopped - 1, 0)
    reach = np.where(o.stopped > 0, o.tips_mm[np.minimum(last, len(o.tips_mm) - 1)], 0.0)
    got = np.arange(len(o.tips_mm))[None, :] < o.stopped[:, None]
    return reach, np.asarray(np.where(got & np.isfinite(o.need_N), o.need_N, 0.0).max(axis=1))


def way_out(one: Thing, pull: Pull, draws: DrawSet, from_mm: FloatArray) -> WayOut:
    """Return one thing's way back from `from_mm` (count,), from the guide's tip."""
    passage = one.passage
    arrives, _ = push_that_arrives_N(passage, draws)
    guide_in = guide_springs_N_per_mm(passage.rig, draws)[1]
    spring = in_series_N_per_mm(guide_in, spring_N_per_mm(passage.device))
    there = pull.on_the_way(from_mm)
    felt = np.where(there, np.minimum(pull.pull_N, arrives[:, None]), 0.0)[:, ::-1]
    jump = along(
        gone_mm=pull.tips_mm[-1] - pull.tips_mm[::-1],
        resistance_N=pull.free_N[:, ::-1],
        start=np.argmax(felt, axis=1),
        held_N=felt.max(axis=1),
        spring_N_per_mm=spring,
    )
    edge = np.where(there, pull.edge_N, 0.0).max(axis=1)
    stripped = None
    if isinstance(passage.device, Stent):
        grip = draws["stent_grip_N_per_mm"] * passage.device.working_mm
        stripped = float(np.mean(np.minimum(edge, arrives) > grip))
    return WayOut(
        from_mm,
        pull.highest_N(from_mm),
        drawn_in_mm(passage.rig, draws, wall_N=pull.highest_wall_N(from_mm)),
        pull,
        _catches(one, pull, there),
        stripped,
        jump,
    )


def _catches(one: Thing, pull: Pull, there: NDArray[np.bool_]) -> dict[Catch, tuple[float, float]]:
    """Return where the rear edge catches and in which share of draws."""
    if one.rear_mm is None:
        return {}
    edge_mm = pull.tips_mm - one.rear_mm
    at_end = np.zeros(len(edge_mm), dtype=bool)
    for end in one.stent_ends_mm:
        at_end |= np.abs(edge_mm - end) <= NEAR_MM
    mouth = Catch.GUIDE_TIP if one.passage.rig.extension is None else Catch.EXTENSION_MOUTH
    kinds = {
        Catch.LEDGE: ~at_end & ~pull.at_mouth,
        Catch.STENT_END: at_end & ~pull.at_mouth,
        mouth: pull.at_mouth,
    }
    found = {}
    for what, columns in kinds.items():
        caught = there & columns[None, :] & (pull.edge_N >= CATCHES_N)
        if np.any(there & columns[None, :]) and (what == mouth or caught.any()):
            place = edge_mm[int(np.argmax(np.where(columns, caught.mean(axis=0), -1.0)))]
            found[what] = float(place + one.passage.rig.seat_mm), float(np.mean(caught.any(axis=1)))
    return found


def _device_item(
    first: Answer, one: Thing, curves: Curves, draws: DrawSet, way_in: tuple[FloatArray, FloatArray]
) -> BackItem:
    pull = pull_back(one.passage, draws, curves, rear_mm=one.rear_mm, stent_ends_mm=one.stent_ends_mm)
    reach, push = way_in
    out = way_out(one, pull, draws, reach)
    return back_item(one.passage.device.name, _kind(one.passage.device), out, push, one.passage.rig.seat_mm)


def _kind(device: OverWireDevice) -> BodyItem:
    kinds = {
        Stent: BodyItem.STENT_ON_BALLOON,
        Balloon: BodyItem.BALLOON,
        Burr: BodyItem.BURR,
        Microcatheter: BodyItem.MICROCATHETER,
    }
    return kinds.get(type(device), BodyItem.OTHER)


def back_item(name: str, kind: BodyItem, out: WayOut, push_N: FloatArray | None, seat_mm: float) -> BackItem:
    """Return one thing's way back for the document; `push_N` (count,) is the highest push on its way in."""
    deep = float(np.mean(out.guide_in_mm > DEEP_MM))
    median = float(np.quantile(out.pull_N, 0.5, method="inverted_cdf"))
    return BackItem(
        name=name,
        kind=kind,
        from_mm=quantiles(out.from_mm + seat_mm),
        pull_N=quantiles(out.pull_N),
        push_N=None if push_N is None else quantiles(push_N),
        guide_in_mm=quantiles(out.guide_in_mm),
        guide_in_deep=deep,
        catches=[
            CatchRow(what=k, at_mm=round(at, 1), chance=round(p, 4)) for k, (at, p) in out.catches.items()
        ],
        stripped=out.stripped,
        jump=_jump_row(out.jump),
        warnings=list(
            way_back_warnings(
                pull_N=median,
                push_N=None if push_N is None else float(np.quantile(push_N, 0.5, method="inverted_cdf")),
                catches={k: p for k, (_, p) in out.catches.items()},
                guide_in_share=deep,
                stripped_share=out.stripped,
            )
        ),
    )


def _jump_row(jump: Jump) -> JumpRow:
    return JumpRow(
        rest_mm=quantiles(jump.comes_to_rest_mm),
        at_most_mm=quantiles(jump.at_most_mm),
        moving_mJ=quantiles(jump.moving_mJ),
    )


def _other_item(other: _Other, one: Thing, curves: Curves, draws: DrawSet) -> BackItem:
    if other.trapped is not None:
        return _trapped_item(other.trapped, pull_trapped(other.trapped, draws), one, curves, draws)
    pull = pull_back(one.passage, draws, curves, rear_mm=one.rear_mm, stent_ends_mm=one.stent_ends_mm)
    out = way_out(one, pull, draws, np.full(draws.count, one.tips_mm[-1]))
    return back_item(other.name, other.kind, out, None, one.passage.rig.seat_mm)


def _trapped_item(
    trapped: TrappedWire, gives: TrappedPull, one: Thing, curves: Curves, draws: DrawSet
) -> BackItem:
    """Return a trapped wire's way back: the pull at the guide's tip at the moment something gives, and what then jumps."""
    pull = pull_under_load_N(curves, draws, gives.at_N)
    guide_in = drawn_in_mm(one.passage.rig, draws, wall_N=pull)
    spring = in_series_N_per_mm(
        guide_springs_N_per_mm(one.passage.rig, draws)[1], spring_N_per_mm(one.passage.device)
    )
    free = pull_under_load_N(curves, draws, np.zeros(draws.count))
    ends = {end: gives.chance(end) for end in TrappedEnd}
    deep = float(np.mean(guide_in > DEEP_MM))
    return BackItem(
        name=f"{trapped.wire.name} (trapped)",
        kind=BodyItem.TRAPPED_WIRE,
        from_mm=quantiles(np.full(draws.count, trapped.to_mm)),
        pull_N=quantiles(pull),
        push_N=None,
        guide_in_mm=quantiles(guide_in),
        guide_in_deep=deep,
        catches=[],
        stripped=None,
        jump=_jump_row(sudden_drop(before_N=pull, after_N=free, spring_N_per_mm=spring)),
        trapped=TrappedRow(
            length_mm=trapped.to_mm - trapped.from_mm,
            ends={end: round(share, 4) for end, share in ends.items()},
            at_stent_N=quantiles(gives.at_N),
        ),
        warnings=list(
            way_back_warnings(
                pull_N=float(np.median(pull)), push_N=None, catches={}, guide_in_share=deep, trapped=ends
            )
        ),
    )


def _jump_in(first: Answer, draws: DrawSet) -> Jump:
    """Return what jumps forwards when the lesion yields at the hardest place; draws that do not pass it hold the guide's backup."""
    o = first.outcome
    need = np.where(
        np.isfinite(o.need_N), np.minimum(o.need_N, first.backup_N[:, None]), first.backup_N[:, None]
    )
    reached = np.arange(len(o.tips_mm))[None, :] <= o.stopped[:, None]
    need = np.where(reached, need, 0.0)
    start = np.argmax(need, axis=1)
    free = np.where(np.isfinite(o.need_N), np.maximum(o.need_N - o.lesion_N, 0.0), 0.0)
    return along(
        gone_mm=o.tips_mm,
        resistance_N=free,
        start=start,
        held_N=need.max(axis=1),
        spring_N_per_mm=in_series_N_per_mm(
            first.backup_N / draws["retreat_mm"], spring_N_per_mm(first.passage.device)
        ),
    )
