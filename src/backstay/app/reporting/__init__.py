"""The report of a procedure: made from case and record, signed once, added to afterwards, never changed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from backstay.adapters.event_models import AddendumEvent, Event, SignedEvent
from backstay.adapters.events_file import events_path
from backstay.adapters.plan_file import read_plan
from backstay.adapters.report_file import (
    Addendum,
    ReportContent,
    ReportDocument,
    Signature,
    content_digest,
    content_text,
    kept_name,
    read_content,
)
from backstay.app.loading import LoadedCase
from backstay.app.mending import recorded
from backstay.app.record import Clock, Recorder, input_files, local_clock
from backstay.app.reporting.attempts import check_plan
from backstay.app.reporting.content import content
from backstay.app.reporting.told import Told
from backstay.app.safety.skin import read_reports
from backstay.errors import InputError, NotFound, StoreError
from backstay.identifiers import EventKind

__all__ = ["Extras", "add_to_report", "report", "sign_report"]

_SHORTEST_DIGEST = 8


@dataclass(frozen=True)
class Extras:
    """What is handed over with the case.

    Attributes
    ----------
    plan : Path or None
        A plan of this case as JSON, to hold the attempts against.
    dose : tuple of Path
        Dose reports, for the machine's totals and the skin.
    """

    plan: Path | None = None
    dose: tuple[Path, ...] = ()


def report(case_file: Path, extras: Extras | None = None, *, store_url: str | None = None) -> ReportDocument:
    """Return the report of a case as it stands: a draft, or what was signed with what was added.

    Raises
    ------
    NotFound, FileFormatError, InputError
        The case, its record, a plan or a dose report cannot be read, or belong elsewhere.
    StoreError
        The store cannot be used, or a signed report cannot be made again as it was signed.
    """
    recorder = _open(case_file, store_url)
    try:
        return _document(recorder, extras or Extras())
    finally:
        recorder.close()


def sign_report(
    case_file: Path,
    extras: Extras | None = None,
    *,
    by: str,
    digest: str | None = None,
    store_url: str | None = None,
    author_role: str = "operator",
    clock: Clock = local_clock,
) -> ReportDocument:
    """Sign the report of a case; nothing but addenda can follow.

    Parameters
    ----------
    case_file : Path
        The case.
    extras : Extras, optional
        As for `report`.
    by : str
        Who signs.
    digest : str, optional
        Beginning of the digest at the foot of the draft that was read; another report is refused.
    store_url, author_role, clock
        As of a recorder.

    Raises
    ------
    InputError
        It is signed already, the digest differs, or the record has moved on meanwhile; nothing was signed.
    """
    recorder = _open(case_file, store_url, author_role, clock)
    try:
        if _signed(recorder.events) is not None:
            raise InputError(
                "the report is signed already", field="report", value="signed", allowed="a draft"
            )
        draft = _document(recorder, extras or Extras())
        _check_digest(draft.content_sha256, digest)
        recorder.store.keep(recorder.record_id, kept_name(draft.content_sha256), content_text(draft.content))
        recorder.add(
            EventKind.SIGNED,
            after=draft.head,
            by=by,
            report_sha256=draft.content_sha256,
            head=draft.head,
        )
        return _document(recorder, Extras())
    finally:
        recorder.close()


def add_to_report(
    case_file: Path,
    *,
    by: str,
    text: str,
    store_url: str | None = None,
    author_role: str = "operator",
    clock: Clock = local_clock,
) -> ReportDocument:
    """Add to a signed report; what was signed stays as it is.

    Raises
    ------
    InputError
        The report is a draft.
    """
    recorder = _open(case_file, store_url, author_role, clock)
    try:
        recorder.add(EventKind.ADDENDUM, by=by, text=text)
        return _document(recorder, Extras())
    finally:
        recorder.close()


def _open(
    case_file: Path, store_url: str | None, author_role: str = "recorder", clock: Clock = local_clock
) -> Recorder:
    """Open a record that there is: a report begins none."""
    if not recorded(case_file, store_url=store_url):
        raise NotFound(
            "no record of this case",
            field="CASE",
            value=str(case_file),
            allowed=f"a case with {events_path(case_file).name} beside it, as `backstay log` writes",
        )
    return Recorder(case_file, store_url=store_url, author_role=author_role, clock=clock)


def _is_head(recorder: Recorder, signed: SignedEvent, place: int) -> bool:
    """Return whether the chain before a signature is the one signed; False where this store took the signature in from a file.

    Raises
    ------
    StoreError
        The signature was written here, and the chain before it is another one now.
    """
    links = recorder.store.links(recorder.record_id)
    if links[place].link == signed.head:
        return True
    if links[place + 1].taken_in:
        return False
    raise StoreError(
        f"record {recorder.record_id}: what stands before the signature is not what was signed, it was changed in the store "
        f"(head {links[place].link[:12]}, signed {signed.head[:12]})"
    )


def _signed(events: Sequence[Event]) -> SignedEvent | None:
    return next((event for event in events if isinstance(event, SignedEvent)), None)


def _document(recorder: Recorder, extras: Extras) -> ReportDocument:
    signed = _signed(recorder.events)
    if signed is None:
        made = content(_told(recorder.case, recorder.events, extras))
        return ReportDocument(
            schema=1,
            status="draft",
            content=made,
            content_sha256=content_digest(made),
            head=recorder.listed.head,
            events=len(recorder.events),
            head_checked=True,
            signature=None,
            addenda=[],
        )
    if extras != Extras():
        raise InputError(
            "the report is signed: nothing more goes into it",
            field="--plan or --dose",
            allowed="neither, or an addendum",
        )
    kept = _as_signed(recorder, signed)
    place = recorder.events.index(signed) - 1
    zone = recorder.events[0].at.tzinfo

    def at(event: Event) -> str:
        return event.at.astimezone(zone).isoformat(timespec="minutes")

    return ReportDocument(
        schema=1,
        status="signed",
        content=kept,
        content_sha256=signed.report_sha256,
        head=signed.head,
        events=recorder.events.index(signed),
        head_checked=_is_head(recorder, signed, place),
        signature=Signature(
            by=signed.by, at=at(signed), report_sha256=signed.report_sha256, head=signed.head
        ),
        addenda=[
            Addendum(by=e.by, at=at(e), text=e.text) for e in recorder.events if isinstance(e, AddendumEvent)
        ],
    )


def _as_signed(recorder: Recorder, signed: SignedEvent) -> ReportContent:
    """Return what was signed: as kept, or made again; refused where it is not the same."""
    name = kept_name(signed.report_sha256)
    text = recorder.store.files(recorder.record_id).get(name)
    where = f"record {recorder.record_id}: {name}"
    if text is not None:
        if hashlib.sha256(text.encode()).hexdigest() != signed.report_sha256:
            raise StoreError(f"{where} is not what was signed")
        return read_content(text, where=where)
    before = recorder.events[: recorder.events.index(signed)]
    again = content(_told(recorder.case, before, Extras()))
    if content_digest(again) != signed.report_sha256:
        raise StoreError(
            f"{where} is not in this store, and cannot be made again as it was signed: the files, the plan, the dose "
            "report or the program have changed; unpack the case that was packed after signing"
        )
    return again


def _told(case: LoadedCase, events: Sequence[Event], extras: Extras) -> Told:
    plan = None
    if extras.plan is not None:
        plan = read_plan(extras.plan)
        check_plan(plan, case.title, case.vessel_name, case.path.length_mm, where=str(extras.plan))
    return Told(
        case=case,
        events=tuple(events),
        plan=plan,
        reports=tuple(read_reports(extras.dose)),
        inputs=_digests(case, extras),
    )


def _digests(case: LoadedCase, extras: Extras) -> dict[str, str]:
    """Return the SHA-256 of everything a report is made from, by file name; one name twice is told apart."""
    found = {name: _sha256(text.encode()) for name, text in input_files(case).items()}
    more = [case.protocol_file, extras.plan, *extras.dose]
    if case.vessel.measurement is not None:
        more.append(case.file.parent / case.vessel.measurement)
    for file in more:
        if file is not None:
            same = sum(name.split(" (")[0] == file.name for name in found)
            found[f"{file.name} ({same + 1})" if same else file.name] = _sha256(file.read_bytes())
    return found


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _check_digest(found: str, wanted: str | None) -> None:
    if wanted is None:
        return
    if len(wanted) < _SHORTEST_DIGEST or not found.startswith(wanted.lower()):
        raise InputError(
            "the report is not the one that was read, and was not signed: read it as it stands now",
            field="digest",
            value=wanted,
            allowed=f"what stands at the foot of that report, at least {_SHORTEST_DIGEST} characters of it",
        )
