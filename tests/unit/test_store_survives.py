"""What the store acknowledged is there after a killed writer, a killed server and a full disk."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from backstay.adapters.store import Store

ROUNDS = 200


def writer(root: Path, *words: str) -> dict[str, Any]:
    command = [sys.executable, str(root / "tests" / "store_writer.py"), *words]
    done = subprocess.run(
        command, env={**os.environ, "PYTHONPATH": str(root / "src")}, capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, ""), done.stderr[-3000:]
    return dict(json.loads(done.stdout))


def check(url: str, acknowledged: list[str]) -> list[str]:
    """Return what the store holds, its chain and every event read; refuse if anything acknowledged is missing."""
    store = Store(url)
    names = [event.id for event in store.events("r1")]
    store.close()
    assert set(acknowledged) <= set(names)
    assert len(names) == len(set(names))
    return names


def test_a_writer_killed_at_200_moments_loses_nothing(store_url: str, root: Path) -> None:
    acknowledged = writer(root, "kill", store_url, str(ROUNDS), "11")["acknowledged"]
    assert len(acknowledged) > ROUNDS
    names = check(store_url, acknowledged)
    # At most the one event that was being written when the writer died may be there without having been said.
    unsaid = set(names) - set(acknowledged) - {"open"}
    assert len(unsaid) <= ROUNDS
    assert len({name.split("-")[0] for name in unsaid}) == len(unsaid)


def test_the_check_sees_a_lost_event(store_url: str, root: Path) -> None:
    acknowledged = writer(root, "kill", store_url, "2", "5")["acknowledged"]
    with pytest.raises(AssertionError):
        check(store_url, [*acknowledged, "k0-9999"])


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """Mount a disk of its own, soon full, in an empty folder."""
    folder.mkdir()
    size = "size=12M,mode=777"
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)], capture_output=True)
    if done.returncode != 0:
        pytest.skip("a small disk of its own needs the right to mount one")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_loses_nothing(tmp_path: Path, root: Path) -> None:
    with small_disk(tmp_path / "small") as disk:
        filler = disk / "filler"
        filler.write_bytes(b"0" * 11_000_000)
        url = f"sqlite:///{disk / 'records.sqlite'}"
        result = writer(root, "fill", url, "0")
        assert "full" in result["said"], result["said"]
        assert len(result["acknowledged"]) > 10
        filler.unlink()
        assert check(url, result["acknowledged"]) == ["open", *result["acknowledged"]]


def test_a_file_that_may_not_grow_loses_nothing(tmp_path: Path, root: Path) -> None:
    url = f"sqlite:///{tmp_path / 'records.sqlite'}"
    result = writer(root, "fill", url, "600000")
    assert result["said"] and len(result["acknowledged"]) > 10
    assert check(url, result["acknowledged"]) == ["open", *result["acknowledged"]]


def sql(postgres: dict[str, Any], statement: str) -> None:
    import sqlalchemy

    url = postgres["url"].replace("postgresql:", "postgresql+psycopg:")
    engine = sqlalchemy.create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(statement)
    engine.dispose()


def test_a_full_disk_of_the_server_loses_nothing(postgres: dict[str, Any], root: Path) -> None:
    with small_disk(postgres["folder"] / "small") as disk:
        space = disk / "space"
        space.mkdir(mode=0o700)
        if postgres["how"]:
            os.chown(space, postgres["how"]["user"], postgres["how"]["group"])
        sql(postgres, f"CREATE TABLESPACE small LOCATION '{space}'")
        sql(postgres, "CREATE DATABASE on_small TABLESPACE small")
        url = postgres["url"].removesuffix("postgres") + "on_small"
        try:
            result = writer(root, "fill", url, "0")
            assert "No space left" in result["said"], result["said"]
            assert len(result["acknowledged"]) > 100
            # A new connection may write on the disk it is served from.
            subprocess.run(["mount", "-o", "remount,size=24M", str(disk)], check=True)
            assert check(url, result["acknowledged"]) == ["open", *result["acknowledged"]]
        finally:
            sql(postgres, "DROP DATABASE on_small WITH (FORCE)")
            sql(postgres, "DROP TABLESPACE small")


def test_a_server_that_dies_loses_nothing(postgres: dict[str, Any], postgres_url: str, root: Path) -> None:
    """The server is stopped as by a power failure while a writer writes, then started again."""

    def has_begun() -> bool:
        store = Store(postgres_url)
        found = store.records()
        store.close()
        return bool(found) and found[0].length > 20

    def restart() -> None:
        while not has_begun():
            time.sleep(0.05)
        control = [str(postgres["programs"] / "pg_ctl"), "-D", str(postgres["data"]), "-w"]
        how = {"cwd": postgres["folder"], "stdout": subprocess.DEVNULL, **postgres["how"]}
        subprocess.run([*control, "-m", "immediate", "restart", "-l", str(postgres["folder"] / "log")], **how)

    thread = threading.Thread(target=restart)
    thread.start()
    result = writer(root, "fill", postgres_url, "0")
    thread.join()
    assert result["said"], "the writer did not notice that the server went"
    names = check(postgres_url, result["acknowledged"])
    assert len(names) - 1 - len(result["acknowledged"]) in (0, 1)
