"""Writes events to a store and is killed, again and again: `store_writer.py kill URL ROUNDS SEED`.

Each round forks a writer that reports every event the store acknowledged, and kills it (SIGKILL) a random time after a
random number of them: on a slow machine a time alone would always end it before its first. `store_writer.py fill URL`
writes until the store refuses. Both print what was acknowledged, as JSON.
"""

from __future__ import annotations

import json
import os
import random
import resource
import secrets
import select
import signal
import sys
import time
from datetime import UTC, datetime

from backstay.adapters.event_models import NoteEvent, OpenedEvent
from backstay.adapters.store import Store
from backstay.errors import StoreError

START = datetime(2031, 4, 5, 9, 30, tzinfo=UTC)
LONGEST_S = 0.08
MOST_BEFORE = 6


def note(name: str, size: int = 40) -> NoteEvent:
    data = {"schema": 1, "id": name, "at": START.isoformat(), "author_role": "recorder", "kind": "note"}
    # Nothing that a database could store smaller than it is.
    return NoteEvent.model_validate({**data, "text": secrets.token_urlsafe(size)[:size]})


def begin(url: str) -> None:
    store = Store(url)
    data = {"schema": 1, "id": "open", "at": START.isoformat(), "author_role": "recorder", "kind": "opened"}
    store.begin(OpenedEvent.model_validate({**data, "record": "r1", "title": "t", "vessel": "v"}))
    store.close()


def write_until_killed(url: str, number: int, pipe: int) -> None:
    store = Store(url)
    for k in range(10_000):
        name = f"k{number}-{k}"
        store.append("r1", note(name))
        os.write(pipe, f"{name}\n".encode())


def kill_one(url: str, number: int, after: int, wait_s: float) -> list[str]:
    """Fork a writer, kill it a while after so many events, and return what it was told is safe."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        try:
            write_until_killed(url, number, writing)
        finally:
            os._exit(1)
    os.close(writing)
    said = b""
    while said.count(b"\n") < after and (piece := os.read(reading, 65536)):
        said += piece
    time.sleep(wait_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    while select.select([reading], [], [], 1.0)[0] and (piece := os.read(reading, 65536)):
        said += piece
    os.close(reading)
    if not os.WIFSIGNALED(status):
        raise SystemExit(f"the writer of round {number} ended by itself")
    # A name cut short was not acknowledged to anyone.
    return said.decode().split("\n")[:-1]


def kill_rounds(url: str, rounds: int, seed: int) -> list[str]:
    rng = random.Random(seed)
    begin(url)
    found = []
    for number in range(rounds):
        after = rng.randrange(MOST_BEFORE + 1)
        # With none to wait for, the writer is ended while it opens the store.
        found += kill_one(url, number, after, rng.uniform(0.001, LONGEST_S) / (1 if after == 0 else 4))
    return found


def fill(url: str, most_bytes: int) -> tuple[list[str], str]:
    begin(url)
    if most_bytes:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
    store, found = Store(url), []
    try:
        for k in range(20_000):
            store.append("r1", note(f"f{k}", 3000))
            found.append(f"f{k}")
    except StoreError as error:
        return found, str(error)
    finally:
        store.close()
    return found, ""


if __name__ == "__main__":
    what, address = sys.argv[1:3]
    if what == "kill":
        acknowledged, said = kill_rounds(address, int(sys.argv[3]), int(sys.argv[4])), ""
    else:
        acknowledged, said = fill(address, int(sys.argv[3]))
    sys.stdout.write(json.dumps({"acknowledged": acknowledged, "said": said}))
