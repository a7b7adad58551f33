"""Whatever makes a hazard fire can be said in a line of the log."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.adapters.event_models import EVENT_TYPES
from backstay.adapters.log_place import Scene
from backstay.adapters.log_text import parse_line
from backstay.core.record.state import state_of
from backstay.identifiers import EventKind

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
BUDDY = (*H.BUDDY, H.BALLOON)
LINES = (
    "heparin 5000",
    "act 280 guide",
    "guide 6 standard right seated 6 side holes",
    "guide backed out",
    "guide out on purpose",
    "wire in workhorse as rail",
    "wire in jacketed as buddy",
    "wire in extra-support branch large",
    "wire out workhorse with guide disengaged",
    "tip out of view",
    "tip small branch",
    "tip large branch",
    "tip main vessel",
    "extension ext-6 to 20",
    "pressure damped",
    "pressure fine",
    "pressure 110",
    "flush",
    "contrast 8",
    "dose 900 mgy 60 gycm2 12 min",
    "nc 3.0x12 14 atm 20 s at lesion fully 2 views",
    "sc 2.5x15 10 atm at 50 prep",
    "nc 3.0x12 14 atm at 50 post",
    "sc 1.5x12 anchor 6 atm large at 25",
    "nc 3.0x12 6 atm at 50 seal",
    "nc 2.5x12 12 atm 20 s at 50 trap",
    "sc 2.5x15 deflated",
    "stent 3.0x18 42-60 12 atm traps buddy",
    "stent 3.0x18 stopped at 40 all safe",
    "stent 3.0x18 reached",
    *(f"nc 3.0x12 stopped {why}" for why in ("guide backed out", "prolapsed", "wrapped", "wire came forward", "collar", "caught")),
    "nc 3.0x12 stopped firm",
    *(f"stent 3.0x18 out {into}" for into in ("into the guide", "into the extension", "as one unit", "broken")),
    "atherectomy 40-60 burr 1.25 longest 20 s",
    "oct catheter in",
    *(f"{drug} 10 mg" for drug in ("protamine", "bivalirudin", "enoxaparin", "fondaparinux", "tirofiban", "clopidogrel", "aspirin")),
    *("dissection at 50", "perforation at 50", "tamponade", "slow flow", "air", "stent lost", "stent deformed", "burr stuck"),
    *("device stuck", "wire stuck", "wire broken", "part lost", "wire lost", "new narrowing at 50"),
    *("ischaemia", "clot", "branch lost", "perforation sealed"),
    "note anything",
    "end counted",
)  # fmt: skip


def scene() -> Scene:
    setting = H.setting()
    entries = [H.entry(text, at_min=0.1 * k, number=k) for k, text in enumerate(BUDDY)]
    return Scene(
        shelf=H.SHELF,
        lesions=((40.0, 60.0),),
        target_mm=(40.0, 60.0),
        target_device="stent-300-18",
        length_mm=100.0,
        branches=tuple(branch.name for branch in setting.branches),
        state=state_of(entries, setting.kinds),
    )


def words(kind: EventKind, values: dict[str, object]) -> set[tuple[str, str, str]]:
    """Return what an event says: of a word or a yes the value as well, of a number, a place or a device only that it is said."""
    free = {
        "device",
        "traps",
        "branch",
        "text",
        "what" if kind is EventKind.COMPLICATION else "",
        "moves",
        "name",
    }
    return {
        (kind.value, name, "" if name in free or (isinstance(value, float | int) and not isinstance(value, bool)) else str(value))
        for name, value in values.items()
    }  # fmt: skip


def said_in_lines() -> set[tuple[str, str, str]]:
    found: set[tuple[str, str, str]] = set()
    for line in LINES:
        typed = parse_line(line, scene())
        common = {"schema": 1, "id": "e", "at": "2031-04-05T09:00:00+00:00", "author_role": "nurse"}
        EVENT_TYPES[typed.kind].model_validate({**common, "kind": typed.kind.value, **typed.values})
        found |= words(typed.kind, typed.values)
    return found


SAID = said_in_lines()


@pytest.mark.parametrize("name", H.CASES)
def test_every_scene_of_a_hazard_can_be_typed(name: str) -> None:
    fires = H.CASES[name][0]
    texts = (*fires.before, fires.step) if fires.is_step else fires.before
    entries = [H.entry(text) for text in texts]
    assert {one for entry in entries for one in words(entry.kind, dict(entry.values))} <= SAID
