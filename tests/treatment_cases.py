"""Cases made for one question each: a straight vessel narrowed at places, lesions and what imaging saw as TOML."""

from __future__ import annotations

from pathlib import Path

import numpy as np

S = np.arange(0.0, 100.5, 0.5)
CASE = """schema = 1
title = "Invented"
invented = true
shelf = "shelf.toml"

[access]
route = "right radial"
sheath_fr = 6

[vessel]
name = "right coronary artery"
path = "path.csv"
{vessel}
[rig]
guide = "guide-6-sr"
wires = ["wire-workhorse"]

[target]
device = "{device}"
from_mm = {target[0]}
to_mm = {target[1]}
{more}
"""
OCT = 'imaging = {{ method = "oct", calcium_arc_deg = {0}, calcium_thickness_mm = {1}, calcium_length_mm = {2} }}'


def lesion(from_mm: float, to_mm: float, *lines: str, calcium: str = "none") -> str:
    rest = "\n".join(lines)
    return f'\n[[vessel.lesion]]\nfrom_mm = {from_mm}\nto_mm = {to_mm}\ncalcium = "{calcium}"\n{rest}\n'


BRANCH = (
    '\n[[vessel.branch]]\nname = "large branch"\nat_mm = 50\ndiameter_mm = 2.6\nangle_deg = 60\n'
    "stenosis_percent = 75\ndisease_mm = 12\n"
)


def write_case(
    folder: Path,
    shelf: Path,
    narrowed: list[tuple[float, float, float]],
    vessel: str,
    *,
    more: str = "",
    start_mm: float = 3.2,
    device: str = "stent-300-18",
    target: tuple[float, float] = (40.0, 58.0),
    noise_mm: float = 0.0,
    seed: int = 0,
) -> Path:
    """Write a case and return its file; narrowings are places, half lengths [mm] and shares of the diameter taken.

    Error of a diameter from row to row with a standard deviation; the file says 0.06 mm.
    """
    diameter = start_mm - 0.006 * S
    for at, half, share in narrowed:
        diameter = diameter * (1 - share * (0.5 + 0.5 * np.cos(np.pi * np.clip((S - at) / half, -1.0, 1.0))))
    diameter = diameter + np.random.default_rng(seed).normal(0.0, noise_mm, S.size)
    rows = [
        f"{s:.3f},0.000,0.000,{d / 2:.4f},0.030" for s, d in zip(S.tolist(), diameter.tolist(), strict=True)
    ]
    (folder / "path.csv").write_text("\n".join(["x_mm,y_mm,z_mm,radius_mm,radius_sd_mm", *rows]) + "\n")
    (folder / "shelf.toml").write_bytes(shelf.read_bytes())
    file = folder / "case.toml"
    file.write_text(CASE.format(vessel=vessel, device=device, target=target, more=more))
    return file
