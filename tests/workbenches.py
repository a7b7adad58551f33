"""Workbenches for the tests: the demo on a shelf of three devices, so that few rigs are solved, and a server of one's own."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path

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
