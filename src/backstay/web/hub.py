"""What happens in a case, told at once to every page that follows it (server-sent events)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import contextmanager, suppress
from typing import Any

LOOK_S = 5.0
"""How often a page that hears nothing is looked at: whether it is there, and may still listen."""
MOST_BEHIND = 500
"""A page that reads more slowly than this many messages is let go; it comes back and asks anew."""

Message = tuple[str, str]
NOTHING_NEW = ":\n\n"
"""A line that a page does not hear; it shows the server whether the page is there."""


class Hub:
    """Pages that follow cases."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._followers: dict[str, set[asyncio.Queue[Message | None]]] = {}

    def start(self) -> None:
        """Bind to the loop that serves the pages."""
        self._loop = asyncio.get_running_loop()

    def stop(self) -> None:
        """Let every page go."""
        for queues in self._followers.values():
            for queue in queues:
                queue.put_nowait(None)

    @property
    def followed(self) -> list[str]:
        """Return the topics somebody follows."""
        return [topic for topic, queues in self._followers.items() if queues]

    def tell(self, topic: str, kind: str, data: dict[str, Any]) -> None:
        """Tell every page that follows a topic; from any thread."""
        if self._loop is not None and not self._loop.is_closed():
            message = (kind, json.dumps(data, ensure_ascii=False))
            with suppress(RuntimeError):  # closed between the question and the call
                self._loop.call_soon_threadsafe(self._put, topic, message)

    def _put(self, topic: str, message: Message) -> None:
        for queue in self._followers.get(topic, ()):
            if queue.qsize() < MOST_BEHIND:
                queue.put_nowait(message)
            else:
                queue.put_nowait(None)

    @contextmanager
    def _following(self, topic: str) -> Any:
        queue: asyncio.Queue[Message | None] = asyncio.Queue()
        self._followers.setdefault(topic, set()).add(queue)
        try:
            yield queue
        finally:
            self._followers[topic].discard(queue)

    async def stream(
        self,
        topic: str,
        first: Callable[[], Awaitable[list[tuple[str, dict[str, Any]]]]],
        may_listen: Callable[[], bool] = lambda: True,
    ) -> AsyncIterator[str]:
        """Give what happens in a topic as text for the browser, after what it should know to begin with.

        `first` is asked once the topic is followed: what happens meanwhile is told afterwards, not lost. It ends as
        soon as the page may not listen any more, before anything else is told.
        """
        with self._following(topic) as queue:
            for kind, data in await first():
                yield as_text((kind, json.dumps(data, ensure_ascii=False)))
            while True:
                try:
                    message = await asyncio.wait_for(queue.get(), LOOK_S)
                except TimeoutError:
                    message = ("", "")
                if message is None or not may_listen():
                    return
                yield as_text(message) if message[0] else NOTHING_NEW


def as_text(message: Message) -> str:
    """Return a message as the standard's text: one event, one line of data."""
    kind, data = message
    return f"event: {kind}\ndata: {data}\n\n"
