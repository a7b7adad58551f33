"""Pictures as lists of shapes: built once, written as SVG for page, print, file or notebook.

Shapes name colours by role. Inside the page a role becomes a CSS custom property, so one picture follows the
reader's light or dark setting; on its own the picture carries the colours of the theme asked for. All text is
escaped.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

from backstay.report.theme import LIGHT, Theme

Point = tuple[float, float]
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def xml_text(text: str) -> str:
    """Return text safe inside an XML or HTML element; what XML does not allow becomes a visible mark."""
    return escape(_FORBIDDEN.sub("\ufffd", text))


def xml_attribute(text: str) -> str:
    """Return text as a quoted attribute value."""
    return quoteattr(_FORBIDDEN.sub("\ufffd", text))


def slug(text: str) -> str:
    """Return text as something that may stand in an id."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "x"


@dataclass(frozen=True)
class Paint:
    """How a shape is filled and outlined.

    Attributes
    ----------
    fill, stroke : str or None
        Colour roles.
    width : float
        Width of the outline.
    dash : str
        Dash pattern, "" for solid.
    opacity : float
        Of the fill.
    hatch : str or None
        One of `HATCHES`, drawn in the fill's colour in place of a plain fill.
    """

    fill: str | None = None
    stroke: str | None = None
    width: float = 1.0
    dash: str = ""
    opacity: float = 1.0
    hatch: str | None = None


HATCHES = {
    "ruled": '<path d="M0 7 L7 0 M-1 1 L1 -1 M6 8 L8 6" stroke={c} stroke-width="1.3" fill="none"/>',
    "dotted": '<circle cx="1.8" cy="1.8" r="1.2" fill={c}/><circle cx="5.3" cy="5.3" r="1.2" fill={c}/>',
    "crossed": '<path d="M0 0 L7 7 M7 0 L0 7" stroke={c} stroke-width="1.3" fill="none"/>',
}
"""Each is a tile of 7 by 7; `{c}` is the colour."""
_TILE = 7


@dataclass(frozen=True)
class Rect:
    """A rectangle; `tip` is what a pointer resting on it reads."""

    x: float
    y: float
    width: float
    height: float
    paint: Paint
    corner: float = 0.0
    tip: str = ""


@dataclass(frozen=True)
class Circle:
    """A circle."""

    x: float
    y: float
    radius: float
    paint: Paint
    tip: str = ""


@dataclass(frozen=True)
class Line:
    """Straight pieces through points; closed makes an area. `kind` names it for tests and styles."""

    points: tuple[Point, ...]
    paint: Paint
    closed: bool = False
    kind: str = ""
    tip: str = ""


@dataclass(frozen=True)
class Text:
    """One line of text; a halo keeps it legible over hatching."""

    x: float
    y: float
    text: str
    size: float = 13.0
    role: str = "ink"
    anchor: str = "start"
    bold: bool = False
    halo: str | None = None


@dataclass(frozen=True)
class Image:
    """A grey picture of pixels, PNG; `tip` is what a pointer resting on it reads."""

    x: float
    y: float
    width: float
    height: float
    png: bytes
    tip: str = ""


Shape = Rect | Circle | Line | Text | Image


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Return about how wide a line of text is in a wide sans-serif, so that labels keep apart."""
    return len(text) * size * (0.64 if bold else 0.56)


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Return the text broken between words into lines of about this width."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold=bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@dataclass(frozen=True)
class Scene:
    """A picture.

    Attributes
    ----------
    name : str
        Unique on the page; starts every id inside.
    title, description : str
        What a screen reader says.
    width, height : float
        Size in px.
    shapes : tuple of Shape
        Drawn in this order.
    """

    name: str
    title: str
    description: str
    width: float
    height: float
    shapes: tuple[Shape, ...] = field(default=())

    def svg(self, theme: Theme | None = LIGHT) -> str:
        """Return the picture as SVG; `theme` None writes CSS custom properties for use inside the page."""
        return _Writer(self, theme).document()

    def _repr_svg_(self) -> str:
        return self.svg(LIGHT)


class _Writer:
    def __init__(self, scene: Scene, theme: Theme | None) -> None:
        self.scene, self.theme, self.prefix = scene, theme, slug(scene.name)

    def document(self) -> str:
        s = self.scene
        ids = f"{self.prefix}-title {self.prefix}-desc"
        font = "inherit" if self.theme is None else self.theme.font
        back = "" if self.theme is None else self._background()
        body = "\n".join(self._shape(shape) for shape in s.shapes)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(s.width)} {_n(s.height)}" '
            f'width="{_n(s.width)}" height="{_n(s.height)}" role="img" aria-labelledby="{ids}" '
            f"font-family={xml_attribute(font)}>\n"
            f'<title id="{self.prefix}-title">{xml_text(s.title)}</title>\n'
            f'<desc id="{self.prefix}-desc">{xml_text(s.description)}</desc>\n'
            f"{self._hatches()}{back}{body}\n</svg>\n"
        )

    def _background(self) -> str:
        s = self.scene
        return f'<rect width="{_n(s.width)}" height="{_n(s.height)}" {self._fill("ground")}/>\n'

    def _hatches(self) -> str:
        used = sorted({(p.hatch, p.fill) for p in _paints(self.scene.shapes) if p.hatch and p.fill})
        tiles = [
            f'<pattern id="{self.prefix}-{hatch}-{role}" width="{_TILE}" height="{_TILE}" '
            f'patternUnits="userSpaceOnUse">{HATCHES[hatch].format(c=self._quoted(role))}</pattern>'
            for hatch, role in used
        ]
        return f"<defs>{''.join(tiles)}</defs>\n" if tiles else ""

    def _colour(self, role: str) -> str:
        return f"var(--{role})" if self.theme is None else self.theme.colours[role]

    def _quoted(self, role: str) -> str:
        return f'"{self._colour(role)}"'

    def _fill(self, role: str) -> str:
        return f"fill={self._quoted(role)}"

    def _paint(self, paint: Paint) -> str:
        if paint.fill is None:
            fill = 'fill="none"'
        elif paint.hatch is not None:
            fill = f'fill="url(#{self.prefix}-{paint.hatch}-{paint.fill})"'
        else:
            fill = self._fill(paint.fill)
        if paint.fill is not None and paint.opacity != 1.0:
            fill += f' fill-opacity="{_n(paint.opacity)}"'
        if paint.stroke is None:
            return fill
        dash = f' stroke-dasharray="{paint.dash}"' if paint.dash else ""
        outline = f'stroke={self._quoted(paint.stroke)} stroke-width="{_n(paint.width)}"'
        return f'{fill} {outline} stroke-linejoin="round"{dash}'

    def _shape(self, shape: Shape) -> str:
        if isinstance(shape, Text):
            return self._text(shape)
        if isinstance(shape, Image):
            return _image(shape)
        if isinstance(shape, Rect):
            head = (
                f'<rect x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" '
                f'height="{_n(shape.height)}" rx="{_n(shape.corner)}"'
            )
            tag = "rect"
        elif isinstance(shape, Circle):
            head = f'<circle cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.radius)}"'
            tag = "circle"
        else:
            tag = "polygon" if shape.closed else "polyline"
            points = " ".join(f"{_n(round(x, 1))},{_n(round(y, 1))}" for x, y in shape.points)
            kind = f' class="{slug(shape.kind)}"' if shape.kind else ""
            head = f'<{tag}{kind} points="{points}"'
        tip = f"<title>{xml_text(shape.tip)}</title>" if shape.tip else ""
        return f"{head} {self._paint(shape.paint)}>{tip}</{tag}>"

    def _text(self, text: Text) -> str:
        halo = ""
        if text.halo is not None:
            halo = (
                f' stroke={self._quoted(text.halo)} stroke-width="4" stroke-linejoin="round" '
                f'paint-order="stroke"'
            )
        weight = ' font-weight="700"' if text.bold else ""
        return (
            f'<text x="{_n(text.x)}" y="{_n(text.y)}" font-size="{_n(text.size)}" '
            f'text-anchor="{text.anchor}" {self._fill(text.role)}{weight}{halo}>{xml_text(text.text)}</text>'
        )


def _image(shape: Image) -> str:
    data = base64.b64encode(shape.png).decode()
    tip = f"<title>{xml_text(shape.tip)}</title>" if shape.tip else ""
    return (
        f'<image x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" height="{_n(shape.height)}" '
        f'href="data:image/png;base64,{data}">{tip}</image>'
    )


def _n(value: float) -> str:
    """Return a number as SVG writes it: two decimals, no trailing zeros, no negative zero."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _paints(shapes: Iterable[Shape]) -> list[Paint]:
    return [shape.paint for shape in shapes if not isinstance(shape, Text | Image)]


def band(upper: Sequence[Point], lower: Sequence[Point], paint: Paint, *, kind: str = "") -> Line:
    """Return the area between two lines over the same places."""
    return Line((*upper, *reversed(lower)), paint, closed=True, kind=kind)
