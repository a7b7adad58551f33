"""The shelf's guides in this root: pictures of how they lie, tables, page, terminal, and the board to measure them on."""

from __future__ import annotations

from importlib import resources

from rich.console import Console

from backstay.adapters.guides_document import GuideRow, GuidesDocument, Points, VariantRow
from backstay.identifiers import RestsOn
from backstay.report.html import box, element, figure, items, scroll, table
from backstay.report.scene import Circle, Line, Paint, Scene, Shape, Text
from backstay.report.terminal import Terminal
from backstay.report.theme import DARK, LIGHT, css_variables
from backstay.report.words import DISCLAIMER, number

PX_PER_MM = 1.9
TOP_MM, LEFT_MM, RIGHT_MM, LOW_MM = 150.0, -62.0, 78.0, -14.0
PANEL_W, PANEL_H = PX_PER_MM * (RIGHT_MM - LEFT_MM), PX_PER_MM * (TOP_MM - LOW_MM) + 64.0
PANELS_ACROSS = 3
LEAST_SHOWN_N = 0.05
WHERE_WORDS = {
    RestsOn.OPPOSITE_WALL: "opposite wall",
    RestsOn.NEAR_WALL: "ostium's side",
    RestsOn.ARCH: "arch",
    RestsOn.OSTIUM: "ostium",
    RestsOn.VESSEL: "vessel",
}
HEAD = ("guide", "backup N", "lost at mm", "N/mm", "work N mm", "rests on, N when it gives way")
VARIANT_HEAD = ("guide in place", "backup N", "times", "lost at mm", "work N mm")
HOW = (
    "Each guide is solved as an elastic rod in this root and arch, fed until it sits firmly, its tip then pushed back until it leaves "
    "the ostium. Work: what it takes to lose it, a measure of how steady it sits. Absolute forces are unvalidated; how the model stands "
    "to what benches found is in docs/validation.md."
)
KEY = "Solid: seated. Dashed: at its highest push. Circles: where it rests at its highest push, larger with load."


def _inside(points: Points) -> list[list[tuple[float, float]]]:
    """Return the stretches of a line that lie in the panel, in its px."""
    runs: list[list[tuple[float, float]]] = [[]]
    for x, y in points:
        if LEFT_MM <= x <= RIGHT_MM and LOW_MM <= y <= TOP_MM:
            runs[-1].append((PX_PER_MM * (x - LEFT_MM), PX_PER_MM * (TOP_MM - y)))
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if len(run) > 1]


def _panel(doc: GuidesDocument, row: GuideRow, at: tuple[float, float]) -> list[Shape]:
    """Return the shapes of one guide lying in the arch."""
    dx, dy = at
    shapes: list[Shape] = []

    def add(points: Points, paint: Paint, kind: str, tip: str = "") -> None:
        for run in _inside(points):
            moved = tuple((x + dx, y + dy + 40.0) for x, y in run)
            shapes.append(Line(moved, paint, kind=kind, tip=tip))

    for line in doc.outline_mm:
        add(line, Paint(stroke="wall", width=1.2), "aorta")
    add(row.lost_mm, Paint(stroke="stop", width=1.6, dash="5 3"), "lost", f"{row.name} at its highest push")
    add(row.lying_mm, Paint(stroke="device", width=3.2), "guide", f"{row.name}, seated")
    for rest in row.contacts:
        x, y = rest.at_mm
        if LEFT_MM <= x <= RIGHT_MM and LOW_MM <= y <= TOP_MM:
            size = 3.0 + 7.0 * min(rest.load_N, 4.0) ** 0.5
            shapes.append(
                Circle(
                    dx + PX_PER_MM * (x - LEFT_MM),
                    dy + 40.0 + PX_PER_MM * (TOP_MM - y),
                    size,
                    Paint(stroke="need", width=1.6),
                    tip=f"{number(rest.load_N, 2)} N on the wall at its highest push",
                )
            )
    mark = "in place; " if row.in_place else ""
    words = f"{mark}backup {backup_words(row)} N"
    shapes.append(Text(dx + 8.0, dy + 18.0, row.name, 12.5, bold=True, halo="ground"))
    shapes.append(Text(dx + 8.0, dy + 34.0, words, 12.0, role="soft", halo="ground"))
    return shapes


def guides_picture(doc: GuidesDocument) -> Scene:
    """Return every seated guide lying in the arch, seen from the left front."""
    seated = [row for row in doc.guides if row.seated]
    across = max(min(PANELS_ACROSS, len(seated)), 1)
    down = max(-(-len(seated) // across), 1)
    shapes: list[Shape] = []
    for k, row in enumerate(seated):
        shapes += _panel(doc, row, ((k % across) * PANEL_W, (k // across) * PANEL_H))
    shapes.append(Text(8.0, down * PANEL_H + 14.0, KEY, 12.0, role="soft"))
    names = "; ".join(f"{row.name}: backup {backup_words(row)} N" for row in seated)
    return Scene(
        "guides",
        "Guides lying in the arch",
        f"{names or 'No guide found a seat'}. {KEY}",
        max(across * PANEL_W, 620.0),
        down * PANEL_H + 24.0,
        tuple(shapes),
    )


def backup_words(row: GuideRow) -> str:
    """Return a guide's backup; one that hardly holds says so."""
    if row.backup_N is None:
        return "–"
    return number(row.backup_N, 2) if row.backup_N >= LEAST_SHOWN_N else "under 0.05"


def guide_cells(row: GuideRow) -> list[str]:
    """Return one guide's line of the table."""
    name = f"{row.name} (in place)" if row.in_place else row.name
    if not row.seated:
        return [name, "–", "–", "–", "–", row.why_not]
    rests = ", ".join(f"{WHERE_WORDS[r.where]} {number(r.at_loss_N, 2)}" for r in row.rests if r.at_loss_N)
    return [
        name,
        backup_words(row),
        number(row.retreat_mm, 1),
        number(row.stiffness_N_per_mm, 2),
        number(row.work_Nmm, 1),
        rests,
    ]


def guide_rows(doc: GuidesDocument) -> list[list[str]]:
    """Return the lines of the table: guides for this artery only."""
    return [guide_cells(row) for row in doc.guides if row.suits]


def left_out(doc: GuidesDocument) -> str:
    """Return which guides of the shelf are no shape for this artery."""
    names = ", ".join(row.name for row in doc.guides if not row.suits)
    return f"Not for the {doc.coronary.value} coronary: {names}." if names else ""


def variant_cells(row: VariantRow) -> list[str]:
    """Return one variant's line."""
    if row.backup_N is None:
        return [row.what, "no seat found", "–", "–", "–"]
    times = "–" if row.ratio is None else number(row.ratio, 2)
    return [row.what, number(row.backup_N, 2), times, number(row.retreat_mm, 1), number(row.work_Nmm, 1)]


def root_words(doc: GuidesDocument) -> str:
    """Return what was solved in."""
    return (
        f"{doc.vessel}, {doc.access.value.replace('_', ' ')}; root {number(doc.root_diameter_mm, 0)} mm, arch type {doc.arch_type}, "
        f"take-off {number(doc.take_off_deg, 0)} degrees"
    )


def cautions(doc: GuidesDocument) -> list[str]:
    """Return every caution with its guide."""
    return [f"{row.name}: {text}" for row in doc.guides for text in row.cautions]


def render_guides(doc: GuidesDocument, console: Console) -> None:
    """Print the comparison."""
    t = Terminal(console)
    t.say(doc.title, "bold")
    if doc.invented:
        t.say("INVENTED CASE", "bold reverse")
    t.say(DISCLAIMER, "bold")
    t.heading("Guides in this root")
    t.say(root_words(doc))
    t.table(list(HEAD), guide_rows(doc), (26, 12, 9, 9, 10, 40))
    if left_out(doc):
        t.say(left_out(doc))
    t.say(HOW)
    if doc.variants:
        t.heading("The guide in place, with one thing more")
        t.table(list(VARIANT_HEAD), [variant_cells(row) for row in doc.variants], (40, 12, 8, 11, 10))
    t.heading("Cautions")
    t.bullets(cautions(doc), "!", "bold")
    t.bullets([f"unvalidated: {text}" for text in doc.unvalidated])
    t.say(f"Sources: {', '.join(doc.sources)}.")


def sections(doc: GuidesDocument) -> list[str]:
    """Return the comparison as parts of a page: pictures, what each guide holds, one thing more, cautions."""
    return [
        box("section", [element("h2", "Guides lying in the arch"), scroll(figure(guides_picture(doc)))]),
        box(
            "section",
            [
                element("h2", "What each holds"),
                scroll(table(HEAD, guide_rows(doc))),
                element("p", left_out(doc), "soft"),
                element("p", HOW, "soft"),
            ],
        ),
        box(
            "section",
            [
                element("h2", "The guide in place, with one thing more"),
                scroll(table(VARIANT_HEAD, [variant_cells(row) for row in doc.variants])),
            ],
        )
        if doc.variants
        else "",
        box(
            "section",
            [
                element("h2", "Cautions"),
                items([*cautions(doc), *(f"unvalidated: {text}" for text in doc.unvalidated)]),
            ],
        ),
    ]


def html(doc: GuidesDocument) -> str:
    """Return the comparison as one page that needs nothing else."""
    sheet = resources.files("backstay.report").joinpath("page.css").read_text(encoding="utf-8")
    light, dark = css_variables(LIGHT), css_variables(DARK)
    style = (
        f":root {{ {light} }}\n@media (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n"
        f"@media print {{ :root {{ {light} }} }}\n{sheet}"
    )
    mark = element("span", "INVENTED CASE", "mark") if doc.invented else ""
    parts = [
        box("header", [element("h1", doc.title), mark, element("p", root_words(doc), "soft")], "top"),
        "<main>",
        *sections(doc),
        "</main>",
        box("footer", [element("p", f"Sources: {', '.join(doc.sources)}. {DISCLAIMER}", "soft")]),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"{element('title', f'{doc.title} – guides')}\n<style>\n{style}</style>\n</head>\n<body>\n"
        f"{element('p', DISCLAIMER, 'rule')}\n" + "\n".join(parts) + "\n</body>\n</html>\n"
    )
