"""The report as a FHIR bundle: resources and elements that R4 and R4B share.

Codes: those of `CODES` that are marked were not confirmed against their system, and a tag on the resource says
so. What has no code known here is said in words alone.
"""

from __future__ import annotations

import base64
import json
import uuid
from collections.abc import Iterable
from typing import Any, NamedTuple
from xml.sax.saxutils import escape

from backstay.adapters.report_file import DoseLevel, Fact, LeftIn, ReportDocument
from backstay.identifiers import BodyItem

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
DCM = "http://dicom.nema.org/resources/ontology/DCM"
OBSERVATION_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
FROM_MEMORY = "code from memory, not confirmed against its system"
_NAMESPACE = uuid.UUID("6f0f1a5c-1f0b-4a55-9d0a-5e4d8f7c2b11")
"""Of the version 5 identifiers below: the same report gives the same bundle."""

Resource = dict[str, Any]


class Code(NamedTuple):
    """A code, and whether it was read in its system's own pages."""

    system: str
    code: str
    display: str
    confirmed: bool = True


CODES = {
    "study": Code(LOINC, "18745-0", "Cardiac catheterization study"),
    "pci": Code(SNOMED, "415070008", "Percutaneous coronary intervention"),
    "stenting": Code(SNOMED, "36969009", "Placement of stent in coronary artery"),
    "radiation": Code(LOINC, "73569-6", "Radiation exposure"),
    "eGFR": Code(LOINC, "98979-8", "Glomerular filtration rate (CKD-EPI 2021)"),
    "creatinine": Code(LOINC, "2160-0", "Creatinine in serum or plasma", confirmed=False),
    "act": Code(LOINC, "3184-9", "Activated clotting time", confirmed=False),
    "air kerma at the reference point": Code(DCM, "113725", "Dose (RP) Total"),
    "air kerma-area product": Code(DCM, "113722", "Dose Area Product Total"),
    "fluoroscopy time": Code(DCM, "113730", "Total Fluoro Time"),
}
"""LOINC and SNOMED CT as read, but for those marked; DCM by the standard's dictionary."""
UNITS = {
    "years": "a",
    "kg": "kg",
    "cm": "cm",
    "mg/dL": "mg/dL",
    "mL/min/1.73 m2": "mL/min/{1.73_m2}",
    "g/dL": "g/dL",
    "10^9/L": "10*9/L",
    "%": "%",
    "mGy": "mGy",
    "Gy cm2": "Gy.cm2",
    "min": "min",
    "mL": "mL",
    "U": "[USP'U]",
    "s": "s",
    "mm": "mm",
}
"""Units of the report in UCUM."""


def bundle_text(document: ReportDocument, *, pdf: bytes, text: str) -> str:
    """Return the bundle as JSON, checked by the models of R4B.

    Parameters
    ----------
    document : ReportDocument
        The report.
    pdf, text : bytes, str
        The report as set on paper and in plain text, carried along.
    """
    from fhir.resources.R4B.bundle import Bundle

    made = bundle(document, pdf=pdf, text=text)
    Bundle.model_validate(made)
    return json.dumps(made, indent=1, ensure_ascii=False) + "\n"


def bundle(document: ReportDocument, *, pdf: bytes, text: str) -> Resource:
    """Return the bundle as plain data."""
    return _Bundle(document).made(pdf, text)


class _Bundle:
    def __init__(self, document: ReportDocument) -> None:
        self.document, self.c = document, document.content
        self.entries: list[Resource] = []

    def made(self, pdf: bytes, text: str) -> Resource:
        patient = self._add("patient", self._patient())
        devices = [(one, self._add(f"device {k}", _device(one))) for k, one in enumerate(self.c.left_in)]
        procedure = self._add("procedure", self._procedure(patient, devices))
        for k, (one, device) in enumerate(devices):
            self._add(f"device use {k}", self._device_use(one, patient, device))
        found = [
            self._add(f"observation {k}", one) for k, one in enumerate(self._observations(patient, procedure))
        ]
        signer = self._signer()
        self._add("report", self._report(patient, procedure, found, signer, pdf, text))
        meta = {"tag": [{"display": "invented case: test data"}]} if self.c.invented else {}
        made: Resource = _clean(
            {
                "resourceType": "Bundle",
                "meta": meta,
                "identifier": {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{self._uuid('bundle')}"},
                "type": "collection",
                "timestamp": self._time(),
                "entry": self.entries,
            }
        )
        return made

    def _uuid(self, name: str) -> uuid.UUID:
        return uuid.uuid5(_NAMESPACE, f"{self.c.record}\n{self.document.content_sha256}\n{name}")

    def _add(self, name: str, resource: Resource) -> Resource:
        """Add a resource, with what it says in words for a system that reads nothing else; returns a reference to it."""
        address = f"urn:uuid:{self._uuid(name)}"
        said = {"resourceType": resource["resourceType"], "text": _narrative(_words(resource))}
        self.entries.append({"fullUrl": address, "resource": _clean({**said, **resource})})
        return {"reference": address}

    def _time(self) -> str | None:
        """Return when the report was made final, else the last thing known."""
        d = self.document
        times = [
            d.addenda[-1].at if d.addenda else None,
            d.signature.at if d.signature else None,
            self.c.ended,
        ]
        found = next((at for at in times if at is not None), self.c.began)
        return _instant(found)

    def _patient(self) -> Resource:
        sex = next((f.text for f in self.c.patient if f.what == "sex"), "")
        # Whose report it is stands in the record system: no name, number or birth date is held here.
        return {"resourceType": "Patient", "gender": sex or "unknown"}

    def _procedure(self, patient: Resource, devices: list[tuple[LeftIn, Resource]]) -> Resource:
        c = self.c
        stented = any(one.item is BodyItem.STENT for one, _ in devices)
        outcome = "; ".join(one.text for one in (*c.outcome.measured, *c.outcome.notes))
        return {
            "resourceType": "Procedure",
            "status": "completed" if c.ended is not None else "in-progress",
            "code": _concept(
                "percutaneous coronary intervention", *(["pci", "stenting"] if stented else ["pci"])
            ),
            "subject": patient,
            "performedPeriod": {"start": _instant(c.began), "end": _instant(c.ended)},
            "reasonCode": [{"text": one.text} for one in c.indication],
            "bodySite": [{"text": c.vessel}],
            "outcome": {"text": outcome},
            "complication": [{"text": one.text} for one in c.complications],
            "followUp": [{"text": one.text} for one in c.follow_up],
            "note": [{"time": _instant(one.at), "text": one.words} for one in c.attempts],
            "focalDevice": [
                {"action": {"text": "implanted"}, "manipulated": device}
                for one, device in devices
                if one.item is BodyItem.STENT
            ],
        }

    def _device_use(self, one: LeftIn, patient: Resource, device: Resource) -> Resource:
        place = one.branch or self.c.vessel
        if one.from_mm is not None and one.to_mm is not None:
            place += f", {one.from_mm:g} to {one.to_mm:g} mm from the ostium"
        notes = {
            BodyItem.TRAPPED_WIRE: ["a wire held behind a stent, not recorded as out"],
            BodyItem.OTHER: ["lost in the body; before magnetic resonance imaging ask what it is"],
        }
        return {
            "resourceType": "DeviceUseStatement",
            "status": "active",
            "subject": patient,
            "timingDateTime": _instant(one.since),
            "device": device,
            "bodySite": {"text": place},
            "note": [{"text": text} for text in notes.get(one.item, [])],
        }

    # Observations

    def _observations(self, patient: Resource, procedure: Resource) -> Iterable[Resource]:
        links = {"subject": patient, "partOf": [procedure]}
        for one in (*self._before(), *self._given(), *self._afterwards()):
            yield {**one, **links}

    def _observed(
        self,
        words: str,
        name: str | None = None,
        *,
        at: str | None = None,
        kind: str = "procedure",
        **said: Any,
    ) -> Resource:
        tag = [] if name is None or CODES[name].confirmed else [{"display": FROM_MEMORY}]
        return {
            "resourceType": "Observation",
            "meta": {"tag": tag},
            "status": "preliminary" if self.document.is_draft else "final",
            "category": [{"coding": [{"system": OBSERVATION_CATEGORY, "code": kind}]}],
            "code": _concept(words, *([name] if name else [])),
            "effectiveDateTime": _instant(at or self.c.began),
            **said,
        }

    def _before(self) -> Iterable[Resource]:
        """Yield what was known of the patient, and the lesions as found."""
        for fact in self.c.patient:
            if fact.value is not None and fact.what != "age":
                name = fact.what if fact.what in CODES else None
                kind = "laboratory" if "/" in fact.unit else "exam"
                yield self._observed(
                    fact.what, name, kind=kind, valueQuantity=_quantity(fact.value, fact.unit)
                )
        for x in self.c.findings.lesions:
            yield self._observed(
                f"lesion {x.number} before treatment, {x.from_mm:g} to {x.to_mm:g} mm from the ostium",
                component=[
                    _component("diameter stenosis", x.diameter_percent.value, "%"),
                    _component("least lumen diameter", x.least_mm.value, "mm"),
                    _component("reference diameter", x.reference_mm.value, "mm"),
                    _component("length", x.length_mm.value, "mm"),
                ],
            )

    def _given(self) -> Iterable[Resource]:
        """Yield contrast, heparin, clotting times and radiation."""
        contrast, clotting = self.c.contrast, self.c.clotting
        for act in clotting.acts:
            drawn = f", from the {act.sampled_from}" if act.sampled_from else ""
            value = _quantity(act.act_s, "s")
            words = f"activated clotting time{drawn}"
            yield self._observed(words, "act", at=act.at, kind="laboratory", valueQuantity=value)
        if contrast.used_mL is not None:
            yield self._observed("contrast medium given", valueQuantity=_quantity(contrast.used_mL, "mL"))
        if clotting.heparin_U is not None:
            value = _quantity(clotting.heparin_U, "U")
            yield self._observed("unfractionated heparin given", valueQuantity=value)
        levels = [_level(x) for x in self.c.radiation.levels if x.value is not None]
        if levels:
            yield self._observed("radiation exposure", "radiation", component=levels)

    def _afterwards(self) -> Iterable[Resource]:
        """Yield results, and what was asked of them."""
        for one in self.c.outcome.measured:
            yield self._observed("result of the intervention", at=one.at, valueString=one.text)
        for x in self.c.outcome.criteria:
            mark = "" if x.confirmed else " (unconfirmed)"
            said = f"{x.verdict}: {x.found}" if x.found else x.verdict
            yield self._observed(f"{x.what}: asked {x.asked}{mark}", valueString=said)

    # The report

    def _signer(self) -> Resource | None:
        s = self.document.signature
        if s is None:
            return None
        return self._add("signer", {"resourceType": "Practitioner", "name": [{"text": s.by}]})

    def _report(
        self,
        patient: Resource,
        procedure: Resource,
        found: list[Resource],
        signer: Resource | None,
        pdf: bytes,
        text: str,
    ) -> Resource:
        d, c = self.document, self.c
        status = "preliminary" if d.is_draft else "appended" if d.addenda else "final"
        issued = (
            _instant(d.addenda[-1].at) if d.addenda else self._time() if d.signature is not None else None
        )
        conclusion = [f"{fact.what}: {_fact_words(fact)}" for fact in c.summary]
        conclusion += [f"added {added.at}, {added.by}: {added.text}" for added in d.addenda]
        return {
            "resourceType": "DiagnosticReport",
            "text": _narrative([c.title, *conclusion]),
            "identifier": [{"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{self._uuid('report')}"}],
            "status": status,
            "code": _concept("coronary intervention report", "study"),
            "subject": patient,
            "effectivePeriod": {"start": _instant(c.began), "end": _instant(c.ended)},
            "issued": issued,
            "resultsInterpreter": [] if signer is None else [signer],
            "result": found,
            "conclusion": "\n".join(conclusion),
            "presentedForm": [
                _attachment("application/pdf", pdf, c.title),
                _attachment("text/plain; charset=utf-8", text.encode(), c.title),
            ],
        }


# Small pieces


def _clean(value: Any) -> Any:
    """Return data without what is empty: FHIR knows neither null nor an empty list or object."""
    if isinstance(value, dict):
        found = {key: _clean(one) for key, one in value.items()}
        return {key: one for key, one in found.items() if one not in (None, "", [], {})}
    if isinstance(value, list):
        return [one for one in (_clean(x) for x in value) if one not in (None, "", [], {})]
    return value


def _narrative(lines: Iterable[str]) -> Resource:
    rows = "".join(f"<li>{escape(_printable(line))}</li>" for line in lines)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><ul>{rows}</ul></div>'}


def _words(resource: Resource) -> Iterable[str]:
    """Yield what a resource says: what it is, its values, its texts."""
    match resource["resourceType"]:
        case "Patient":
            yield f"patient, {resource['gender']}; who it is stands in the record system"
        case "Practitioner":
            yield from (one["text"] for one in resource["name"])
        case "Device":
            yield resource["type"]["text"]
        case "DeviceUseStatement":
            yield f"in the body since {resource['timingDateTime']}: {resource['bodySite']['text']}"
        case "Observation":
            yield _observed_words(resource)
            yield from (_observed_words(one) for one in resource.get("component", ()))
        case "Procedure":
            yield f"{resource['code']['text']}: {resource['status']}"
    for name in ("reasonCode", "bodySite", "outcome", "complication", "followUp", "note"):
        texts = resource.get(name, ())
        if resource["resourceType"] == "Procedure" or name == "note":
            yield from (one["text"] for one in ([texts] if isinstance(texts, dict) else texts) if one["text"])


def _observed_words(observed: Resource) -> str:
    quantity = observed.get("valueQuantity")
    value = f"{quantity['value']} {quantity['unit']}" if quantity else observed.get("valueString", "")
    return f"{observed['code']['text']}: {value}" if value else str(observed["code"]["text"])


def _instant(at: str | None) -> str | None:
    """Return a time with its seconds, as FHIR asks for."""
    return None if at is None else f"{at[:16]}:00{at[16:]}"


def _concept(words: str, *names: str) -> Resource:
    return {
        "coding": [
            {"system": c.system, "code": c.code, "display": c.display}
            for c in (CODES[name] for name in names)
        ],
        "text": words,
    }


def _quantity(value: float, unit: str) -> Resource:
    whole = int(value) if float(value).is_integer() else value
    return {"value": whole, "unit": unit, "system": UCUM, "code": UNITS[unit]}


def _fact_words(fact: Fact) -> str:
    return f"{fact.value:g} {fact.unit}" if fact.value is not None else fact.text or "not recorded"


def _component(words: str, value: float, unit: str, *names: str) -> Resource:
    return {"code": _concept(words, *names), "valueQuantity": _quantity(value, unit)}


def _level(level: DoseLevel) -> Resource:
    names = [level.what] if level.what in CODES else []
    return _component(level.what, level.value or 0.0, level.unit, *names)


def _device(one: LeftIn) -> Resource:
    return {"resourceType": "Device", "type": {"text": one.name}}


def _attachment(kind: str, data: bytes, title: str) -> Resource:
    return {
        "contentType": kind,
        "language": "en",
        "data": base64.b64encode(data).decode(),
        "size": len(data),
        "title": title,
    }


def _printable(text: str) -> str:
    """Return text without what XML does not allow."""
    return "".join(c if c in "\t\n\r" or (c >= " " and c not in "\ufffe\uffff") else "\ufffd" for c in text)
