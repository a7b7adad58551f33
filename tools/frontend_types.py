"""Types of the pages, from the API's own description: `frontend/src/api.ts`."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from fastapi.openapi.utils import get_openapi

from backstay.app.library import Library
from backstay.web.application import inside
from backstay.web.desks import Desks
from backstay.web.hub import Hub
from backstay.web.parts import Workbench
from backstay.web.visits import Visits

HEAD = """\
// Written by `make docs` from the models of the API; do not edit.
"""
NAMES = {"string": "string", "number": "number", "integer": "number", "boolean": "boolean", "null": "null"}


def described() -> dict[str, Any]:
    """Return the API's description."""
    with tempfile.TemporaryDirectory() as folder:
        library, hub = Library(Path(folder)), Hub()
        app = inside(Workbench(library, Desks(library, hub), hub, Visits(), "x"))
        return get_openapi(title=app.title, version=app.version, routes=app.routes)


def text() -> str:
    """Return the file."""
    schemas = described()["components"]["schemas"]
    return HEAD + "".join(_declared(name, schema) for name, schema in sorted(schemas.items()))


def _declared(name: str, schema: dict[str, Any]) -> str:
    if "enum" in schema or "properties" not in schema:
        return f"\nexport type {name} = {_type(schema)};\n"
    needed = set(schema.get("required", ()))
    rows = [
        f"  readonly {key}{'' if key in needed else '?'}: {_type(part)};"
        for key, part in schema["properties"].items()
    ]
    return f"\nexport interface {name} {{\n" + "\n".join(rows) + "\n}\n"


def _type(schema: dict[str, Any]) -> str:
    if "$ref" in schema:
        return str(schema["$ref"].rsplit("/", 1)[1])
    if "const" in schema:
        return _literal(schema["const"])
    if "enum" in schema:
        return " | ".join(_literal(value) for value in schema["enum"])
    for key in ("anyOf", "oneOf"):
        if key in schema:
            return " | ".join(dict.fromkeys(_type(part) for part in schema[key]))
    if schema.get("type") == "array":
        return f"readonly ({_type(schema.get('items', {}))})[]"
    if schema.get("type") == "object":
        return f"{{ readonly [name: string]: {_type(schema.get('additionalProperties') or {})} }}"
    return NAMES.get(str(schema.get("type")), "unknown")


def _literal(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()
