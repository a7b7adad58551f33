"""Writes every file that is made from code: the JSON Schemas, the demo's path, the pages' types.

`--check` writes nothing; it names the files that are stale, missing or no longer made, and exits with 1.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SCHEMAS = ROOT / "src" / "backstay" / "schemas"

sys.path[:0] = [str(ROOT / "src"), str(ROOT / "tools")]

import frontend_types  # noqa: E402
import make_demo_path  # noqa: E402

from backstay.adapters.audit_file import dictionary_page  # noqa: E402
from backstay.adapters.schemas import all_schemas  # noqa: E402
from backstay.core.safety.hazards import HAZARDS  # noqa: E402
from backstay.identifiers import Level  # noqa: E402
from backstay.sources import all_sources  # noqa: E402


def outputs() -> dict[Path, str]:
    """Return the text of every generated file."""
    files = {
        SCHEMAS / f"{name}.schema.json": json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
        for name, schema in all_schemas().items()
    }
    files[ROOT / "examples" / "demo" / "path.csv"] = make_demo_path.text()
    files[ROOT / "docs" / "hazards.md"] = hazards_page()
    files[ROOT / "docs" / "audit.md"] = dictionary_page()
    files[ROOT / "frontend" / "src" / "api.ts"] = frontend_types.text()
    return files


def hazards_page() -> str:
    """Return the page that lists every hazard."""
    lines = [
        "# Hazards",
        "",
        "Written by `make docs` from the rules under `src/backstay/core/safety/hazards`; do not edit. A name in braces is a "
        "fact that is filled in; what each fact means stands in `core/rules/facts.py`. Reminders in the trade's words: they "
        "replace no instructions for use, no local protocol and no operator's judgement.",
        "",
        "| id | level | says | rests on | source |",
        "|---|---|---|---|---|",
    ]
    for rule in sorted(HAZARDS, key=lambda rule: (list(Level).index(rule.level), rule.id)):
        cited = all_sources().get(rule.source)
        source = rule.source if cited is None else f"[@{rule.source}], read as {cited.read_as}"
        names = ", ".join(rule.when.names())
        lines.append(f"| `{rule.id}` | {rule.level} | {rule.say} | {names} | {source} |")
    return "\n".join(lines) + "\n"


def stale(files: dict[Path, str]) -> list[str]:
    """Return the generated files that differ from what they should say, and schemas nobody makes any more."""
    different = [
        path for path, text in files.items() if not path.is_file() or path.read_text("utf-8") != text
    ]
    orphans = [path for path in SCHEMAS.glob("*.json") if path not in files]
    return sorted(path.relative_to(ROOT).as_posix() for path in [*different, *orphans])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--check", action="store_true", help="write nothing; exit with 1 when a file is stale"
    )
    files = outputs()
    if parser.parse_args().check:
        names = stale(files)
        print("\n".join(f"stale: {name}" for name in names), end="\n" if names else "")
        return 1 if names else 0
    for path, text in files.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
