"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from backstay.adapters.atomic import write_atomic


def test_new_and_replaced(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    write_atomic(file, "größer")
    assert file.read_text(encoding="utf-8") == "größer"
    write_atomic(file, b"\x00")
    assert file.read_bytes() == b"\x00"
    assert list(tmp_path.iterdir()) == [file]


def test_permissions_stay(tmp_path: Path) -> None:
    file, plain = tmp_path / "a.txt", tmp_path / "b.txt"
    file.write_text("old")
    file.chmod(0o640)
    write_atomic(file, "new")
    assert file.stat().st_mode & 0o777 == 0o640
    write_atomic(tmp_path / "c.txt", "")
    plain.write_text("")
    assert (tmp_path / "c.txt").stat().st_mode == plain.stat().st_mode


def test_a_failure_leaves_the_old_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.txt"
    file.write_text("old")

    def full_disk(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OSError, match="No space"):
        write_atomic(file, "new")
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_a_link_keeps_pointing(tmp_path: Path) -> None:
    file, link = tmp_path / "a.txt", tmp_path / "link"
    file.write_text("old")
    link.symlink_to(file)
    write_atomic(link, "new")
    assert link.is_symlink() and file.read_text() == "new"


def test_what_is_no_regular_file_is_not_replaced(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_atomic(pipe, "through")
    assert os.read(reader, 100) == b"through"
    os.close(reader)
    assert pipe.is_fifo()


def test_a_missing_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomic(tmp_path / "none" / "a.txt", "new")
