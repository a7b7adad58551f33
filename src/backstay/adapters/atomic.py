"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from pathlib import Path


def write_atomic(file: Path, content: str | bytes) -> None:
    """Write a file so that a reader sees the old content or the new, never a part.

    The content goes to a temporary file beside it, which then takes its name. A link keeps pointing where it
    did; what is not a regular file (a device, a pipe) is written to directly, since it must not be replaced.

    Raises
    ------
    OSError
        The folder is missing or may not be written to; the old content is untouched.
    """
    data = content.encode() if isinstance(content, str) else content
    target = Path(os.path.realpath(file))
    if target.exists() and not target.is_file():
        target.write_bytes(data)
        return
    handle, name = tempfile.mkstemp(prefix=f".{target.name[:40]}.", suffix=".part", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, _mode(target))
        os.replace(name, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def _mode(target: Path) -> int:
    """Return the permissions the file has, or would get as a new one."""
    return stat.S_IMODE(target.stat().st_mode) if target.exists() else new_permissions(0o666)


def new_permissions(most: int) -> int:
    """Return what the user's mask leaves of permissions."""
    mask = os.umask(0)
    os.umask(mask)
    return most & ~mask
