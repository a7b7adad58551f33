"""The door to the PDF compiler: templates of ours, everything else handed over as data."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

import typst

from backstay.report.scene import Scene
from backstay.report.theme import PRINT, Theme

_PICTURE = (
    b'#set page(width: auto, height: auto, margin: 0pt)\n#image(bytes(sys.inputs.svg), format: "svg")\n'
)
_PX_PER_INCH = 96.0
"""An SVG's px, as the compiler takes it."""


def compile_template(template: str, data: dict[str, Any], *, system_fonts: bool = False) -> bytes:
    """Return the PDF of a template of this package; `data` is read inside it as `sys.inputs.data`.

    Letters that the compiler's own fonts lack are taken from this machine's where `system_fonts` is true.
    """
    source = resources.files("backstay.report").joinpath(template).read_bytes()
    inputs = {"data": json.dumps(data, ensure_ascii=False)}
    pdf = typst.compile(source, format="pdf", sys_inputs=inputs, ignore_system_fonts=not system_fonts)
    return bytes(pdf)


def png(scene: Scene, *, theme: Theme = PRINT, scale: float = 2.0) -> bytes:
    """Return a picture as PNG, `scale` pixels to its px, in the compiler's own letters: alike everywhere."""
    printed = Theme(theme.name, PRINT.font, theme.colours)
    made = typst.compile(
        _PICTURE,
        format="png",
        ppi=_PX_PER_INCH * scale,
        sys_inputs={"svg": scene.svg(printed)},
        ignore_system_fonts=True,
    )
    return bytes(made)
