"""What the room must see of a running case, at one moment: the next move, what blocks, what is in, what is left."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.adapters.limits_file import HazardRow, InsideRow
from backstay.app.loading import LoadedCase
from backstay.app.safety import case_safety, limits_of
from backstay.app.safety.setting import counted_to
from backstay.core.record.entries import Entry
from backstay.core.record.state import HANDLING
from backstay.core.safety.now import Now
from backstay.identifiers import BudgetState, EventKind

MOST_BLOCKS = 2
TIPS_AT_RISK = ("out_of_view", "small_branch", "looped")
"""Where nothing should move along the wire: the places that its hazards name."""


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Spent(_Model):
    """A quantity used against its limit."""

    used: float | None = Field(description="null where nothing is logged")
    limit: float | None
    unit: str
    state: BudgetState


class Clotting(_Model):
    """The last clotting time."""

    act_s: float
    age_min: float
    verdict: Literal["below", "within", "above"]
    overdue: bool
    before_heparin: bool = Field(description="heparin was given after it")


class Seen(_Model):
    """Something last seen, and how long ago."""

    what: str
    age_min: float
    state: Literal["", "near", "past"] = Field(
        "", description="past: it endangers the patient as it stands; near: it is not as it should be"
    )


class RoomDocument(_Model):
    """A case at one moment, as the room sees it."""

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    vessel: str
    invented: bool
    begun: bool
    ended: bool
    at: datetime
    minutes: float | None
    minutes_limit: float | None
    blocks: list[HazardRow] = Field(description="at most two, what blocks first")
    waiting: int = Field(description="hazards kept back behind them")
    inside: list[InsideRow]
    agent: str
    act: Clotting | None
    contrast: Spent
    kerma: Spent
    blocked_s: float | None = Field(
        description="since when a balloon has blocked the flow; null when none does"
    )
    flow: Seen | None = Field(description="last flow grade")
    wire_tip: Seen | None = Field(description="the wire's tip as last seen")
    arrived: str = Field(
        "", description="the device that has reached its place, or was opened there; empty where none has"
    )
    last: str = Field(description="id of the last event that stands; empty before the first")


def room_of(case: LoadedCase, entries: Sequence[Entry], *, at: datetime) -> RoomDocument:
    """Return a case at a moment.

    Parameters
    ----------
    case : LoadedCase
        The case.
    entries : sequence of Entry
        Its whole record.
    at : datetime
        The moment: everything's age is counted to it, or to the end of the case.
    """
    safety = counted_to(case_safety(case, entries), at.timestamp())
    ended = safety.now.ended
    now_s = at.timestamp() if safety.now.last_s is None else safety.now.last_s
    limits = limits_of(safety, options=())
    now, act = safety.now, limits.anticoagulation.act
    order = ("block", "pause", "note")
    shown = sorted(limits.hazards, key=lambda row: order.index(row.level))
    return RoomDocument(
        schema=1,
        title=case.title,
        vessel=case.vessel_name,
        invented=case.invented,
        begun=safety.recorded,
        ended=ended,
        at=at,
        minutes=limits.minutes if safety.recorded else None,
        minutes_limit=limits.minutes_limit,
        blocks=shown[:MOST_BLOCKS],
        waiting=len(limits.hazards_waiting) + len(shown[MOST_BLOCKS:]),
        inside=limits.inside,
        agent=limits.anticoagulation.agent,
        act=None
        if act is None
        else Clotting(
            act_s=act.act_s,
            age_min=act.age_min,
            verdict=act.verdict,
            overdue=act.overdue,
            before_heparin=act.before_heparin,
        ),
        contrast=Spent(
            used=limits.contrast.used_mL,
            limit=limits.contrast.limit_mL,
            unit="mL",
            state=limits.contrast.state,
        ),
        kerma=Spent(
            used=now.air_kerma_mGy, limit=limits.kerma_limit_mGy, unit="mGy", state=limits.kerma_state
        ),
        blocked_s=None if now.blocked_at_s is None else max(now_s - now.blocked_at_s, 0.0),
        flow=_flow(safety.entries, now_s),
        wire_tip=_wire_tip(safety.entries, now, now_s),
        arrived=_arrived(case, safety.entries),
        last=safety.entries[-1].id if safety.entries else "",
    )


def _arrived(case: LoadedCase, entries: Sequence[Entry]) -> str:
    """Return in words that the planned device has arrived, where nothing else was handled since."""
    last = next((entry for entry in reversed(entries) if entry.kind in HANDLING), None)
    if last is None or last.text("device") != case.device.id:
        return ""
    if last.kind is EventKind.STENT:
        return f"{case.device.name} is opened"
    reached = last.kind is EventKind.ATTEMPT and last.text("outcome") == "reached"
    return f"{case.device.name} is in its place" if reached else ""


def _flow(entries: Sequence[Entry], now_s: float) -> Seen | None:
    found = [e for e in entries if e.kind is EventKind.RESULT and e.values.get("timi_flow") is not None]
    if not found:
        return None
    grade, age_min = found[-1].values["timi_flow"], (now_s - found[-1].at_s) / 60.0
    # Grades 0 and 1 leave the muscle without blood, 2 fills it late (the grades' own definitions, from memory).
    return Seen(what=f"TIMI {grade}", age_min=age_min, state={0: "past", 1: "past", 2: "near"}.get(grade, ""))


def _wire_tip(entries: Sequence[Entry], now: Now, now_s: float) -> Seen | None:
    """Return the rail's tip: not another wire's, and not that of a rail that is out or was changed since."""
    rails = [one.device for one in now.wires("rail")]
    found = [
        entry
        for entry in entries
        if entry.kind is EventKind.WIRE_SEEN and (not rails or entry.values.get("device") in rails)
    ]
    if now.wire_tip is None or not found:
        return None
    tip = str(found[-1].values["tip"])
    return Seen(
        what=tip.replace("_", " "),
        age_min=(now_s - found[-1].at_s) / 60.0,
        state="past" if tip in TIPS_AT_RISK else "",
    )
