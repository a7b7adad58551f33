"""Writing an attempt into the record beside a case, checked before anything is written."""

from __future__ import annotations

import difflib
import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

from backstay.adapters.event_models import AttemptEvent, Event
from backstay.adapters.events_file import append_event, events_path
from backstay.adapters.record_entries import entries_of
from backstay.adapters.toml_text import validated
from backstay.app.learning.tried import options_at, path_sha256, stops_mm, tried
from backstay.app.loading import LoadedCase
from backstay.app.mending import recorded
from backstay.core.record.entries import standing
from backstay.core.rigging.devices import OverWireDevice
from backstay.errors import InputError, NotFound
from backstay.identifiers import EventKind, LimitedBy, Pushed

Clock = Callable[[], datetime]


def note_attempt(
    case: LoadedCase,
    *,
    reached: bool,
    rig: str = "as_it_is",
    device: str | None = None,
    stopped_at_mm: float | None = None,
    limited_by: LimitedBy | None = None,
    push: Pushed | None = None,
    author_role: str = "recorder",
    id: str | None = None,
    clock: Clock = lambda: datetime.now().astimezone(),
) -> Event:
    """Write an attempt down and return it; one whose id is already in the record, saying the same, is not written again.

    Raises
    ------
    NotFound, InputError
        The plan has no such rig, the shelf no such device, a place is off the path, or the id is taken by something else; nothing was
        written.
    """
    file = events_path(case.file)
    before = recorded(case.file)
    _, stands = tried(case, standing(entries_of(before)))
    options = {option.id: option for option in options_at(stands.case)}
    if rig not in options:
        near = difflib.get_close_matches(rig, options, n=3)
        raise NotFound(
            "the plan of this case has no such rig",
            field="--rig",
            value=rig,
            allowed=", ".join(near or list(options)[:12]),
        )
    pushed = device or options[rig].device.id
    going = case.shelf.devices.get(pushed)
    if not isinstance(going, OverWireDevice):
        raise NotFound("no such device that runs over a wire on the shelf", field="--device", value=pushed)
    low_mm, high_mm = stops_mm(replace(options[rig], device=going), case)
    if stopped_at_mm is not None and not low_mm <= stopped_at_mm <= high_mm:
        raise InputError(
            "the device's tip cannot have stopped there: it goes from the guide's tip to where it lands",
            field="--stopped-at",
            value=stopped_at_mm,
            allowed=f"{low_mm:.1f} to {high_mm:.1f} mm from the ostium, misreading allowed for",
        )
    said = {
        "stopped_at_mm": stopped_at_mm,
        "limited_by": limited_by,
        "push": push,
    }
    data: dict[str, Any] = {
        "schema": 1,
        "id": id or uuid.uuid4().hex,
        "at": clock().isoformat(timespec="seconds"),
        "author_role": author_role,
        "kind": EventKind.ATTEMPT.value,
        "device": pushed,
        "moves": [move.value for move in options[rig].moves],
        "outcome": "reached" if reached else "stopped",
        "rig": rig,
        "path_sha256": path_sha256(case),
        **{
            name: value if isinstance(value, float) else str(value)
            for name, value in said.items()
            if value is not None
        },
    }
    event = validated(AttemptEvent, data, where="attempt")
    same = next((one for one in before if one.id == event.id), None)
    if same is not None:
        if same.model_copy(update={"at": event.at}) == event:
            return same
        raise InputError(
            "the record has another event of this id", field="--id", value=event.id, allowed="a new id"
        )
    append_event(file, event)
    return event
