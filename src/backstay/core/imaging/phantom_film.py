"""Films a phantom: exact paths of rays through the lumen, a background, blur, scatter, counting noise, grey values.

This physics is written apart from `profile`, which measures: neither imports the other, so that an error in one is
not hidden by the same error in the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from backstay.core.imaging.phantom import Tube
from backstay.core.imaging.projection import View

FloatArray = NDArray[np.float64]

SUB = 3
"""Rays per pixel, each way."""


@dataclass(frozen=True)
class Film:
    """How the pictures are taken; judgement, no source, after a trial of ours.

    Attributes
    ----------
    attenuation_per_mm : float
        Of the contrast-filled lumen.
    blur_mm : float
        Standard deviation at the receptor: detector, focal spot and motion together.
    scatter_share : float
        Part of the signal that carries no picture.
    quanta : float
        Counted per pixel at the mean grey; 0 leaves the noise out.
    background : bool
        Spine, ribs, diaphragm and texture.
    bits : int
        Of a pixel.
    logarithmic : bool
        Whether grey values follow the logarithm of the signal.
    """

    attenuation_per_mm: float = 0.22
    blur_mm: float = 0.25
    scatter_share: float = 0.4
    quanta: float = 400.0
    background: bool = True
    bits: int = 8
    logarithmic: bool = True


def chords_mm(tubes: Sequence[Tube], view: View) -> FloatArray:
    """Return the length of each ray inside the union of the tubes.

    Parameters
    ----------
    tubes : sequence of Tube
        What is filled; each is the union of the spheres about its points.
    view : View
        Where from.

    Returns
    -------
    ndarray, shape (SUB rows, SUB columns)
        Lengths [mm] on a grid `SUB` times finer than the pixels.

    Notes
    -----
    Each sphere gives every ray that meets it an interval; intervals of a ray are sorted and joined, so that
    overlapping spheres, crossing branches and loops are counted once.
    """
    fine = (view.rows * SUB, view.columns * SUB)
    points = np.concatenate([t.points_mm for t in tubes])
    radii = np.concatenate([t.radius_mm for t in tubes])
    ray_index, enter, leave = _intervals(points, radii, view, fine)
    result = np.zeros(fine[0] * fine[1])
    order = np.lexsort((enter, ray_index))
    ray_index, enter, leave = ray_index[order], enter[order], leave[order]
    if len(ray_index):
        # The furthest exit so far within a ray, by adding an offset that grows from ray to ray.
        step = 4.0 * view.sid_mm
        rank = np.cumsum(np.concatenate([[0], np.diff(ray_index) != 0])) * step
        furthest = np.maximum.accumulate(leave + rank) - rank
        before = np.concatenate([[-np.inf], furthest[:-1]])
        before[np.concatenate([[True], np.diff(ray_index) != 0])] = -np.inf
        gained = np.maximum(furthest - np.maximum(enter, before), 0.0)
        np.add.at(result, ray_index, gained)
    return result.reshape(fine)


def _intervals(
    points_mm: FloatArray, radii_mm: FloatArray, view: View, fine: tuple[int, int]
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Return, for every ray and sphere that meet, the ray's number and where along it the sphere begins and ends."""
    places = view.project(points_mm) * SUB + 0.5 * (SUB - 1)
    pixel = min(view.row_mm, view.column_mm) / SUB
    reach = np.ceil(1.02 * radii_mm * view.sid_mm / view.depth_mm(points_mm) / pixel + 1.5).astype(int)
    numbers, enters, leaves = [], [], []
    for size in np.unique(reach):
        these = np.flatnonzero(reach == size)
        window = np.stack(
            np.meshgrid(np.arange(-size, size + 1), np.arange(-size, size + 1), indexing="ij"), -1
        )
        window = window.reshape(-1, 2)
        window = window[(window**2).sum(axis=1) <= (size + 0.5) ** 2]
        for part in np.array_split(these, max(1, len(these) * len(window) // 400_000)):
            at = np.round(places[part])[:, None, :] + window
            inside = ((at >= 0) & (at < fine)).all(axis=-1)
            rays = view.rays((at - 0.5 * (SUB - 1)) / SUB)
            towards = points_mm[part] - view.source_mm
            along = np.einsum("nwk,nk->nw", rays, towards)
            squared = radii_mm[part, None] ** 2 - (towards**2).sum(axis=1)[:, None] + along**2
            met = inside & (squared > 0.0)
            half = np.sqrt(squared[met])
            numbers.append((at[..., 0] * fine[1] + at[..., 1])[met].astype(np.int64))
            enters.append(along[met] - half)
            leaves.append(along[met] + half)
    return np.concatenate(numbers), np.concatenate(enters), np.concatenate(leaves)


def filmed(
    tubes: Sequence[Tube],
    view: View,
    film: Film,
    rng: np.random.Generator,
    *,
    chords: FloatArray | None = None,
) -> NDArray[np.uint16]:
    """Return one frame, as an angiogram stores it: contrast dark on a brighter chest.

    Parameters
    ----------
    tubes : sequence of Tube
        What is filled with contrast.
    view : View
        Where from.
    film : Film
        How.
    rng : numpy.random.Generator
        Source of chance: background and noise.
    chords : ndarray, optional
        From `chords_mm`, where several frames are taken of one thing.

    Returns
    -------
    ndarray of uint16, shape (rows, columns)
        Grey values of `film.bits` bits.
    """
    chords = chords_mm(tubes, view) if chords is None else chords
    through = np.exp(-film.attenuation_per_mm * chords)
    light = through.reshape(view.rows, SUB, view.columns, SUB).mean(axis=(1, 3))
    if film.background:
        light = light * np.exp(-_chest(view, rng))
    light = gaussian_filter(light, (film.blur_mm / view.row_mm, film.blur_mm / view.column_mm))
    far = gaussian_filter(light, 0.12 * view.rows, mode="nearest")
    light = (1.0 - film.scatter_share) * light + film.scatter_share * far
    if film.quanta > 0.0:
        count = rng.poisson(film.quanta * light / light.mean())
        light = np.maximum(count, 1) / film.quanta * light.mean()
    most = 2**film.bits - 1
    if film.logarithmic:
        low, high = np.log(0.06), np.log(1.6)
        grey = most * (np.log(light) - low) / (high - low)
    else:
        grey = most * light / 1.6
    return np.asarray(np.clip(np.round(grey), 0, most), dtype=np.uint16)


def _chest(view: View, rng: np.random.Generator) -> FloatArray:
    """Return the attenuation of an invented chest: a soft slope, diaphragm, spine, ribs and texture."""
    down, right = np.meshgrid(
        np.linspace(-1.0, 1.0, view.rows), np.linspace(-1.0, 1.0, view.columns), indexing="ij"
    )
    soft = gaussian_filter(rng.normal(size=(view.rows, view.columns)), 0.08 * view.rows)
    result = 0.25 * soft / soft.std() * 0.5 + 0.15 * right * rng.uniform(-1, 1)
    dome = down - 0.55 - 0.25 * (right - rng.uniform(-0.3, 0.3)) ** 2
    result += 0.30 / (1.0 + np.exp(-dome / 0.02))
    place = np.sin(view.primary_rad) * 0.8 + rng.uniform(-0.05, 0.05)
    result += 0.22 / (1.0 + np.exp((np.abs(right - place) - 0.17) / 0.015))
    for _ in range(4):
        tilt, middle = rng.uniform(-0.5, 0.5), rng.uniform(-1.0, 1.0)
        away = down - middle - tilt * right
        result += 0.06 * (np.exp(-(((away - 0.05) / 0.012) ** 2)) + np.exp(-(((away + 0.05) / 0.012) ** 2)))
    texture = gaussian_filter(rng.normal(size=(view.rows, view.columns)), 2.5)
    return np.asarray(result + 0.012 * texture / texture.std())
