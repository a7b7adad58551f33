"""The frame against double reflection [@wang2008], written here from the published idea, from memory."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from backstay.core.anatomy.path import LumenPath

FloatArray = NDArray[np.float64]


def double_reflection(points: FloatArray, tangents: FloatArray, first: FloatArray) -> FloatArray:
    """Return normals carried by two mirrors a step: across the chord, then onto the next tangent."""
    normals = [first]
    for i in range(len(points) - 1):
        v1 = points[i + 1] - points[i]
        c1 = v1 @ v1
        r = normals[-1] - 2.0 / c1 * (v1 @ normals[-1]) * v1
        t = tangents[i] - 2.0 / c1 * (v1 @ tangents[i]) * v1
        v2 = tangents[i + 1] - t
        normals.append(r - 2.0 / (v2 @ v2) * (v2 @ r) * v2)
    return np.array(normals)


def worst_angle_rad(spacing_mm: float) -> float:
    t = np.arange(0.0, 100.0, spacing_mm) / np.hypot(10.0, 4.0)
    points = np.stack([10.0 * np.cos(t), 10.0 * np.sin(t), 4.0 * t], axis=1)
    exact = np.stack([-10.0 * np.sin(t), 10.0 * np.cos(t), 4.0 + 0.0 * t], axis=1) / np.hypot(10.0, 4.0)
    path = LumenPath.through(
        points, 1.5, radius_sd_mm=0.1, spacing_mm=spacing_mm, start_tangent=exact[0], end_tangent=exact[-1]
    )
    other = double_reflection(points, exact, path.normals1[0])
    return float(np.arccos(np.clip(np.sum(other * path.normals1, axis=1), -1.0, 1.0)).max())


def test_frame_agrees_with_double_reflection_to_second_order() -> None:
    errors = [worst_angle_rad(h) for h in (1.0, 0.5, 0.25)]
    # Half a degree after 100 mm and 9 rad of bend is nothing to a wire that lies anywhere in its lumen.
    assert errors[0] < np.deg2rad(0.5)
    assert np.log2(errors[0] / errors[1]) == pytest.approx(2.0, abs=0.2)
    assert np.log2(errors[1] / errors[2]) == pytest.approx(2.0, abs=0.2)


def test_a_twisted_frame_would_be_seen() -> None:
    t = np.arange(0.0, 100.0, 1.0) / np.hypot(10.0, 4.0)
    points = np.stack([10.0 * np.cos(t), 10.0 * np.sin(t), 4.0 * t], axis=1)
    path = LumenPath.through(points, 1.5, radius_sd_mm=0.1, spacing_mm=1.0)
    towards_axis = -points * [1.0, 1.0, 0.0]
    frenet = towards_axis / np.linalg.norm(towards_axis, axis=1)[:, None]
    other = double_reflection(points, path.tangents, frenet[0])
    assert np.arccos(np.clip(np.sum(other * frenet, axis=1), -1.0, 1.0)).max() > np.deg2rad(45.0)
