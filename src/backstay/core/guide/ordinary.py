"""Ordinary guides and extensions in an ordinary aorta: the setups that tables and studies are made of."""

from __future__ import annotations

from backstay.core.guide.aorta import Aorta, ordinary_aorta
from backstay.core.guide.seating import Child, Setup
from backstay.core.guide.shapes import suited_size_mm
from backstay.errors import OutsideValidity
from backstay.identifiers import Access, Coronary, GuideShape

SECTIONS_MM = {5.0: (1.667, 1.473), 6.0: (2.000, 1.803), 7.0: (2.333, 2.057), 8.0: (2.667, 2.311)}
"""Outer diameter and bore of ordinary guides by size [Fr], the widest bore of each in [@guidetable]."""
EXTENSIONS_MM = {5.0: (1.43, 1.27), 6.0: (1.70, 1.42), 7.0: (1.90, 1.57), 8.0: (2.20, 1.83)}
"""Tube of an extension for each guide size: a 4 Fr tube [@shishido], a 5 Fr-class tube [@liao2023]; the larger are judgement."""
EXTENSION_MPA = 600.0
"""Bending modulus of an extension's tube; softer than a guide's, judgement."""
SEATS: tuple[tuple[GuideShape, Coronary], ...] = (
    (GuideShape.STANDARD_LEFT, Coronary.LEFT),
    (GuideShape.EXTRA_BACKUP_LEFT, Coronary.LEFT),
    (GuideShape.AMPLATZ_LEFT, Coronary.LEFT),
    (GuideShape.STANDARD_RIGHT, Coronary.RIGHT),
    (GuideShape.AMPLATZ_LEFT, Coronary.RIGHT),
    (GuideShape.AMPLATZ_RIGHT, Coronary.RIGHT),
)
"""Which shape is used for which coronary artery (common practice, no source)."""


def ordinary_setup(
    shape: GuideShape,
    coronary: Coronary,
    access: Access,
    *,
    size_fr: float,
    root_diameter_mm: float = 34.0,
    extension_depth_mm: float = 0.0,
    aorta: Aorta | None = None,
) -> Setup:
    """Return a guide of ordinary make and suited size in an ordinary aorta.

    Parameters
    ----------
    shape : GuideShape
        Family.
    coronary : Coronary
        Where it is seated.
    access : Access
        Way in.
    size_fr : float
        5, 6, 7 or 8.
    root_diameter_mm : float
        Root; sets the curve's size too.
    extension_depth_mm : float
        Depth of an extension's tip beyond the ostium; 0 for none.
    aorta : Aorta or None
        Another aorta than the ordinary one with that root.

    Returns
    -------
    Setup
        What `push_back` takes.

    Raises
    ------
    OutsideValidity
        No such size.
    """
    if size_fr not in SECTIONS_MM:
        raise OutsideValidity(
            "no ordinary section is known for this size",
            field="guide.size_fr",
            value=size_fr,
            allowed="5, 6, 7 or 8",
        )
    outer_mm, bore_mm = SECTIONS_MM[size_fr]
    child = None
    if extension_depth_mm > 0.0:
        tube_mm = EXTENSIONS_MM[size_fr]
        child = Child(tube_mm[0], tube_mm[1], extension_depth_mm, EXTENSION_MPA)
    return Setup(
        shape,
        suited_size_mm(shape, root_diameter_mm=root_diameter_mm),
        outer_mm,
        bore_mm,
        access,
        coronary,
        aorta or ordinary_aorta(root_diameter_mm),
        child=child,
    )
