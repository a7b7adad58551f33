"""The report's bundle against FHIR 4.0.1's own definitions: what an element may be, and the invariants.

`fhir_rules` holds both, as its `generate.py` read them from the published definitions. Expressions are evaluated by
a general library of FHIRPath. Definitions of R4B were not at hand in that form: R4B leaves these types as they
were (from memory of its list of changes), and its models check the bundle beside this.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import fhirpathpy
import pytest
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

from backstay.adapters.report_fhir import bundle_text
from backstay.adapters.report_file import ReportDocument
from backstay.app.reporting import Extras, sign_report
from backstay.report.procedure.paper import pdf
from backstay.report.procedure.text import text

RULES = Path(__file__).parent / "fhir_rules"
XHTML = "{http://www.w3.org/1999/xhtml}"
# Of the tags that a narrative may have, those that ours has.
TAGS = {XHTML + tag for tag in ("div", "p", "ul", "li")}


def rows(name: str) -> list[dict[str, str]]:
    with (RULES / name).open(newline="") as file:
        return list(csv.DictReader(file))


@dataclass(frozen=True)
class Element:
    """What the standard says of one element."""

    least: int
    most: float
    types: list[str]
    codes: set[str]


ELEMENTS = {
    row["path"]: Element(
        int(row["min"]),
        float(row["max"].replace("*", "inf")),
        row["types"].split(" "),
        set(row["required_codes"].split()),
    )
    for row in rows("elements.csv")
}
INVARIANTS = [(row["path"], row["key"], row["expression"]) for row in rows("invariants.csv")]
KINDS = {path.split(".")[0] for path in ELEMENTS}


def has_value(inputs: list[Any]) -> list[bool]:
    """FHIR's own addition to FHIRPath (4.0.1, 2.9.1): a single primitive value, and one is there."""
    values = [getattr(one, "data", one) for one in inputs]
    return [len(values) == 1 and values[0] is not None and not isinstance(values[0], dict | list)]


@cache
def compiled(expression: str) -> Callable[..., list[Any]]:
    added = {"hasValue": {"fn": has_value, "arity": {0: []}}}
    # The standard's text uses `as` of many things, which FHIRPath does not know; later versions write ofType.
    expression = expression.replace("descendants().as(", "descendants().ofType(")
    return fhirpathpy.compile(expression, models["r4"], {"userInvocationTable": added})


@dataclass(frozen=True)
class Node:
    """One element of a bundle.

    Attributes
    ----------
    place : str
        Where it stands.
    path, inside : str
        What the standard calls it where it stands, and under what it describes what is inside: for an element
        of its own kind the same, for one of a general type that type.
    value : object
        What stands there.
    resource : dict
        The resource it is part of.
    """

    place: str
    path: str
    inside: str
    value: Any
    resource: dict[str, Any]


def called(inside: str, name: str) -> tuple[str, str]:
    """Return a child's path in the standard, and its type; a choice of types has the type in its name."""
    if f"{inside}.{name}" in ELEMENTS:
        return f"{inside}.{name}", ELEMENTS[f"{inside}.{name}"].types[0].split("(")[0]
    for end in range(len(name) - 1, 0, -1):
        choice = ELEMENTS.get(f"{inside}.{name[:end]}[x]")
        for one in choice.types if choice is not None else ():
            if one.split("(")[0].lower() == name[end:].lower():
                return f"{inside}.{name[:end]}[x]", one.split("(")[0]
    raise LookupError(f"{inside} has no {name}")


def nodes(node: Node) -> Iterator[Node]:
    """Yield an element and every element in it."""
    yield node
    for name, inner in node.value.items() if isinstance(node.value, dict) else ():
        if name == "resourceType":
            continue
        path, kind = called(node.inside, name)
        for k, one in enumerate(inner if isinstance(inner, list) else [inner]):
            place = f"{node.place}.{name}[{k}]" if isinstance(inner, list) else f"{node.place}.{name}"
            if kind == "Resource":
                yield from nodes(Node(place, path, one["resourceType"], one, one))
            else:
                inside = kind if kind in KINDS else kind.removeprefix("#") if "#" in kind else path
                yield from nodes(Node(place, path, inside, one, node.resource))


def offences(bundle: dict[str, Any]) -> set[str]:
    """Return what the standard does not allow, as `rule at place`."""
    kinds = {entry.get("fullUrl"): entry.get("resource", {}).get("resourceType") for entry in bundle["entry"]}
    return {
        f"{rule} at {node.place}"
        for node in nodes(Node("Bundle", "Bundle", "Bundle", bundle, bundle))
        for rule in (*of_children(node), *of_value(node, kinds), *of_invariants(node))
    }


def of_children(node: Node) -> Iterator[str]:
    """Yield which children stand too often, not often enough, or as a list where one is meant."""
    for path, known in ELEMENTS.items() if isinstance(node.value, dict) else ():
        parent, _, name = path.rpartition(".")
        if parent != node.inside:
            continue
        there = [
            inner
            for one, inner in node.value.items()
            if one != "resourceType" and called(parent, one)[0] == path
        ]
        count = sum(len(inner) if isinstance(inner, list) else 1 for inner in there)
        if not known.least <= count <= known.most:
            yield f"{name} {count} times"
        if any(isinstance(inner, list) != (known.most > 1) for inner in there):
            yield f"{name} as a list or not"


def of_value(node: Node, kinds: dict[Any, Any]) -> Iterator[str]:
    """Yield a code that its value set does not have, and a reference to another kind of resource."""
    known = ELEMENTS.get(node.path)
    if known is None:
        return
    if known.codes and isinstance(node.value, str) and node.value not in known.codes:
        yield "a code of another value set"
    if isinstance(node.value, dict) and "reference" in node.value:
        targets = {t for one in known.types if "(" in one for t in one.split("(")[1].rstrip(")").split(",")}
        if targets and not targets & {kinds.get(node.value["reference"]), "Resource"}:
            yield "a reference to another kind"


def of_invariants(node: Node) -> Iterator[str]:
    """Yield the keys of the invariants that do not hold."""
    names = {node.path, node.inside}
    if isinstance(node.value, dict):
        names |= {"DomainResource"} if node.value is node.resource else {"Element"}
    for path, key, expression in INVARIANTS:
        if path not in names or (path == "DomainResource" and node.inside == "Bundle"):
            continue
        if expression == "htmlChecks()":
            yield from [] if html_is_plain(node.value) else [key]
            continue
        value = ResourceNode.create_node(node.value, node.inside)
        around = {"resource": node.resource, "rootResource": node.resource}
        if compiled(expression)(value, around) != [True]:
            yield key


def html_is_plain(div: str) -> bool:
    try:
        tree = ElementTree.fromstring(div)
    except ElementTree.ParseError:
        return False
    plain = all(one.tag in TAGS and not one.attrib for one in tree.iter())
    return plain and tree.tag == XHTML + "div" and bool("".join(tree.itertext()).strip())


def made(document: ReportDocument) -> dict[str, Any]:
    return json.loads(bundle_text(document, pdf=pdf(document), text=text(document)))


def test_nothing_in_the_bundle_offends_the_standard(document: ReportDocument) -> None:
    assert offences(made(document)) == set()


@pytest.fixture(scope="module")
def whole(root: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return a signed bundle, to be spoilt."""
    folder = tmp_path_factory.mktemp("recorded") / "case"
    shutil.copytree(root / "examples" / "recorded", folder)
    store = f"sqlite:///{folder.parent / 'records.sqlite'}"
    extras = Extras(dose=(folder / "dose.dcm",))
    signed = sign_report(folder / "case.toml", extras, by="Dr Invented", store_url=store)
    return json.dumps(made(signed))


def of(bundle: dict[str, Any], kind: str) -> dict[str, Any]:
    return next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind)


def with_component(bundle: dict[str, Any]) -> dict[str, Any]:
    return next(
        e["resource"]
        for e in bundle["entry"]
        if any("coding" in c["code"] for c in e["resource"].get("component", []))
    )


SPOILT: dict[str, Callable[[dict[str, Any]], object]] = {
    "bdl-1": lambda b: b.update(total=3),
    "bdl-2": lambda b: b["entry"][0].update(search={"mode": "match"}),
    "bdl-3": lambda b: b["entry"][0].update(request={"method": "GET", "url": "x"}),
    "bdl-4": lambda b: b["entry"][0].update(response={"status": "200"}),
    "bdl-5": lambda b: b["entry"].append({"fullUrl": "urn:uuid:0"}),
    "bdl-7": lambda b: b["entry"][1].update(fullUrl=b["entry"][0]["fullUrl"]),
    "bdl-8": lambda b: b["entry"][0].update(fullUrl="http://example.org/Patient/1/_history/1"),
    "bdl-9": lambda b: (b.update(type="document"), b["identifier"].pop("system")),
    "bdl-10": lambda b: (b.update(type="document"), b.pop("timestamp")),
    "bdl-11": lambda b: b.update(type="document"),
    "bdl-12": lambda b: b.update(type="message"),
    "obs-3": lambda b: of(b, "Observation").update(referenceRange=[{"type": {"text": "usual"}}]),
    "obs-6": lambda b: of(b, "Observation").update(valueString="x", dataAbsentReason={"text": "none"}),
    "obs-7": lambda b: (o := with_component(b)).update(valueString="x", code=o["component"][0]["code"]),
    "pat-1": lambda b: of(b, "Patient").update(contact=[{"gender": "female"}]),
    "att-1": lambda b: of(b, "DiagnosticReport")["presentedForm"][0].pop("contentType"),
    "ext-1": lambda b: of(b, "Patient").update(extension=[{"url": "http://example.org/x"}]),
    "txt-1": lambda b: of(b, "DiagnosticReport")["text"].update(
        div='<div xmlns="http://www.w3.org/1999/xhtml"><script>x</script></div>'
    ),
    "txt-2": lambda b: of(b, "DiagnosticReport")["text"].update(div='<div xmlns="http://www.w3.org/1999/xhtml"> </div>'),
    "per-1": lambda b: of(b, "Procedure")["performedPeriod"].update(end="1999-01-01T00:00:00+00:00"),
    "qty-3": lambda b: with_component(b)["component"][0]["valueQuantity"].pop("system"),
    "ref-1": lambda b: of(b, "Procedure").update(subject={"reference": "#nobody"}),
    "ele-1": lambda b: of(b, "Procedure").update(subject={"id": "x"}),
    "dom-2": lambda b: of(b, "Patient").update(
        contained=[{"resourceType": "Device", "id": "d", "contained": [{"resourceType": "Device", "id": "e"}]}]
    ),
    "dom-3": lambda b: of(b, "Patient").update(contained=[{"resourceType": "Device", "id": "d"}]),
    "dom-4": lambda b: of(b, "Patient").update(
        contained=[{"resourceType": "Device", "id": "d", "meta": {"versionId": "1"}}]
    ),
    "dom-5": lambda b: of(b, "Patient").update(
        contained=[{"resourceType": "Device", "id": "d", "meta": {"security": [{"code": "x"}]}}]
    ),
    "dom-6": lambda b: of(b, "DiagnosticReport").pop("text"),
    "a code of another value set": lambda b: of(b, "Procedure").update(status="done"),
    "a reference to another kind": lambda b: of(b, "Procedure").update(subject=of(b, "DiagnosticReport")["result"][0]),
    "code 0 times": lambda b: of(b, "Observation").pop("code"),
    "note as a list or not": lambda b: of(b, "Procedure").update(note={"text": "x"}),
}  # fmt: skip


@pytest.mark.parametrize("rule", SPOILT)
def test_each_rule_is_seen_to_be_broken(rule: str, whole: str) -> None:
    bundle = json.loads(whole)
    SPOILT[rule](bundle)
    assert any(found.startswith(f"{rule} at ") for found in offences(bundle))


def test_every_invariant_is_tried() -> None:
    assert {key for _, key, _ in INVARIANTS} <= set(SPOILT)
