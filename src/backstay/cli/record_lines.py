"""Lines typed into the record: each is echoed as understood, unclear ones come back with their choices."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer

from backstay.adapters.log_devices import TO_END, Unclear
from backstay.adapters.log_words import EXAMPLES
from backstay.adapters.record_entries import entry_of
from backstay.app.event_words import event_words, instead_words
from backstay.errors import InputError, StoreError

if TYPE_CHECKING:
    from backstay.adapters.event_models import Event
    from backstay.app.record import Recorder

UNDO_KEY = "-"
"""No line begins with it, but for one of a pasted list."""
PASTE_S = 0.05
"""A hand's next key comes later."""
_ENTER, _ERASE, _END = ("\r", "\n"), ("\x7f", "\b"), ("\x04", "\x03")


class Lines:
    """A record that lines are typed into."""

    def __init__(self, recorder: Recorder) -> None:
        self.recorder = recorder
        self.pressed: list[str] = []
        self.names = {device.id: device.name for device in recorder.case.shelf.devices.values()}

    def take(self, line: str) -> str:
        """Do what a line says; returns what to show.

        Raises
        ------
        Unclear, InputError
            It means several things, or nothing; nothing was written.
        """
        line = line.strip().removeprefix(f"{UNDO_KEY} ")  # a list's mark, as pasted
        word = line.lower()
        self.recorder.refresh()  # what other programs wrote meanwhile
        if word in ("undo", UNDO_KEY):
            return self.undo()
        if word == "help":
            return "\n".join(EXAMPLES)
        if word == "show":
            return "\n".join([*map(self._echo, self._standing()), *self._put_right()])
        written = self.recorder.log(line)
        wrong = None if written.supersedes is None else self.recorder.written(written.supersedes)
        instead = "" if wrong is None else f"\n    instead of {self._echo(wrong)}"
        return self._echo(written) + instead + self._trouble() + self._hazards(written)

    def _trouble(self) -> str:
        return f"\n    ! {self.recorder.trouble}" if self.recorder.trouble else ""

    def _hazards(self, event: Event) -> str:
        """Return what an event makes dangerous, at most two lines."""
        from backstay.app.safety.steps import hazards_of_event
        from backstay.report.limits import hazard_words

        shown, waiting = hazards_of_event(self.recorder.case, self.recorder.events, event.id)
        more = [f"{waiting} {'more' if shown else 'said lately'}: backstay hazards CASE"] if waiting else []
        return "".join(f"\n    ! {text}" for text in [*(hazard_words(row) for row in shown), *more])

    def undo(self) -> str:
        """Take the last event back; returns what to show."""
        before = {event.id: event for event in self.recorder.events}
        taken = self.recorder.undo()
        again = "" if taken.restores is None else f"\nstands again: {self._echo(taken)}"
        return f"taken back: {self._echo(before[str(taken.supersedes)])}{again}"

    def _standing(self) -> list[Event]:
        ids = {entry.id: entry for entry in self.recorder.state.timeline}
        by_id = {event.id: event for event in self.recorder.events}
        return [by_id[name] for name in ids]

    def _put_right(self) -> list[str]:
        """Return what was put right or taken back, in the order written."""
        before = {event.id: event for event in self.recorder.events}
        made = [event for event in self.recorder.events if event.supersedes is not None]
        lines = [
            f"{self._echo(before[str(one.supersedes)])}: "
            f"{instead_words(entry_of(one), self.names, again=one.restores is not None)}"
            for one in made
        ]
        return ["", "Put right:", *lines] if lines else []

    def _echo(self, event: Event) -> str:
        at = event.at.astimezone(self.recorder.clock().tzinfo)
        return f"{at:%H:%M}  {event_words(entry_of(event), self.names)}"


def ask(lines: Lines) -> None:
    """Read lines until the end of input; from a terminal, key by key."""
    if lines.recorder.notice:
        typer.echo(f"! {lines.recorder.notice}")
    if sys.stdin.isatty():
        with _key_by_key():
            _ask_terminal(lines)
        return
    for line in sys.stdin:
        if line.strip():
            typer.echo(lines.take(line))


def _ask_terminal(lines: Lines) -> None:
    typer.echo(
        f"{lines.recorder.case.title}. A line is an event; {UNDO_KEY} undoes, help shows lines, ctrl-d ends."
    )
    choices: tuple[tuple[str, str], ...] = ()
    while (line := _line(lines.pressed)) is not None:
        if not line.strip():
            continue
        picked = line.strip()
        if choices and picked.isdigit() and 1 <= int(picked) <= len(choices):
            line = choices[int(picked) - 1][1]
            if line.endswith(TO_END):
                # What nobody said is typed, from where the choice ends.
                lines.pressed[:0] = line.removesuffix(TO_END)
                continue
        choices = ()
        try:
            typer.echo(f"  {lines.take(line)}")
        except Unclear as error:
            choices = error.choices[:9]
            shown = "".join(f"\n    {k}  {words}" for k, (words, _) in enumerate(choices, 1))
            typer.echo(f"  ? {error.message}{shown}")
        except (InputError, StoreError, OSError) as error:
            typer.echo(f"  ! {error}")


def _line(pressed: list[str]) -> str | None:
    """Return a line typed key by key: the undo key acts at once on an empty line.

    `pressed` holds keys that came before they were asked for, as from a paste.
    """
    typer.echo("> ", nl=False)
    text = ""
    while True:
        if not pressed:
            pressed.extend(_keys())
        key = pressed.pop(0)
        acts = not text and key == UNDO_KEY and not _goes_on(pressed)
        if key in _ENTER or acts:
            typer.echo(key if acts else "")
            return key if acts else text
        if key in _END:
            typer.echo("")
            return None
        if key in _ERASE and text:
            text = text[:-1]
            typer.echo("\b \b", nl=False)
        elif key.isprintable():
            text += key
            typer.echo(key, nl=False)


def _goes_on(pressed: list[str]) -> bool:
    """Return whether more of a line follows at once, as where a list is pasted: then its mark is no key pressed."""
    if not pressed and select.select([sys.stdin], [], [], PASTE_S)[0]:
        pressed.extend(_keys())
    return bool(pressed) and pressed[0] not in (UNDO_KEY, *_ENTER, *_END)


def _keys() -> str:
    """Return the keys pressed, one or (pasted) more."""
    try:
        return os.read(sys.stdin.fileno(), 4096).decode(errors="replace") or _END[0]
    except KeyboardInterrupt:
        return _END[0]


@contextmanager
def _key_by_key() -> Iterator[None]:
    """Take keys as they are pressed, for as long as lines are asked for: none typed ahead is lost."""
    import termios
    import tty

    terminal = sys.stdin.fileno()
    before = termios.tcgetattr(terminal)
    tty.setcbreak(terminal, termios.TCSANOW)
    try:
        yield
    finally:
        termios.tcsetattr(terminal, termios.TCSADRAIN, before)
