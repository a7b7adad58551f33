"""Commands that choose the treatment."""

from __future__ import annotations

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
    JsonOption,
    SeedOption,
    app,
    as_json,
    check_outputs,
    given,
    open_console,
    save,
)


@app.command()
def size(case: CaseArgument, json_file: JsonOption = None, seed: SeedOption = 1) -> None:
    """Which preparation, stents and balloons, what to expect, and what it is worth."""
    from backstay.app.loading import load_case
    from backstay.app.treatment import size_case

    outputs = given(json=json_file)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    found = size_case(loaded, seed=seed)
    save(dict.fromkeys(outputs.values(), as_json(found)))
    if STDOUT not in outputs.values():
        from backstay.report.treatment_terminal import render_treatment

        render_treatment(found, open_console())
