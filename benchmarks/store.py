"""Speed of the store of records: an event acknowledged, a long case opened, many cases listed and searched.

`--url postgresql://...` times a server instead of SQLite in a file (`--folder`: on which disk). An acknowledged event waits for the disk:
it is judged by the clock, and the disk's own time for a small synced write stands beside it. All else is judged by processor time.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

from backstay.adapters.event_models import EVENT_TYPES, Event, OpenedEvent  # noqa: E402
from backstay.adapters.events_file import events_path  # noqa: E402
from backstay.adapters.record_entries import entries_of  # noqa: E402
from backstay.adapters.store import Link, Store  # noqa: E402
from backstay.adapters.store_chain import canonical, first_link, next_link  # noqa: E402
from backstay.app.record import Recorder  # noqa: E402
from backstay.cli import collect_less  # noqa: E402
from backstay.core.record.state import state_of  # noqa: E402
from backstay.identifiers import EventKind  # noqa: E402

BARS = {
    "event acknowledged, p99 [ms]": 20.0,
    "10 000 events opened [s]": 0.5,
    "10 000 cases listed [ms]": 100.0,
    "10 000 cases searched [ms]": 100.0,
}
START = datetime(2031, 4, 5, 9, 30, tzinfo=UTC)
BEFORE, TIMED, LONG, CASES = 1000, 400, 10_000, 10_000
RANK = int(0.99 * TIMED)
VESSELS = ("right coronary artery", "left anterior descending artery", "diagonal branch")


def event(name: str, k: int, kind: EventKind | None = None, **values: Any) -> Event:
    """Return an event of a plausible mix: contrast, notes, clotting times, inflations."""
    mix: list[tuple[EventKind, dict[str, Any]]] = [
        (EventKind.CONTRAST, {"volume_mL": 4.0 + k % 9}),
        (EventKind.NOTE, {"text": f"note {k}: seen in two views"}),
        (EventKind.ACT, {"act_s": 250.0 + k % 90}),
        (EventKind.INFLATION, {"device": "bal-nc-250-12", "pressure_atm": 14.0, "duration_s": 20.0,
                               "purpose": "preparation", "from_mm": 40.0, "to_mm": 52.0}),
    ]  # fmt: skip
    chosen, said = (kind, values) if kind is not None else mix[k % len(mix)]
    at = (START + timedelta(seconds=k)).isoformat()
    data = {"schema": 1, "id": name, "at": at, "author_role": "recorder", "kind": chosen.value, **said}
    return EVENT_TYPES[chosen].model_validate(data)


def opening(record: str, title: str, vessel: str, k: int = 0) -> OpenedEvent:
    """Return the event that begins a record."""
    made = event(
        f"open-{record}", k, EventKind.OPENED, record=record, title=title, vessel=vessel, invented=True
    )
    assert isinstance(made, OpenedEvent)
    return made


def filled(store: Store, record: str, count: int) -> list[Event]:
    """Put a record of so many events into a store in one go."""
    first = opening(record, "Invented case", VESSELS[0])
    events: list[Event] = [first, *(event(f"e{k}", k) for k in range(1, count))]
    link, links = first_link(record), []
    for place, one in enumerate(events, 1):
        content, written = canonical(one), one.at.isoformat()
        link = next_link(link, written, content)
        links.append(Link(place, written, content, link))
    store.restore(first, links, {})
    return events


def least(function: Callable[[], object], repeats: int = 5) -> tuple[float, float]:
    """Return the least processor time and the least clock time of several calls [s]."""
    cpu, wall = [], []
    for _ in range(repeats):
        a, b = process_time(), perf_counter()
        function()
        cpu.append(process_time() - a)
        wall.append(perf_counter() - b)
    return min(cpu), min(wall)


def bare_write(file: Path) -> float:
    """Return the time of one synced write to the same disk [s]: what no store can be faster than."""
    begun = perf_counter()
    with file.open("ab", buffering=0) as stream:
        stream.write(b"x" * 4096)
        os.fsync(stream.fileno())
    return perf_counter() - begun


def recorded(folder: Path, url: str, count: int) -> Path:
    """Return a copy of the demo with a record of so many events, in the store and beside the case."""
    case = Path(shutil.copytree(ROOT / "examples" / "demo", folder)) / "case.toml"
    Recorder(case, store_url=url).close()
    with events_path(case).open("a") as file:
        file.writelines(f"{canonical(event(f'{folder.name}{k}', k))}\n" for k in range(1, count))
    Recorder(case, store_url=url).close()
    return case


def acknowledged(store: Store, url: str, folder: Path) -> dict[str, float]:
    """Time lines logged in a case that has a thousand events: read, kept in the store, written beside the case, counted in the state."""
    filled(store, "busy", BEFORE)
    later = START + timedelta(days=1)
    recorder = Recorder(recorded(folder / "lines", url, BEFORE), store_url=url, clock=lambda: later)
    disk = sorted(bare_write(folder / "probe") for _ in range(TIMED))
    print(f"Event acknowledged, {BEFORE} to {BEFORE + TIMED} events in the case")
    print(
        f"  a synced write of 4 kB alone   clock p50 {disk[TIMED // 2] * 1e3:.1f} ms, p99 {disk[RANK] * 1e3:.1f} ms"
    )
    told("by the store alone", lambda k: store.append("busy", event(f"t{k}", BEFORE + k)))
    lines = ("contrast 8", "act 287", "nc 2.5x12 14 atm 20 s 40-52", "note: seen in two views")
    p99 = told("a line by the recorder", lambda k: (recorder.log(lines[k % len(lines)]), recorder.state))
    recorder.close()
    return {"event acknowledged, p99 [ms]": p99 * 1e3}


def told(what: str, write: Callable[[int], object]) -> float:
    """Say how long so many events take to be written; returns the 99th of a hundred by the clock [s]."""
    wall, cpu = [], []
    for k in range(TIMED):
        a, b = process_time(), perf_counter()
        write(k)
        cpu.append(process_time() - a)
        wall.append(perf_counter() - b)
    p99, middle, work = sorted(wall)[RANK], sorted(wall)[TIMED // 2], sorted(cpu)[RANK]
    print(
        f"  {what:30} clock p50 {middle * 1e3:.1f} ms, p99 {p99 * 1e3:.1f} ms (bar 20); processor p99 {work * 1e3:.1f} ms"
    )
    return p99


def opened(store: Store, url: str, folder: Path) -> dict[str, float]:
    """Time a long case opened: from the store alone, and by the recorder with its file beside the case."""
    filled(store, "long", LONG)

    def from_store() -> None:
        state_of(entries_of(store.events("long")), {})

    cpu, wall = least(from_store)
    case = recorded(folder / "demo", url, LONG)
    assert max(one.length for one in store.records("shepherd")) == LONG
    whole, whole_wall = least(lambda: Recorder(case, store_url=url).state, 3)
    print(f"A case of {LONG} events opened, chain checked, state computed")
    print(f"  from the store       processor {cpu:.3f} s, clock {wall:.3f} s (bar 0.5)")
    print(
        f"  by the recorder, with the case and its file  processor {whole:.3f} s, clock {whole_wall:.3f} s (bar 0.5)"
    )
    return {"10 000 events opened [s]": max(cpu, whole)}


def listed(store: Store) -> dict[str, float]:
    """Time many cases listed and searched."""
    for k in range(CASES - store.count()):
        title = f"Invented case {k}: {('hard bend', 'long lesion', 'tight ostium')[k % 3]} {k * 7919 % 10007}"
        store.begin(opening(f"c{k}", title, VESSELS[k % 3], k))
    cpu, wall = least(lambda: store.records())
    found_cpu, found_wall = least(lambda: store.records("bend right 9973"))
    none_cpu, none_wall = least(lambda: store.records("nowhere to be found"))
    searched, searched_wall = max(found_cpu, none_cpu), max(found_wall, none_wall)
    print(f"{store.count()} cases")
    print(f"  the latest listed  processor {cpu * 1e3:.1f} ms, clock {wall * 1e3:.1f} ms (bar 100)")
    print(
        f"  searched by words  processor {searched * 1e3:.1f} ms, clock {searched_wall * 1e3:.1f} ms (bar 100)"
    )
    return {"10 000 cases listed [ms]": cpu * 1e3, "10 000 cases searched [ms]": searched * 1e3}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--url", help="a store that is empty; SQLite in a new folder when not given")
    parser.add_argument("--folder", type=Path, help="where that folder is made")
    arguments = parser.parse_args()
    collect_less()  # as every command does
    print(
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} (a busy machine lengthens what the clock shows)"
    )
    with tempfile.TemporaryDirectory(dir=arguments.folder) as name:
        folder = Path(name)
        url = arguments.url or f"sqlite:///{folder / 'records.sqlite'}"
        store = Store(url)
        numbers = acknowledged(store, url, folder) | opened(store, url, folder) | listed(store)
        store.close()
    misses = [name for name, bar in BARS.items() if numbers[name] > bar]
    print("Bars missed: " + (", ".join(misses) or "none"))
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
