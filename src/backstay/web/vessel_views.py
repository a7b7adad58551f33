"""The vessel as the API gives it. Loaded when first asked for, as the plan's part is."""

from __future__ import annotations

import hashlib

from backstay.adapters.case_file import BranchTable, CaseDocument, LesionTable, VesselTable
from backstay.app.library import Library
from backstay.app.treatment import size_case
from backstay.app.understanding import understood
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation
from backstay.report.treatment_strip import treatment_strip
from backstay.report.words import CALCIUM
from backstay.web.desks import Desk
from backstay.web.models import BranchEdit, Choice, LesionEdit, Row, VesselBody, VesselView

_LESION = ("from_mm", "to_mm", "calcium", "prepared", "dissected", "opened_fully")
_BRANCH = ("name", "at_mm", "diameter_mm", "angle_deg")


def vessel_view(desk: Desk) -> VesselView:
    """Return the vessel as understood."""
    case, said = desk.case, understood(desk.case)
    return VesselView(
        title=case.title,
        invented=case.invented,
        rows=[Row(name=name, words=text) for name, text in said.rows() if name not in ("case", "look at")],
        warnings=list(said.warnings),
        length_mm=case.path.length_mm,
        read=_digest(case.vessel),
        lesions=[
            LesionEdit(row=k, **{name: getattr(one, name) for name in _LESION})
            for k, one in enumerate(case.vessel.lesion)
        ],
        branches=[
            BranchEdit(row=k, **{name: getattr(one, name) for name in _BRANCH})
            for k, one in enumerate(case.vessel.branch)
        ],
        calcium=[Choice(words=CALCIUM[one], value=one.value) for one in Calcium],
        preparations=[Choice(words=one.value.replace("_", " "), value=one.value) for one in Preparation],
        picture=treatment_strip(size_case(case)).svg(None),
    )


def set_vessel(library: Library, name: str, body: VesselBody) -> None:
    """Write lesions and branches into the case file; what the table does not show of a row stays as it was.

    Raises
    ------
    InputError
        They do not make a case with the path, or the vessel is not the one that was read; the file is as it was.
    """
    document = library.document(name)
    vessel = document.vessel
    if _digest(vessel) != body.read:
        raise InputError(
            "the vessel was changed elsewhere since it was read here; nothing was kept",
            allowed="read it again, and change that",
        )
    lesions = [_lesion(vessel, one) for one in body.lesions]
    branches = [_branch(vessel, one) for one in body.branches]
    changed = vessel.model_copy(update={"lesion": lesions, "branch": branches})
    library.change(name, _with(document, changed))


def _digest(vessel: VesselTable) -> str:
    return hashlib.sha256(vessel.model_dump_json().encode()).hexdigest()


def _with(document: CaseDocument, vessel: VesselTable) -> CaseDocument:
    return document.model_copy(update={"vessel": vessel})


def _lesion(vessel: VesselTable, edit: LesionEdit) -> LesionTable:
    values = {name: getattr(edit, name) for name in _LESION}
    if edit.row is None or edit.row >= len(vessel.lesion):
        return LesionTable.model_construct(set(values), **values)
    return vessel.lesion[edit.row].model_copy(update=values)


def _branch(vessel: VesselTable, edit: BranchEdit) -> BranchTable:
    values = {name: getattr(edit, name) for name in _BRANCH}
    if edit.row is None or edit.row >= len(vessel.branch):
        return BranchTable.model_construct(set(values), **values)
    return vessel.branch[edit.row].model_copy(update=values)
