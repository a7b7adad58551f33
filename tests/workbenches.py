"""Workbenches for the tests: the demo on a shelf of three devices, so that few rigs are solved; an application or a server."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from backstay.identifiers import UserRole
from backstay.web.application import application
from backstay.web.serving import local_workbench

HOST = "127.0.0.1:8750"
DRAWS = 128
KEPT = ("guide-6-sr", "wire-workhorse", "stent-275-33")


def small_case(demo: Path, folder: Path, kept: tuple[str, ...] = KEPT) -> Path:
    """Make the demo case with few devices on its shelf, a guide, a wire and a stent unless told; returns the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    head, *devices = re.split(r"(?m)^(?=\[\[[a-z]+\]\]$)", (demo / "shelf.toml").read_text(encoding="utf-8"))
    few = [one for one in devices if any(f'id = "{name}"' in one for name in kept)]
    (folder / "shelf.toml").write_text(head + "".join(few), encoding="utf-8")
    for name in ("case.toml", "path.csv"):
        (folder / name).write_bytes((demo / name).read_bytes())
    return folder


def bench(folder: Path) -> Any:
    """Return a workbench over a folder, its records in a store there."""
    return local_workbench(folder, port=8750, store_url=f"sqlite:///{folder / 'records.sqlite'}", draws=DRAWS)


@contextmanager
def client(bench: Any) -> Iterator[TestClient]:
    """Give the application of a workbench, running, to an operator."""
    secret, _ = bench.visits.begin("tester", UserRole.OPERATOR)
    gate = application(bench, hosts=frozenset({HOST}))
    with TestClient(gate, base_url=f"http://{HOST}", headers={"origin": f"http://{HOST}"}) as made:
        made.cookies.set(bench.cookie, secret)
        yield made


def files(folder: Path) -> list[dict[str, str]]:
    """Return a folder's files as an import sends them."""
    return [{"name": one.name, "text": one.read_text(encoding="utf-8")} for one in sorted(folder.iterdir())]


def brought_in(client: TestClient, folder: Path) -> str:
    """Import a case; returns its name."""
    made = client.post("/api/cases/import", json={"files": files(folder)})
    assert made.status_code == 201, made.text
    return str(made.json()["id"])


def say(client: TestClient, case: str, line: str, key: str, **more: Any) -> dict[str, Any]:
    """Say a line for the record; returns what became of it."""
    answer = client.post(f"/api/cases/{case}/record/lines", json={"key": key, "line": line, **more})
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def until(found: Callable[[], bool], seconds: float = 240.0) -> None:
    """Wait until something is so."""
    ends = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < ends, "it never came"
        time.sleep(0.05)


def imported(context: Any, server: Any, beside: Path, kept: tuple[str, ...] = KEPT) -> str:
    """Import a case whose shelf is small through the page; returns its name."""
    folder = small_case(Path(__file__).resolve().parents[1] / "examples" / "demo", beside / "case", kept)
    page = context.new_page()
    page.goto(server.address)
    page.get_by_label("Files of a case").set_input_files(sorted(folder.iterdir()))
    page.get_by_role("button", name="Import").click()
    page.wait_for_url("**/plan")
    name = re.search(r"/case/([a-z0-9-]+)/", page.url)
    page.close()
    assert name is not None
    return name.group(1)


def opened(context: Any, server: Any, path: str) -> Any:
    """Return a page of a server's, open."""
    page = context.new_page()
    page.goto(server.address + path)
    page.locator("main").wait_for()
    return page


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


class Server:
    """`backstay serve` as a process of its own, as a user starts it."""

    def __init__(self, library: Path, port: int | None = None, draws: int = 128) -> None:
        self.library, self.port, self.draws = library, port or free_port(), draws
        library.mkdir(parents=True, exist_ok=True)
        self.link = ""
        self.start()

    def start(self) -> None:
        store = f"sqlite:///{self.library / 'records.sqlite'}"
        words = [
            "-m",
            "backstay",
            "serve",
            str(self.library),
            "--port",
            str(self.port),
            "--store",
            store,
            "--draws",
            str(self.draws),
        ]
        env = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            [sys.executable, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=env
        )
        said = []
        assert self.process.stdout is not None
        for line in self.process.stdout:
            said.append(line)
            found = re.search(r"http://\S+", line)
            if found:
                self.link = found.group(0)
                return
        raise AssertionError("the server did not start:\n" + "".join(said))

    def next_link(self) -> str:
        """Return the next link that the terminal says, once a page has asked for it."""
        assert self.process.stdout is not None
        found = None
        while found is None:
            found = re.search(r"http://\S+", self.process.stdout.readline())
        return found.group(0)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        self.process.send_signal(how)
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
