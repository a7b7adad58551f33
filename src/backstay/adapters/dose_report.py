"""Dose reports in: the X-ray radiation dose structured report of DICOM, and the dose summary of FHIR.

Every number is read with its unit by the unit's code; a unit that is not known is an error, never a guess. What
identifies a patient is not read.
"""

from __future__ import annotations

import io
import json
import math
import warnings
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from backstay.adapters.toml_text import read_text
from backstay.core.safety.dose import DoseReport, Irradiation, disagreements
from backstay.core.safety.skin import REFERENCE_mm
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.units import DEG_PER, GYCM2_PER, MGY_PER, MM2_PER, MM_PER, S_PER

MAX_BYTES = 100_000_000
MAX_ITEMS = 500_000
MAX_NESTED = 30
_HEADER_BYTES = 8
# ContentSequence, ConceptNameCodeSequence, ConceptCodeSequence, CodeValue, MeasuredValueSequence, NumericValue,
# MeasurementUnitsCodeSequence, and UID: by number, since names are looked up anew each time.
_CONTENT, _CONCEPT_NAME, _CONCEPT, _CODE_VALUE = 0x0040A730, 0x0040A043, 0x0040A168, 0x00080100
_MEASURED, _NUMERIC, _UNITS, _UID = 0x0040A300, 0x0040A30A, 0x004008EA, 0x0040A124

_ENHANCED = "1.2.840.10008.5.1.4.1.1.88.76"
_EVENT, _ACCUMULATED = "113706", "113702"
_PLANES = {"113620": "A", "113621": "B", "113622": "single"}
_KINDS = {
    "44491008": "fluoroscopy",
    "P5-06000": "fluoroscopy",
    "113611": "acquisition",
    "113612": "stepping acquisition",
    "113613": "rotation",
}
_NUMBERS: dict[str, tuple[str, dict[str, float]]] = {
    "113738": ("air_kerma_mGy", MGY_PER),
    "122130": ("kap_Gycm2", GYCM2_PER),
    "112011": ("primary_deg", DEG_PER),
    "112012": ("secondary_deg", DEG_PER),
    "113739": ("primary_end_deg", DEG_PER),
    "113740": ("secondary_end_deg", DEG_PER),
    "113748": ("source_isocentre_mm", MM_PER),
    "113750": ("source_detector_mm", MM_PER),
    "113737": ("source_reference_mm", MM_PER),
    "113789": ("field_width_mm", MM_PER),
    "113788": ("field_height_mm", MM_PER),
    "113790": ("field_area_mm2", MM2_PER),
}
_TABLE = {"113752": 0, "113753": 1, "113751": 2}
_TOTALS: dict[str, tuple[str, dict[str, float]]] = {
    "113725": ("air_kerma_mGy", MGY_PER),
    "113722": ("kap_Gycm2", GYCM2_PER),
    "113726": ("fluoroscopy_kap_Gycm2", GYCM2_PER),
    "113730": ("fluoroscopy_min", {unit: s / 60.0 for unit, s in S_PER.items()}),
}
_CALIBRATION, _PLANE, _EVENT_KIND, _REFERENCE_POINT = "122322", "113764", "113721", "113780"
_EVENT_UID = "113769"
_ORIENTATION, _MODIFIER, _RELATION = "113743", "113744", "113745"
_USUAL = {
    _ORIENTATION: {"102538003", "F-10450"},
    _MODIFIER: {"40199007", "F-10340"},
    _RELATION: {"102540008", "F-10470"},
}
"""Recumbent, supine, head first: the code now in use and the one older reports have."""
_USUAL_REFERENCE = "113860"


def read_dose_report(file: Path) -> DoseReport:
    """Return a dose report: DICOM, or a FHIR dose summary where the file is JSON.

    Raises
    ------
    NotFound, FileFormatError
        Naming the file, what is wrong and what is allowed.
    """
    where = str(file)
    try:
        with file.open("rb") as stream:
            head = stream.read(256)
        size = file.stat().st_size
    except (FileNotFoundError, NotADirectoryError):
        raise NotFound("no such file", where=where, allowed="a dose report (DICOM or FHIR JSON)") from None
    except IsADirectoryError:
        raise FileFormatError("this is a folder, not a file", where=where, allowed="a dose report") from None
    if size > MAX_BYTES:
        raise FileFormatError("the file is too large", where=where, allowed=f"at most {MAX_BYTES:,} bytes")
    is_json = head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"{", b"["))
    report = _read_summary(file) if is_json else _read_dicom(file)
    if report.air_kerma_mGy is None and report.kap_Gycm2 is None and not report.events:
        raise FileFormatError(
            "no dose in it",
            where=where,
            allowed="events with a dose, or totals of kerma or kerma-area product",
        )
    return replace(report, warnings=(*report.warnings, *disagreements(report)))


# DICOM


class _Whole(io.BytesIO):
    """A file in memory that remembers when less could be read than an element says it holds."""

    cut_short = False

    def read(self, size: int | None = -1, /) -> bytes:
        found = super().read(size)
        # Eight bytes and none left is how the library finds the end.
        if size is not None and size > len(found) and (found or size != _HEADER_BYTES):
            self.cut_short = True
        return found


def _read_dicom(file: Path) -> DoseReport:
    import pydicom

    where = str(file)
    try:
        with warnings.catch_warnings():
            # The reader says what a person needs to know itself; the library's remarks are about encodings.
            warnings.simplefilter("ignore")
            whole = _Whole(file.read_bytes())
            dataset = pydicom.dcmread(whole)
            if whole.cut_short:
                raise FileFormatError(
                    "cut off: it says it is longer than it is", where=where, allowed="the whole file"
                )
            modality, items = dataset.get("Modality"), _items(dataset, where=where)
            if modality != "SR" or not items:
                raise FileFormatError(
                    "not a structured report", field="Modality", value=modality, allowed="SR", where=where
                )
            if str(dataset.get("SOPClassUID", "")) == _ENHANCED:
                raise FileFormatError(
                    "an enhanced dose report, which is laid out differently and not read",
                    field="SOPClassUID",
                    value=_ENHANCED,
                    allowed="the X-ray radiation dose report",
                    where=where,
                )
            found = _report(_Item("", "", None, "", items), where=where)
            return replace(found, instance=str(dataset.get("SOPInstanceUID") or ""))
    except InputError:
        raise
    except Exception as error:  # a damaged file makes the library raise nearly anything
        raise FileFormatError(
            f"not a readable DICOM file ({type(error).__name__})", where=where, allowed="a DICOM dose report"
        ) from None


class _Item(NamedTuple):
    """A content item as far as it is read here; each element is looked up once, which the library is slow at."""

    name: str
    value: str
    measured: Any
    unit: str
    inner: tuple[_Item, ...]

    def walk(self) -> Iterator[_Item]:
        """Yield every item below, outermost first."""
        for item in self.inner:
            yield item
            yield from item.walk()


def _items(dataset: Any, *, where: str, depth: int = 0) -> tuple[_Item, ...]:
    """Return the content items of a data set with all that they hold."""
    if depth > MAX_NESTED:
        raise FileFormatError("items nested too deeply", where=where, allowed=f"at most {MAX_NESTED} deep")
    found = []
    for item in _value(dataset, _CONTENT) or ():
        measured = _value(item, _MEASURED)
        number = measured[0] if measured else None
        found.append(
            _Item(
                _code(item, _CONCEPT_NAME),
                _code(item, _CONCEPT) or str(_value(item, _UID) or ""),
                None if number is None else _value(number, _NUMERIC),
                "" if number is None else _code(number, _UNITS),
                _items(item, where=where, depth=depth + 1),
            )
        )
    return tuple(found)


def _value(dataset: Any, tag: int) -> Any:
    return dataset[tag].value if tag in dataset else None


def _code(item: Any, tag: int) -> str:
    """Return the code that a sequence of an item gives; empty where it has none."""
    sequence = _value(item, tag)
    return str(_value(sequence[0], _CODE_VALUE) or "") if sequence else ""


def _number(item: _Item, units: dict[str, float], *, where: str) -> float | None:
    """Return a measured number in the unit the table is for; None where the report left it empty."""
    if item.measured in (None, ""):
        return None
    value, field = float(item.measured), f"code {item.name}"
    if item.unit not in units:
        raise FileFormatError(
            "no such unit here", field=field, value=item.unit, allowed=", ".join(units), where=where
        )
    found = value * units[item.unit]
    if not math.isfinite(found):
        raise FileFormatError("not a number", field=field, value=value, where=where, allowed="finite")
    return found


def _not_negative(values: dict[str, Any], names: tuple[str, ...], *, where: str) -> None:
    for name in names:
        value = values.get(name)
        if value is not None and value < 0.0:
            raise FileFormatError("negative", field=name, value=value, allowed="0 or more", where=where)


def _report(whole: _Item, *, where: str) -> DoseReport:
    events, totals, notes = [], dict[str, float](), list[str]()
    calibration = _calibrations(whole, where=where)
    for count, item in enumerate(whole.walk()):
        if count > MAX_ITEMS:
            raise FileFormatError("too many items", where=where, allowed=f"at most {MAX_ITEMS:,}")
        code = item.name
        if code == _EVENT:
            events.append(_event(item, calibration, notes, where=where))
        elif code == _ACCUMULATED:
            _add_totals(item, totals, calibration, where=where)
        elif code in _USUAL and item.value not in {"", *_USUAL[code]}:
            notes.append(
                "the patient does not lie head first on the back: the skin map would be mirrored or turned"
            )
    _not_negative(totals, tuple(totals), where=where)
    if not events:
        notes.append(
            "totals only, no events: no skin map can be made of it, all may have gone into one field"
        )
    missing = {"air_kerma_mGy": "air kerma", "kap_Gycm2": "kerma-area product"}
    notes += [f"the report gives no total of {what}" for name, what in missing.items() if name not in totals]
    report = DoseReport(events=tuple(events), warnings=tuple(dict.fromkeys(notes)))
    return replace(report, **totals)  # type: ignore[arg-type]


def _plane_of(item: _Item) -> str:
    """Return which plane an event or an accumulation belongs to."""
    found = (x.value for x in item.inner if x.name == _PLANE)
    return _PLANES.get(next(found, ""), "single")


def _calibrations(whole: _Item, *, where: str) -> dict[str, float]:
    """Return what each plane's readings are to be multiplied by."""
    found = {}
    for item in whole.walk():
        if item.name != _ACCUMULATED:
            continue
        for inner in item.walk():
            if inner.name == _CALIBRATION:
                factor = _number(inner, {"1": 1.0}, where=where)
                if factor is not None and not 0.3 <= factor <= 3.0:
                    raise FileFormatError(
                        "a calibration factor far from 1",
                        field=f"code {_CALIBRATION}",
                        value=factor,
                        allowed="0.3 to 3",
                        where=where,
                    )
                found[_plane_of(item)] = 1.0 if factor is None else factor
    return found


def _add_totals(item: _Item, totals: dict[str, float], calibration: dict[str, float], *, where: str) -> None:
    """Add one plane's accumulated values to the totals."""
    factor = calibration.get(_plane_of(item), 1.0)
    for inner in item.walk():
        if inner.name in _TOTALS:
            name, units = _TOTALS[inner.name]
            value = _number(inner, units, where=where)
            if value is not None:
                totals[name] = totals.get(name, 0.0) + value * (1.0 if name == "fluoroscopy_min" else factor)


def _event(item: _Item, calibration: dict[str, float], notes: list[str], *, where: str) -> Irradiation:
    values: dict[str, Any] = {"plane": _plane_of(item)}
    table: list[float | None] = [None, None, None]
    usual_point = False
    for inner in item.walk():
        code = inner.name
        if code in _NUMBERS:
            name, units = _NUMBERS[code]
            values[name] = _number(inner, units, where=where)
        elif code in _TABLE:
            table[_TABLE[code]] = _number(inner, MM_PER, where=where)
        elif code == _EVENT_UID:
            values["uid"] = inner.value
        elif code == _EVENT_KIND:
            values["kind"] = _KINDS.get(inner.value, "")
        elif code == _REFERENCE_POINT:
            usual_point = inner.value == _USUAL_REFERENCE
            if inner.value not in ("", _USUAL_REFERENCE):
                notes.append("the reference point is not the one 15 cm in front of the isocentre")
    _not_negative(
        values, tuple(name for name, _ in _NUMBERS.values() if not name.endswith("_deg")), where=where
    )
    isocentre = values.get("source_isocentre_mm") or 0.0
    if usual_point and values.get("source_reference_mm") is None and isocentre > REFERENCE_mm:
        values["source_reference_mm"] = isocentre - REFERENCE_mm
    factor = calibration.get(values["plane"], 1.0)
    for name in ("air_kerma_mGy", "kap_Gycm2"):
        if values.get(name) is not None:
            values[name] *= factor
    lateral, height, along = table
    if lateral is not None and height is not None and along is not None:
        values["table_mm"] = (lateral, height, along)
    return Irradiation(**values)


# FHIR

_VOID = {"entered-in-error", "cancelled"}


def _read_summary(file: Path) -> DoseReport:
    where = str(file)
    try:
        data = json.loads(read_text(file))
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise FileFormatError("not JSON", where=where, allowed="a FHIR Observation") from None
    if not isinstance(data, dict) or data.get("resourceType") != "Observation":
        value = data.get("resourceType") if isinstance(data, dict) else None
        raise FileFormatError(
            "not a dose summary", field="resourceType", value=value, allowed="Observation", where=where
        )
    if str(data.get("status")) in _VOID:
        raise FileFormatError(
            "not to be used, by its own status",
            field="status",
            value=data["status"],
            allowed=f"another than {', '.join(sorted(_VOID))}",
            where=where,
        )
    components = data.get("component")
    totals: dict[str, float] = {}
    for k, component in enumerate(components if isinstance(components, list) else []):
        found = _component(component, field=f"component#{k + 1}", where=where)
        if found is not None:
            # One for each plane, as DICOM has them.
            totals[found[0]] = totals.get(found[0], 0.0) + found[1]
    report = DoseReport(
        warnings=("a summary: totals only, no skin map can be made of it, all may have gone into one field",)
    )
    return replace(report, **totals)  # type: ignore[arg-type]


def _component(component: Any, *, field: str, where: str) -> tuple[str, float] | None:
    """Return which total a component is and its value; None where it is another thing."""
    try:
        codings = component["code"]["coding"]
        code = next((str(c["code"]) for c in codings if str(c.get("code")) in _TOTALS), None)
        if code is None:
            return None
        quantity = component["valueQuantity"]
        value, unit = float(quantity["value"]), str(quantity.get("code") or quantity.get("unit"))
    except (KeyError, TypeError, AttributeError, ValueError):
        raise FileFormatError(
            "not a coded quantity", field=field, where=where, allowed="code.coding and valueQuantity"
        ) from None
    name, units = _TOTALS[code]
    if unit not in units:
        raise FileFormatError(
            "no such unit here",
            field=f"{field}.valueQuantity",
            value=unit,
            allowed=", ".join(units),
            where=where,
        )
    if not math.isfinite(value):
        raise FileFormatError("not a number", field=f"{field}.valueQuantity", value=value, where=where)
    _not_negative({name: value}, (name,), where=where)
    return name, value * units[unit]
