"""The shipped JSON Schemas say what the program says, and a stale one is named."""

from __future__ import annotations

import json
import runpy
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from backstay.adapters.schemas import all_schemas
from backstay.adapters.toml_text import read_toml

NAMES = (
    *("case", "event", "guides", "holds", "learned", "limits", "measurement", "plan", "priors", "protocol"),
    *("report", "shelf", "teach", "teaching", "time_out", "treatment"),
)


@pytest.fixture(scope="module")
def generate(root: Path) -> dict[str, Any]:
    return runpy.run_path(str(root / "tools" / "generate.py"))


@pytest.mark.parametrize("name", NAMES)
def test_shipped_and_valid(name: str) -> None:
    shipped = (
        resources.files("backstay").joinpath("schemas", f"{name}.schema.json").read_text(encoding="utf-8")
    )
    assert json.loads(shipped) == all_schemas()[name]
    jsonschema.Draft202012Validator.check_schema(all_schemas()[name])


def test_no_schema_is_left_out() -> None:
    assert sorted(all_schemas()) == sorted(NAMES)


@pytest.mark.parametrize(("name", "file"), [("case", "case.toml"), ("shelf", "shelf.toml")])
def test_the_demo_follows_them(demo_dir: Path, name: str, file: str) -> None:
    data = read_toml(demo_dir / file)
    jsonschema.validate(data, all_schemas()[name])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**data, "extra": 1}, all_schemas()[name])


def test_stale_missing_and_orphaned_files_are_named(generate: dict[str, Any], root: Path) -> None:
    outputs, stale = generate["outputs"](), generate["stale"]
    assert stale(outputs) == []
    schema, path = (root / "src/backstay/schemas/case.schema.json"), (root / "examples/demo/path.csv")
    assert {schema, path} <= outputs.keys()
    assert stale({**outputs, schema: outputs[schema] + " "}) == ["src/backstay/schemas/case.schema.json"]
    assert stale({**outputs, root / "docs" / "none.md": ""}) == ["docs/none.md"]
    del outputs[schema]
    assert stale(outputs) == ["src/backstay/schemas/case.schema.json"]
