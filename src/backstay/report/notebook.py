"""Plans for Python: the same document, showing itself in a notebook."""

from __future__ import annotations

from html import escape
from pathlib import Path

from backstay.adapters.plan_file import PlanDocument
from backstay.app.plan import DEFAULT_DRAW_COUNT, DEFAULT_SEED
from backstay.app.plan import plan as plan_document
from backstay.app.progress import Progress
from backstay.report import page, section, strip
from backstay.report.scene import Scene


class Plan(PlanDocument):
    """A plan that draws itself: the last expression of a notebook cell shows the page."""

    def _repr_html_(self) -> str:
        frame = escape(page.html(self), quote=True)
        return f'<iframe srcdoc="{frame}" title="Backstay plan" style="width:100%;height:60em;border:0"></iframe>'

    def path_strip(self, rig_id: str = "") -> Scene:
        """Return the path strip of one rig (the rig in place when not named)."""
        return strip.path_strip(self, rig_id or self.in_place.id)

    def cross_section(self, rig_id: str = "") -> Scene:
        """Return the cross-section at the tightest place of one rig's way in."""
        return section.cross_section(self, rig_id or self.in_place.id)


def plan(
    case_file: str | Path,
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    only_in_place: bool = False,
    progress: Progress | None = None,
) -> Plan:
    """Read a case and plan it; arguments as `backstay.app.plan.plan_case`."""
    document = plan_document(
        case_file, seed=seed, draws=draws, only_in_place=only_in_place, progress=progress
    )
    return Plan.model_validate(document.model_dump(by_alias=True))
