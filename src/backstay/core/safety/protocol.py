"""What a lab decides where sources disagree or are silent. The values given are the cautious side; each says whose it is."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from backstay.identifiers import Whose


@dataclass(frozen=True, kw_only=True)
class ContrastProtocol:
    """Contrast.

    Attributes
    ----------
    weight_limit_cap : str
        Where the 300 mL cap of the weight-and-creatinine limit goes, which is disputed [@cigarroa1989].
    clearance_times : float
        How often the clearance may be used up [@gurm2011].
    near_share : float
        Share of a limit from which on it is called near; common practice, no source.
    """

    weight_limit_cap: Literal["the smaller", "on the dose", "on the result"] = "the smaller"
    clearance_times: float = 3.0
    near_share: float = 0.8


@dataclass(frozen=True, kw_only=True)
class HeparinProtocol:
    """Heparin and the activated clotting time.

    Attributes
    ----------
    instrument : str
        Family of the lab's instrument. While it is unknown only what both families allow is the target, and that is said.
    repeat_after_min : float
        When the next value is due; from memory, no readable source (20 to 30 minutes).
    overdue_after_min : float
        When it is overdue.
    """

    instrument: Literal["lower reading", "higher reading", "unknown"] = "unknown"
    repeat_after_min: float = 20.0
    overdue_after_min: float = 30.0


@dataclass(frozen=True, kw_only=True)
class RadiationProtocol:
    """Radiation levels.

    Attributes
    ----------
    first_notice_mGy, next_notice_mGy : float
        Air kerma at which the operator is told, and every so much after it [@aapm2022].
    substantial_mGy, substantial_skin_mGy : float
        Substantial level: air kerma or peak skin dose [@aapm2022].
    substantial_kap_Gycm2, substantial_fluoroscopy_min : float
        From memory; the report they are said to stand in could not be read [@ncrp168].
    first_kap_Gycm2, next_kap_Gycm2, first_fluoroscopy_min, next_fluoroscopy_min : float
        Notices by air kerma-area product and time; from memory, as above.
    """

    first_notice_mGy: float = 3000.0
    next_notice_mGy: float = 1000.0
    substantial_mGy: float = 5000.0
    substantial_skin_mGy: float = 3000.0
    substantial_kap_Gycm2: float = 500.0
    substantial_fluoroscopy_min: float = 60.0
    first_kap_Gycm2: float = 300.0
    next_kap_Gycm2: float = 100.0
    first_fluoroscopy_min: float = 30.0
    next_fluoroscopy_min: float = 15.0


@dataclass(frozen=True, kw_only=True)
class SkinFactors:
    """What turns air kerma at the reference point into dose to the skin.

    Attributes
    ----------
    backscatter_factor : float
        1.25 to 1.55 by beam quality and field; a value of the room's physicist is better.
    tissue_factor : float
        Skin or water to air, 1.04 to 1.07; from memory.
    table_factor : float
        Share that passes table and pad at normal incidence, 0.65 to 0.90: measure per room.
    calibration_factor : float
        What the machine's own reading is multiplied by.
    half_range : float
        Half of the band that is shown, as a share: about two standard deviations, judgement, no source.
    """

    backscatter_factor: float = 1.40
    tissue_factor: float = 1.06
    table_factor: float = 0.80
    calibration_factor: float = 1.0
    half_range: float = 0.40


@dataclass(frozen=True, kw_only=True)
class HazardProtocol:
    """Edges of hazards that no source gives: judgement or common practice, all of them.

    Attributes
    ----------
    high_atm : float
        From here on an inflation is called high-pressure.
    anchor_atm : float
        Above this an anchor balloon is called hard.
    small_branch_mm : float
        Up to this diameter a branch is small.
    deep_extension_mm : float
        From here on an extension stands deep.
    oversize_ratio : float
        Balloon or stent to reference diameter above which it is called too large.
    burr_ratio : float
        Burr to artery above which it is called too large (modern practice 0.4 to 0.6, from memory).
    burr_run_s : float
        Longest run of a burr.
    blocked_s : float
        From here on an inflation or an anchor is called a long ischaemia.
    bend_deg : float
        From here on a stiff wire may make false narrowings.
    stiff_wire_Nmm2 : float
        From here on a wire is stiff.
    """

    high_atm: float = 16.0
    anchor_atm: float = 8.0
    small_branch_mm: float = 2.0
    deep_extension_mm: float = 30.0
    oversize_ratio: float = 1.1
    burr_ratio: float = 0.6
    burr_run_s: float = 20.0
    blocked_s: float = 120.0
    bend_deg: float = 90.0
    stiff_wire_Nmm2: float = 6.0


@dataclass(frozen=True, kw_only=True)
class Protocol:
    """All of it.

    Attributes
    ----------
    name : str
        Whose it is.
    contrast, heparin, radiation, skin, hazards
        The parts.
    set_by_lab : frozenset of str
        What the lab's file sets, as "part.value"; the rest is the program's own.
    """

    name: str = "none: the cautious side of each dispute"
    contrast: ContrastProtocol = field(default_factory=ContrastProtocol)
    heparin: HeparinProtocol = field(default_factory=HeparinProtocol)
    radiation: RadiationProtocol = field(default_factory=RadiationProtocol)
    skin: SkinFactors = field(default_factory=SkinFactors)
    hazards: HazardProtocol = field(default_factory=HazardProtocol)
    set_by_lab: frozenset[str] = frozenset()

    def whose(self, *values: str, otherwise: str) -> str:
        """Return the lab's protocol where its file sets all of these values ("part.value"), else another source."""
        return Whose.LAB.value if self.set_by_lab.issuperset(values) else otherwise
