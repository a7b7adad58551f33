"""Which studies there are, what each stands on, and what no study covers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from evidence import (
    advice,
    angiograms,
    delivery,
    guide,
    ladder,
    ladder_error,
    learning,
    nuisance,
    vessels,
    withdrawal,
    wrong_model,
)

# Moves choose which rigs are asked about; what a rig's answer is does not rest on them.
DELIVERY_MODEL = (
    "src/backstay/core/anatomy/*.py",
    "src/backstay/core/mechanics/*.py",
    "src/backstay/core/rigging/devices.py",
    "src/backstay/core/rigging/rig.py",
    "src/backstay/core/rigging/packing*.py",
    "src/backstay/core/rigging/passage.py",
    "src/backstay/core/rigging/fit*.py",
    "src/backstay/core/inference/draws.py",
    "src/backstay/core/inference/surface.py",
    "src/backstay/core/inference/chance.py",
    "src/backstay/app/solving.py",
    "examples/demo/*.toml",
    "examples/demo/path.csv",
    "evidence/delivery.py",
    "evidence/solved.py",
)
HOLDS = "src/backstay/data/guide_holds.json"


@dataclass(frozen=True)
class Area:
    """One study: its section is stale as soon as a file it stands on has changed."""

    name: str
    """As `tools/evidence.py NAME` takes it."""
    title: str
    stands_on: tuple[str, ...]
    """Patterns of files below the project's root: model, study, data."""
    run: Callable[[Path], list[str]]
    """Does the study for the project's root and returns the lines of its section, without the title."""


AREAS = (
    Area("bench", "Bench, predicted", (*DELIVERY_MODEL, "evidence/bench_track.py"), delivery.bench),
    Area(
        "interpolation",
        "Draws by interpolation against brute force",
        (*DELIVERY_MODEL, "evidence/interpolation.py"),
        delivery.interpolated,
    ),
    Area("trends", "Trends", (*DELIVERY_MODEL, "evidence/trends.py"), delivery.trend_shares),
    Area(
        "vessels",
        "Lesions measured on generated vessels",
        (
            "src/backstay/core/treatment/branching.py",
            "src/backstay/core/treatment/reference.py",
            "src/backstay/core/treatment/lesions.py",
            "evidence/vessels.py",
        ),
        vessels.study,
    ),
    Area(
        "hazards",
        "Hazards over ten invented full cases",
        (
            "src/backstay/core/rules/*.py",
            "src/backstay/core/safety/*.py",
            "src/backstay/core/safety/hazards/*.py",
            "evidence/nuisance.py",
            "evidence/full_cases.txt",
        ),
        nuisance.study,
    ),
    Area(
        "angiograms",
        "Vessels measured from angiograms of the phantom",
        ("src/backstay/core/imaging/*.py", "evidence/angiograms.py"),
        angiograms.study,
    ),
    Area(
        "withdrawal",
        "The way back out",
        (
            "src/backstay/core/withdrawal/*.py",
            "src/backstay/core/mechanics/elastic.py",
            "src/backstay/core/mechanics/coupled.py",
            "src/backstay/core/mechanics/equilibrium.py",
            "src/backstay/core/mechanics/march.py",
            "src/backstay/core/mechanics/assembly.py",
            "evidence/withdrawal.py",
        ),
        withdrawal.study,
    ),
    Area(
        "learning",
        "Learning from attempts, simulated",
        (
            *DELIVERY_MODEL,
            "src/backstay/core/inference/quick.py",
            "src/backstay/core/inference/attempts.py",
            "src/backstay/core/inference/learning.py",
            "src/backstay/core/inference/tempering.py",
            "src/backstay/core/inference/insight.py",
            "evidence/learning.py",
        ),
        learning.study,
    ),
    Area(
        "advice",
        "Advice and pooling on simulated attempts",
        (
            *DELIVERY_MODEL,
            "src/backstay/core/inference/quick.py",
            "src/backstay/core/inference/attempts.py",
            "src/backstay/core/inference/learning.py",
            "src/backstay/core/inference/tempering.py",
            "src/backstay/core/inference/insight.py",
            "src/backstay/core/inference/pooling.py",
            "evidence/learning.py",
            "evidence/advice.py",
        ),
        advice.study,
    ),
    Area(
        "wrong_model",
        "Advice where nature is not the model",
        (
            *DELIVERY_MODEL,
            "src/backstay/core/inference/quick.py",
            "src/backstay/core/inference/attempts.py",
            "src/backstay/core/inference/learning.py",
            "src/backstay/core/inference/tempering.py",
            "src/backstay/core/inference/insight.py",
            "tests/cross/exact_rod/generate.py",
            "tests/cross/exact_rod/natures.py",
            "tests/cross/exact_rod/natures.json",
            "evidence/learning.py",
            "evidence/advice.py",
            "evidence/wrong_model.py",
        ),
        wrong_model.study,
    ),
    Area(
        "ladder",
        "The ladder over twenty invented cases",
        (
            *DELIVERY_MODEL,
            HOLDS,
            "src/backstay/core/inference/ladder.py",
            "src/backstay/core/inference/opening.py",
            "src/backstay/core/rigging/move*.py",
            "src/backstay/core/rigging/*_moves.py",
            "src/backstay/core/rigging/needs.py",
            "src/backstay/core/rules/gate.py",
            "src/backstay/app/ladder/*.py",
            "evidence/ladder.py",
        ),
        ladder.study,
    ),
    Area(
        "ladder_error",
        "What the ladder's quick ways cost",
        (
            *DELIVERY_MODEL,
            HOLDS,
            "src/backstay/core/inference/ladder.py",
            "src/backstay/core/inference/opening.py",
            "src/backstay/core/rigging/move*.py",
            "src/backstay/core/rigging/*_moves.py",
            "src/backstay/core/rigging/needs.py",
            "src/backstay/app/carrying.py",
            "src/backstay/app/ladder/*.py",
            "evidence/ladder.py",
            "evidence/ladder_error.py",
        ),
        ladder_error.study,
    ),
    Area(
        "guide",
        "Guides as elastic curves, against benches",
        (
            "src/backstay/core/guide/*.py",
            "src/backstay/adapters/guide_table.py",
            HOLDS,
            "evidence/guide.py",
        ),
        guide.study,
    ),
)

UNVALIDATED = (
    (
        "minutes, contrast and dose of each move, cost of stopping, what a balloon opens",
        "judgement; the order of the ladder rests on them, and the case file changes the weights",
    ),
    (
        "vessels measured from angiograms of patients",
        "one real cine was traced and looked at; nothing was compared with a known vessel, or across phases of the heart",
    ),
    ("limits of the C-arm and how likely tags are off", "common practice and judgement"),
    (
        "absolute scale of backup (hold of the guide, retreat at loss)",
        "only ratios between guides could be read; the scale is computed from judged stiffness, friction and seat",
    ),
    ("stiffness of a lesion by class of calcium, and what preparation does to it", "no measurement found"),
    ("ledges that catch a leading edge: their slope and where they are", "no measurement found"),
    ("push a hand gives before a shaft kinks", "the bench's 4 N is a test load, not an operator's"),
    ("friction of a shaft on its wire and in the guide", "only rankings of coatings were found"),
    ("bending stiffness of shafts and of coronary wires by class", "solid-rod arithmetic and judgement"),
    (
        "reference, stenosis and length against patients",
        "generated vessels only; no open set with known truth found",
    ),
    ("order of preparation and weights of the stent choice", "common practice and judgement"),
    (
        "pressure lost in a lesion",
        "no printed numeric example of the formula could be read; its arithmetic is checked",
    ),
    (
        "skin dose: backscatter, tissue and table factors, the body's size, the table's zero",
        "factors from memory or judgement; the geometry is checked by hand, nothing was compared with film",
    ),
    (
        "levels of kerma-area product and fluoroscopy time, 3.7 times the clearance, interval of the clotting time",
        "from memory: no source could be read; marked so wherever shown",
    ),
    (
        "the guide's stiffness drawn in; slopes of rims and stent ends that an edge meets on the way back",
        "judgement; the tension itself is checked against an independent rod",
    ),
    (
        "a trapped wire: its hold, what moves the stent, the strength of its soft end",
        "orders of magnitude; published counts of jailed wires bound the shares from above",
    ),
    (
        "edges of hazards (pressures, depths, ratios, times) and which are shown",
        "judgement or common practice; the lab's protocol changes the edges",
    ),
    (
        "attempts: spread from try to try, reading errors, reasons named wrongly, odd ends, shares of lab and case",
        "judgement; checked on simulated attempts only, no real record was read",
    ),
)
