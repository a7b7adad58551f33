"""The audit trail of a workbench: who asked for which change, when, and whether it was made. Only added to."""

from __future__ import annotations

import json
import os
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

AUDIT_FILE = ".audit.jsonl"


class Audit:
    """An audit trail in a file, one change to a line.

    Parameters
    ----------
    file : Path
        Where it is kept.
    """

    def __init__(self, file: Path) -> None:
        self._file, self._lock = file, threading.Lock()

    def note(self, *, name: str, role: str, method: str, path: str, status: int, about: str) -> None:
        """Write down one change, made or refused; no content of it, and no password."""
        row = {
            "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "name": name,
            "role": role,
            "method": method,
            "path": path[:300],
            "status": status,
            **({"about": about} if about else {}),
        }
        line = (json.dumps(row, ensure_ascii=False) + "\n").encode()
        with self._lock:
            handle = os.open(self._file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            try:
                os.write(handle, line)
            finally:
                os.close(handle)

    def rows(self) -> list[dict[str, Any]]:
        """Return the whole trail."""
        if not self._file.exists():
            return []
        return [json.loads(line) for line in self._file.read_text(encoding="utf-8").splitlines()]
