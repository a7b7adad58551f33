"""A folder of cases: one folder to a case, its files beside each other, made, found, copied and put away.

A case here names files of its own folder only. Whoever may open the workbench may so read no other file of this
machine through it. Listing needs no numerics, so what does is imported where it is used.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from backstay.adapters.atomic import write_atomic
from backstay.adapters.case_file import CaseDocument, read_case, write_case
from backstay.adapters.events_file import events_path, read_events
from backstay.errors import FileFormatError, InputError, NotFound, StoreError
from backstay.identifiers import EventKind

if TYPE_CHECKING:
    from backstay.app.loading import LoadedCase

CASE_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}")
RUN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,71}\.dcm")
FILE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}")
PUT_AWAY = ".put-away"
MOST_FILES = 20
LARGEST_FILE = 5_000_000
LARGEST_RUN = 600_000_000
MOST_RUNS = 12
PLAIN_NAME = "letters, digits, dots, dashes; at most 80"


@dataclass(frozen=True)
class CaseRow:
    """A case in the list.

    Attributes
    ----------
    id : str
        Name of its folder.
    title, vessel : str
        As its file says.
    invented : bool
        Marked as invented.
    changed_at : datetime
        When a file of it last changed.
    events : int
        How many events its record holds.
    signed, put_away : bool
        The report is signed; it is not shown unless asked for.
    problem : str
        Why it cannot be read; empty when it can.
    """

    id: str
    title: str
    vessel: str
    invented: bool
    changed_at: datetime
    events: int
    signed: bool
    put_away: bool
    problem: str = ""


class Library:
    """A folder of cases.

    Parameters
    ----------
    folder : Path
        It is made when it does not exist, for this user alone: cases are patients' data.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.folder = folder.resolve()

    # Finding

    def rows(self, words: str = "", *, put_away: bool = False) -> list[CaseRow]:
        """Return the cases whose title, vessel or name holds every word, the one changed last first."""
        names = [f.name for f in self.folder.iterdir() if CASE_NAME.fullmatch(f.name) and f.is_dir()]
        rows = [self.row(name) for name in names]
        wanted = words.lower().split()
        found = [
            row
            for row in rows
            if row.put_away == put_away
            and all(word in f"{row.title} {row.vessel} {row.id}".lower() for word in wanted)
        ]
        return sorted(found, key=lambda row: (-row.changed_at.timestamp(), row.id))

    def row(self, name: str) -> CaseRow:
        """Return one case as the list shows it; one that cannot be read says why."""
        folder = self._folder(name)
        file = folder / "case.toml"
        times = [one.stat().st_mtime for one in folder.iterdir() if one.is_file()]
        title, vessel, invented, problem, signed, events = name, "", False, "", False, 0
        try:
            case = read_case(file)
            title, vessel, invented = case.title, case.vessel.name, case.invented
            record = read_events(events_path(file))
            events = len(record)
            signed = any(event.kind == EventKind.SIGNED for event in record)  # type: ignore[attr-defined]  # every kind has one
        except (InputError, OSError) as error:
            problem = str(error).replace(str(folder), "").lstrip("/: ")
        return CaseRow(
            id=name,
            title=title,
            vessel=vessel,
            invented=invented,
            changed_at=datetime.fromtimestamp(max(times, default=0.0), UTC),
            events=events,
            signed=signed,
            put_away=(folder / PUT_AWAY).exists(),
            problem=problem,
        )

    def file(self, name: str) -> Path:
        """Return the case file of a case.

        Raises
        ------
        NotFound
            There is no such case.
        """
        return self._folder(name) / "case.toml"

    def load(self, name: str) -> LoadedCase:
        """Return a case with everything it names.

        Raises
        ------
        NotFound, FileFormatError, InputError
            There is none, it cannot be read, or it names a file outside its folder.
        """
        from backstay.app.loading import load_case

        file = self.file(name)
        _check_inside(file)
        return load_case(file)

    def document(self, name: str) -> CaseDocument:
        """Return what the case file of a case says."""
        return read_case(self.file(name))

    def change(self, name: str, case: CaseDocument) -> None:
        """Write a case file anew, when it still makes a case with its path and shelf; else nothing changes."""
        from backstay.app.loading import load_case

        file = self.file(name)
        trial = file.with_name(f".trial-{secrets.token_hex(4)}.toml")
        try:
            shutil.copyfile(file, trial)
            write_case(trial, case)
            _check_inside(trial)
            load_case(trial)
        except InputError as error:
            raise _without_folder(error, file.parent) from None
        finally:
            trial.unlink(missing_ok=True)
        write_case(file, case)

    # Making

    def add_demo(self) -> str:
        """Copy the invented demo case; returns its name here."""
        from backstay.app.sketching import demo_folder

        return self.add_files({file.name: file.read_bytes() for file in demo_folder().iterdir()}, "demo")

    def add_sketch(self, text: str, *, vessel: str, title: str = "") -> str:
        """Make a case from a vessel typed as segments; returns its name here."""
        from backstay.app.sketching import sketch_case

        name = self._new_name(title or vessel)
        file = sketch_case(text, self.folder / name, vessel=vessel)
        if title:
            write_case(file, read_case(file).model_copy(update={"title": title}))
        return name

    def add_files(self, files: Mapping[str, bytes], title: str = "") -> str:
        """Make a case from its files, `case.toml` among them; returns its name here.

        Raises
        ------
        InputError, FileFormatError, NotFound
            A name leads elsewhere, or they do not make a case; nothing was kept.
        """
        from backstay.app.loading import load_case

        _check_files(files)
        building = Path(tempfile.mkdtemp(prefix=".new-", dir=self.folder))
        try:
            for name, content in files.items():
                (building / name).write_bytes(content)
            file = building / "case.toml"
            if not file.is_file():
                raise NotFound(
                    "no case among the files", field="files", allowed="case.toml, its path and its shelf"
                )
            _check_inside(file)
            case = load_case(file)
            read_events(events_path(file))
            name = self._new_name(title or case.title)
            building.rename(self.folder / name)
        except BaseException as error:
            shutil.rmtree(building, ignore_errors=True)
            if isinstance(error, InputError):
                raise _without_folder(error, building) from None
            raise
        return name

    def add_packed(self, text: bytes, *, store_url: str | None) -> str:
        """Unpack a whole case saved as one file, record and all; returns its name here."""
        from backstay.app.packing import unpack_case

        with tempfile.TemporaryDirectory(dir=self.folder, prefix=".packed-") as holding:
            packed = Path(holding) / "case.json"
            packed.write_bytes(text)
            listed, file = unpack_case(packed, Path(holding) / "case", store_url=store_url)
            if file.name != "case.toml":
                raise FileFormatError(
                    "no case.toml in it", field="files", allowed="a case packed by Backstay"
                )
            _check_inside(file)
            name = self._new_name(listed.title)
            file.parent.rename(self.folder / name)
        return name

    def duplicate(self, name: str) -> str:
        """Copy a case without its record: another plan for the same vessel; returns the copy's name."""
        folder = self._folder(name)
        document = read_case(folder / "case.toml")
        record = events_path(folder / "case.toml").name
        kept = [one for one in folder.iterdir() if one.is_file() and one.name not in (record, PUT_AWAY)]
        plain = [one for one in kept if FILE_NAME.fullmatch(one.name) and not one.is_symlink()]
        runs = [one for one in plain if RUN_NAME.fullmatch(one.name)]
        copy = self.add_files({one.name: one.read_bytes() for one in plain if one not in runs})
        for run in runs:
            shutil.copyfile(run, self.folder / copy / run.name)
        write_case(
            self.file(copy), document.model_copy(update={"title": f"{document.title} (copy)"[:200].strip()})
        )
        return copy

    def put_away(self, name: str, *, away: bool = True) -> None:
        """Take a case out of the list, or bring it back; no file of it is lost."""
        mark = self._folder(name) / PUT_AWAY
        if away:
            write_atomic(mark, "")
        else:
            mark.unlink(missing_ok=True)

    # Runs of an angiogram

    def runs(self, name: str) -> list[Path]:
        """Return the runs that lie in a case's folder, by name."""
        folder = self._folder(name)
        return sorted(one for one in folder.iterdir() if RUN_NAME.fullmatch(one.name) and _is_plain(one))

    def run(self, name: str, run: str) -> Path:
        """Return one run of a case.

        Raises
        ------
        NotFound
            The case's folder holds no such run.
        """
        file = self._folder(name) / run
        if not RUN_NAME.fullmatch(run) or not _is_plain(file):
            raise NotFound("no such run", field="run", value=run, allowed="a run of this case")
        return file

    def add_run(self, name: str, run: str, holding: Path) -> Path:
        """Move a file into a case's folder as one of its runs, when it can be read as one.

        Raises
        ------
        InputError, FileFormatError
            It is no angiogram, its name will not do, or one of that name with another content is there.
        """
        from backstay.adapters.dicom_xa import read_run

        folder, there = self._folder(name), [one.name for one in self.runs(name)]
        if not RUN_NAME.fullmatch(run):
            allowed = "letters, digits, dots, dashes, ending in .dcm; at most 76"
            raise InputError("not a name for a run", field="run", value=run, allowed=allowed)
        if len(there) >= MOST_RUNS and run not in there:
            raise InputError(
                "too many runs in this case", field="run", value=run, allowed=f"at most {MOST_RUNS}"
            )
        found = read_run(holding)
        found.frame((found.frames + 1) // 2)
        if run in there and read_run(folder / run).sha256 != found.sha256:
            raise InputError(
                "another run of this name is here", field="run", value=run, allowed="a name not used yet"
            )
        holding.replace(folder / run)
        return folder / run

    def take_out_run(self, name: str, run: str) -> None:
        """Take a run out of a case; what was measured from it stays.

        Raises
        ------
        NotFound
            There is none.
        """
        self.run(name, run).unlink()

    def _folder(self, name: str) -> Path:
        folder = self.folder / name
        if not CASE_NAME.fullmatch(name) or not folder.is_dir() or folder.is_symlink():
            raise NotFound("no such case", field="case", value=name, allowed="one that the list shows")
        return folder

    def _new_name(self, title: str) -> str:
        words = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40].strip("-") or "case"
        while os.path.lexists(self.folder / (name := f"{words}-{secrets.token_hex(2)}")):
            pass
        return name


def _is_plain(file: Path) -> bool:
    return file.is_file() and not file.is_symlink()


def _check_files(files: Mapping[str, bytes]) -> None:
    if not 1 <= len(files) <= MOST_FILES:
        raise InputError(
            "too many files, or none", field="files", value=len(files), allowed=f"1 to {MOST_FILES}"
        )
    for name, content in files.items():
        if not FILE_NAME.fullmatch(name):
            raise InputError("not a plain file name", field="files", value=name, allowed=PLAIN_NAME)
        if len(content) > LARGEST_FILE:
            raise InputError(
                "the file is too large", field="files", value=name, allowed=f"at most {LARGEST_FILE:,} bytes"
            )


def _check_inside(file: Path) -> None:
    """Refuse a case that names a file outside its own folder, through a link or by its name."""
    case, folder = read_case(file), file.parent.resolve()
    named = {
        "shelf": case.shelf,
        "vessel.path": case.vessel.path,
        "protocol": case.protocol,
        "holds": case.holds,
        "priors": case.priors,
    }
    if case.vessel.measurement is not None:
        from backstay.adapters.measurement_file import read_measurement

        named["vessel.measurement"] = case.vessel.measurement
        _refuse_outside({"vessel.measurement": case.vessel.measurement}, folder)
        result = read_measurement(folder / case.vessel.measurement).result
        named["result.path"] = None if result is None else result.path
    _refuse_outside({**named, "case": file.name}, folder)


def _refuse_outside(named: Mapping[str, str | None], folder: Path) -> None:
    for field, name in named.items():
        if name is not None and not (folder / name).resolve().is_relative_to(folder):
            raise InputError(
                "this leads out of the case's folder",
                field=field,
                value=name,
                allowed="a file beside the case file",
            )


def _without_folder(error: InputError, folder: Path) -> InputError:
    """Return an error that speaks of files by their name in the case's folder."""

    def short(text: str) -> str:
        text = re.sub(r"\.trial-[0-9a-f]+\.toml", "case.toml", text)
        return text.replace(f"{folder}{os.sep}", "").replace(str(folder), "")

    return type(error)(
        short(error.message),
        field=error.field,
        value=None if error.value is None else short(str(error.value)),
        allowed=short(error.allowed),
        where=short(error.where),
    )


def without_folders(error: Exception, folder: Path) -> Exception:
    """Return an error as it may leave this machine: files named from the library's folder."""
    if isinstance(error, InputError):
        return _without_folder(error, folder)
    if isinstance(error, StoreError):
        return StoreError(str(error).replace(str(folder), ""))
    return error
