"""What pages are told while a case runs: that the clocks go or stand still, that advice is being weighed anew; and who may listen."""

from __future__ import annotations

import asyncio
import importlib
import json
import runpy
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from backstay.adapters.case_file import read_case
from backstay.app.record import Recorder
from backstay.errors import StoreError
from backstay.web import hub as hubs
from backstay.web.hub import Hub

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
say, until = WORKBENCHES["say"], WORKBENCHES["until"]
Told = list[tuple[str, dict[str, Any]]]


def hear(hub: Hub, monkeypatch: pytest.MonkeyPatch) -> Told:
    """Return a list that fills with what pages are told."""
    told: Told = []
    real = hub.tell
    monkeypatch.setattr(
        hub, "tell", lambda topic, kind, data: (told.append((kind, data)), real(topic, kind, data))
    )
    return told


def words(text: str) -> list[str]:
    return [line.removeprefix("event: ") for line in text.splitlines() if line.startswith("event: ")]


def streamed(hub: Hub, may_listen: Callable[[], bool], tell: Callable[[], None]) -> list[str]:
    """Return what one page hears: a first word, then what `tell` tells."""

    async def listened() -> list[str]:
        async def first() -> Told:
            return [("record", {"last": ""})]

        hub.start()
        heard = []
        async for text in hub.stream("case", first, may_listen):
            heard += words(text)
            if len(heard) == 1:
                tell()
            if len(heard) == 3:
                break
        return heard

    return asyncio.run(asyncio.wait_for(listened(), 10.0))


def test_a_page_whose_visit_ended_hears_nothing_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hubs, "LOOK_S", 0.05)
    hub, inside = Hub(), [True]

    def tell() -> None:
        hub.tell("case", "room", {"html": "a"})

    def tell_and_leave() -> None:
        inside[0] = False
        tell()

    assert streamed(hub, lambda: inside[0], lambda: (tell(), tell())) == ["record", "room", "room"]  # type: ignore[func-returns-value]
    assert streamed(hub, lambda: inside[0], tell_and_leave) == ["record"]
    assert streamed(hub, lambda: False, lambda: None) == [
        "record"
    ]  # and it ends where nothing is told at all


def test_clocks_that_stand_still_are_said_so_and_the_others_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """One case cannot be read, another fails as nobody foresaw: both pages are told, the third's clock goes on."""
    applications = importlib.import_module("backstay.web.application")
    monkeypatch.setattr(applications, "TICK_S", 0.01)
    failing = {"a": StoreError("the store is gone"), "b": ZeroDivisionError("division by zero")}
    told: list[tuple[str, str, dict[str, Any]]] = []

    class Desks:
        def tick(self, name: str) -> None:
            if name in failing:
                raise failing[name]

    class Bench:
        class hub:  # noqa: N801
            followed = ("a", "b", "c")
            tell = staticmethod(lambda topic, kind, data: told.append((topic, kind, data)))

        class library:  # noqa: N801
            folder = Path("/nowhere")

        desks = Desks()

    async def run() -> None:
        ticking = asyncio.create_task(applications._tick(Bench()))  # type: ignore[arg-type]
        while sum(topic == "c" for topic, _, _ in told) < 3:
            assert not ticking.done()
            await asyncio.sleep(0.01)
        del failing["a"]
        while ("a", "alive", {}) not in told:
            await asyncio.sleep(0.01)
        ticking.cancel()

    asyncio.run(asyncio.wait_for(run(), 20.0))
    assert {(topic, kind) for topic, kind, _ in told} == {
        ("a", "stopped"),
        ("a", "alive"),
        ("b", "stopped"),
        ("c", "alive"),
    }
    assert any("the store is gone" in data["why"] for _, _, data in told if "why" in data)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return WORKBENCHES["bench"](tmp_path_factory.mktemp("library"))


@pytest.fixture(scope="module")
def client(bench: Any) -> Iterator[TestClient]:
    with WORKBENCHES["client"](bench) as made:
        yield made


@pytest.fixture(scope="module")
def solved(client: TestClient, bench: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("small") / "c"
    case = str(
        WORKBENCHES["brought_in"](client, WORKBENCHES["small_case"](ROOT / "examples" / "demo", folder))
    )
    # Asked for again and again, as by a page: a plan that nobody looks at is let be.
    until(lambda: (plan := bench.desks.plan(case).plan.plan) is not None and plan.way_back is not None)
    until(lambda: not bench.desks.desk(case).doing)
    return case


@pytest.fixture
def planned(client: TestClient, bench: Any, solved: str) -> Iterator[str]:
    """Give a case whose plan is whole and whose record is empty; afterwards what was recorded is taken back."""
    yield solved
    written = client.get(f"/api/cases/{solved}/record").json()["written"]
    for event in written:
        body = {"key": f"cleared-{event}", "event": event, "reason": "cleared"}
        assert client.post(f"/api/cases/{solved}/record/corrections", json=body).status_code == 200
    desk = bench.desks.desk(solved)
    until(lambda: desk.weighing_by is None and desk.plan.weighed_by == () and not desk.doing)


def test_after_an_attempt_old_advice_is_not_shown_as_new(
    client: TestClient,
    bench: Any,
    planned: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told = hear(bench.hub, monkeypatch)
    desk = bench.desks.desk(planned)
    before = bench.desks.room(planned)
    assert "Being weighed anew" not in before
    device = desk.case.device.id
    assert say(client, planned, f"{device} stopped guide backed out", "weigh-0001")["written"]
    assert "Being weighed anew" in client.get(f"/api/cases/{planned}/room").json()["html"]
    until(lambda: desk.weighing_by is None)
    rooms = [str(data["html"]) for kind, data in told if kind == "room"]
    assert "Being weighed anew" in rooms[0] and "OLD ADVICE" in rooms[0]
    assert any("So far: " in html for html in rooms), "the first rung is shown before the whole ladder is"
    until(lambda: "Being weighed anew" not in bench.desks.room(planned))
    assert desk.plan.plan.learned is not None and len(desk.plan.plan.learned.attempts) == 1
    # Taken back, it is unlearnt.
    body = {"key": "weigh-0002", "event": "weigh-0001", "reason": "undone"}
    client.post(f"/api/cases/{planned}/record/corrections", json=body)
    assert desk.weighing_by == ()
    until(lambda: desk.plan.plan.learned is None)


def test_an_attempt_that_another_program_writes_is_learnt_from(
    client: TestClient,
    bench: Any,
    planned: str,
) -> None:
    desk = bench.desks.desk(planned)
    say(client, planned, "act 287", "other-0001")
    assert desk.weighing_by is None  # nothing that rigs are weighed by
    other = Recorder(bench.library.file(planned), store_url=bench.store_url)
    other.log(f"{desk.case.device.id} stopped prolapsed")
    other.close()
    bench.desks.tick(planned)
    until(lambda: desk.plan.plan.learned is not None)
    assert [row.limited_by for row in desk.plan.plan.learned.attempts] == ["prolapse"]


def test_the_room_says_what_is_dangerous_and_what_bars_every_move(
    client: TestClient, bench: Any, planned: str
) -> None:
    for k, line in enumerate(("guide 6 standard right", "wire in workhorse", "timi 1", "tip out of view")):
        assert say(client, planned, line, f"danger-{k:04d}")["written"]
    html = client.get(f"/api/cases/{planned}/room").json()["html"]
    assert "ALMOST NO FLOW" in html and "TIP NOT SEEN" in html
    say(client, planned, "perforation at 52", "danger-0010")
    device = bench.desks.desk(planned).case.device.id
    say(client, planned, f"{device} stopped guide backed out", "danger-0011")
    until(lambda: "Being weighed anew" not in bench.desks.room(planned))
    html = bench.desks.room(planned)
    assert html.index("perforation, not sealed by the record") < html.index("Contrast")
    assert (
        "A perforation or tamponade is known, and not over by the record: that comes first. No move is open before."
        in html
    )
    say(client, planned, "perforation sealed", "danger-0012")
    until(lambda: bench.desks.desk(planned).weighing_by is None)
    say(client, planned, "timi 3", "danger-0013")
    html = bench.desks.room(planned)
    assert "perforation" not in html and "FLOW" not in html


def test_looking_at_a_report_writes_nothing(client: TestClient, bench: Any, planned: str) -> None:
    say(client, planned, "contrast 40", "look-0001")
    folder = bench.library.file(planned).parent
    until(lambda: (folder / "plan.json").exists())
    assert json.loads((folder / "plan.json").read_text())["ladder"]

    def files() -> dict[str, bytes]:
        return {one.name: one.read_bytes() for one in folder.rglob("*") if one.is_file()}

    before = files()
    assert "plan.json" in client.get(f"/api/cases/{planned}/report").json()["html"], "the plan counts"
    assert files() == before


def test_a_rig_of_ones_own_is_weighed_by_the_record_like_the_plans(
    client: TestClient, bench: Any, planned: str
) -> None:
    """The rig in place, asked for by hand, has before and after an attempt the chance that the plan gives it."""
    desk = bench.desks.desk(planned)
    document = read_case(bench.library.file(planned))
    name, _ = bench.desks.ask(planned, document.rig, document.target)
    until(lambda: name in [rig.id for rig in desk.plan.own])

    def chances() -> tuple[float, float]:
        return desk.plan.rig(name).chance.value, desk.plan.rig("as_it_is").chance.value

    before = chances()
    assert before[0] == pytest.approx(before[1], abs=0.02)
    line = f"{desk.case.device.id} stopped guide backed out all safe"
    assert say(client, planned, line, "own-00000001")["written"]
    until(lambda: desk.weighing_by is None and desk.plan.plan.learned is not None)
    after = chances()
    assert after[1] < before[1] - 0.1
    assert after[0] == pytest.approx(after[1], abs=0.06)  # over fewer draws than the plan's
    late, _ = bench.desks.ask(planned, document.rig, document.target)
    until(lambda: late in [rig.id for rig in desk.plan.own])
    assert desk.plan.rig(late).chance.value == desk.plan.rig(name).chance.value


def test_the_room_says_when_the_device_has_arrived(client: TestClient, bench: Any, planned: str) -> None:
    desk = bench.desks.desk(planned)
    device = desk.case.device
    for k, (line, words) in enumerate(
        (
            (f"{device.id} reached", f"{device.name} is in its place"),
            ("contrast 8", f"{device.name} is in its place"),
            (f"{device.id} 12 atm at lesion", f"{device.name} is opened"),
        )
    ):
        assert say(client, planned, line, f"arrive-{k:04d}")["written"], line
        html = bench.desks.room(planned)
        assert words in html and "that it lands" not in html
    until(lambda: desk.weighing_by is None)
    assert f"{device.name} is opened" in bench.desks.room(planned)


def test_a_followed_case_whose_files_changed_is_planned_anew(
    client: TestClient, bench: Any, tmp_path: Path
) -> None:
    """Nobody has the plan open: the room alone is looked at, and its next move must not stay away for ever."""
    folder = WORKBENCHES["small_case"](ROOT / "examples" / "demo", tmp_path / "c")
    case = str(WORKBENCHES["brought_in"](client, folder))
    client.get(f"/api/cases/{case}/plan")
    before = bench.desks.desk(case)
    vessel = client.get(f"/api/cases/{case}/vessel").json()
    lesion = {**vessel["lesions"][0], "calcium": "mild"}
    put = client.put(
        f"/api/cases/{case}/vessel",
        json={**{name: vessel[name] for name in ("read", "branches")}, "lesions": [lesion]},
    )
    assert put.status_code == 200, put.text
    desk = bench.desks.desk(case)
    assert desk is not before and desk.plan is None
    bench.desks.tick(case)
    assert desk.plan is not None and desk.queued
