"""Named users, for a workbench that is opened beyond one machine: a file of names, roles and hashed passwords.

Passwords are hashed with argon2; a name that does not exist takes as long to refuse as a wrong password, and tries
are slowed down after a few.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from backstay.adapters.atomic import write_atomic
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import UserRole

USERS_FILE = ".users.json"
USER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._ -]{0,39}")
SHORTEST_PASSWORD = 12
FREE_TRIES = 5
PAUSE_S = 30.0


class TooManyTries(InputError):
    """A name was tried too often."""


class Users:
    """The users of a library.

    Parameters
    ----------
    file : Path
        Where they are kept.
    clock : callable
        Gives the time, s.
    """

    def __init__(self, file: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self._file, self._clock, self._lock = file, clock, threading.Lock()
        self._hasher = PasswordHasher()
        self._nobody = self._hasher.hash("nobody's password")
        self._failed: dict[str, list[float]] = {}

    def all(self) -> dict[str, UserRole]:
        """Return every user's name and role."""
        return {name: UserRole(row["role"]) for name, row in self._read().items()}

    def add(self, name: str, role: UserRole, password: str) -> None:
        """Add a user, or give one another role and password.

        Raises
        ------
        InputError
            The name is not one, or the password too short.
        """
        if not USER_NAME.fullmatch(name):
            raise InputError(
                "not a name",
                field="name",
                value=name,
                allowed="letters, digits, dots, dashes, spaces; at most 40",
            )
        if len(password) < SHORTEST_PASSWORD:
            raise InputError(
                "the password is too short",
                field="password",
                allowed=f"{SHORTEST_PASSWORD} characters or more",
            )
        with self._lock:
            kept = self._read()
            kept[name] = {"role": role.value, "password": self._hasher.hash(password)}
            self._write(kept)

    def remove(self, name: str) -> None:
        """Take a user away.

        Raises
        ------
        NotFound
            There is no such user.
        """
        with self._lock:
            kept = self._read()
            if kept.pop(name, None) is None:
                allowed = ", ".join(kept) or "none: there are no users"
                raise NotFound("no such user", field="name", value=name, allowed=allowed)
            self._write(kept)

    def known(self, name: str, password: str) -> UserRole | None:
        """Return the role of a user who knows the password, None for anybody else.

        Raises
        ------
        TooManyTries
            The name was tried too often; it is not looked at for a while.
        """
        now = self._clock()
        with self._lock:
            recent = [at for at in self._failed.get(name, []) if now - at < PAUSE_S]
            self._failed[name] = recent
        if len(recent) >= FREE_TRIES:
            raise TooManyTries(
                "tried too often", field="name", value=name, allowed=f"again in {PAUSE_S:.0f} s"
            )
        row = self._read().get(name)
        try:
            self._hasher.verify(self._nobody if row is None else row["password"], password)
        except (VerificationError, InvalidHashError):
            row = None
        if row is None:
            with self._lock:
                self._failed[name].append(now)
            return None
        with self._lock:
            self._failed.pop(name, None)
        return UserRole(row["role"])

    def _read(self) -> dict[str, dict[str, str]]:
        if not self._file.exists():
            return {}
        try:
            kept = json.loads(self._file.read_text(encoding="utf-8"))
            return {
                str(name): {"role": UserRole(row["role"]).value, "password": str(row["password"])}
                for name, row in kept.items()
            }
        except (ValueError, KeyError, TypeError, AttributeError):
            raise FileFormatError(
                "not a file of users", where=str(self._file), allowed="what backstay users writes"
            ) from None

    def _write(self, kept: dict[str, dict[str, str]]) -> None:
        write_atomic(self._file, json.dumps(kept, indent=1) + "\n")
        self._file.chmod(0o600)
