"""Commands about the program itself: the sources behind its numbers."""

from __future__ import annotations

import json

from backstay.cli.base import STDOUT, JsonOption, app, check_outputs, given, open_console, save


@app.command()
def sources(json_file: JsonOption = None) -> None:
    """List the published sources behind the numbers."""
    from dataclasses import asdict

    from backstay.sources import all_sources

    outputs = given(json=json_file)
    check_outputs(outputs)
    found = list(all_sources().values())
    text = json.dumps([asdict(source) for source in found], indent=1, ensure_ascii=False) + "\n"
    save(dict.fromkeys(outputs.values(), text))
    if STDOUT in outputs.values():
        return
    from rich.table import Table
    from rich.text import Text

    table = Table("key", "citation", "read as", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for source in found:
        table.add_row(Text(source.key), Text(source.citation), Text(source.read_as))
    open_console().print(table)
