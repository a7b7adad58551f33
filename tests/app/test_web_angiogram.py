"""The angiogram through the API: runs brought in, traced, measured, kept, on the invented phantom with known truth."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from skimage.measure import points_in_poly

from backstay.adapters.dicom_xa import read_run
from backstay.adapters.path_file import load_path
from backstay.app.phantom import make_phantom
from backstay.identifiers import UserRole
from backstay.web.application import application
from backstay.web.serving import local_workbench

HOST = "127.0.0.1:8750"
ROUGH_PX = 3.0


@pytest.fixture(scope="module")
def phantom(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("phantom") / "p"
    make_phantom(folder, seed=1)
    return folder


@pytest.fixture(scope="module")
def tables(phantom: Path) -> list[dict[str, Any]]:
    return list(tomllib.loads((phantom / "points.toml").read_text())["run"])


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("library")
    return local_workbench(folder, port=8750, store_url=f"sqlite:///{folder / 'records.sqlite'}", draws=64)


@pytest.fixture(scope="module")
def client(bench: Any) -> Iterator[TestClient]:
    secret, _ = bench.visits.begin("tester", UserRole.OPERATOR)
    gate = application(bench, hosts=frozenset({HOST}))
    # Not entered as a context: nothing here needs the solver's thread.
    client = TestClient(gate, base_url=f"http://{HOST}", headers={"origin": f"http://{HOST}"})  # type: ignore[arg-type]
    client.cookies.set(bench.cookie, secret)
    yield client


@pytest.fixture(scope="module")
def case(client: TestClient, phantom: Path) -> str:
    name = str(client.post("/api/cases/demo").json()["id"])
    for file in ("rao-caudal.dcm", "lao-cranial.dcm"):
        made = put(client, name, file, (phantom / file).read_bytes())
        assert made.status_code == 201, made.text
    return f"/api/cases/{name}/angiogram"


def put(client: TestClient, case: str, name: str, content: bytes) -> Any:
    return client.put(f"/api/cases/{case}/angiogram/runs/{name}", content=content)


def test_frames_are_given_as_they_are_stored(client: TestClient, case: str, phantom: Path) -> None:
    runs = {run["name"]: run for run in client.get(case).json()["runs"]}
    shown = runs["rao-caudal.dcm"]
    assert (shown["rows"], shown["columns"], shown["frames"], shown["bytes_per_pixel"]) == (512, 512, 3, 1)
    assert shown["view"] == "RAO 30 CAU 20"
    run = read_run(phantom / "rao-caudal.dcm")
    for number in (1, 3):
        grey = client.get(f"{case}/runs/rao-caudal.dcm/frames/{number}").content
        assert np.array_equal(np.frombuffer(grey, np.uint8).reshape(512, 512), run.frame(number))
    assert shown["low"] < np.median(run.frame(2)) < shown["high"]
    assert client.get(f"{case}/runs/rao-caudal.dcm/frames/4").status_code == 422
    assert client.get(f"{case}/runs/none.dcm/frames/1").status_code == 404


def test_what_is_no_run_is_refused_and_not_kept(client: TestClient, bench: Any, phantom: Path) -> None:
    name = str(client.post("/api/cases/demo").json()["id"])
    run = (phantom / "rao-caudal.dcm").read_bytes()
    wrong = [("text.dcm", b"no DICOM"), ("cut.dcm", run[:300_000]), ("path.csv", run), (".hidden.dcm", run)]
    for file, content in wrong:
        answer = put(client, name, file, content)
        assert answer.status_code == 422, (file, answer.text)
        assert str(bench.library.folder) not in answer.text
    assert put(client, name, "..%2Fout.dcm", run).status_code in (404, 422)
    assert put(client, "none", "a.dcm", run).status_code == 404
    assert bench.library.runs(name) == []
    assert not list(bench.library.folder.glob(".run-*")) and not list(bench.library.folder.glob("*.dcm"))


def test_a_name_is_not_given_twice_to_different_runs(client: TestClient, bench: Any, phantom: Path) -> None:
    name = str(client.post("/api/cases/demo").json()["id"])
    one, other = ((phantom / file).read_bytes() for file in ("rao-caudal.dcm", "lao-cranial.dcm"))
    assert put(client, name, "a.dcm", one).status_code == 201
    assert put(client, name, "a.dcm", one).status_code == 201
    assert put(client, name, "a.dcm", other).status_code == 422
    copy = str(client.post(f"/api/cases/{name}/duplicate").json()["id"])
    assert bench.library.run(copy, "a.dcm").read_bytes() == one
    assert client.post(f"/api/cases/{name}/angiogram/runs/a.dcm/take-out").json()["runs"] == []
    assert bench.library.run(copy, "a.dcm").exists()


def test_a_run_elsewhere_is_not_read(
    client: TestClient, bench: Any, case: str, tables: Any, tmp_path: Path
) -> None:
    """Neither by a name that leads out of the folder, nor by a link that lies in it."""
    folder = bench.library.file(case.split("/")[3]).parent
    outside = tmp_path / "out.dcm"
    outside.write_bytes((folder / "rao-caudal.dcm").read_bytes())
    (folder / "linked.dcm").symlink_to(outside)
    for file in ("../out.dcm", str(outside), "linked.dcm", "case.toml"):
        answer = client.post(f"{case}/trace", json={"run": tables[0] | {"file": file}})
        assert answer.status_code == 404, (file, answer.text)
    (folder / "linked.dcm").unlink()


def test_a_larger_body_than_its_route_may_take_is_refused(client: TestClient, case: str) -> None:
    for path, size in ((f"{case}/trace", 60_000_001), (f"{case}/runs/a.dcm", 600_000_001)):
        method = "PUT" if path.endswith("a.dcm") else "POST"
        answer = client.request(method, path, headers={"content-length": str(size)})
        assert answer.status_code == 413, path
    streamed = client.put(f"{case}/runs/a.dcm", content=iter([b"x"] * 3))
    assert (streamed.status_code, streamed.json()["field"]) == (411, "Transfer-Encoding")


def test_edges_at_once_lie_near_the_measured_ones(client: TestClient, case: str, tables: Any) -> None:
    rough = client.post(f"{case}/trace", json={"run": tables[0], "at_once": True}).json()
    fine = client.post(f"{case}/trace", json={"run": tables[0]}).json()
    assert rough["at_once"] and not fine["at_once"]
    for side in ("line", "left", "right"):
        a, b = np.array(rough[side]), np.array(fine[side])
        away = np.linalg.norm(a[:, None] - b[None], axis=2).min(axis=1)
        assert np.percentile(away, 90) < ROUGH_PX, side
    assert "<svg" in fine["strip"] and not rough["strip"]
    assert any("one view only" in text for text in fine["doubts"])


def test_bands_hold_the_marks_of_the_second_view(client: TestClient, case: str, tables: Any) -> None:
    first, second = tables
    bare = {"file": second["file"], "frame": second["frame"]}
    found = client.post(f"{case}/second", json={"first": first, "second": bare}).json()["bands"]
    bands = {band["name"]: band for band in found if band["is_mark"]}
    assert set(bands) == {"start", "end", "branch 1", "branch 2"}
    places = {"start": second["clicks"][0], "end": second["clicks"][-1]} | {
        b["name"]: b["at"] for b in second["branch"]
    }
    assert all(inside(places[name], band["outline"]) for name, band in bands.items())
    marked = bare | {"clicks": second["clicks"]}
    after = client.post(f"{case}/second", json={"first": first, "second": marked}).json()["bands"]
    narrower = {band["name"]: band for band in after if band["is_mark"]}
    for name in ("branch 1", "branch 2"):
        assert inside(places[name], narrower[name]["outline"])
        assert width(narrower[name]["outline"]) < 0.5 * width(bands[name]["outline"])


def inside(place: list[float], outline: list[list[float]]) -> bool:
    return bool(points_in_poly([place], outline)[0])


def width(outline: list[list[float]]) -> float:
    corners = np.array(outline)
    across = np.linalg.norm(corners[: len(corners) // 2] - corners[::-1][: len(corners) // 2], axis=1)
    return float(across.min())


def test_a_measured_vessel_is_kept_and_can_be_planned_on(
    client: TestClient, bench: Any, case: str, tables: Any, phantom: Path
) -> None:
    name = case.split("/")[3]
    found = client.post(f"{case}/measure", json={"run": tables}).json()
    assert found["may_be_kept"] and len(found["views"]) == 2
    assert [one["doubt"] for one in found["doubts"]] == ["spine_side"]
    before = bench.library.file(name).read_text()
    kept = client.post(f"{case}/keep", json={"run": tables, "calcium": "severe"})
    assert kept.status_code == 201, kept.text
    loaded = bench.library.load(name)
    assert loaded.vessel.measurement == kept.json()["record"]
    true = np.loadtxt(phantom / "truth.csv", delimiter=",", skiprows=2)
    whole = np.linalg.norm(np.diff(true[:, :3], axis=0), axis=1).sum()
    # The clicks leave out 2 % at either end. Bounds as for the command line on one draw.
    assert loaded.path.length_mm == pytest.approx(0.96 * whole, rel=0.025)
    assert 2.0 * loaded.path.radius_mm.min() == pytest.approx(2.0 * true[:, 3].min(), abs=0.3)
    tightest = float(loaded.path.s_mm[np.argmin(loaded.path.radius_mm)])
    assert loaded.target_from_mm < tightest < loaded.target_to_mm
    assert {lesion.calcium.value for lesion in loaded.lesions} == {"severe"}
    assert load_path(bench.library.file(name).parent / "path.csv").path.length_mm != loaded.path.length_mm
    assert before != bench.library.file(name).read_text()
    views = client.get(f"{case}/working-views").json()["views"]
    losses = [one["lost_mm"] + one["covered_mm"] for one in views]
    assert len(views) == 5 and losses == sorted(losses)
    marks = client.get(case).json()["kept"]
    assert [one["clicks"] for one in marks] == [one["clicks"] for one in tables]


def test_what_cannot_be_believed_is_not_kept(client: TestClient, bench: Any, case: str, tables: Any) -> None:
    name = case.split("/")[3]
    folder = bench.library.file(name).parent
    wrong = [tables[0] | {"primary_deg": 30.0}, tables[1]]
    found = client.post(f"{case}/measure", json={"run": wrong}).json()
    stops = {one["doubt"] for one in found["doubts"] if one["stops"]}
    assert "signs" in stops and not found["may_be_kept"]
    before = {one.name: one.read_bytes() for one in folder.iterdir()}
    answer = client.post(f"{case}/keep", json={"run": wrong, "calcium": None})
    assert answer.status_code == 422 and "accept" in answer.json()["allowed"]
    one_view = client.post(f"{case}/keep", json={"run": tables[:1], "calcium": "mild"})
    assert one_view.status_code == 422 and "one view" in one_view.json()["message"]
    assert {one.name: one.read_bytes() for one in folder.iterdir()} == before
    accepted = client.post(f"{case}/measure", json={"run": wrong, "accept": sorted(stops)}).json()
    assert accepted["may_be_kept"]


@pytest.mark.parametrize(
    ("names", "message"), [(("a",), "both runs"), (("a", "a"), "marked twice")], ids=["in one view", "twice"]
)
def test_a_branch_marked_in_one_view_alone_or_twice_is_named(
    client: TestClient, case: str, tables: Any, names: tuple[str, ...], message: str
) -> None:
    marked = [{"name": name, "at": [30.0, 30.0]} for name in names]
    other = {"branch": marked} if message == "marked twice" else {"branch": []}
    answer = client.post(f"{case}/measure", json={"run": [tables[0] | {"branch": marked}, tables[1] | other]})
    assert answer.status_code == 422 and message in answer.json()["message"]
    assert answer.json()["field"] == "run.branch"


def test_a_vessel_that_does_not_fit_the_case_changes_nothing(
    bench: Any, client: TestClient, case: str, tables: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = case.split("/")[3]
    folder = bench.library.file(name).parent
    before = {one.name: one.read_bytes() for one in folder.iterdir()}
    document = bench.library.document(name)
    far = document.model_copy(
        update={"target": document.target.model_copy(update={"from_mm": 300.0, "to_mm": 333.0})}
    )
    monkeypatch.setattr(bench.library, "document", lambda _: far)
    answer = client.post(f"{case}/keep", json={"run": tables, "calcium": None})
    assert answer.status_code == 422 and answer.json()["field"] == "target.to_mm"
    assert {one.name: one.read_bytes() for one in folder.iterdir()} == before
