"""Audit rows as they leave the program: two tidy tables, their dictionary, CSV and Parquet.

The dictionary below is the one description of the columns: files, `docs/audit.md` and the check of every row are made from it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from backstay.errors import InputError

Kind = Literal["text", "number", "count", "yes/no"]
Row = Mapping[str, Any]
ENDS = (".csv", ".parquet")


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
        Ends in its unit, where it has one.
    kind : str
        text, number, count or yes/no.
    what : str
        What it holds, and when it is empty.
    """

    name: str
    kind: Kind
    what: str


def _q(name: str, what: str) -> tuple[Column, ...]:
    return tuple(
        Column(f"{name}_p{p}_N", "number", f"{what}, {p}th percentile of the draws; empty where not reached")
        for p in (10, 50, 90)
    )


_CASE = Column(
    "case", "text", "the case, by a digest of its record's identifier: joins the two tables, names nobody"
)
CASES: tuple[Column, ...] = (
    _CASE,
    Column("invented", "yes/no", "an invented case: leave out of any count"),
    Column("age_decade_y", "count", "age by decade (70: 70 to 79); 90 is 90 and older"),
    Column("sex", "text", "female or male"),
    Column("vessel", "text", "as the case names it"),
    Column("path_length_mm", "number", "length of the path that was known"),
    Column("bend_to_target_deg", "number", "all bends from the ostium to the target's far end"),
    Column("least_lumen_mm", "number", "smallest lumen diameter up to the target's far end, at the start"),
    Column("lesion_count", "count", "lesions along the path"),
    Column("lesion_length_mm", "number", "length of the lesions that meet the target"),
    Column("calcium", "text", "the hardest of them: none, mild, moderate or severe"),
    Column("prepared_before", "text", "what had been done to them before the record, separated by spaces"),
    Column("branch_count", "count", "branches along the path"),
    Column("route", "text", "access route of the plan"),
    Column("sheath_fr", "number", "sheath of the plan, Fr"),
    Column("guide_fr", "number", "guide of the plan, Fr"),
    Column("guide_shape", "text", "its shape family"),
    Column("device_kind", "text", "what the plan was to deliver: stent, balloon, ..."),
    Column("device_diameter_mm", "number", "its nominal diameter; empty where it has none"),
    Column("device_length_mm", "number", "its working length"),
    Column("target_from_mm", "number", "where its working section was to begin, from the ostium"),
    Column("target_to_mm", "number", "and to end"),
    Column("closed_by", "text", "end (of the case) or signed (report); open cases have no row"),
    Column("duration_min", "number", "from the first to the last thing done in the room"),
    Column("attempts", "count", "attempts recorded"),
    Column("attempts_stopped", "count", "of them, those that stopped"),
    Column(
        "reached", "yes/no", "the planned device reached its place, or was opened; empty where never tried"
    ),
    Column("moves", "text", "moves in place at any attempt, separated by spaces"),
    Column("prepared", "text", "what was done to lesions during the record, separated by spaces"),
    Column("stent_count", "count", "stents opened"),
    Column("stent_length_mm", "number", "their working lengths together"),
    Column("contrast_mL", "number", "contrast recorded"),
    Column("contrast_limit_mL", "number", "lowest ceiling that bound the case; empty where none did"),
    Column("air_kerma_mGy", "number", "the machine's last total"),
    Column("air_kerma_limit_mGy", "number", "agreed before the case"),
    Column("kap_Gycm2", "number", "the machine's last total"),
    Column("fluoroscopy_min", "number", "the machine's last total"),
    Column("minutes_limit", "number", "agreed before the case"),
    Column("heparin_U", "number", "heparin recorded"),
    Column("act_least_s", "number", "least ACT recorded"),
    Column("act_last_s", "number", "last ACT recorded"),
    Column("complications", "text", "by their codes, separated by spaces; uncoded ones count as other"),
    Column("timi_flow", "count", "last recorded"),
    Column("residual_stenosis_percent", "number", "last recorded"),
    Column("minimum_stent_area_mm2", "number", "last recorded"),
    Column("ffr", "number", "last recorded"),
)
ATTEMPTS: tuple[Column, ...] = (
    _CASE,
    Column("attempt", "count", "its number within the case"),
    Column("minute", "number", "from the first entry of the record"),
    Column("device_kind", "text", "what was pushed"),
    Column("device_diameter_mm", "number", "its nominal diameter; empty where it has none"),
    Column("device_length_mm", "number", "its working length"),
    Column("guide_fr", "number", "guide in place, Fr"),
    Column("guide_shape", "text", "its shape family"),
    Column("seat_mm", "number", "how deep it was seated"),
    Column("extension_depth_mm", "number", "tip of the guide extension; empty where there was none"),
    Column("rail_stiffness_Nmm2", "number", "stiffness of the rail's core, as the shelf gives it"),
    Column("buddy_count", "count", "buddy wires in place"),
    Column("anchored", "yes/no", "an anchor balloon in a branch"),
    Column("wire_trapped", "yes/no", "a wire trapped behind a stent"),
    Column("prepared", "text", "what had been done to the lesions of the target by then, separated by spaces"),
    Column("dissected", "yes/no", "a dissection of them was known"),
    Column("push", "text", "how hard: gentle, firm, all_that_was_safe"),
    Column("outcome", "text", "reached or stopped"),
    Column("stopped_at_mm", "number", "place of the device's tip, where recorded"),
    Column("limited_by", "text", "what gave, where recorded"),
    Column("predicted_chance", "number", "the model's chance before this attempt, nothing learnt; empty where not asked"),
    *_q("predicted_need", "highest push needed on the way in"),
    *_q("predicted_backup", "backup"),
    Column("predicted_stop_mm", "number", "where the median draw stops; empty where it arrives"),
    Column("predicted_limited_by", "text", "what most often stops the draws that stop"),
    Column("not_predicted", "text", "why the model could not answer, where it was asked and could not"),
)  # fmt: skip


def attempts_file(to: Path) -> Path:
    """Return where the attempts go: `rows.csv` has `rows-attempts.csv` beside it."""
    return to.with_name(f"{to.stem}-attempts{to.suffix}")


def check_name(to: str) -> None:
    """Refuse a name that says neither CSV nor Parquet."""
    if not to.lower().endswith(ENDS):
        raise InputError("which format?", field="--to", value=to, allowed="F.csv or F.parquet")


def content_of(rows: Sequence[Row], columns: Sequence[Column], suffix: str) -> bytes:
    """Return a table in the format its file's name asks for; refuses a row that the dictionary does not describe."""
    for row in rows:
        _check(row, columns)
    return parquet(rows, columns) if suffix.lower() == ".parquet" else text_of(rows, columns).encode()


def _check(row: Row, columns: Sequence[Column]) -> None:
    types: dict[str, tuple[type, ...]] = {
        "text": (str,), "number": (int, float), "count": (int,), "yes/no": (bool,)
    }  # fmt: skip
    names = [column.name for column in columns]
    if sorted(row) != sorted(names):
        raise ValueError(f"columns {sorted(set(row) ^ set(names))} are not as the dictionary has them")
    for column in columns:
        value = row[column.name]
        wrong = not isinstance(value, types[column.kind])
        if value is not None and (wrong or (isinstance(value, bool) and column.kind != "yes/no")):
            raise ValueError(f"{column.name} = {value!r} is no {column.kind}")


def text_of(rows: Sequence[Row], columns: Sequence[Column]) -> str:
    """Return a table as CSV (RFC 4180): a head, one line a row, nothing for what is not known."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.name for column in columns])
    for row in rows:
        writer.writerow([_cell(row[column.name]) for column in columns])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(value)


def parquet(rows: Sequence[Row], columns: Sequence[Column]) -> bytes:
    """Return a table as Parquet, what each column holds beside it."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {"text": pa.string(), "number": pa.float64(), "count": pa.int64(), "yes/no": pa.bool_()}
    schema = pa.schema([pa.field(c.name, types[c.kind], metadata={"what": c.what}) for c in columns])
    made = {
        c.name: pa.array(
            [
                None if row[c.name] is None else float(row[c.name]) if c.kind == "number" else row[c.name]
                for row in rows
            ],
            type=types[c.kind],
        )
        for c in columns
    }
    out = io.BytesIO()
    pq.write_table(pa.table(made, schema=schema), out, compression="zstd")
    return out.getvalue()


def dictionary_page() -> str:
    """Return the data dictionary as a page."""
    lines = [
        "# Audit rows",
        "",
        "Written by `make docs` from `adapters/audit_file.py`; do not edit. `backstay audit CASE... --to rows.csv` (or `--store URL`, or",
        "`rows.parquet`) writes one row per closed case, and beside it in `rows-attempts.csv` one row per attempt. No dates, no names, no",
        "numbers of records: times are minutes, ages decades, the case a digest. What is not known is empty, never nought. `--no-model`",
        "leaves the predictions empty; with them, each attempt takes the model some seconds, and plans are kept for the next time.",
        "",
    ]
    for title, columns in (("Cases", CASES), ("Attempts", ATTEMPTS)):
        lines += [f"## {title}", "", "| column | holds | meaning |", "|---|---|---|"]
        lines += [f"| `{c.name}` | {c.kind} | {c.what} |" for c in columns]
        lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"
