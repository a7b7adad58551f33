"""A report is signed once: after that it is always made again as it was, and only added to."""

from __future__ import annotations

import html as entities
import json
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.event_models import SignedEvent
from backstay.adapters.events_file import events_path, line_of, read_events
from backstay.adapters.report_file import ReportDocument, content_digest, kept_name
from backstay.adapters.store import Store
from backstay.adapters.store_chain import first_link, next_link
from backstay.app.packing import unpack_case
from backstay.app.record import Recorder, default_store
from backstay.app.reporting import Extras, add_to_report, report, sign_report
from backstay.cli import app
from backstay.errors import InputError, StoreError
from backstay.report.procedure.page import html
from backstay.report.procedure.paper import pdf
from backstay.report.procedure.text import text

BY = "Dr #Invented <b>& *Sons*"
NOW = datetime(2031, 4, 5, 12, 30, tzinfo=UTC)


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def sign(case_file: Path, *, dose: bool = True, digest: str | None = None) -> ReportDocument:
    extras = Extras(dose=(case_file.with_name("dose.dcm"),)) if dose else Extras()
    return sign_report(case_file, extras, by=BY, digest=digest, clock=lambda: NOW)


def test_signing_is_an_event_with_the_digest_and_the_head(recorded_case: Path) -> None:
    draft = report(recorded_case, Extras(dose=(recorded_case.with_name("dose.dcm"),)))
    signed = sign(recorded_case)
    last = read_events(events_path(recorded_case))[-1]
    assert isinstance(last, SignedEvent)
    assert (last.by, last.report_sha256, last.head) == (BY, draft.content_sha256, draft.head)
    assert content_digest(signed.content) == last.report_sha256
    assert signed.content == draft.content and signed.events == draft.events
    assert signed.status == "signed" and signed.head_checked
    store = Store(default_store())
    links = store.links(signed.content.record)
    store.close()
    assert links[signed.events - 1].link == last.head


def test_a_signed_report_says_by_whom_and_is_no_draft(recorded_case: Path) -> None:
    signed = sign(recorded_case)
    for form in (text(signed), entities.unescape(html(signed))):
        assert f"Signed by {BY}, 2031-04-05 14:30" in form
        assert "DRAFT" not in form
        assert signed.head in form and signed.content_sha256 in form


def test_nothing_but_addenda_follows(recorded_case: Path) -> None:
    sign(recorded_case)
    for words in (("log", recorded_case, "contrast 8"), ("log", recorded_case, "undo")):
        assert invoke(*words).exit_code == 5
    with pytest.raises(InputError, match="signed already"):
        sign(recorded_case, dose=False)
    result = invoke("report", recorded_case, "--dose", recorded_case.with_name("dose.dcm"))
    assert result.exit_code == 5 and "nothing more goes into it" in result.stderr


def test_whatever_changes_around_it_the_report_is_the_same(recorded_case: Path) -> None:
    signed = sign(recorded_case)
    forms = (text(signed), html(signed), pdf(signed))
    for old, new in (
        ("creatinine_mg_dL = 1.1", "creatinine_mg_dL = 2.9"),
        ('title = "Inv', 'title = "Another inv'),
    ):
        recorded_case.write_text(recorded_case.read_text().replace(old, new))
    recorded_case.with_name("dose.dcm").unlink()
    again = report(recorded_case)
    assert again == signed
    assert (text(again), html(again), pdf(again)) == forms


def test_an_event_put_into_the_file_afterwards_is_refused(recorded_case: Path) -> None:
    sign(recorded_case)
    line = {
        "schema": 1,
        "id": "late",
        "at": "2031-04-05T10:05:00+02:00",
        "author_role": "nurse",
        "kind": "contrast",
    }
    with events_path(recorded_case).open("a") as file:
        file.write(json.dumps({**line, "volume_mL": 90.0}) + "\n")
    with pytest.raises(InputError, match="the report is signed"):
        report(recorded_case)


def test_kept_content_that_was_changed_is_refused(recorded_case: Path, tmp_path: Path) -> None:
    signed = sign(recorded_case)
    with sqlite3.connect(tmp_path / "records.sqlite") as database:
        # As somebody with the file in hand might: the store's own guards go first.
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f"DROP TRIGGER {name}")
        changed = database.execute(
            "UPDATE kept_file SET content = replace(content, '1184', '118') WHERE name = ?",
            (kept_name(signed.content_sha256),),
        )
        assert changed.rowcount == 1
    database.close()
    with pytest.raises(StoreError, match="is not what was signed"):
        report(recorded_case)


def test_addenda_stand_apart_and_leave_the_report_as_it_was(recorded_case: Path) -> None:
    signed = sign(recorded_case)
    words = "Potassium 4.1 #the <next> morning."
    added = add_to_report(recorded_case, by="Dr Second", text=words, clock=lambda: NOW)
    assert added.content == signed.content and added.signature == signed.signature
    assert [(one.by, one.text) for one in added.addenda] == [("Dr Second", words)]
    said = text(added)
    assert "ADDED AFTER SIGNING" in said and words in said
    assert report(recorded_case) == added


def test_a_draft_takes_no_addendum(recorded_case: Path) -> None:
    result = invoke("addendum", recorded_case, "words", "--by", "Dr Second")
    assert result.exit_code == 5 and "the report is a draft" in result.stderr


def test_only_the_report_that_was_read_is_signed(recorded_case: Path) -> None:
    draft = report(recorded_case)
    with pytest.raises(InputError, match="not the one that was read"):
        sign(recorded_case, dose=True, digest=draft.content_sha256[:16])
    with pytest.raises(InputError, match="not the one that was read"):
        sign(recorded_case, dose=False, digest=draft.content_sha256[:4])
    assert report(recorded_case).is_draft
    assert not sign(recorded_case, dose=False, digest=draft.content_sha256[:16]).is_draft


def test_a_record_that_grew_meanwhile_is_not_signed(recorded_case: Path) -> None:
    first = Recorder(recorded_case)
    head = first.listed.head
    second = Recorder(recorded_case)
    second.log("contrast 5")
    second.close()
    with pytest.raises(InputError, match="grown meanwhile"):
        first.store.append(first.record_id, first.events[-1].model_copy(update={"id": "late"}), after=head)
    first.close()


def test_packed_and_unpacked_it_is_the_same_draft(recorded_case: Path, tmp_path: Path) -> None:
    draft = report(recorded_case)
    assert invoke("pack", recorded_case, "--into", tmp_path / "packed.json").exit_code == 0
    _, moved = unpack_case(
        tmp_path / "packed.json", tmp_path / "moved", store_url=f"sqlite:///{tmp_path / 'b.sqlite'}"
    )
    assert report(moved, store_url=f"sqlite:///{tmp_path / 'b.sqlite'}") == draft


def test_packed_and_unpacked_it_is_the_same_signed_report(recorded_case: Path, tmp_path: Path) -> None:
    sign(recorded_case)
    added = add_to_report(recorded_case, by="Dr Second", text="Later.", clock=lambda: NOW)
    assert invoke("pack", recorded_case, "--into", tmp_path / "packed.json").exit_code == 0
    _, moved = unpack_case(
        tmp_path / "packed.json", tmp_path / "moved", store_url=f"sqlite:///{tmp_path / 'b.sqlite'}"
    )
    again = report(moved, store_url=f"sqlite:///{tmp_path / 'b.sqlite'}")
    assert again == added
    assert pdf(again) == pdf(added)


def test_from_its_file_alone_it_is_made_again_or_refused(recorded_case: Path, tmp_path: Path) -> None:
    """Another store takes the record in from the file: its chain is another, and that is said."""
    signed = sign(recorded_case, dose=False)
    other = f"sqlite:///{tmp_path / 'other.sqlite'}"
    again = report(recorded_case, store_url=other)
    assert again.content == signed.content and not again.head_checked
    assert "not checked here" in text(again)
    recorded_case.write_text(recorded_case.read_text().replace("weight_kg = 78", "weight_kg = 79"))
    with pytest.raises(StoreError, match="cannot be made again as it was signed"):
        report(recorded_case, store_url=other)


def rechained(store: Store, record: str, old: str, new: str) -> None:
    """Change an event as somebody would who also makes the chain anew: the store's own check sees nothing."""
    with store.engine.begin() as connection:
        names = connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'trigger'").scalars()
        for name in list(names):
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        rows = connection.exec_driver_sql("SELECT position, written_at, content FROM event ORDER BY position")
        link = first_link(record)
        for position, written_at, content in rows.fetchall():
            changed = content.replace(old, new)
            link = next_link(link, written_at, changed)
            connection.exec_driver_sql(
                "UPDATE event SET content = ?, link = ? WHERE position = ?", (changed, link, position)
            )
        connection.exec_driver_sql("UPDATE record SET head = ?", (link,))


def test_a_record_changed_before_its_signature_is_refused_where_it_was_signed(recorded_case: Path) -> None:
    """However long after its first event: the store knows that the signature was written in it."""
    signed = sign(recorded_case)
    store = Store(default_store())
    record = signed.content.record
    old = next(x.content for x in store.links(record) if '"kind":"contrast"' in x.content)
    rechained(store, record, old, old.replace('"volume_mL":', '"volume_mL":1'))
    store.events(record)  # the chain by itself is whole
    store.close()
    events_path(recorded_case).unlink()
    text = "\n".join(line_of(event) for event in Store(default_store()).events(record))
    events_path(recorded_case).write_text(f"{text}\n")
    with pytest.raises(StoreError, match="is not what was signed"):
        report(recorded_case)


def test_a_record_signed_and_taken_in_at_once_is_not_taken_for_a_changed_one(
    recorded_case: Path, tmp_path: Path
) -> None:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    file = events_path(recorded_case)
    opened, rest = file.read_text().split("\n", 1)
    file.write_text(json.dumps({**json.loads(opened), "at": now}) + "\n" + rest)
    sign_report(recorded_case, by=BY, clock=lambda: datetime.now(UTC))
    assert not report(recorded_case, store_url=f"sqlite:///{tmp_path / 'other.sqlite'}").head_checked


def test_the_commands(recorded_case: Path, tmp_path: Path) -> None:
    result = invoke("sign", recorded_case, "--by", "Dr Invented")
    assert result.exit_code == 0, result.stderr
    assert "Signed by Dr Invented" in result.stdout and "not recorded" in result.stdout
    assert invoke("addendum", recorded_case, "--by", "Dr Second", "It", "healed.").exit_code == 0
    document = json.loads(invoke("report", recorded_case, "--json").stdout)
    assert document["status"] == "signed" and document["addenda"][0]["text"] == "It healed."
    assert invoke("sign", recorded_case, "--by", "").exit_code == 5
    shutil.rmtree(recorded_case.parent)
    assert invoke("sign", recorded_case, "--by", "Dr Invented").exit_code == 3
