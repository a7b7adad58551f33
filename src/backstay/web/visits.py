"""Who is at the door: single-use tokens, and the visits they open.

A visit is known by a secret that only the browser's cookie holds; here its hash is kept, in a file so that a
restarted server knows its visitors again. Visits and tokens end by themselves.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from backstay.adapters.atomic import write_atomic
from backstay.errors import InputError
from backstay.identifiers import UserRole

TOKEN_S = 3600.0
MOST_TOKENS = 5
VISIT_S = 12 * 3600.0
MOST_VISITS = 500
_RANKS = list(UserRole)


@dataclass(frozen=True)
class Visit:
    """Somebody let in: by what name, to do what, until when [s since 1970]."""

    name: str
    role: UserRole
    ends_s: float

    def may(self, role: UserRole) -> bool:
        """Return whether this visit may do what needs `role`."""
        return _RANKS.index(self.role) >= _RANKS.index(role)


class Visits:
    """Tokens and visits.

    Parameters
    ----------
    file : Path or None
        Where visits are kept over a restart; None keeps them in memory alone.
    clock : callable
        Gives the time, s since 1970.
    """

    def __init__(self, file: Path | None = None, clock: Callable[[], float] = time.time) -> None:
        self._file, self._clock, self._lock = file, clock, threading.Lock()
        self._tokens: dict[str, Visit] = {}
        self._users: Callable[[], Mapping[str, UserRole]] | None = None
        self._visits: dict[str, Visit] = _read(file)

    @property
    def tokens_out(self) -> int:
        """Return how many tokens still let somebody in."""
        with self._lock:
            now = self._clock()
            self._tokens = {key: one for key, one in self._tokens.items() if one.ends_s > now}
            return len(self._tokens)

    def token(self, name: str, role: UserRole) -> str:
        """Return a new token that lets one visitor in, once, within the hour."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._tokens[_hash(token)] = Visit(name, role, self._clock() + TOKEN_S)
        return token

    def enter(self, token: str) -> tuple[str, Visit] | None:
        """Return a visit's secret and the visit for a token, which is then used up; None for any other."""
        with self._lock:
            found = self._tokens.pop(_hash(token), None)
        if found is None or found.ends_s < self._clock():
            return None
        return self.begin(found.name, found.role)

    def begin(self, name: str, role: UserRole) -> tuple[str, Visit]:
        """Return a new visit and its secret."""
        secret, visit = secrets.token_urlsafe(32), Visit(name, role, self._clock() + VISIT_S)
        with self._lock:
            self._visits[_hash(secret)] = visit
            self._keep()
        return secret, visit

    def of(self, secret: str) -> Visit | None:
        """Return the visit a cookie stands for, None when it has ended or never was."""
        found = self._visits.get(_hash(secret))
        if found is None or found.ends_s <= self._clock() or not self._is_user(found):
            return None
        return found

    def leave(self, secret: str) -> None:
        """End a visit."""
        with self._lock:
            self._visits.pop(_hash(secret), None)
            self._keep()

    def only(self, users: Callable[[], Mapping[str, UserRole]]) -> None:
        """From now on let in nobody who is no user, or has another role now, also by a visit that was begun before."""
        self._users = users

    def _is_user(self, visit: Visit) -> bool:
        if self._users is None:
            return True
        try:
            return self._users().get(visit.name) is visit.role
        except InputError:  # a file that cannot be read names nobody
            return False

    def _keep(self) -> None:
        now = self._clock()
        standing = [(key, visit) for key, visit in self._visits.items() if visit.ends_s > now]
        self._visits = dict(standing[-MOST_VISITS:])
        if self._file is not None:
            write_atomic(self._file, json.dumps({key: asdict(visit) for key, visit in self._visits.items()}))
            self._file.chmod(0o600)


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _read(file: Path | None) -> dict[str, Visit]:
    """Return the visits kept; a file that cannot be read keeps none, so everybody enters anew."""
    if file is None or not file.exists():
        return {}
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        return {
            str(key): Visit(str(row["name"]), UserRole(row["role"]), float(row["ends_s"]))
            for key, row in kept.items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
