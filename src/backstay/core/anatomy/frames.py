"""Frames that do not twist: carried from tangent to chord to tangent, and curves rebuilt from their turns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.errors import InputError

FloatArray = NDArray[np.float64]


def unit_vectors(vectors: FloatArray) -> FloatArray:
    """Return vectors scaled to length one.

    Parameters
    ----------
    vectors : ndarray, shape (n, 3)
        None of them zero.

    Returns
    -------
    ndarray, shape (n, 3)
        Directions.

    Raises
    ------
    InputError
        One is zero: two nodes fall together, or a path turns straight back.
    """
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    if not (length > 0.0).all():
        raise InputError("two nodes fall together, or the path turns straight back", field="points_mm")
    return np.asarray(vectors / length)


def mirrored(direction: FloatArray, axis: FloatArray) -> FloatArray:
    """Return the direction as far on the other side of an axis, in the same plane.

    Parameters
    ----------
    direction, axis : ndarray, shape (3,)
        Unit vectors.

    Returns
    -------
    ndarray, shape (3,)
        Unit vector.
    """
    return np.asarray(2.0 * (direction @ axis) * axis - direction)


def first_normal(points_mm: FloatArray, tangent: FloatArray) -> FloatArray:
    """Return a normal that belongs to the path's own shape, so that a moved path has the moved frame.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Nodes [mm].
    tangent : ndarray, shape (3,)
        Direction at the first.

    Returns
    -------
    ndarray, shape (3,)
        Unit normal towards the node farthest from the tangent's line; any normal for a straight path.
    """
    away = points_mm - points_mm[0]
    away = away - (away @ tangent)[:, None] * tangent
    distance = np.linalg.norm(away, axis=1)
    far = away[np.argmax(distance)]
    if distance.max() < 1e-9 * np.linalg.norm(points_mm[-1] - points_mm[0]):
        far = np.eye(3)[np.argmin(np.abs(tangent))]
    far = far - (far @ tangent) * tangent
    return np.asarray(far / np.linalg.norm(far))


def transported_normals(first: FloatArray, tangents: FloatArray, chords: FloatArray) -> FloatArray:
    """Return a normal carried along from tangent to chord to tangent by smallest rotations.

    Parameters
    ----------
    first : ndarray, shape (3,)
        Normal at the first node.
    tangents : ndarray, shape (n, 3)
        Directions at the nodes.
    chords : ndarray, shape (n - 1, 3)
        Directions between them.

    Returns
    -------
    ndarray, shape (n, 3)
        Unit normals.
    """
    steps = _smallest_rotations(chords, tangents[1:]) @ _smallest_rotations(tangents[:-1], chords)
    # Running products multiply on the right, transport on the left: run with transposes.
    carried = np.swapaxes(_running_products(np.swapaxes(steps, -1, -2)), -1, -2) @ first
    normals = np.concatenate([first[None], carried])
    return unit_vectors(normals - np.sum(normals * tangents, axis=1, keepdims=True) * tangents)


def node_turns_rad(
    chords: FloatArray, tangents: FloatArray, normals1: FloatArray, normals2: FloatArray
) -> FloatArray:
    """Return how far and which way the path turns at each node.

    Parameters
    ----------
    chords : ndarray, shape (n - 1, 3)
        Directions between nodes.
    tangents, normals1, normals2 : ndarray, shape (n, 3)
        Frame at the nodes; the tangent bisects the chords.

    Returns
    -------
    ndarray, shape (n, 2)
        Angle between the chords [rad] along (normals1, normals2); at the ends twice that from tangent to
        chord.
    """
    before = np.concatenate([[mirrored(chords[0], tangents[0])], chords])
    after = np.concatenate([chords, [mirrored(chords[-1], tangents[-1])]])
    change = after - before
    size = np.linalg.norm(change, axis=1)
    angle_rad = 2.0 * np.arcsin(np.minimum(0.5 * size, 1.0))
    scale = np.where(size > 0.0, angle_rad / np.where(size > 0.0, size, 1.0), 1.0)
    parts = np.stack([np.sum(change * normals1, axis=1), np.sum(change * normals2, axis=1)], axis=1)
    return np.asarray(parts * scale[:, None])


def rebuilt(
    start: FloatArray, turn_rad: FloatArray, *, chords_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return nodes and frames from turns alone, each step an exact rotation.

    Parameters
    ----------
    start : ndarray, shape (3, 3)
        Frame at the first node, its columns tangent, first and second normal.
    turn_rad : ndarray, shape (n, 2)
        Turn at each node in the frame's own normals [rad]; half of it lies on either side.
    chords_mm : ndarray, shape (n - 1,)
        Distances between nodes [mm].

    Returns
    -------
    tuple of ndarray
        Nodes from the origin [mm], shape (n, 3), and frames, shape (n, 3, 3).
    """
    half = _half_turns(0.5 * turn_rad)
    frames = start @ np.concatenate([np.eye(3)[None], _running_products(half[:-1] @ half[1:])])
    chords = (frames[:-1] @ half[:-1])[..., 0]
    points = np.concatenate([np.zeros((1, 3)), np.cumsum(chords * chords_mm[:, None], axis=0)])
    return points, frames


def _smallest_rotations(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return rotations of unit vectors into others about the common perpendicular, shape (n, 3, 3)."""
    axis = np.cross(start, end)
    skew = np.zeros((len(axis), 3, 3))
    skew[:, 2, 1], skew[:, 0, 2], skew[:, 1, 0] = axis.T
    skew -= np.swapaxes(skew, -1, -2).copy()
    cosine = np.sum(start * end, axis=1)[:, None, None]
    return np.asarray(np.eye(3) + skew + skew @ skew / (1.0 + cosine))


def _half_turns(half_turn_rad: FloatArray) -> FloatArray:
    """Return rotations in the frame's own axes (t, n1, n2) that turn t towards n1 and n2, shape (n, 3, 3)."""
    angle_rad = np.hypot(half_turn_rad[:, 0], half_turn_rad[:, 1])
    along = half_turn_rad / np.where(angle_rad > 0.0, angle_rad, 1.0)[:, None]
    end = np.concatenate([np.cos(angle_rad)[:, None], np.sin(angle_rad)[:, None] * along], axis=1)
    return _smallest_rotations(np.broadcast_to([1.0, 0.0, 0.0], end.shape), end)


def _running_products(matrices: FloatArray) -> FloatArray:
    """Return m0, m0 m1, m0 m1 m2, ... by doubling, shape (n, 3, 3)."""
    product = np.array(matrices)
    reach = 1
    while reach < len(product):
        product[reach:] = product[:-reach].copy() @ product[reach:]
        reach *= 2
    return product
