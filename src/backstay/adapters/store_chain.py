"""The chain of a record: each event's link is a hash over the link before it and the event as written.

Whoever keeps the head (it stands in the signed report) can tell later that nothing before it was changed,
dropped or put in.
"""

from __future__ import annotations

import hashlib
import json

from backstay.adapters.event_models import Event


def canonical(event: Event) -> str:
    """Return an event as the one text that is stored and hashed."""
    data = event.model_dump(mode="json", by_alias=True, exclude_none=True)
    return json.dumps(data, sort_keys=True, separators=(",", ":"))


def first_link(record_id: str) -> str:
    """Return what the first event of a record is linked to."""
    return _hash(f"backstay record 1\n{record_id}")


def next_link(link: str, written_at: str, content: str) -> str:
    """Return the link of an event written after `link`."""
    return _hash(f"{link}\n{written_at}\n{content}")


def sha256_of(content: str) -> str:
    """Return the SHA-256 of a text in UTF-8."""
    return _hash(content)


def _hash(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()
