"""Shared fixtures of paths and stores, and one deterministic profile for property tests."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

from backstay.app.learning.knowing import packed
from backstay.app.learning.tried import options_at
from backstay.app.loading import LoadedCase, load_case
from backstay.app.solving import SolvedRig, solve_rigs
from backstay.core.inference.draws import DEFAULT_DRAWS, sample
from backstay.core.inference.quick import QuickRig

ROOT = Path(__file__).resolve().parents[1]

# The same examples on every run, none kept between runs, and no clock: a slow machine is not a failure.
settings.register_profile("house", derandomize=True, database=None, deadline=None)
settings.load_profile("house")


@pytest.fixture(scope="session")
def root() -> Path:
    """Return the root of the repository."""
    return ROOT


@pytest.fixture(scope="session")
def demo_dir(root: Path) -> Path:
    """Return the folder of the demo case."""
    return root / "examples" / "demo"


@pytest.fixture(scope="session")
def shared_dir(root: Path) -> Path:
    """Return the folder of shared reference data beside the repository; skips where there is none."""
    folder = root.parent / "shared"
    if not folder.is_dir():
        pytest.skip("no folder of shared reference data beside the repository")
    return folder


@dataclass(frozen=True)
class DemoRigs:
    """Rigs of the demo, solved and packed, with the case and the draws they were solved for."""

    case: LoadedCase
    solved: dict[str, SolvedRig]
    quick: dict[str, QuickRig]


@pytest.fixture(scope="session")
def demo_rigs(demo_dir: Path) -> DemoRigs:
    """Return four rigs of the demo: as it is, with a guide extension, with a buddy wire, with the guide seated deeper."""
    case = load_case(demo_dir / "case.toml")
    draws = sample(DEFAULT_DRAWS, count=1024, seed=1)
    wanted = ("as_it_is", "extension_28mm", "buddy_wire-workhorse", "seat_5mm")
    options = [one for one in options_at(case) if one.id in wanted]
    solved = {rig.alternative.id: rig for rig in solve_rigs(case, options, draws)}
    assert set(solved) == set(wanted)
    return DemoRigs(case, solved, {name: packed(rig, draws) for name, rig in solved.items()})


# A store on a real PostgreSQL server, started for the tests and gone after them.


def _postgres_programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))
    on_path = shutil.which("initdb")
    if not found and on_path is None:
        pytest.skip("no PostgreSQL server here; tools/system-packages installs it on Debian")
    return found[-1] if found else Path(str(on_path)).parent


def _as_its_user(folder: Path) -> dict[str, object]:
    """Return how to run the server: it refuses to be root, so then as the user the package made for it."""
    if os.getuid() != 0:
        return {}
    try:
        owner = pwd.getpwnam("postgres")
    except KeyError:
        pytest.skip("PostgreSQL refuses to run as root, and there is no user postgres")
    os.chown(folder, owner.pw_uid, owner.pw_gid)
    return {"user": owner.pw_uid, "group": owner.pw_gid, "extra_groups": []}


@pytest.fixture(scope="session")
def postgres() -> Iterator[dict[str, object]]:
    """Start a PostgreSQL server in a folder of its own on a free port; gives url, folder and how to run its programs."""
    programs = _postgres_programs()
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    how = _as_its_user(folder)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    data, log = folder / "data", folder / "log"

    def run(*words: str) -> None:
        done = subprocess.run(words, cwd=folder, capture_output=True, text=True, **how)  # type: ignore[call-overload]
        assert done.returncode == 0, done.stdout + done.stderr

    run(str(programs / "initdb"), "-D", str(data), "-A", "trust", "-U", "tester", "-E", "UTF8", "--no-locale")
    start = f"-k {folder} -p {port} -c listen_addresses=127.0.0.1"
    run(str(programs / "pg_ctl"), "-D", str(data), "-o", start, "-w", "-l", str(log), "start")
    try:
        url = f"postgresql://tester@127.0.0.1:{port}/postgres"
        yield {"url": url, "folder": folder, "how": how, "programs": programs, "data": data}
    finally:
        run(str(programs / "pg_ctl"), "-D", str(data), "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres: dict[str, object]) -> str:
    """Return the URL of an empty database on that server."""
    import sqlalchemy

    name = f"store_{uuid.uuid4().hex}"
    engine = sqlalchemy.create_engine(
        str(postgres["url"]).replace("postgresql:", "postgresql+psycopg:"), isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    engine.dispose()
    return str(postgres["url"]).removesuffix("postgres") + name


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return the URL of a new store, once on SQLite and once on PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.sqlite'}"
    return str(request.getfixturevalue("postgres_url"))


# A finished case, and the lesson made of it: solving takes seconds, so once for all tests.


@pytest.fixture(scope="session")
def finished_case(root: Path, demo_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the case file of an invented case with its record beside it."""
    import runpy

    make = runpy.run_path(str(root / "tests" / "teaching_case.py"))["record_in"]
    return Path(make(demo_dir, tmp_path_factory.mktemp("finished")))


@pytest.fixture(scope="session")
def lesson(finished_case: Path, tmp_path_factory: pytest.TempPathFactory) -> object:
    """Return the teaching document of that case, with few answers to a question so that it is solved soon."""
    from backstay.adapters.events_file import events_path, read_events
    from backstay.app.loading import load_case
    from backstay.app.teaching import teach_case

    case = load_case(finished_case)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        document, _ = teach_case(
            case,
            read_events(events_path(finished_case)),
            most=1,
            draws=256,
        )
    return document


# The recorded example, in a folder and a store of its own.


@pytest.fixture
def recorded_case(root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of the recorded example's case file; the default store is a new one."""
    shutil.copytree(root / "examples" / "recorded", tmp_path / "recorded")
    monkeypatch.setenv("BACKSTAY_STORE", f"sqlite:///{tmp_path / 'records.sqlite'}")
    return tmp_path / "recorded" / "case.toml"
