"""Plans kept between runs: a step of a teaching case or an audit row takes seconds to solve and never changes.

A plan is kept under a digest of everything it follows from: what was asked, and the program's own source.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable
from functools import cache
from importlib import resources
from pathlib import Path

from backstay.adapters.atomic import write_atomic
from backstay.adapters.plan_file import PlanDocument
from backstay.errors import FileFormatError

_NOT_THE_MODEL = ("cli", "report", "web", "__pycache__")


def cache_folder() -> Path:
    """Return where plans are kept; made so that only this user may look into it."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = base / "backstay" / "plans"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


@cache
def source_digest() -> str:
    """Return a digest of the program's source, but for what only shows results."""
    total = hashlib.sha256()
    root = Path(str(resources.files("backstay")))
    for file in sorted(root.rglob("*.py")):
        if file.relative_to(root).parts[0] not in _NOT_THE_MODEL:
            total.update(file.relative_to(root).as_posix().encode() + b"\0" + file.read_bytes())
    return total.hexdigest()


def kept_plan(asked: str, make: Callable[[], PlanDocument]) -> PlanDocument:
    """Return a plan that was made before for the same question, else make it and keep it.

    A cache that cannot be written or read is no error: the plan is then made.
    """
    key = hashlib.sha256(f"{source_digest()}\n{asked}".encode()).hexdigest()
    with contextlib.suppress(OSError, FileFormatError, ValueError):
        return PlanDocument.model_validate_json((cache_folder() / f"{key}.json").read_bytes())
    made = make()
    with contextlib.suppress(OSError):
        write_atomic(cache_folder() / f"{key}.json", made.model_dump_json(by_alias=True))
    return made
