"""The JSON Schemas of every file that crosses a boundary, made from the models and shipped in `schemas/`."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from backstay.adapters.case_file import case_schema
from backstay.adapters.event_models import event_schema
from backstay.adapters.guides_document import GuidesDocument
from backstay.adapters.holds_file import holds_schema
from backstay.adapters.learned_file import learned_schema
from backstay.adapters.limits_file import limits_schema
from backstay.adapters.measurement_file import measurement_schema
from backstay.adapters.plan_file import PlanDocument
from backstay.adapters.priors_file import priors_schema
from backstay.adapters.protocol_file import protocol_schema
from backstay.adapters.report_file import report_schema
from backstay.adapters.shelf_file import ShelfDocument
from backstay.adapters.teaching_file import AuthorFile, TeachingDocument
from backstay.adapters.time_out_file import time_out_schema
from backstay.adapters.treatment_file import treatment_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of an exported plan."""
    return PlanDocument.model_json_schema(by_alias=True, mode="serialization")


def shelf_schema() -> dict[str, Any]:
    """Return the JSON Schema of a shelf file."""
    return _of(ShelfDocument)


def _of(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)


def all_schemas() -> dict[str, dict[str, Any]]:
    """Return every schema by the name of its file (without ".schema.json")."""
    schemas = {
        "case": case_schema(),
        "event": event_schema(),
        "guides": GuidesDocument.model_json_schema(by_alias=True, mode="serialization"),
        "learned": learned_schema(),
        "holds": holds_schema(),
        "limits": limits_schema(),
        "measurement": measurement_schema(),
        "plan": plan_schema(),
        "priors": priors_schema(),
        "protocol": protocol_schema(),
        "report": report_schema(),
        "shelf": shelf_schema(),
        "teach": _of(AuthorFile),
        "teaching": TeachingDocument.model_json_schema(by_alias=True, mode="serialization"),
        "time_out": time_out_schema(),
        "treatment": treatment_schema(),
    }
    return {name: {"$schema": DIALECT, **schema} for name, schema in schemas.items()}
