"""Lines of the log: read as meant, refused with the choices where they could mean two things."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pytest

from backstay.adapters.event_models import EVENT_TYPES
from backstay.adapters.log_devices import TO_END, Unclear
from backstay.adapters.log_place import Scene
from backstay.adapters.log_text import parse_line
from backstay.adapters.log_words import EXAMPLES
from backstay.adapters.shelf_file import read_shelf
from backstay.core.record.entries import Entry
from backstay.core.record.state import state_of
from backstay.errors import InputError
from backstay.identifiers import DeviceKind, EventKind

SPAN = {"from_mm": 42.0, "to_mm": 54.0}
LAST = {**SPAN, "device": "bal-nc-250-12", "pressure_atm": 18.0, "purpose": "preparation"}
BEFORE = [
    ("g", EventKind.GUIDE_IN, {"device": "guide-6-sr"}),
    ("w", EventKind.WIRE_IN, {"device": "wire-workhorse", "role": "rail"}),
    ("i", EventKind.INFLATION, LAST),
    ("c", EventKind.CONTRAST, {"volume_mL": 40.0}),
]


@pytest.fixture
def scene(demo_dir: Path) -> Scene:
    shelf = read_shelf(demo_dir / "shelf.toml")
    kinds: dict[str, DeviceKind] = {d.id: d.kind for d in shelf.devices.values()}
    entries = [Entry(name, kind, float(k), "nurse", values=v) for k, (name, kind, v) in enumerate(BEFORE)]
    return Scene(
        shelf=shelf,
        lesions=((34.0, 62.0),),
        target_mm=(31.5, 64.5),
        target_device="stent-275-33",
        length_mm=110.0,
        branches=("first right ventricular branch",),
        state=state_of(entries, kinds),
    )


K = EventKind
NC = "bal-nc-250-12"
STENT = "stent-275-33"
READ: list[tuple[str, EventKind, dict[str, Any]]] = [
    ("access right radial 6 fr", K.ACCESS, {"route": "right radial", "sheath_fr": 6.0}),
    ("sheath 7f femoral", K.ACCESS, {"route": "femoral", "sheath_fr": 7.0}),
    ("guide 6 standard right", K.GUIDE_IN, {"device": "guide-6-sr"}),
    ("guide guide-7-ebl seated 5", K.GUIDE_IN, {"device": "guide-7-ebl", "seat_mm": 5.0}),
    ("guide 6 standard right side holes", K.GUIDE_IN, {"device": "guide-6-sr", "side_holes": True}),
    ("guide 6 standard right no side holes", K.GUIDE_IN, {"device": "guide-6-sr", "side_holes": False}),
    ("stent 2.75x33 out", K.DEVICE_OUT, {"device": STENT}),
    ("stent 2.75x33 out into the guide", K.DEVICE_OUT, {"device": STENT, "drawn_into": "guide"}),
    (
        "stent 2.75x33 drawn into the extension out",
        K.DEVICE_OUT,
        {"device": STENT, "drawn_into": "extension"},
    ),
    ("stent 2.75x33 out as one unit", K.DEVICE_OUT, {"device": STENT, "drawn_into": "sheath"}),
    ("nc 2.5x12 out broken", K.DEVICE_OUT, {"device": NC, "whole": False}),
    (
        "stent 2.75x33 31.5-64.5 14 atm 20 s",
        K.STENT,
        {"device": STENT, "from_mm": 31.5, "to_mm": 64.5, "pressure_atm": 14.0, "duration_s": 20.0},
    ),
    ("oct catheter in", K.DEVICE_IN, {"device": "imaging catheter", "what": "imaging_catheter"}),
    ("ivus catheter out", K.DEVICE_OUT, {"device": "imaging catheter"}),
    ("snare in", K.DEVICE_IN, {"device": "snare", "what": "snare"}),
    (
        "stent retrieved",
        K.COMPLICATION,
        {"what": "stent lost retrieved", "code": "stent_lost", "settled": True},
    ),
    ("ischaemia", K.COMPLICATION, {"what": "ischaemia", "code": "ischaemia"}),
    (
        "sc 1.5x12 anchor 6 atm in the first right ventricular branch at 20",
        K.INFLATION,
        {
            "device": "bal-sc-150-12",
            "pressure_atm": 6.0,
            "from_mm": 14.0,
            "to_mm": 26.0,
            "branch": "first right ventricular branch",
            "purpose": "anchor",
        },
    ),
    (
        "atherectomy 34-62 burr 1.25 3 passes longest 15 s",
        K.PREPARED,
        {
            "what": "atherectomy",
            "from_mm": 34.0,
            "to_mm": 62.0,
            "device": "burr-125",
            "passes": 3,
            "longest_run_s": 15.0,
        },
    ),
    (
        "lithotripsy 80 pulses 34-62 2.5x12",
        K.PREPARED,
        {"what": "lithotripsy", "from_mm": 34.0, "to_mm": 62.0, "device": "bal-litho-250-12", "passes": 80},
    ),
    ("guide backed out", K.GUIDE_OUT, {"wanted": False}),
    ("guide out on purpose", K.GUIDE_OUT, {"wanted": True}),
    ("wire in heavy", K.WIRE_IN, {"device": "wire-heavy", "role": "buddy"}),
    ("wire workhorse", K.WIRE_IN, {"device": "wire-workhorse", "role": "buddy"}),
    (
        "buddy extra-support tip to 100",
        K.WIRE_IN,
        {"device": "wire-support", "role": "buddy", "tip_mm": 100.0},
    ),
    (
        "wire jacketed first right ventricular branch",
        K.WIRE_IN,
        {"device": "wire-jacketed", "role": "branch", "branch": "first right ventricular branch"},
    ),
    ("wire out", K.WIRE_OUT, {"device": "wire-workhorse"}),
    ("extension ext-6 to 30", K.EXTENSION, {"device": "ext-6", "depth_mm": 30.0}),
    ("ext 5-in-6 to 42 mm", K.EXTENSION, {"device": "ext-5in6", "depth_mm": 42.0}),
    (
        "nc 2.5x12 18 atm 20 s at 48 fully 2 views",
        K.INFLATION,
        {**LAST, "duration_s": 20.0, "opened_fully": True, "views": 2},
    ),
    ("18atm NC 2,5 x 12 20sec @48", K.INFLATION, {**LAST, "duration_s": 20.0}),
    ("nc 2.5x12 at lesion 18 atm did not open", K.INFLATION, {**LAST, "opened_fully": False}),
    ("bal-nc-250-12 18 atm 42-54", K.INFLATION, LAST),
    ("again 20 atm 15 s", K.INFLATION, {**LAST, "pressure_atm": 20.0, "duration_s": 15.0}),
    ("again at 44 post", K.INFLATION, {**LAST, "from_mm": 38.0, "to_mm": 50.0, "purpose": "after_stent"}),
    (
        "stent 2.75x33 31.5-64.5 14 atm",
        K.STENT,
        {"device": STENT, "from_mm": 31.5, "to_mm": 64.5, "pressure_atm": 14.0},
    ),
    (
        "stent 2.75x33 at target 14 atm",
        K.STENT,
        {"device": STENT, "from_mm": 31.5, "to_mm": 64.5, "pressure_atm": 14.0},
    ),
    (
        "stent 2.75x33 did not cross at 48, guide backed out, firm push",
        K.ATTEMPT,
        {
            "device": STENT,
            "outcome": "stopped",
            "moves": [],
            "stopped_at_mm": 48.0,
            "limited_by": "guide_out",
            "push": "firm",
        },
    ),
    ("stent 2.75x33 stopped", K.ATTEMPT, {"device": STENT, "outcome": "stopped", "moves": []}),
    (
        "nc 2.5x12 would not go, caught on the edge",
        K.ATTEMPT,
        {"device": NC, "outcome": "stopped", "moves": [], "limited_by": "edge_lock"},
    ),
    (
        "stent 2.75x33 reached, gentle",
        K.ATTEMPT,
        {"device": STENT, "outcome": "reached", "moves": [], "push": "gentle"},
    ),
    ("stent 2.75x33 out", K.DEVICE_OUT, {"device": STENT}),
    (
        "lithotripsy 80 pulses 34-62",
        K.PREPARED,
        {"what": "lithotripsy", "from_mm": 34.0, "to_mm": 62.0, "passes": 80},
    ),
    ("contrast 8", K.CONTRAST, {"volume_mL": 8.0}),
    ("contrast total 95 ml", K.CONTRAST, {"volume_mL": 55.0}),
    ("act 287", K.ACT, {"act_s": 287.0}),
    ("act 287 sheath", K.ACT, {"act_s": 287.0, "sampled_from": "sheath"}),
    ("heparin 5000 u", K.HEPARIN, {"dose_U": 5000.0}),
    (
        "dose 812 mgy 61 gycm2 14.5 min",
        K.DOSE,
        {"air_kerma_mGy": 812.0, "kap_Gycm2": 61.0, "fluoroscopy_min": 14.5},
    ),
    ("dose 0.8 gy", K.DOSE, {"air_kerma_mGy": 800.0}),
    ("lao 30 cran 20", K.VIEW, {"primary_angle_deg": 30.0, "secondary_angle_deg": 20.0}),
    ("rao 30 caud 25", K.VIEW, {"primary_angle_deg": -30.0, "secondary_angle_deg": -25.0}),
    (
        "timi 3 residual 8%",
        K.RESULT,
        {"measured_with": "angiography", "timi_flow": 3, "residual_stenosis_percent": 8.0},
    ),
    (
        "oct msa 6.1 ref 7.2",
        K.RESULT,
        {
            "measured_with": "optical coherence tomography",
            "minimum_stent_area_mm2": 6.1,
            "reference_area_mm2": 7.2,
        },
    ),
    ("heparin 5k", K.HEPARIN, {"dose_U": 5000.0}),
    ("ACT=287", K.ACT, {"act_s": 287.0}),
    ("contrast 12,5", K.CONTRAST, {"volume_mL": 12.5}),
    ("LAO30 CRA20", K.VIEW, {"primary_angle_deg": 30.0, "secondary_angle_deg": 20.0}),
    ("dose 812 mgy 6100 cGycm2", K.DOSE, {"air_kerma_mGy": 812.0, "kap_Gycm2": 61.0}),
    ("dose 812 mgy 6100 \u00b5Gym2", K.DOSE, {"air_kerma_mGy": 812.0, "kap_Gycm2": 61.0}),
    ("ffr .91", K.RESULT, {"measured_with": "pressure wire", "ffr": 0.91}),
    ("flow 3", K.RESULT, {"measured_with": "angiography", "timi_flow": 3}),
    ("timi 3 flow", K.RESULT, {"measured_with": "angiography", "timi_flow": 3}),
    (
        "stent 2.75x33 didn\u2019t cross",
        K.ATTEMPT,
        {"device": STENT, "outcome": "stopped", "moves": []},
    ),
    ("stent 2.75x33 failed to cross", K.ATTEMPT, {"device": STENT, "outcome": "stopped", "moves": []}),
    ("no reflow", K.COMPLICATION, {"what": "no reflow", "code": "slow_flow"}),
    ("slow flow", K.COMPLICATION, {"what": "slow flow", "code": "slow_flow"}),
    ("perforation at 52", K.COMPLICATION, {"what": "perforation", "code": "perforation", "at_mm": 52.0}),
    (
        "perforation sealed",
        K.COMPLICATION,
        {"what": "perforation sealed", "code": "perforation", "settled": True},
    ),
    ("burr freed", K.COMPLICATION, {"what": "burr stuck freed", "code": "burr_stuck", "settled": True}),
    (
        "stent lost snared",
        K.COMPLICATION,
        {"what": "stent lost snared", "code": "stent_lost", "settled": True},
    ),
    ("part lost", K.COMPLICATION, {"what": "part lost", "code": "part_lost"}),
    (
        "part left in place",
        K.COMPLICATION,
        {"what": "part lost left in place", "code": "part_lost", "settled": True},
    ),
    (
        "fragment retrieved",
        K.COMPLICATION,
        {"what": "part lost retrieved", "code": "part_lost", "settled": True},
    ),
    ("wire tip out of view", K.WIRE_SEEN, {"device": "wire-workhorse", "tip": "out_of_view"}),
    ("complication chest pain", K.COMPLICATION, {"what": "chest pain"}),
    ("bivalirudin 60 mg", K.DRUG, {"drug": "bivalirudin", "name": "bivalirudin", "dose": 60.0, "unit": "mg"}),
    ("pressure damped", K.PRESSURE, {"damped": True}),
    ("flush", K.FLUSH, {}),
    ("end counted", K.END, {"counted": True}),
    ("note Calm; <b>x</b> & 5 atm", K.NOTE, {"text": "Calm; <b>x</b> & 5 atm"}),
    ("indication: stable angina", K.NOTE, {"text": "stable angina", "topic": "indication"}),
]


@pytest.mark.parametrize(("line", "kind", "values"), READ, ids=[line for line, *_ in READ])
def test_a_line_is_read_as_meant(scene: Scene, line: str, kind: EventKind, values: dict[str, Any]) -> None:
    typed = parse_line(line, scene)
    assert (typed.kind, typed.values) == (kind, values)
    common = {
        "schema": 1,
        "id": "x",
        "at": "2031-04-05T09:30:00Z",
        "author_role": "nurse",
        "kind": kind.value,
    }
    EVENT_TYPES[kind].model_validate({**common, **typed.values})


def test_time_and_fix(scene: Scene) -> None:
    assert parse_line("09:42 act 287", scene).clock == (9, 42)
    assert parse_line("act 287 at 9:42", scene).clock == (9, 42)
    assert parse_line("act 287 5 min ago", scene).minutes_ago == 5.0
    # A minute and a half, not half past one at night.
    long = parse_line("nc 2.5x12 18 atm 1:30 at lesion", scene)
    assert (long.clock, long.values["duration_s"]) == (None, 90.0)
    fixed = parse_line("fix contrast 30", scene).supersedes
    assert fixed is not None and fixed.id == "c"
    with pytest.raises(InputError, match="fix"):
        parse_line("fix act 297", scene)


UNCLEAR = [
    ("stent at target 14 atm", "which stent"),
    ("sc 8 atm at 48", "which balloon"),
    ("stent 2.75x33", "what about the stent"),
    ("nc 2.5x12 18 atm", "where"),
    ("wire in", "which wire"),
    ("nc 2.5x12 18 atm at 48 fully", "how many views"),
    ("access 6 fr", "which access"),
    ("balloon 9x99 8 atm at 48", "no balloon on the shelf"),
    ("lithotripsy 80 pulses", "where"),
    ("heparin 5,000", "what does 5,000 mean"),
    ("heparin 5.000", "what does 5.000 mean"),
    ("contrast 1,200", "what does 1,200 mean"),
]


@pytest.mark.parametrize(("line", "question"), UNCLEAR, ids=[line for line, _ in UNCLEAR])
def test_an_unclear_line_comes_back_with_choices_that_are_clear(
    scene: Scene, line: str, question: str
) -> None:
    with pytest.raises(Unclear, match=question) as error:
        parse_line(line, scene)
    assert error.value.choices
    for words, choice in error.value.choices:
        assert words in str(error.value) or "more" in str(error.value)
        if choice.endswith(TO_END):
            with pytest.raises(InputError):
                parse_line(choice, scene)
            continue
        try:
            parse_line(choice, scene)
        except Unclear as still:
            # A choice settles its own question; another may remain.
            assert still.message != error.value.message


@pytest.mark.parametrize(
    ("line", "end", "kind", "values"),
    [
        ("nc 2.5x12", " 14 atm at 48", EventKind.INFLATION, {"pressure_atm": 14.0, "from_mm": 42.0}),
        ("stent 2.75x33", " 11 atm at target", EventKind.STENT, {"pressure_atm": 11.0}),
        ("stent 2.75x33", " at 50 guide backed out", EventKind.ATTEMPT, {"stopped_at_mm": 50.0}),
        ("nc 2.5x12 18 atm", " 48", EventKind.INFLATION, {"from_mm": 42.0, "to_mm": 54.0}),
        ("nc 2.5x12 18 atm", " 40-52", EventKind.INFLATION, {"from_mm": 40.0, "to_mm": 52.0}),
    ],
)
def test_a_choice_makes_up_no_number(
    scene: Scene, line: str, end: str, kind: EventKind, values: dict[str, Any]
) -> None:
    """What nobody said is typed to its end: a pressure or a place out of an example would stand in the record."""
    with pytest.raises(Unclear) as error:
        parse_line(line, scene)
    choices = [choice for _, choice in error.value.choices]
    assert not any("atm" in choice and "atm" not in line for choice in choices)
    read = []
    for choice in choices:
        if choice.endswith(TO_END):
            with contextlib.suppress(InputError):
                read.append(parse_line(choice.removesuffix(TO_END).rstrip() + end, scene))
    found = [one for one in read if one.kind is kind]
    assert found and values.items() <= found[0].values.items()


REFUSED = [
    ("heparin 5", "in thousands"),
    ("", "not understood"),
    ("hello there", "not understood"),
    ("heprin 5000", "did you mean heparin"),
    ("flow fine", "not understood$|not understood;"),
    ("perforatoin", "did you mean perforat"),
    ("contrst 40", "did you mean contrast"),
    ("act", "number is missing"),
    ("act 287 purple", "purple"),
    ("dose 812", "number is missing"),
    ("contrast 8 9", "9"),
    ("25:99 act 287", "time of day"),
    ("nc 2.5x12 18 atm 42-70", "the stretch is 28 mm, the device 12 mm"),
    ("nc 2.5x12 18 atm at 108", "beyond the end"),
    ("extension ext-6", "how deep"),
    ("contrast total 30", "not more than"),
]


@pytest.mark.parametrize(("line", "words"), REFUSED, ids=[line or "nothing" for line, _ in REFUSED])
def test_what_is_not_understood_is_refused(scene: Scene, line: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_line(line, scene)


def test_the_examples_that_help_shows_are_understood(scene: Scene) -> None:
    for line in EXAMPLES:
        if line not in ("undo", "fix act 297", "extension to 30"):
            assert parse_line(line, scene)


def test_the_documented_lines_are_understood(scene: Scene, root: Path) -> None:
    text = (root / "docs" / "log-lines.md").read_text()
    lines = [line.split("`")[1] for line in text.splitlines() if line.startswith("| `")]
    assert len(lines) > 25
    for line in lines:
        parse_line(line, scene)
