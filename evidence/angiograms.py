"""Vessels of the invented phantom filmed from two views and measured: errors against the truth, fixed seeds.

Sizes, seeds and bars were fixed before the study was run. Parameters of the method were chosen on seeds 1000 on,
before; the study's seeds are others. So was the error of a diameter's place (`PLACE_SD_MM`), on 20 of them. One was
not: the width of the averaging along the vessel was settled between 4.5 and 5 px with the table of tubes in view,
which is said in the section.
"""

from __future__ import annotations

import itertools
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from backstay.core.imaging.bundle import TagErrors, fitted_curve
from backstay.core.imaging.density import density
from backstay.core.imaging.lumen import measured_lumen
from backstay.core.imaging.matching import matched
from backstay.core.imaging.measuring import Sight, Vessel, measured_pair, seen
from backstay.core.imaging.pairs import Doubt, after, before, spine_remark, spine_tells
from backstay.core.imaging.phantom import Phantom, random_phantom, straight_tube
from backstay.core.imaging.phantom_film import Film, filmed
from backstay.core.imaging.projection import View
from backstay.core.imaging.signs import sign_remarks, with_signs
from backstay.core.imaging.tracing import traced
from backstay.identifiers import Intensity

FloatArray = NDArray[np.float64]

SEED = 7000
CASES = {"3 mm, 0.5 deg": (3.0, 0.5, 32), "10 mm, 1 deg": (10.0, 1.0, 8)}
TUBES_MM = (4.0, 3.0, 2.0, 1.4, 1.0, 0.8)
WRONG_VESSELS, RIGHT_VESSELS = 2, 4
WORKERS = 2
SIGN_PAIRS = (
    ((-30.0, -20.0), (40.0, 20.0)), ((-30.0, -20.0), (45.0, -25.0)), ((-20.0, -20.0), (-10.0, 40.0)),
    ((-30.0, 25.0), (40.0, 25.0)), ((0.0, 35.0), (45.0, -25.0)), ((-30.0, 0.0), (60.0, 0.0)),
)  # fmt: skip


def _view(primary_deg: float, secondary_deg: float) -> View:
    return View(np.deg2rad(primary_deg), np.deg2rad(secondary_deg), 1000.0, 750.0, 0.25, 0.25, 512, 512)


TAGGED = (_view(-30.0, -20.0), _view(40.0, 20.0))


@dataclass(frozen=True)
class Errors:
    """Errors of one case."""

    line_px: float
    length_percent: float
    point_mm: float
    least_mm: float
    stenosis_points: float
    curvature_percent: float
    held_percent: float
    held_narrow_percent: float
    length_held: bool
    cpu_s: float


def study(root: Path) -> list[str]:
    """Return the section's lines."""
    lines = [
        "Invented vessels (77 to 95 mm, two narrowings, two branches) filmed from RAO 30 CAU 20 and LAO 40 CRA 20: "
        "400 quanta a pixel, scatter 0.4, 8 bits; two clicks and two branch points a view, each about a pixel off; the "
        "table moves between the views and every angle is off by the errors named (one standard deviation per axis). One "
        "frame a view. Not in it: heart phase and breathing, overlap of other vessels with the narrowing, edge "
        "enhancement, lumens that are not round. Draws in which the vessel leaves an image are passed over. The method was made on "
        "other seeds, but the width of its averaging along the vessel (4.5 to 5 px) was settled with the tubes below in view.",
        "",
        "| quantity | bar | " + " | ".join(f"{name} (n = {CASES[name][2]})" for name in CASES) + " |",
        "|---|---|" + "---|" * len(CASES),
    ]
    results = {name: _cases(*CASES[name]) for name in CASES}
    for title, bar, text in _rows(results):
        lines.append(f"| {title} | {bar} | " + " | ".join(text) + " |")
    return [*lines, "", *_tubes(), "", *_signs()]


def _cases(shift_mm: float, angle_deg: float, count: int) -> list[Errors]:
    """Return the first cases whose vessel stays on both images."""
    seeds = [seed for seed in range(SEED, SEED + 4 * count) if _drawn(seed, shift_mm, angle_deg) is not None][
        :count
    ]
    with ProcessPoolExecutor(WORKERS, mp_context=get_context("spawn")) as pool:
        return list(pool.map(_case, seeds, [shift_mm] * len(seeds), [angle_deg] * len(seeds)))


def _rows(results: dict[str, list[Errors]]) -> list[tuple[str, str, list[str]]]:
    def all_of(name: str) -> list[FloatArray]:
        return [np.array([getattr(e, name) for e in case]) for case in results.values()]

    def judged(ok: bool, text: str) -> str:
        return text if ok else f"{text} **miss**"

    lengths = [
        judged(
            float(np.percentile(np.abs(v), 95)) <= bar,
            f"{np.percentile(np.abs(v), 95):.2f} (mean {v.mean():+.2f}, SD {v.std():.2f})",
        )
        for v, bar in zip(all_of("length_percent"), (1.0, 2.5), strict=True)
    ]
    rows = [
        (
            "centreline, mean error [px]",
            "0.3",
            [judged(v.mean() <= 0.3, f"{v.mean():.2f}") for v in all_of("line_px")],
        ),
        ("length, 95 % of errors within [%]", "1.0; 2.5", lengths),
        (
            "points, mean error after a rigid fit [mm]",
            "0.2",
            [judged(v.mean() <= 0.2, f"{v.mean():.2f}") for v in all_of("point_mm")],
        ),
    ]
    for name, title, bias, sd in (
        ("least_mm", "least diameter [mm]", 0.08, 0.13),
        ("stenosis_points", "stenosis [points]", 3.0, 5.0),
    ):
        text = [
            judged(abs(v.mean()) <= bias and v.std() <= sd, f"bias {v.mean():+.2f}, SD {v.std():.2f}")
            for v in all_of(name)
        ]
        rows.append((title, f"bias {bias:g}, SD {sd:g}", text))
    curvature = [judged(v.mean() <= 15.0, f"{v.mean():.0f}") for v in all_of("curvature_percent")]
    rows.append(("curvature, mean relative error at 2 mm [%]", "15", curvature))
    for name, title, least in (
        ("held_percent", "rows whose radius lies in its stated 95 % interval [%]", 93.0),
        ("held_narrow_percent", "the same in the narrowings' inner 7 tenths [%]", 90.0),
    ):
        text = [judged(least <= v.mean() <= 98.0, f"{v.mean():.1f}") for v in all_of(name)]
        rows.append((title, f"{least:g} to 98", text))
    held = [f"{np.count_nonzero(v)} of {len(v)}" for v in all_of("length_held")]
    rows.append(("lengths that lie in their stated 95 % interval", "told only", held))
    rows.append(
        (
            "processor time, clicks to path [s]",
            "3",
            [judged(v.mean() < 3.0, f"{v.mean():.1f}") for v in all_of("cpu_s")],
        )
    )
    return rows


def _tagged_and_true(
    rng: np.random.Generator, shift_mm: float, angle_deg: float, tags: tuple[View, View]
) -> tuple[View, View]:
    true = []
    for k, tag in enumerate(tags):
        a, b = np.deg2rad(rng.normal(0.0, angle_deg, 2))
        view = tag.turned(primary_rad=a, secondary_rad=b)
        true.append(view.shifted(rng.normal(0.0, shift_mm, 3)) if k else view)
    return true[0], true[1]


def _drawn(
    seed: int, shift_mm: float, angle_deg: float
) -> tuple[np.random.Generator, Phantom, tuple[View, View]] | None:
    """Return a draw, or None where the vessel leaves an image."""
    rng = np.random.default_rng(seed)
    phantom = random_phantom(rng)
    true = _tagged_and_true(rng, shift_mm, angle_deg, TAGGED)
    if any(
        not ((p > 8.0) & (p < 503.0)).all() for p in (view.project(phantom.main.points_mm) for view in true)
    ):
        return None
    return rng, phantom, true


def _case(seed: int, shift_mm: float, angle_deg: float) -> Errors:
    drawn = _drawn(seed, shift_mm, angle_deg)
    assert drawn is not None
    rng, phantom, true = drawn
    frames = [filmed((phantom.main, *phantom.branches), view, Film(), rng) for view in true]
    s = phantom.main.s_mm
    ends = [int(np.searchsorted(s, share * s[-1])) for share in (0.02, 0.98)]
    branches = [int(np.searchsorted(s, at)) for at in phantom.branch_at_mm]
    clicks = [
        view.project(phantom.main.points_mm[[*ends, *branches]]) + rng.normal(0.0, 1.0, (4, 2))
        for view in true
    ]
    start = time.process_time()
    sights = tuple(
        Sight(density(frame, intensity=Intensity.LOGARITHMIC, most=255.0), tag, at[:2], at[2:])
        for frame, tag, at in zip(frames, TAGGED, clicks, strict=True)
    )
    lumens = tuple(seen(sight) for sight in sights)
    vessel = measured_pair((sights[0], sights[1]), (lumens[0], lumens[1]))
    spent = time.process_time() - start
    return _errors(phantom, true, (ends[0], ends[1]), vessel, spent)


def _errors(
    phantom: Phantom, true: tuple[View, View], ends: tuple[int, int], vessel: Vessel, spent_s: float
) -> Errors:
    main = phantom.main
    away = [
        cKDTree(view.project(main.points_mm)).query(lumen.line_px)[0].mean()
        for view, lumen in zip(true, vessel.lumens, strict=True)
    ]
    length = main.s_mm[ends[1]] - main.s_mm[ends[0]]
    place = vessel.s_mm / vessel.length_mm * length + main.s_mm[ends[0]]
    moved = _rigid(
        vessel.points_mm, np.stack([np.interp(place, main.s_mm, c) for c in main.points_mm.T], axis=1)
    )
    tree = cKDTree(main.points_mm)
    for _ in range(3):
        moved = _rigid(moved, main.points_mm[tree.query(moved)[1]])
    miss, nearest = tree.query(moved)
    place = main.s_mm[nearest]
    tight = phantom.narrowings[0]
    near = np.abs(place - tight.at_mm) < 0.5 * tight.length_mm + 1.0
    there = np.abs(main.s_mm - tight.at_mm) < 0.5 * tight.length_mm
    least, true_least = 2.0 * vessel.radius_mm[near].min(), 2.0 * main.radius_mm[there].min()
    i = int(np.flatnonzero(near)[np.argmin(vessel.radius_mm[near])])
    healthy = 2.0 * main.healthy_radius_mm[int(np.searchsorted(main.s_mm, tight.at_mm))]
    percent = 100.0 * (1.0 - least / vessel.reference_mm[i]) - 100.0 * (1.0 - true_least / healthy)
    curvature = np.interp(place, main.s_mm, _true_curvature(main.points_mm))
    inside = (place > 3.0) & (place < main.s_mm[-1] - 3.0)
    held = np.abs(vessel.radius_mm - main.radius_mm[nearest]) <= 1.96 * vessel.radius_sd_mm
    narrow = np.any([np.abs(place - n.at_mm) < 0.35 * n.length_mm for n in phantom.narrowings], axis=0)
    off = np.abs(vessel.curvature_per_mm - curvature)[inside].mean() / curvature[inside].mean()
    return Errors(
        float(np.mean(away)), 100.0 * (vessel.length_mm / length - 1.0), float(miss.mean()), float(least - true_least),
        float(percent), 100.0 * float(off), 100.0 * float(held.mean()), 100.0 * float(held[narrow].mean()),
        bool(abs(vessel.length_mm - length) <= 1.96 * vessel.length_sd_mm), spent_s,
    )  # fmt: skip


def _true_curvature(points_mm: FloatArray) -> FloatArray:
    """Return the curvature of the truth at a scale of 2 mm; points are 0.08 mm apart."""
    smooth = gaussian_filter1d(points_mm, 2.0 / 0.08, axis=0, mode="nearest")
    first = np.gradient(smooth, axis=0) / 0.08
    second = np.gradient(first, axis=0) / 0.08
    return np.linalg.norm(np.cross(first, second), axis=1) / np.linalg.norm(first, axis=1) ** 3


def _rigid(points: FloatArray, onto: FloatArray) -> FloatArray:
    a, b = points.mean(axis=0), onto.mean(axis=0)
    u, _, vt = np.linalg.svd((points - a).T @ (onto - b))
    return np.asarray((points - a) @ (u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt) + b)


def _tubes() -> list[str]:
    """Return the table of straight tubes: one tube that narrows in steps, so that wide parts give the contrast."""
    view = _view(0.0, 0.0)
    lines = [
        "Straight tube in steps, plain background. Bars: 0.03 mm bias without noise at scatter 0.4, 0.08 mm SD at 400 quanta.",
        "",
        "| diameter [mm] | bias without noise, scatter 0.3 / 0.4 / 0.5 [mm] | SD along the tube at 400 quanta [mm] |",
        "|---|---|---|",
    ]
    clean = [
        _tube_errors(view, Film(quanta=0.0, background=False, bits=16, scatter_share=s), 1)
        for s in (0.3, 0.4, 0.5)
    ]
    noisy = [_tube_errors(view, Film(background=False, bits=12), seed) for seed in (1, 2, 3)]
    for k, diameter in enumerate(TUBES_MM):
        bias = [e[k].mean() for e in clean]
        sd = float(np.sqrt(np.mean([e[k].var() for e in noisy])))
        miss = " **miss**" if abs(bias[1]) > 0.03 or sd > 0.08 else ""
        lines.append(f"| {diameter:g} | {bias[0]:+.3f} / {bias[1]:+.3f} / {bias[2]:+.3f} | {sd:.3f}{miss} |")
    return lines


def _tube_errors(view: View, film: Film, seed: int) -> list[FloatArray]:
    tube = straight_tube(TUBES_MM, direction=(0.6, 0.2, -1.0))
    frame = filmed((tube,), view, film, np.random.default_rng(seed))
    dark = density(frame, intensity=Intensity.LOGARITHMIC, most=2.0**film.bits - 1.0)
    seen_at = view.project(tube.points_mm)
    lumen = measured_lumen(dark, traced(dark, seen_at[[20, -20]]), mm_per_px=view.isocentre_mm_per_px)
    nearest = cKDTree(seen_at).query(lumen.line_px)[1]
    s = tube.s_mm[nearest]
    measured = lumen.diameter_px * view.mm_per_px(tube.points_mm[nearest])
    return [measured[(s > 12.0 * k + 2.5) & (s < 12.0 * k + 9.5)] - d for k, d in enumerate(TUBES_MM)]


def _signs() -> list[str]:
    """Return what is said of right and of wrong signs, on centrelines with noise, for several pairs of views."""
    lines = [
        f"Signs of the angles, on centrelines with 0.25 px of noise, 3 mm and 0.5 deg: every wrong set that changes a tag, of "
        f"{WRONG_VESSELS} vessels, the set with all signs wrong apart; and right tags of {RIGHT_VESSELS} vessels. Stopped: refused "
        "by the views' angle apart, by another set that fits better, by a question for the spine's side, or by the fit's own "
        "corrections. The columns before the last are without the spine; the last has its side given in both views, which also "
        "refuses any wrong primary angle of 10 deg or more.",
        "",
        "| views | wrong: stopped | said | silent | all wrong: stopped | right: stopped | right, spine given: stopped, said |",
        "|---|---|---|---|---|---|---|",
    ]
    with ProcessPoolExecutor(WORKERS, mp_context=get_context("spawn")) as pool:
        counts = list(pool.map(_counted_signs, range(len(SIGN_PAIRS))))
    for angles, (wrong, mirrored, right, told) in zip(SIGN_PAIRS, counts, strict=True):
        count = len(wrong)
        silent = wrong.count("silent")
        lines.append(
            f"| {' / '.join(f'{a:+g} {b:+g}' for a, b in angles)} | {wrong.count('stopped')} of {count} | {wrong.count('said')} | "
            f"{silent}{' **miss**' if silent else ''} | {mirrored.count('stopped')} of {len(mirrored)} | "
            f"{right.count('stopped')} of {len(right)} | {told.count('stopped')}, {told.count('said')} of {len(told)} |"
        )
    spines = _told_by_the_spine()
    return [
        *lines,
        "",
        "All signs wrong at once is nearly a mirror image, of the same length: the fit tells it now and then by the rays' "
        "spreading. It is told by the spine's side of the image: the tags of "
        f"RAO 30 CAU 20 and LAO 40 CRA 20, all signs wrong, are refused in {spines} of 2 views by it"
        f"{'' if spines == 2 else ' (**miss**)'}. Until a side is given, every measurement from two views says that all signs "
        "reversed could not be seen. Two views without cranial or caudal (-30 0 / +60 0) fit any signs of their primary angles: "
        "there the spine's side must be given, and right tags are stopped until it is.",
    ]


def _counted_signs(pair: int) -> tuple[list[str], list[str], list[str], list[str]]:
    """Return what is said of wrong signs, of all wrong, of right ones, and of right ones with the spine given."""
    tags = (_view(*SIGN_PAIRS[pair][0]), _view(*SIGN_PAIRS[pair][1]))
    seed = SEED + 500 + 20 * pair
    wrong, mirrored, right, told = [], [], [], []
    angles = np.array([[t.primary_rad, t.secondary_rad] for t in tags]).ravel()
    sets = [
        s for s in itertools.product((False, True), repeat=4) if not (np.array(s) & (angles == 0.0)).any()
    ]
    for k in range(RIGHT_VESSELS):
        rng = np.random.default_rng(seed + k)
        phantom = random_phantom(rng)
        true = _tagged_and_true(rng, 3.0, 0.5, tags)
        lines, marks = zip(*(_noisy_line(phantom, view, rng) for view in true), strict=True)
        seen_as = ((lines[0], lines[1]), (marks[0], marks[1]))
        right.append(_said(tags, *seen_as))
        told.append(_said(tags, *seen_as, told=(True, True)))
        for turned in sets[1:] if k < WRONG_VESSELS else []:
            whole = (np.array(turned) == (angles != 0.0)).all()
            (mirrored if whole else wrong).append(_said(with_signs(tags, turned), *seen_as))
    return wrong, mirrored, right, told


def _said(
    tags: tuple[View, View],
    lines: tuple[FloatArray, FloatArray],
    marks: tuple[FloatArray, FloatArray],
    told: tuple[bool, bool] = (False, False),
) -> str:
    errors = TagErrors()
    sure = (told[0] and spine_tells(tags[0]), told[1] and spine_tells(tags[1]))
    remarks = (*before(tags), *sign_remarks(tags, lines, marks, errors=errors, told=sure))
    if not any(r.stops for r in remarks):
        first = matched(tags, lines, marks, shift_sd_mm=errors.shift_mm)
        curve = fitted_curve(
            tags, lines, marks, start_mm=first.points_mm, shift_mm=first.shift_mm, errors=errors
        )
        remarks = (*remarks, *after(curve))
    if any(r.stops for r in remarks):
        return "stopped"
    return "said" if any(r.doubt is Doubt.SIGNS for r in remarks) else "silent"


def _told_by_the_spine() -> int:
    """Return in how many of the views, all signs wrong, the side on which the spine lies contradicts the tag."""
    told = 0
    for view in TAGGED:
        spine_px = view.project(np.array([0.0, 60.0, 0.0])) - view.centre_px
        side = "right" if spine_px[1] > 0.0 else "left"
        wrong = replace(view, primary_rad=-view.primary_rad, secondary_rad=-view.secondary_rad)
        told += spine_remark(wrong, side, "run") is not None and spine_remark(view, side, "run") is None
    return told


def _noisy_line(phantom: Phantom, view: View, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    line = view.project(phantom.main.points_mm[::12])
    noise = gaussian_filter1d(rng.normal(size=line.shape), 3.0, axis=0)
    line = line + 0.25 * noise / noise.std()
    at = [int(np.searchsorted(phantom.main.s_mm, x)) for x in phantom.branch_at_mm]
    return line, view.project(phantom.main.points_mm[at]) + rng.normal(0.0, 1.0, (2, 2))
