"""Colours and letters: one table of roles for page, print and pictures, in a light and a dark form.

The ground is the grey-green of theatre drapes, light or darkened, so that a page does not glare in a dark
room. A colour never carries a meaning alone: push needed is solid, backup is ruled, prolapse is dotted, and
calcium is crossed.
"""

from __future__ import annotations

from dataclasses import dataclass

PAGE_FONT = "system-ui, sans-serif"
PRINT_FONT = "Libertinus Serif"
"""Carried inside the PDF compiler, so a picture looks the same on every machine."""


@dataclass(frozen=True)
class Theme:
    """One set of colours.

    Attributes
    ----------
    name : str
        For file names and tests.
    font : str
        Family list for text in pictures.
    colours : dict of str to str
        Colour by role.
    """

    name: str
    font: str
    colours: dict[str, str]


_LIGHT = {
    "ground": "#f1f5f2",
    "panel": "#ffffff",
    "ink": "#13201b",
    "soft": "#4a5a53",
    "line": "#b9c6bf",
    "lumen": "#ffffff",
    "wall": "#6d7f77",
    "need": "#8a4200",
    "backup": "#0a4f8f",
    "stop": "#8c1440",
    "device": "#2f463d",
    "bend": "#87998f",
}
_DARK = {
    "ground": "#0f1714",
    "panel": "#18221e",
    "ink": "#e6efe9",
    "soft": "#a9bab1",
    "line": "#3a4a43",
    "lumen": "#0a100e",
    "wall": "#7f938a",
    "need": "#f2b04c",
    "backup": "#8cbcf5",
    "stop": "#ff9db8",
    "device": "#c9d8d0",
    "bend": "#5f746a",
}
_PRINT = {**_LIGHT, "ground": "#ffffff", "panel": "#f5f7f5"}

LIGHT = Theme("light", PAGE_FONT, _LIGHT)
DARK = Theme("dark", PAGE_FONT, _DARK)
PRINT = Theme("print", PRINT_FONT, _PRINT)

ROLES = tuple(_LIGHT)
TEXT_ROLES = ("ink", "soft", "need", "backup", "stop")
"""Roles that text is set in: these keep a contrast of at least 4.5 on ground, panel and lumen."""
GROUND_ROLES = ("ground", "panel", "lumen")


def css_variables(theme: Theme) -> str:
    """Return the theme as CSS custom properties."""
    return " ".join(f"--{role}: {colour};" for role, colour in theme.colours.items())


def _linear(channel: int) -> float:
    c = channel / 255.0
    return c / 12.92 if c <= 0.04045 else float(((c + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    """Return the relative luminance of "#rrggbb" (WCAG 2.2, relative luminance)."""
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return 0.2126 * _linear(r) + 0.7152 * _linear(g) + 0.0722 * _linear(b)


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2, contrast ratio)."""
    bright, dim = sorted((luminance(first), luminance(second)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)
