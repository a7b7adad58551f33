"""The gate: wrong host, origin, cookie, token and role are refused on every route there is."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import APIRouter, FastAPI
from fastapi.testclient import TestClient
from starlette.routing import BaseRoute

from backstay.app.library import Library
from backstay.errors import EXIT_CODES, HTTP_STATUS, http_status
from backstay.identifiers import UserRole
from backstay.web.application import application, inside
from backstay.web.desks import Desks
from backstay.web.gate import POLICY, GuardedRoute, needs
from backstay.web.hub import Hub
from backstay.web.parts import Workbench
from backstay.web.visits import MOST_TOKENS, TOKEN_S, VISIT_S, Visits

HOST = "127.0.0.1:8750"
ORIGIN = f"http://{HOST}"
COOKIE = "backstay-8750"
SHAPE = {"error", "message", "field", "value", "allowed", "where"}


def made(folder: Path) -> Workbench:
    library, hub = Library(folder), Hub()
    return Workbench(library, Desks(library, hub), hub, Visits(), COOKIE)


@pytest.fixture
def bench(tmp_path: Path) -> Workbench:
    return made(tmp_path)


@pytest.fixture
def client(bench: Workbench) -> Iterator[TestClient]:
    # Not entered as a context: nothing here needs the solver's thread.
    yield TestClient(
        application(bench, hosts=frozenset({HOST})),  # type: ignore[arg-type]
        base_url=ORIGIN,
        headers={"origin": ORIGIN},
        follow_redirects=False,
    )


def let_in(client: TestClient, bench: Workbench, role: UserRole) -> None:
    secret, _ = bench.visits.begin("tester", role)
    client.cookies.set(COOKIE, secret)


def flat(found: list[BaseRoute]) -> list[BaseRoute]:
    """Return the routes of an application with those of the routers it includes."""
    whole: list[BaseRoute] = []
    for route in found:
        included = getattr(route, "original_router", None)
        whole += [route] if included is None else flat(included.routes)
    return whole


def all_routes(folder: Path) -> list[GuardedRoute]:
    found = flat(inside(made(folder)).routes)
    assert not [route for route in found if not isinstance(route, GuardedRoute)], (
        "a route that nothing guards"
    )
    return [route for route in found if isinstance(route, GuardedRoute)]


def path_of(route: GuardedRoute) -> str:
    filled = {
        "case": "demo",
        "rig": "as_it_is",
        "step": "1",
        "section": "plan",
        "name": "main.js",
        "file": "plan.pdf",
        "run": "a.dcm",
        "frame": "1",
    }
    return re.sub(r"\{(\w+)\}", lambda found: filled.get(found.group(1), "x"), route.path)


def each(folder: Path) -> list[tuple[str, str, UserRole | None]]:
    found = []
    for route in all_routes(folder):
        needed = (route.openapi_extra or {})["x-needs"]
        for method in route.methods:
            found.append((method, path_of(route), None if needed is None else UserRole(needed)))
    return found


def test_there_are_routes_to_walk(tmp_path: Path) -> None:
    assert len(each(tmp_path)) >= 25


def test_another_host_is_refused_on_every_route(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.OPERATOR)
    for method, path, _ in each(bench.library.folder):
        for host in ("evil.example", "127.0.0.1:9999", "evil.example:8750", ""):
            answer = client.request(method, path, headers={"host": host})
            assert answer.status_code == 421, (method, path, host)


def test_another_origin_is_refused_on_every_route(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.OPERATOR)
    for method, path, _ in each(bench.library.folder):
        for origin in ("http://evil.example", "null", "http://127.0.0.1:9999", f"https://{HOST}"):
            answer = client.request(method, path, headers={"origin": origin})
            assert (answer.status_code, answer.json()["field"]) == (403, "Origin"), (method, path, origin)
        answer = client.request(method, path, headers={"sec-fetch-site": "cross-site"})
        assert (answer.status_code, answer.json()["field"]) == (403, "Sec-Fetch-Site"), (method, path)


def test_a_change_without_an_origin_is_refused(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.OPERATOR)
    del client.headers["origin"]
    for method, path, _ in each(bench.library.folder):
        refused = client.request(method, path, json={}).status_code == 403
        assert refused == (method not in ("GET", "HEAD")), (method, path)


@pytest.mark.parametrize("secret", ["", "made-up", "../../etc", '"; x="'])
def test_no_route_answers_without_a_visit(client: TestClient, bench: Workbench, secret: str) -> None:
    client.cookies.set(COOKIE, secret)
    for method, path, needed in each(bench.library.folder):
        answer = client.request(method, path, json={} if method in ("POST", "PUT") else None)
        if needed is None:
            assert answer.status_code != 303, path
        elif path.startswith("/api/"):
            assert answer.status_code == 401 and set(answer.json()) == SHAPE, (method, path)
        else:
            assert (answer.status_code, answer.headers["location"]) == (303, "/enter"), path


@pytest.mark.parametrize("role", list(UserRole))
def test_a_lesser_role_is_refused_on_every_route(
    client: TestClient, bench: Workbench, role: UserRole
) -> None:
    let_in(client, bench, role)
    ranks = list(UserRole)
    for method, path, needed in each(bench.library.folder):
        if needed is None or path.endswith(("/stream", "/leave")):
            continue  # a stream does not end, and leaving ends the visit
        answer = client.request(method, path, json={} if method in ("POST", "PUT") else None)
        is_refused = answer.status_code == 403 and answer.json()["field"] == "role"
        assert is_refused == (ranks.index(role) < ranks.index(needed)), (method, path, answer.text)


def test_a_role_is_checked_before_the_body_is_read(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.READER)
    for method, path, needed in each(bench.library.folder):
        if needed in (UserRole.RECORDER, UserRole.OPERATOR):
            answer = client.request(method, path, content=b"{not json")
            assert answer.status_code == 403, (method, path)


def test_a_route_that_does_not_say_whom_it_serves_cannot_be_made() -> None:
    router = APIRouter(route_class=GuardedRoute)
    with pytest.raises(TypeError, match="who may use it"):
        router.get("/open")(lambda: None)
    router.get("/closed", **needs(UserRole.READER))(lambda: None)
    assert len(router.routes) == 1


def test_an_unguarded_route_would_be_seen(tmp_path: Path) -> None:
    app = FastAPI()
    app.get("/open")(lambda: None)
    assert [route for route in flat(app.routes) if not isinstance(route, GuardedRoute)]


def test_a_token_lets_in_once(client: TestClient, bench: Workbench) -> None:
    token = bench.visits.token("tester", UserRole.OPERATOR)
    assert client.get("/api/enter").json() == {"by_name": False}
    first = client.post("/api/enter", json={"token": token})
    assert first.status_code == 200
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and "path=/" in cookie
    assert token not in cookie
    assert client.get("/api/me").json()["role"] == "operator"
    client.cookies.clear()
    again = client.post("/api/enter", json={"token": token})
    assert again.status_code == 401 and set(again.json()) == SHAPE
    assert "set-cookie" not in again.headers


def test_tokens_and_visits_end_by_themselves(tmp_path: Path) -> None:
    now = [1000.0]
    visits = Visits(tmp_path / "visits.json", clock=lambda: now[0])
    late, secret = visits.token("a", UserRole.READER), visits.begin("b", UserRole.READER)[0]
    assert visits.of(secret) is not None
    now[0] += TOKEN_S + 1.0
    assert visits.enter(late) is None
    assert visits.of(secret) is not None
    now[0] += VISIT_S
    assert visits.of(secret) is None


def test_a_visit_outlives_a_restart_and_its_secret_is_not_kept(tmp_path: Path) -> None:
    file = tmp_path / "visits.json"
    secret, visit = Visits(file).begin("b", UserRole.RECORDER)
    assert Visits(file).of(secret) == visit
    assert secret not in file.read_text()
    assert file.stat().st_mode & 0o077 == 0
    file.write_text("[1, 2]")
    assert Visits(file).of(secret) is None


def test_leaving_ends_the_visit(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.READER)
    secret = client.cookies[COOKIE]
    assert client.post("/api/leave").status_code == 204
    assert bench.visits.of(secret) is None


def test_every_answer_is_fenced_in(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.READER)
    for path in ("/", "/enter", "/static/main.js", "/api/me", "/api/cases/none", "/nowhere"):
        headers = client.get(path).headers
        assert headers["content-security-policy"] == POLICY, path
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "server" not in headers
    assert "unsafe" not in POLICY and "*" not in POLICY and "http" not in POLICY


def test_every_error_has_the_one_shape(client: TestClient, bench: Workbench) -> None:
    let_in(client, bench, UserRole.OPERATOR)
    wrong = [
        ("GET", "/api/cases/none", None, 404),
        ("GET", "/api/nowhere", None, 404),
        ("DELETE", "/api/cases", None, 405),
        ("GET", "/api/cases/..%2F..", None, 404),
        ("GET", "/api/cases/UPPER", None, 422),
        ("POST", "/api/cases/sketch", {"text": "nonsense", "vessel": "x"}, 422),
        ("POST", "/api/cases/sketch", {"text": "25 mm 3.0"}, 422),
        ("POST", "/api/cases/import", {"files": [{"name": "../x", "text": "a"}]}, 422),
        ("POST", "/api/cases/import", {"files": [{"name": "case.toml", "text": "a = 1"}]}, 422),
    ]
    for method, path, body, status in wrong:
        answer = client.request(method, path, json=body)
        assert (answer.status_code, set(answer.json())) == (status, SHAPE), (path, answer.text)
        assert str(bench.library.folder) not in answer.text


def test_every_error_class_has_a_status() -> None:
    for kind in EXIT_CODES:
        assert any(issubclass(kind, known) for known in HTTP_STATUS), kind
    assert http_status(KeyError("x")) == 500


def test_a_page_without_anything_of_anyone_is_all_the_door_shows(client: TestClient) -> None:
    door = client.get("/enter")
    assert door.status_code == 200
    assert '<script type="module" src="/static/main.js"></script>' in door.text
    assert not re.search(r"<script(?![^>]*src=)|<style|style=|onclick", door.text)
    assert json.loads(client.get("/api/me").text)["error"] == "Refused"


def test_a_link_is_said_anew_in_the_terminal_alone(client: TestClient, bench: Workbench) -> None:
    said: list[str] = []
    bench.say_link = lambda: said.append(bench.visits.token("this machine", UserRole.OPERATOR))
    for _ in range(MOST_TOKENS):
        answer = client.post("/api/enter/link")
        assert (answer.status_code, answer.content) == (204, b"")
    assert client.post("/api/enter/link").status_code == 429 and len(said) == MOST_TOKENS
    assert client.post("/api/enter", json={"token": said[0]}).status_code == 200
    assert client.post("/api/enter/link").status_code == 204  # one is used up
    elsewhere = client.post("/api/enter/link", headers={"origin": "http://evil.example"})
    assert elsewhere.status_code == 403
