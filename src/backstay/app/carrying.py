"""Moves are deliveries too: whether what a move places gets to its own place with the rig as it is, draw by draw, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.way_back_file import CarriedRow
from backstay.app.drawing_back import Thing, solve_back, thing
from backstay.app.loading import LoadedCase
from backstay.app.numbers import quantiles
from backstay.app.progress import Progress
from backstay.app.solving import FIRST_TIP_MM, WIRE_BEYOND_MM, passage_for, solve_all
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.chance import Outcome, crossing_load_N, outcome, push_that_arrives_N
from backstay.core.inference.chance_words import chance_words
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.surface import curves_for_draws, design, scores_of
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.delivery import Transfer
from backstay.core.rigging.devices import Balloon, Burr, Extension, Microcatheter, OverWireDevice, Stent
from backstay.core.rigging.fit import check_fit
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Rig
from backstay.core.withdrawal.guide_in import DEEP_MM, drawn_in_mm
from backstay.core.withdrawal.pull import CATCHES_N, Pull, pull_back
from backstay.core.withdrawal.things import Laid, rear_edge_mm, tube
from backstay.core.withdrawal.trapped import pull_trapped
from backstay.core.withdrawal.warn import ENDS, way_back_warnings
from backstay.identifiers import Catch, MoveId, Verdict

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

DEPTHS_IN = 14
DEPTHS_OUT = 4
LEVEL_SHARES_IN = np.array([0.0, 0.3, 1.0])
"""Few, for a move is asked for on the side: on the demo the chances stand within 0.02 of those at 40 depths and 8 loads."""
LEAST_TOP_N, MOST_TOP_N = 0.4, 4.0
BEYOND_LESION_MM = 10.0
"""A microcatheter is to stand so far beyond the target before the rail is exchanged: judgement, no source."""


@dataclass(frozen=True)
class Returns:
    """A device that comes back into an extension: its rig with the extension in place, and where its tip is drawn back from."""

    device: OverWireDevice
    rig: Rig
    tip_mm: float


@dataclass(frozen=True)
class Carried:
    """One thing to be brought to its own place.

    Attributes
    ----------
    device : OverWireDevice
        The thing.
    rig : Rig
        What is in place while it goes.
    tip_mm : float
        Where its tip is to stand, from the ostium.
    aim : str
        What that is, in words: "reaches 28 mm", "crosses the lesion".
    returns : Returns or None
        What must come back through it once it is in place.
    """

    device: OverWireDevice
    rig: Rig
    tip_mm: float
    aim: str
    returns: Returns | None = None


def carried_by(before: Situation, option: Alternative) -> tuple[Carried, ...]:
    """Return what a move places, in the order in which it goes; nothing where it places nothing that needs a push.

    An extension goes bare over the rail unless the move says over a balloon; a step at its mouth costs nothing on a smooth wall, so what
    the balloon is for is not in the model. An anchor balloon is followed to its branch, not into it. A burr has to reach the lesion, a
    balloon its far end.
    """
    rig = option.rig
    found: list[Carried] = []
    if MoveId.STIFFER_RAIL in option.moves:
        tubes = [d for d in before.shelf.devices.values() if isinstance(d, Microcatheter)]
        to_mm = before.target_to_mm + BEYOND_LESION_MM
        found += [
            Carried(slim, before.rig, to_mm, "crosses the lesion for the exchange")
            for slim in sorted(tubes, key=lambda d: d.crossing_diameter_mm)[:1]
        ]
    extended = rig.extension is not None and (
        before.rig.extension is None or rig.extension_depth_mm > before.rig.extension_depth_mm
    )
    if extended and rig.extension is not None:
        still = replace(rig, extension=None, extension_depth_mm=0.0, anchor=before.rig.anchor)
        back = Returns(option.device, rig, option.device.landing_tip_mm(before.target_to_mm))
        over = _tracked_over(before, rig.extension) if MoveId.EXTENSION_OVER_BALLOON in option.moves else None
        moving, depth_mm = tube(rig.extension, over=over), rig.extension_depth_mm
        how = "bare over the rail" if over is None else "over the balloon"
        tip_mm = depth_mm if over is None else depth_mm + moving.nose_mm
        found.append(Carried(moving, still, tip_mm, f"reaches {depth_mm:.0f} mm {how}", back))
    if rig.anchor is not None and before.rig.anchor is None:
        found.append(
            Carried(rig.anchor.balloon, before.rig, rig.anchor.at_mm, f"reaches {rig.anchor.branch}")
        )
    tool = option.tool
    if rig.trapped is not None and before.rig.trapped is None and isinstance(tool, Stent):
        found.append(
            Carried(tool, before.rig, tool.landing_tip_mm(rig.trapped.to_mm), "reaches its own place")
        )
    elif isinstance(tool, OverWireDevice) and option.lesions != before.lesions:
        changed = [b for a, b in zip(before.lesions, option.lesions, strict=False) if a != b]
        if changed and isinstance(tool, Burr):
            found.append(Carried(tool, before.rig, changed[0].from_mm, "reaches the lesion"))
        elif changed:
            end_mm = min(max(x.to_mm for x in changed), before.target_to_mm)
            found.append(
                Carried(tool, before.rig, tool.landing_tip_mm(end_mm), "reaches the lesion's far end")
            )
    return tuple(replace(one, tip_mm=min(one.tip_mm, before.path.length_mm - 2.0)) for one in found)


def _tracked_over(s: Situation, extension: Extension) -> Balloon | None:
    """Return the smallest balloon on the shelf that fills an extension's mouth and goes through it."""
    bore_mm = extension.inner_diameter_mm
    balloons = [
        d
        for d in s.shelf.devices.values()
        if isinstance(d, Balloon) and d.crossing_diameter_mm < bore_mm <= d.nominal_diameter_mm
    ]
    return min(balloons, key=lambda d: d.nominal_diameter_mm, default=None)


@dataclass(frozen=True)
class Arrival:
    """How one thing gets to its place, for every draw; places from the ostium.

    Attributes
    ----------
    carried : Carried
        What goes where.
    reach_mm : ndarray, shape (count,)
        How far its tip gets: its place where it arrives.
    need_N : ndarray, shape (count,)
        Highest push on the way; infinite where the assembly prolapses or an edge locks.
    fits : bool
        Whether it passes through what it must.
    pull_N, guide_in_mm : ndarray, shape (count,)
        The highest pull on its way back from there, and how far it draws the guide in.
    caught : float
        Share of draws in which the device's rear edge catches at its mouth when it is drawn back from its landing place.
    stripped : float
        Share in which a stent could then come off its balloon.
    """

    carried: Carried
    reach_mm: FloatArray
    need_N: FloatArray
    fits: bool
    pull_N: FloatArray
    guide_in_mm: FloatArray
    caught: float = 0.0
    stripped: float = 0.0

    @property
    def arrives(self) -> BoolArray:
        """Return the draws in which it arrives, shape (count,)."""
        return np.asarray(self.reach_mm >= self.carried.tip_mm - 1e-6)

    @property
    def chance(self) -> float:
        """Return the share of draws in which it arrives."""
        return float(np.mean(self.arrives))

    def row(self) -> CarriedRow:
        """Return it for the document."""
        return CarriedRow(
            name=self.carried.device.name,
            aim=self.carried.aim,
            tip_mm=round(self.carried.tip_mm, 1),
            fits=self.fits,
            chance=round(self.chance, 4),
            words=self.words(),
            push_N=quantiles(self.need_N),
            reach_mm=quantiles(self.reach_mm),
            pull_N=quantiles(self.pull_N),
        )

    def words(self) -> str:
        """Return one line: what gets where, with what chance and push."""
        what = f"{self.carried.device.name} itself {self.carried.aim}"
        if not self.fits:
            return f"{what}: no, it does not fit"
        need = quantiles(self.need_N)
        push = f", push {need.p50:.2f} N in the median" if need.p50 is not None else ""
        return f"{what}: {chance_words(self.chance)}{push} (scale unvalidated)"

    def warnings(self) -> tuple[str, ...]:
        """Return what is to be said of its way back before it goes in."""
        if not self.fits:
            return ()
        said = way_back_warnings(
            pull_N=float(np.quantile(self.pull_N, 0.5, method="inverted_cdf")),
            push_N=float(np.quantile(self.need_N, 0.5, method="inverted_cdf")),
            catches={},
            guide_in_share=float(np.mean(self.guide_in_mm > DEEP_MM)),
        )
        return (*(f"{self.carried.device.name}, on its way back: {text}" for text in said), *self._mouth())

    def _mouth(self) -> tuple[str, ...]:
        """Return what is to be said of the device that comes back into it."""
        back = self.carried.returns
        if back is None:
            return ()
        said = way_back_warnings(
            pull_N=0.0,
            push_N=None,
            catches={Catch.EXTENSION_MOUTH: self.caught},
            guide_in_share=0.0,
            stripped_share=self.stripped,
        )
        return tuple(f"{back.device.name}, drawn back undeployed: {text}" for text in said)


@dataclass(frozen=True)
class SolvedCarry:
    """A thing solved on its way in and back: any draws from the same inputs are answered without solving again.

    Attributes
    ----------
    carried : Carried
        What goes where.
    passage : Passage
        The way in.
    transfers : sequence of Transfer
        Solves of the way in, one per design point.
    back : Thing
        The way back.
    back_transfers : sequence of Transfer
        Its solves.
    path : LumenPath
        The vessel from the ostium.
    fits : bool
        Whether it passes through what it must.
    returning : tuple of (Thing, sequence of Transfer), or None
        The device that comes back into it, and its solves.
    """

    carried: Carried
    passage: Passage
    transfers: Sequence[Transfer]
    back: Thing
    back_transfers: Sequence[Transfer]
    path: LumenPath
    fits: bool
    returning: tuple[Thing, Sequence[Transfer]] | None = None

    def reach(self, draws: DrawSet) -> tuple[FloatArray, FloatArray]:
        """Return how far its tip gets in every draw [mm from the ostium], and the highest push up to its place [N]."""
        at, scores = scores_of(draws.specs, draws), design()
        curves = curves_for_draws(
            self.transfers, draws.specs, scores, at=at, search_to_N=self.transfers[0].levels_N[:, -1]
        )
        crossing = crossing_load_N(self.passage, draws, curves.tips_mm)
        tip = self.carried.tip_mm
        hold = backup_N(
            self.carried.rig,
            draws,
            path_length_mm=self.path.length_mm,
            device_tip_mm=tip,
            bend_beyond_rad=self.path.bend_rad(min(tip, self.path.length_mm), self.path.length_mm),
        )
        result = outcome(self.passage, draws, curves, backup_N=hold, crossing_N=crossing, passes=self.fits)
        return self._as_far_as(result)

    def answer(self, draws: DrawSet) -> Arrival:
        """Return how it gets there and back in every draw; `draws` hold those of the way back too."""
        reach, need = self.reach(draws)
        pull = _pull(self.back, self.back_transfers, draws)
        from_mm = np.maximum(reach - self.passage.rig.seat_mm, 0.0)
        return Arrival(
            self.carried,
            reach,
            need,
            self.fits,
            pull.highest_N(from_mm),
            drawn_in_mm(self.carried.rig, draws, wall_N=pull.highest_wall_N(from_mm)),
            *self._mouth(draws),
        )

    def _as_far_as(self, result: Outcome) -> tuple[FloatArray, FloatArray]:
        """Return how far each draw gets up to this thing's own place [mm from the ostium], and the highest push to there."""
        seat, tips = self.passage.rig.seat_mm, result.tips_mm
        own = int(np.searchsorted(tips, self.carried.tip_mm - seat - 1e-6)) + 1
        stopped = np.minimum(result.stopped, own)
        reach = np.where(stopped > 0, tips[np.maximum(stopped - 1, 0)] + seat, seat)
        reach = np.where(stopped >= own, self.carried.tip_mm, np.minimum(reach, self.carried.tip_mm))
        return reach, np.asarray(result.need_N[:, :own].max(axis=1))

    def _mouth(self, draws: DrawSet) -> tuple[float, float]:
        """Return the shares of draws in which the returning device catches at the mouth, and in which a stent could come off."""
        if self.returning is None:
            return 0.0, 0.0
        back, transfers = self.returning
        edge = _pull(back, transfers, draws).highest_edge_N(
            np.full(draws.count, back.tips_mm[-1]), mouth=True
        )
        caught = float(np.mean(edge >= CATCHES_N))
        device = back.passage.device
        if not isinstance(device, Stent):
            return caught, 0.0
        arrives, _ = push_that_arrives_N(back.passage, draws)
        grip = draws["stent_grip_N_per_mm"] * device.working_mm
        return caught, float(np.mean(np.minimum(edge, arrives) > grip))


def _pull(back: Thing, transfers: Sequence[Transfer], draws: DrawSet) -> Pull:
    curves = curves_for_draws(
        transfers, draws.specs, design(), at=scores_of(draws.specs, draws), search_to_N=back.levels_N[:, -1]
    )
    return pull_back(back.passage, draws, curves, rear_mm=back.rear_mm, stent_ends_mm=back.stent_ends_mm)


def solve_carried(
    s: Situation,
    carried: Sequence[Carried],
    draws: DrawSet,
    progress: Progress | None = None,
    *,
    depths: int = DEPTHS_IN,
    level_shares: FloatArray = LEVEL_SHARES_IN,
) -> list[SolvedCarry]:
    """Return every thing solved; the same thing with the same rig is solved once, as deep as it is wanted.

    `depths` are the places of its tip, `level_shares` the loads there as shares of the highest, both on the way in.
    """
    keys = [_key(one) for one in carried]
    deepest: dict[tuple[object, ...], Carried] = {}
    for key, one in zip(keys, carried, strict=True):
        if key not in deepest or one.tip_mm > deepest[key].tip_mm:
            deepest[key] = one
    passages, tips, levels, backs = {}, {}, {}, {}
    for key, one in deepest.items():
        like = _like(one, s)
        passages[key] = passage_for(s.path, s.lesions, like, one.tip_mm)
        stops = [c.tip_mm for k, c in zip(keys, carried, strict=True) if k == key]
        tips[key] = _tips(one, stops, depths)
        crossing = crossing_load_N(passages[key], draws, tips[key])
        top = np.clip(1.3 * np.quantile(crossing, 0.98, axis=0), LEAST_TOP_N, MOST_TOP_N)
        levels[key] = top[:, None] * level_shares
        backs[key] = thing(
            s.path,
            s.lesions,
            one.rig,
            one.device,
            draws,
            to_mm=one.tip_mm,
            wires_end_mm=min(one.tip_mm + WIRE_BEYOND_MM, s.path.length_mm),
            like=like,
            depths=DEPTHS_OUT,
        )
    solved = solve_all(passages, draws.specs, tips=tips, levels=levels, progress=progress)
    returning = [_returning(one, s, draws) for one in carried]
    things = [*backs.values(), *(one for one in returning if one is not None)]
    out = solve_back(things, draws.specs)
    back, back_of_devices = dict(zip(backs, out, strict=False)), iter(out[len(backs) :])
    return [
        SolvedCarry(
            one,
            passages[key],
            solved[key],
            backs[key],
            back[key],
            s.path,
            _fits(one, s),
            None if device is None else (device, next(back_of_devices)),
        )
        for key, one, device in zip(keys, carried, returning, strict=True)
    ]


def _returning(one: Carried, s: Situation, draws: DrawSet) -> Thing | None:
    """Return the way back of the device that comes back into an extension; None where nothing with an edge does."""
    back = one.returns
    if back is None or rear_edge_mm(back.device) is None:
        return None
    return thing(
        s.path,
        s.lesions,
        back.rig,
        back.device,
        draws,
        to_mm=back.tip_mm,
        wires_end_mm=min(back.tip_mm + WIRE_BEYOND_MM, s.path.length_mm),
        like=replace(_like(one, s), rig=back.rig, device=back.device),
        depths=DEPTHS_OUT,
    )


Update = dict[str, list[CarriedRow] | list[str]]


def solve_own(
    case: LoadedCase, options: Sequence[Alternative], draws: DrawSet, progress: Progress | None = None
) -> dict[str, list[SolvedCarry]]:
    """Return, by option, what its move places, solved; nothing for the rig in place.

    `options` begin with the rig in place, which every move starts from; `draws` hold those of the way back too.
    """
    before = Situation(
        rig=options[0].rig,
        device=options[0].device,
        shelf=case.shelf,
        path=case.path,
        lesions=options[0].lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
    )
    placed = [carried_by(before, option) for option in options[1:]]
    solved = iter(solve_carried(before, [one for some in placed for one in some], draws, progress))
    return {option.id: [next(solved) for _ in some] for option, some in zip(options[1:], placed, strict=True)}


def own_deliveries(
    options: Sequence[Alternative], solved: Mapping[str, Sequence[SolvedCarry]], draws: DrawSet
) -> dict[str, Update]:
    """Return, by option, what its move places, as changes to its result: rows, conditions and cautions with them."""
    found: dict[str, Update] = {}
    for option in options[1:]:
        arrivals = [one.answer(draws) for one in solved[option.id]]
        said = [text for a in arrivals for text in a.warnings()]
        found[option.id] = {
            "carried": [a.row() for a in arrivals],
            "conditions": [*option.conditions, *(a.words() for a in arrivals)],
            "cautions": [*option.cautions, *said, *trapped_caution(option, draws)],
        }
    return found


def trapped_caution(option: Alternative, draws: DrawSet) -> tuple[str, ...]:
    """Return what is to be said before a wire is trapped: what gives first when it is drawn back."""
    if option.rig.trapped is None:
        return ()
    gives = pull_trapped(option.rig.trapped, draws)
    shares = ", ".join(f"{words} in {100.0 * gives.chance(end):.0f} %" for end, words in ENDS.items())
    return (f"the trapped wire, drawn back, first {shares} of the draws (orders of magnitude)",)


def _key(one: Carried) -> tuple[object, ...]:
    rig = one.rig
    extension = (rig.extension.id, rig.extension_depth_mm) if rig.extension is not None else None
    wires = (
        rig.rail.id,
        *(w.id for w in rig.buddies),
        rig.trapped.wire.id if rig.trapped is not None else "",
    )
    return rig.guide.id, rig.seat_mm, extension, wires, rig.anchor is not None, one.device.id


def _like(one: Carried, s: Situation) -> Alternative:
    return Alternative("carried", one.aim, (), one.rig, one.device, s.lesions, 0.0, 0.0, 0.0, "", (), ())


def _tips(one: Carried, stops: Sequence[float], depths: int) -> FloatArray:
    """Return the places of the tip that are solved, from the guide's tip, every place asked for among them."""
    seat = one.rig.seat_mm
    last = one.tip_mm - seat
    regular = np.linspace(min(FIRST_TIP_MM, 0.5 * last), last, depths)
    exact = sorted({stop - seat for stop in stops})
    kept = [t for t in regular if all(abs(t - e) >= 0.5 for e in exact)]
    return np.array(sorted([*kept, *exact]))


def _fits(one: Carried, s: Situation) -> bool:
    if isinstance(one.device, Laid):
        tubes = [d for d in s.shelf.devices.values() if isinstance(d, Extension)]
        extension = next((d for d in tubes if d.id == one.device.id.split(" over ")[0]), None)
        return extension is None or extension.for_guide_fr <= one.rig.guide.size_fr
    fit = check_fit(one.rig, one.device, landing_tip_mm=one.tip_mm, shelf=s.shelf)
    return fit.verdict is not Verdict.NO
