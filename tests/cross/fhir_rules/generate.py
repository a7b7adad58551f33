"""Writes what FHIR 4.0.1 asks of the resource types in a report's bundle: `elements.csv` and `invariants.csv`.

Read from the definitions that HL7 publishes with the standard (profiles-resources.json, profiles-types.json,
valuesets.json; public domain, CC0), given as a folder:

    python tests/cross/fhir_rules/generate.py FOLDER
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
VERSION = "4.0.1"
RESOURCES = (
    "Bundle Device DeviceUseStatement DiagnosticReport Observation Patient Practitioner Procedure".split()
)
TYPES = (
    "Annotation Attachment CodeableConcept Coding Extension HumanName Identifier Meta Narrative Period Quantity "
    "Reference"
).split()
# Those are asked of every element and every resource, and are kept once, under the type that says them.
GENERAL = ["Element", "DomainResource"]


def definitions(file: Path, names: list[str]) -> dict[str, Any]:
    found = {
        entry["resource"]["id"]: entry["resource"]
        for entry in json.loads(file.read_text())["entry"]
        if entry["resource"]["resourceType"] == "StructureDefinition" and entry["resource"]["id"] in names
    }
    assert all(one["fhirVersion"] == VERSION for one in found.values())
    return found


class Codes:
    """The codes of value sets that list them, or that take whole code systems."""

    def __init__(self, file: Path) -> None:
        resources = [entry["resource"] for entry in json.loads(file.read_text())["entry"]]
        self.by_url = {one["url"]: one for one in resources if "url" in one}

    def of(self, value_set: str) -> list[str]:
        found = self.by_url.get(value_set.split("|")[0])
        if found is None:
            return []
        codes: list[str] = []
        for part in found["compose"]["include"]:
            if "concept" in part:
                codes += [one["code"] for one in part["concept"]]
            elif part.get("system") in self.by_url:
                codes += self._all(self.by_url[part["system"]].get("concept", []))
            else:
                return []
        return codes

    def _all(self, concepts: list[Any]) -> list[str]:
        return [c for one in concepts for c in (one["code"], *self._all(one.get("concept", [])))]


def types_of(element: Any) -> list[str]:
    """Return the types, a reference with what it may point at; another element's place where it is shared."""
    if "contentReference" in element:
        return [element["contentReference"]]
    found = []
    for one in element.get("type", []):
        targets = [url.rsplit("/", 1)[1] for url in one.get("targetProfile", [])]
        found.append(one["code"].rsplit(".", 1)[-1] + (f"({','.join(targets)})" if targets else ""))
    return found


def main(folder: Path) -> None:
    found = {
        **definitions(folder / "profiles-resources.json", [*RESOURCES, "DomainResource"]),
        **definitions(folder / "profiles-types.json", [*TYPES, "Element"]),
    }
    codes = Codes(folder / "valuesets.json")
    elements, invariants = [], []
    for name in [*RESOURCES, *TYPES, *GENERAL]:
        for element in found[name]["snapshot"]["element"]:
            binding = element.get("binding", {})
            required = codes.of(binding["valueSet"]) if binding.get("strength") == "required" else []
            if name not in GENERAL and "." in element["path"]:
                elements.append(
                    [
                        element["path"],
                        element["min"],
                        element["max"],
                        " ".join(types_of(element)),
                        " ".join(required),
                    ]
                )
            for rule in element.get("constraint", []):
                own = rule.get("source", "").rsplit("/", 1)[-1] in ("", name)
                if own and "expression" in rule and not element["path"].endswith(".extension"):
                    row = [element["path"], rule["key"], rule["severity"], rule["expression"]]
                    invariants += [row] if row not in invariants else []
    write("elements.csv", ["path", "min", "max", "types", "required_codes"], elements)
    write("invariants.csv", ["path", "key", "severity", "expression"], invariants)


def write(name: str, header: list[str], rows: list[list[Any]]) -> None:
    with (HERE / name).open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerows([header, *rows])
    print(f"{name}: {len(rows)} rows")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
