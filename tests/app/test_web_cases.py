"""The workbench's cases, plan and record through the API, with the real solver, store and report behind it."""

from __future__ import annotations

import runpy
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from backstay.app.loading import load_case
from backstay.app.plan import plan_case

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
DRAWS, HOST, files, say, until = (WORKBENCHES[name] for name in ("DRAWS", "HOST", "files", "say", "until"))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return WORKBENCHES["bench"](tmp_path_factory.mktemp("library"))


@pytest.fixture(scope="module")
def client(bench: Any) -> Iterator[TestClient]:
    with WORKBENCHES["client"](bench) as made:
        yield made


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made: Path = WORKBENCHES["small_case"](
        ROOT / "examples" / "demo", tmp_path_factory.mktemp("small") / "case"
    )
    return made


@pytest.fixture
def case(client: TestClient, small: Path) -> str:
    return str(WORKBENCHES["brought_in"](client, small))


# Cases


def test_every_way_to_a_case(client: TestClient) -> None:
    demo = client.post("/api/cases/demo").json()["id"]
    text = "25 mm 3.4 | 15 mm 3.2 bend 70 r12 | 22 mm 2.9 tight 1.2 severe | 40 mm 2.5"
    vessel = "left anterior descending artery"
    sketched = client.post(
        "/api/cases/sketch", json={"text": text, "vessel": vessel, "title": "Mine"}
    ).json()["id"]
    copied = client.post(f"/api/cases/{sketched}/duplicate").json()["id"]
    titles = {one["id"]: one["title"] for one in client.get("/api/cases").json()["cases"]}
    assert titles[sketched] == "Mine" and titles[copied] == "Mine (copy)"
    found = client.get("/api/cases", params={"words": "shepherd INVENTED"}).json()["cases"]
    assert [one["id"] for one in found] == [demo] and found[0]["invented"]
    client.put(f"/api/cases/{demo}/put-away", json={"away": True})
    assert demo not in [one["id"] for one in client.get("/api/cases").json()["cases"]]
    away = client.get("/api/cases", params={"put_away": True}).json()["cases"]
    assert [one["id"] for one in away] == [demo]


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("shelf", 'shelf = "../../outside.toml"'),
        ("vessel.path", 'path = "/etc/hosts"'),
        ("protocol", 'protocol = "../protocol.toml"\nshelf = "shelf.toml"'),
    ],
)
def test_a_case_names_files_of_its_own_folder_only(
    client: TestClient, bench: Any, small: Path, key: str, line: str
) -> None:
    (bench.library.folder / "outside.toml").write_text((small / "shelf.toml").read_text())
    sent = files(small)
    name = line.split(" =")[0]
    for one in sent:
        if one["name"] == "case.toml":
            rows = one["text"].splitlines()
            at = next((i for i, row in enumerate(rows) if row.startswith(f"{name} = ")), None)
            at = next(i for i, row in enumerate(rows) if row.startswith("shelf = ")) if at is None else at
            one["text"] = "\n".join([*rows[:at], *line.splitlines(), *rows[at + 1 :]])
    before = sorted(bench.library.folder.iterdir())
    answer = client.post("/api/cases/import", json={"files": sent})
    assert answer.status_code == 422, answer.text
    assert (answer.json()["field"], answer.json()["message"]) == (key, "this leads out of the case's folder")
    assert sorted(bench.library.folder.iterdir()) == before, "something was left half-made"


def test_a_link_does_not_lead_out_either(client: TestClient, bench: Any, case: str, tmp_path: Path) -> None:
    shelf = bench.library.folder / case / "shelf.toml"
    (tmp_path / "secret.toml").write_text(shelf.read_text())
    shelf.unlink()
    shelf.symlink_to(tmp_path / "secret.toml")
    answer = client.get(f"/api/cases/{case}/plan")
    assert (answer.status_code, answer.json()["field"]) == (422, "shelf")


def test_a_case_that_cannot_be_read_is_listed_with_the_reason(
    client: TestClient, bench: Any, case: str
) -> None:
    (bench.library.folder / case / "case.toml").write_text("schema = 2\n")
    row = client.get(f"/api/cases/{case}").json()
    assert row["problem"] and str(bench.library.folder) not in row["problem"]


# The vessel


def test_lesions_and_branches_are_set_in_a_table(client: TestClient, bench: Any, case: str) -> None:
    view = client.get(f"/api/cases/{case}/vessel").json()
    assert view["lesions"][0]["calcium"] == "severe" and len(view["branches"]) == 2
    lesion = {**view["lesions"][0], "to_mm": 60.0, "calcium": "moderate", "opened_fully": True}
    more = {"row": None, "from_mm": 70.0, "to_mm": 76.0, "calcium": "mild"}
    body = {"read": view["read"], "lesions": [lesion, more], "branches": view["branches"][:1]}
    put = client.put(f"/api/cases/{case}/vessel", json=body)
    assert put.status_code == 200, put.text
    loaded = load_case(bench.library.file(case))
    assert [(x.from_mm, x.to_mm, x.calcium.value) for x in loaded.lesions] == [
        (34, 60, "moderate"),
        (70, 76, "mild"),
    ]
    assert (
        loaded.vessel.lesion[0].eccentric and loaded.vessel.lesion[0].imaging is not None
    )  # not in the table, kept
    assert [x.name for x in loaded.branches] == ["first right ventricular branch"]
    before = bench.library.file(case).read_text()
    for wrong, field in (
        ({**more, "to_mm": 390.0}, "vessel.lesion#2.to_mm"),
        ({**more, "from_mm": 50.0}, "vessel.lesion#2"),
    ):
        body = {"read": put.json()["read"], "lesions": [lesion, wrong], "branches": []}
        refused = client.put(f"/api/cases/{case}/vessel", json=body)
        assert (refused.status_code, refused.json()["field"]) == (422, field), refused.text
        assert bench.library.file(case).read_text() == before


def test_what_another_changed_meanwhile_is_not_overwritten(client: TestClient, case: str) -> None:
    """A dissection that was set elsewhere must not go by keeping a table that was read before."""
    view = client.get(f"/api/cases/{case}/vessel").json()
    dissected = {**view["lesions"][0], "dissected": True}
    body = {"read": view["read"], "lesions": [dissected], "branches": view["branches"]}
    assert client.put(f"/api/cases/{case}/vessel", json=body).status_code == 200
    stale = client.put(f"/api/cases/{case}/vessel", json={**body, "lesions": view["lesions"]})
    assert stale.status_code == 422 and "changed elsewhere" in stale.json()["message"]
    assert client.get(f"/api/cases/{case}/vessel").json()["lesions"][0]["dissected"]


def test_another_vessel_is_loaded_into_a_case(client: TestClient, bench: Any, small: Path, case: str) -> None:
    base = f"/api/cases/{case}/vessel"
    file = bench.library.file(case)
    before, folder = file.read_text(), sorted(one.name for one in file.parent.iterdir())
    for what, text in (("path", "no path at all"), ("sketch", "gibberish"), ("sketch", "40 mm 3.0")):
        assert client.put(f"{base}/{what}", json={"text": text}).status_code == 422
    rows = (small / "path.csv").read_text().splitlines(keepends=True)
    short = "".join(rows[: len(rows) // 4])  # it ends before the lesions
    assert client.put(f"{base}/path", json={"text": short}).status_code == 422
    assert file.read_text() == before and sorted(one.name for one in file.parent.iterdir()) == folder

    longer = client.put(f"{base}/path", json={"text": "".join(rows[: 4 * len(rows) // 5])})
    assert longer.status_code == 200, longer.text
    was = client.get(f"/api/cases/{case}").json()
    loaded = load_case(file)
    assert loaded.path.length_mm < 0.9 * load_case(small / "case.toml").path.length_mm and was["title"]
    assert "check them" in longer.json()["notes"][0] and len(loaded.lesions) == 1

    # Only the branches that the new path has room for can stay.
    view = longer.json()["vessel"]
    client.put(base, json={"read": view["read"], "lesions": view["lesions"], "branches": []})
    text = "25 mm 3.4 | 15 mm 3.2 bend 70 r12 | 22 mm 2.9 tight 1.2 severe | 60 mm 2.5"
    sketched = client.put(f"{base}/sketch", json={"text": text})
    assert sketched.status_code == 200, sketched.text
    loaded = load_case(file)
    assert loaded.path.length_mm == pytest.approx(122.0, abs=1.0)
    assert [one.calcium.value for one in loaded.lesions] == ["severe"]
    middle = 0.5 * (loaded.lesions[0].from_mm + loaded.lesions[0].to_mm)
    assert 0.5 * (loaded.target_from_mm + loaded.target_to_mm) == pytest.approx(middle, abs=0.1)
    assert bench.library.document(case).draws["lesion_factor"].spread == 0.70
    assert (file.parent / "path.csv").exists(), "what was there stays"


# The plan


def test_the_plan_kept_in_memory_is_the_plan(client: TestClient, bench: Any, case: str) -> None:
    view = client.get(f"/api/cases/{case}/plan").json()
    assert not view["rungs"][0]["ready"] and view["invented"]
    early = client.get(f"/api/cases/{case}/plan/papers/plan.pdf")
    assert (early.status_code, early.json()["field"]) == (422, "plan") and not view["whole"]
    until(lambda: all(one["ready"] for one in client.get(f"/api/cases/{case}/plan").json()["rungs"]))
    desk = bench.desks.desk(case)
    until(lambda: desk.plan.plan.way_back is not None)  # the last to come
    assert desk.plan.plan == plan_case(load_case(desk.case.file), draws=DRAWS)

    # One rig in full, its device anywhere on the way.
    rig = client.get(f"/api/cases/{case}/plan/rigs/as_it_is").json()
    assert "Will it go?" in rig["answers"] and "Does it fit?" in rig["beneath"]
    last = rig["place"]["steps"] - 1
    landed = client.get(f"/api/cases/{case}/plan/rigs/as_it_is/places/{last}").json()
    words = {row["name"]: row["words"] for row in landed["rows"]}
    chance = desk.plan.plan.in_place.chance
    assert words["gets this far"].startswith(chance.words)
    first = client.get(f"/api/cases/{case}/plan/rigs/as_it_is/places/0").json()
    assert first["strip"] != landed["strip"] and first["from_share"] < first["to_share"]
    beyond = client.get(f"/api/cases/{case}/plan/rigs/as_it_is/places/999").json()
    assert beyond["step"] == last
    assert client.get(f"/api/cases/{case}/plan/rigs/none").status_code == 404
    parts = client.get(f"/api/cases/{case}/plan/parts").json()["parts"]
    assert {"limits", "treatment", "cautions", "inputs", "ladder"} <= set(parts)
    for file, begins in (
        ("time-out.pdf", b"%PDF"),
        ("plan.pdf", b"%PDF"),
        ("plan.json", b"{"),
        ("plan.html", b"<!DOC"),
    ):
        answer = client.get(f"/api/cases/{case}/plan/papers/{file}")
        assert answer.content.startswith(begins) and "attachment" in answer.headers["content-disposition"]

    # A rig of one's own: checked as a case file is, worked out, listed, and the plan itself unchanged.
    own = {
        "rig": {"guide": "guide-6-sr", "seat_mm": 7.0, "wires": ["wire-workhorse", "wire-workhorse"]},
        "target": {"device": "stent-275-33", "from_mm": 31.5, "to_mm": 64.5},
    }
    wrong = {**own, "target": {**own["target"], "device": "wire-workhorse"}}
    refused = client.post(f"/api/cases/{case}/plan/ask", json=wrong)
    assert (refused.status_code, refused.json()["field"]) == (422, "target.device")
    long = {**own, "target": {**own["target"], "from_mm": 20.0}}
    for refused in (
        client.post(f"/api/cases/{case}/plan/ask", json=long),
        client.put(f"/api/cases/{case}/plan/in-place", json=long),
    ):
        assert (refused.status_code, refused.json()["allowed"]) == (422, "53"), refused.text
    asked = client.post(f"/api/cases/{case}/plan/ask", json=own).json()
    until(lambda: client.get(f"/api/cases/{case}/plan/rigs/{asked['id']}").status_code == 200)
    listed = client.get(f"/api/cases/{case}/plan").json()["rungs"]
    assert [one["own"] for one in listed].count(True) == 1
    assert "seated 7 mm deep" in asked["change"] and "buddy" in asked["change"]
    assert "klaudel2024" in client.get(f"/api/cases/{case}/plan/rigs/{asked['id']}").json()["answers"]
    assert all(not rig.id.startswith("own_") for rig in desk.plan.plan.rigs)

    # Put in place, it is what the case file says, and the plan is another.
    put = client.put(f"/api/cases/{case}/plan/in-place", json=own)
    assert put.status_code == 200, put.text
    assert load_case(desk.case.file).rig.seat_mm == 7.0
    assert "# An invented patient" in desk.case.file.read_text()
    assert bench.desks.desk(case) is not desk


# The record


def events(client: TestClient, case: str) -> list[dict[str, Any]]:
    return list(client.get(f"/api/cases/{case}/record").json()["events"])


def test_a_line_is_written_once_however_often_it_is_sent(client: TestClient, case: str) -> None:
    assert client.get(f"/api/cases/{case}/record").json()["begun"] is False
    first = say(client, case, "contrast 8", "key-00000001")
    again = say(client, case, "contrast 8", "key-00000001")
    other = say(client, case, "contrast 8", "key-00000002")
    assert (first["again"], again["again"], other["again"]) == (False, True, False)
    assert [one["kind"] for one in events(client, case)].count("contrast") == 2
    body = {"key": "key-00000003", "event": "key-00000002", "reason": "undone"}
    undone = [client.post(f"/api/cases/{case}/record/corrections", json=body).json() for _ in range(3)]
    assert [one["again"] for one in undone] == [False, True, True]
    assert undone[0]["echo"].startswith("taken back: ") and undone[2]["echo"] == undone[0]["echo"]
    assert client.get(f"/api/cases/{case}/record").json()["written"][0] == "key-00000001"
    assert [one["kind"] for one in events(client, case)].count("contrast") == 1


def test_one_line_sent_by_many_at_once_is_written_once(client: TestClient, case: str) -> None:
    threads = [threading.Thread(target=say, args=(client, case, "act 287", "same-key-1")) for _ in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert [one["kind"] for one in events(client, case)].count("act") == 1


def test_a_line_that_waited_keeps_its_time(client: TestClient, case: str) -> None:
    now = datetime.now(UTC)
    say(client, case, "heparin 5000", "waited-0001", said_at=(now - timedelta(minutes=42)).isoformat())
    found = next(one for one in events(client, case) if one["kind"] == "heparin")
    assert found["clock"].endswith((now - timedelta(minutes=42)).astimezone().strftime("%H:%M"))
    for at in (now + timedelta(hours=1), now - timedelta(days=2)):
        body = {"key": "waited-0002", "line": "act 287", "said_at": at.isoformat()}
        assert client.post(f"/api/cases/{case}/record/lines", json=body).json()["field"] == "said_at"


def test_a_time_of_yesterday_is_said(
    client: TestClient, bench: Any, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half past eleven in the evening, typed in the morning: a slip of the finger, or true; who types it must see it."""
    monkeypatch.setattr(bench.desks, "clock", lambda: datetime(2026, 5, 4, 9, 0, tzinfo=UTC))
    today = say(client, case, "08:50 contrast 8", "day-0001")
    assert today["echo"].startswith("08:50  ") and not any("written for" in one for one in today["hazards"])
    before = say(client, case, "23:30 contrast 8", "day-0002")
    assert before["echo"].startswith("03 May 23:30  ")
    assert before["hazards"][0] == "written for 03 May 23:30: take it back if today was meant"
    clocks = [one["clock"] for one in events(client, case) if one["kind"] == "contrast"]
    assert clocks == ["08:50", "03 May 23:30"]


def test_a_line_said_ahead_is_of_now(
    client: TestClient, bench: Any, case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser's clock may be a little ahead; nothing in the record lies in the future."""
    now = datetime(2026, 5, 4, 9, 0, 30, tzinfo=UTC)
    monkeypatch.setattr(bench.desks, "clock", lambda: now)
    ahead = (now + timedelta(seconds=50)).isoformat()
    assert say(client, case, "contrast 8", "ahead-0001", said_at=ahead)["echo"].startswith("09:00  ")


def test_an_unclear_line_comes_back_with_its_choices(client: TestClient, case: str) -> None:
    said = say(client, case, "stent", "unclear-001")
    assert not said["written"] and said["question"] and said["choices"]
    chosen = say(client, case, said["choices"][0]["value"], "unclear-002")
    assert chosen["written"] or chosen["question"]
    refused = client.post(f"/api/cases/{case}/record/lines", json={"key": "unclear-003", "line": "gibberish"})
    assert (refused.status_code, refused.json()["message"]) == (422, "not understood")


def test_every_end_of_an_attempt_is_a_line_that_is_understood(client: TestClient, case: str) -> None:
    ends = client.get(f"/api/cases/{case}/record").json()["attempt"]
    letters = [one["words"][0] for one in ends]
    assert len(set(letters)) == len(letters) == 11
    for k, one in enumerate(ends):
        said = say(client, case, one["value"], f"attempt-{k:04d}")
        assert said["written"], (one, said)
    assert [one["kind"] for one in events(client, case)].count("attempt") == 11


def test_an_event_is_put_right_or_taken_back(client: TestClient, case: str) -> None:
    say(client, case, "act 287", "right-0001")
    say(client, case, "contrast 8", "right-0002")
    wrong = next(one for one in events(client, case) if one["kind"] == "act")
    body = {"key": "right-0003", "event": wrong["id"], "line": "contrast 9"}
    assert client.post(f"/api/cases/{case}/record/corrections", json=body).json()["field"] == "line"
    body = {"key": "right-0004", "event": wrong["id"], "line": "act 297"}
    assert client.post(f"/api/cases/{case}/record/corrections", json=body).json()["written"]
    found = next(one for one in events(client, case) if one["kind"] == "act")
    assert "297" in found["words"] and found["clock"] == wrong["clock"]
    assert (
        client.post(f"/api/cases/{case}/record/corrections", json={**body, "key": "right-0005"}).status_code
        == 404
    )
    body = {"key": "right-0006", "event": found["id"], "reason": "wrong patient"}
    client.post(f"/api/cases/{case}/record/corrections", json=body)
    assert all(one["kind"] != "act" for one in events(client, case))


def test_another_program_writing_the_same_record_is_seen(client: TestClient, bench: Any, case: str) -> None:
    from backstay.app.record import Recorder

    say(client, case, "act 287", "beside-0001")
    other = Recorder(bench.library.file(case), store_url=bench.store_url)
    other.log("contrast 12")
    other.close()
    bench.desks.tick(case)
    assert next(one["kind"] for one in events(client, case)) == "contrast"
    say(client, case, "contrast 3", "beside-0002")
    assert [one["kind"] for one in events(client, case)].count("contrast") == 2


def test_the_room_sees_what_matters(client: TestClient, case: str) -> None:
    for k, line in enumerate(
        (
            "guide 6 standard right",
            "wire in workhorse",
            "heparin 5000",
            "act 231",
            "contrast 40",
            "dose 812 mgy",
            "tip main vessel",
        )
    ):
        say(client, case, line, f"room-{k:04d}")
    html = client.get(f"/api/cases/{case}/room").json()["html"]
    for words in (
        "Next move",
        "Not now",
        "40 / ",
        "812 / 3000 mGy",
        "231 s",
        "BELOW TARGET",
        "main vessel",
        "no balloon up",
    ):
        assert words in html, words
    assert "Planning and teaching aid" in html
    assert html.count('class="hazard') <= 2


# The report


def test_from_the_record_to_a_signed_report(client: TestClient, case: str) -> None:
    assert client.get(f"/api/cases/{case}/report").status_code == 404
    for k, line in enumerate(
        ("guide 6 standard right", "wire in workhorse", "contrast 40", "timi 3 residual 8", "end counted")
    ):
        say(client, case, line, f"sign-{k:04d}")
    draft = client.get(f"/api/cases/{case}/report").json()
    assert not draft["signed"] and "DRAFT" in draft["html"]
    stale = {"by": "operator A", "digest": "0" * 64}
    assert client.post(f"/api/cases/{case}/report/sign", json=stale).status_code == 422
    signed = client.post(
        f"/api/cases/{case}/report/sign", json={"by": "operator A", "digest": draft["digest"]}
    )
    assert signed.status_code == 200, signed.text
    assert signed.json()["signed"] and signed.json()["digest"] == draft["digest"]
    refused = client.post(f"/api/cases/{case}/record/lines", json={"key": "sign-late", "line": "contrast 5"})
    assert refused.json()["message"] == "the report is signed"
    added = client.post(
        f"/api/cases/{case}/report/addenda", json={"by": "operator A", "text": "one more line"}
    )
    assert "one more line" in added.json()["html"]
    begins = {
        "report.pdf": b"%PDF",
        "report.html": b"<!DOC",
        "report.txt": b"",
        "report.json": b"{",
        "report.fhir.json": b"{",
    }
    for file, start in begins.items():
        answer = client.get(f"/api/cases/{case}/report/papers/{file}")
        assert answer.status_code == 200 and answer.content.startswith(start), (file, answer.text[:200])
    dicom = client.get(f"/api/cases/{case}/report/papers/report.dcm").content
    assert dicom[128:132] == b"DICM"
