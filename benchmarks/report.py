"""Processor time of the report as PDF against its bar of 2 s, in a program that runs and as a command from nothing.

Most of what the command takes is the start of the program: its libraries load before anything is read. Python keeps
what it compiled of the source, as it does unless told not to; the run that compiles is not counted.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import process_time

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

from backstay.app.reporting import Extras, report  # noqa: E402
from backstay.report.procedure.paper import pdf  # noqa: E402

BAR_s = 2.0
RUNS = 7
CASE = ROOT / "examples" / "recorded" / "case.toml"
DOSE = CASE.with_name("dose.dcm")


def running(store_url: str) -> list[float]:
    """Return the time of each report made in this program."""
    taken = []
    for _ in range(RUNS):
        begin = process_time()
        pdf(report(CASE, Extras(dose=(DOSE,)), store_url=store_url))
        taken.append(process_time() - begin)
    return taken


def from_nothing(store_url: str, folder: Path) -> list[float]:
    """Return the time of each command, the start of the program and its libraries included."""
    taken = []
    command = [sys.executable, "-m", "backstay", "report", str(CASE), "--dose", str(DOSE)]
    command += ["--pdf", str(folder / "report.pdf"), "--store", store_url]
    told = {**os.environ, "PYTHONPATH": str(ROOT / "src"), "PYTHONPYCACHEPREFIX": str(folder / "compiled")}
    told.pop("PYTHONDONTWRITEBYTECODE", None)
    subprocess.run(command, check=True, env=told)
    for _ in range(RUNS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, check=True, env=told)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return taken


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        store_url = f"sqlite:///{Path(name) / 'records.sqlite'}"
        warm, cold = running(store_url), from_nothing(store_url, Path(name))
    for what, taken in (
        ("in a program that runs", warm),
        ("as a command, start of the program included", cold),
    ):
        middle = sorted(taken)[RUNS // 2]
        print(
            f"report with skin dose as PDF, {what}: {middle:.2f} s, median of {RUNS} "
            f"({min(taken):.2f} to {max(taken):.2f}; bar {BAR_s:g} s)"
        )
    return int(max(*warm, *cold) > BAR_s)


if __name__ == "__main__":
    sys.exit(main())
