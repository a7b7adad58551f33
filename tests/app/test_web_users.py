"""A workbench opened beyond one machine: TLS, named users, an audit trail; and what it refuses without them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from typer.testing import CliRunner

from backstay.cli import app
from backstay.errors import InputError, NotFound
from backstay.identifiers import UserRole
from backstay.web.application import application
from backstay.web.audit import AUDIT_FILE, Audit
from backstay.web.serving import Opening, local_workbench, open_workbench
from backstay.web.users import FREE_TRIES, PAUSE_S, USERS_FILE, TooManyTries, Users

PASSWORD = "a long enough one"


@pytest.fixture
def users(tmp_path: Path) -> Users:
    return Users(tmp_path / USERS_FILE)


def opening(folder: Path) -> Opening:
    for name in ("certificate.pem", "key.pem"):
        (folder / name).write_text("of no importance here: the server reads it, not the routes")
    return Opening("10.0.0.5", ("backstay.lab",), folder / "certificate.pem", folder / "key.pem")


def test_a_password_is_kept_as_a_hash_alone(users: Users, tmp_path: Path) -> None:
    users.add("first operator", UserRole.OPERATOR, PASSWORD)
    file = tmp_path / USERS_FILE
    assert PASSWORD not in file.read_text() and "$argon2id$" in file.read_text()
    assert file.stat().st_mode & 0o077 == 0
    assert users.known("first operator", PASSWORD) is UserRole.OPERATOR
    assert users.known("first operator", PASSWORD + "x") is None
    assert users.known("nobody", PASSWORD) is None


def test_a_name_tried_too_often_waits(tmp_path: Path) -> None:
    now = [0.0]
    users = Users(tmp_path / USERS_FILE, clock=lambda: now[0])
    users.add("a", UserRole.READER, PASSWORD)
    for _ in range(FREE_TRIES):
        assert users.known("a", "wrong") is None
    with pytest.raises(TooManyTries):
        users.known("a", PASSWORD)
    now[0] += PAUSE_S + 1.0
    assert users.known("a", PASSWORD) is UserRole.READER


@pytest.mark.parametrize(
    ("name", "password", "field"),
    [("", PASSWORD, "name"), ("../x", PASSWORD, "name"), ("a", "short", "password")],
)
def test_what_is_no_user_is_refused(users: Users, name: str, password: str, field: str) -> None:
    with pytest.raises(InputError) as caught:
        users.add(name, UserRole.READER, password)
    assert caught.value.field == field and users.all() == {}


def test_it_does_not_open_without_tls_or_users(tmp_path: Path) -> None:
    bench = local_workbench(tmp_path, port=8750)
    how = opening(tmp_path)
    with pytest.raises(InputError, match="there are no users"):
        open_workbench(bench, how, port=8750)
    Users(tmp_path / USERS_FILE).add("a", UserRole.READER, PASSWORD)
    how.key.unlink()
    with pytest.raises(InputError) as caught:
        open_workbench(bench, how, port=8750)
    assert caught.value.field == "--key"
    refused = CliRunner().invoke(app, ["serve", str(tmp_path), "--open", "10.0.0.5"])
    assert refused.exit_code == 5 and "not without TLS" in refused.output
    refused = CliRunner().invoke(app, ["serve", str(tmp_path), "--name", "x"])
    assert refused.exit_code == 5


@pytest.fixture
def opened(tmp_path: Path, users: Users) -> tuple[Any, TestClient]:
    users.add("op", UserRole.OPERATOR, PASSWORD)
    users.add("rec", UserRole.RECORDER, PASSWORD)
    bench = local_workbench(tmp_path, port=8750)
    hosts = open_workbench(bench, opening(tmp_path), port=8750)
    gate = application(bench, hosts=hosts)
    origin = "https://backstay.lab:8750"
    return bench, TestClient(gate, base_url=origin, headers={"origin": origin})


def test_users_come_in_by_name_and_each_change_has_its_author(opened: Any, tmp_path: Path) -> None:
    _, client = opened
    assert client.get("/api/enter").json() == {"by_name": True}
    wrong = client.post("/api/enter", json={"name": "op", "password": "wrong"})
    assert wrong.status_code == 401 and "name and password" in wrong.json()["allowed"]
    entered = client.post("/api/enter", json={"name": "op", "password": PASSWORD})
    cookie = entered.headers["set-cookie"].lower()
    assert cookie.startswith("__host-backstay=") and "secure" in cookie and "httponly" in cookie
    assert entered.json()["role"] == "operator" and entered.json()["with_users"]
    assert "max-age" in entered.headers["strict-transport-security"]
    case = client.post("/api/cases/demo").json()["id"]
    said = client.post(f"/api/cases/{case}/record/lines", json={"key": "audited-1", "line": "act 287"})
    assert said.json()["written"]
    client.cookies.clear()
    client.post("/api/enter", json={"name": "rec", "password": PASSWORD})
    assert client.post("/api/cases/demo").status_code == 403
    trail = Audit(tmp_path / AUDIT_FILE).rows()
    told = [(row["name"], row["role"], row["path"].split("/")[-1], row["status"]) for row in trail]
    assert told == [
        ("", "", "enter", 401),
        ("", "", "enter", 200),
        ("op", "operator", "demo", 201),
        ("op", "operator", "lines", 200),
        ("", "", "enter", 200),
        ("rec", "recorder", "demo", 403),
    ]
    assert [row["about"] for row in trail if "about" in row] == ["op", "op", "audited-1", "rec"]
    assert PASSWORD not in (tmp_path / AUDIT_FILE).read_text()
    assert (tmp_path / AUDIT_FILE).stat().st_mode & 0o077 == 0


def test_a_plain_origin_and_this_machines_name_are_refused_when_open(opened: Any) -> None:
    _, client = opened
    for host in ("127.0.0.1:8750", "localhost:8750", "backstay.lab"):
        assert client.get("/enter", headers={"host": host}).status_code == 421
    assert client.get("/enter", headers={"origin": "http://backstay.lab:8750"}).status_code == 403


def test_who_is_no_user_any_more_is_out(tmp_path: Path, users: Users) -> None:
    users.add("a", UserRole.OPERATOR, PASSWORD)
    users.add("b", UserRole.OPERATOR, PASSWORD)
    bench = local_workbench(tmp_path, port=8750)
    open_workbench(bench, opening(tmp_path), port=8750)
    secrets = [bench.let_in(name, PASSWORD)[0] for name in ("a", "b")]  # type: ignore[index]  # both are let in
    assert [bench.visits.of(secret) is not None for secret in secrets] == [True, True]
    users.remove("a")
    users.add("b", UserRole.READER, PASSWORD)
    assert [bench.visits.of(secret) for secret in secrets] == [None, None], "at once, not at the next start"
    again = local_workbench(tmp_path, port=8750)
    open_workbench(again, opening(tmp_path), port=8750)
    assert [again.visits.of(secret) for secret in secrets] == [None, None]
    with pytest.raises(NotFound):
        users.remove("a")
    secret = again.let_in("b", PASSWORD)[0]  # type: ignore[index]  # let in
    (tmp_path / USERS_FILE).write_text("not a file of users")
    assert again.visits.of(secret) is None


def test_users_by_the_command_line(tmp_path: Path) -> None:
    words = ["users", str(tmp_path), "--add", "op", "--role", "operator"]
    made = CliRunner().invoke(app, words, input=f"{PASSWORD}\n{PASSWORD}\n")
    assert made.exit_code == 0 and "op" in made.stdout and PASSWORD not in made.output
    assert json.loads((tmp_path / USERS_FILE).read_text())["op"]["role"] == "operator"
    gone = CliRunner().invoke(app, ["users", str(tmp_path), "--remove", "op"])
    assert gone.exit_code == 0 and Users(tmp_path / USERS_FILE).all() == {}


def test_nobody_signs_as_somebody_else(opened: Any) -> None:
    _, client = opened
    client.post("/api/enter", json={"name": "op", "password": PASSWORD})
    case = client.post("/api/cases/demo").json()["id"]
    for k, line in enumerate(
        ("guide 6 standard right", "wire in workhorse", "timi 3 residual 8", "end counted")
    ):
        body = {"key": f"signed-{k}", "line": line}
        assert client.post(f"/api/cases/{case}/record/lines", json=body).json()["written"]
    digest = client.get(f"/api/cases/{case}/report").json()["digest"]
    refused = client.post(f"/api/cases/{case}/report/sign", json={"by": "another", "digest": digest})
    assert (refused.status_code, refused.json()["field"], refused.json()["allowed"]) == (422, "by", "op")
    signed = client.post(f"/api/cases/{case}/report/sign", json={"by": "op", "digest": digest})
    assert signed.status_code == 200 and signed.json()["signed"]
    refused = client.post(f"/api/cases/{case}/report/addenda", json={"by": "another", "text": "more"})
    assert refused.json()["field"] == "by"


def test_where_there_are_users_no_link_is_said(opened: Any) -> None:
    _, client = opened
    refused = client.post("/api/enter/link")
    assert (refused.status_code, refused.json()["allowed"]) == (403, "enter by name and password")
