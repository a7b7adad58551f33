"""An invented record of the demo case, typed line by line: two tries that stopped, one that went, and an end."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

from backstay.app.record import Recorder

START = datetime(2031, 4, 5, 9, 30, tzinfo=UTC)
LINES = (
    (0, "access right radial 6 fr"),
    (2, "heparin 5000"),
    (4, "guide 6 standard right"),
    (6, "wire in workhorse"),
    (8, "act 287 sheath"),
    (9, "contrast 24"),
    (12, "nc 2.5x12 18 atm 20 s at lesion did not open"),
    (19, "lithotripsy 80 pulses 34-62"),
    (24, "nc 2.5x12 18 atm 20 s at lesion fully 2 views"),
    (27, "contrast 20"),
    (30, "stent 2.75x33 stopped at 48 guide backed out firm"),
    (33, "extension ext-6 to 30"),
    (37, "stent 2.75x33 reached"),
    (38, "stent 2.75x33 at target 14 atm"),
    (45, "nc 2.75x15 20 atm at 48 post"),
    (50, "timi 3 residual 8"),
    (52, "contrast 40"),
    (53, "dose 1480 mgy 92 gycm2 24 min"),
    (54, "end counted"),
)


def record_in(demo_dir: Path, folder: Path, lines: tuple[tuple[float, str], ...] = LINES) -> Path:
    """Copy the demo into a folder, type its record there, and return the case file."""
    shutil.copytree(demo_dir, folder / "case", ignore=shutil.ignore_patterns("*.jsonl"))
    case = folder / "case" / "case.toml"
    now = [START]
    recorder = Recorder(case, store_url=f"sqlite:///{folder / 'records.sqlite'}", clock=lambda: now[0])
    for minute, line in lines:
        now[0] = START + timedelta(minutes=minute)
        recorder.log(line)
    recorder.close()
    return case
