"""Letters burned into a picture: found by what an X-ray picture of a body does not have.

A drawn letter is small, thin, steps from paper to ink within a pixel or two, and stands in a row with others alike.
Vessels, wires, bones and noise are each without one of the four. No letter is read; where letters are is enough to
refuse or to blank them. What was checked stands in tests/unit/test_letters.py; handwriting and logos were not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

FloatArray = NDArray[np.float32]

LEAST_HEIGHT_PX, MOST_HEIGHT_PX = 5, 72
LEAST_CONTRAST = 0.10
"""Of ink against paper, as a share of the picture's range of grey."""
TILE_PX = 32
MOST_OF_A_TILE = 6.0
"""A picture's range, in ranges of its middling tile, at most: what is beyond is a bar or a border, not the picture.
Judgement: real and invented angiograms without either lie between 3.5 and 6."""
LEAST_OF_NOISE = 7.0
LEAST_STEP = 0.45
"""Share of a letter's contrast that is crossed within one pixel at its edges; a blurred body has less."""
STEP_OF_NOISE = 2.5
"""What noise alone adds to the step from pixel to pixel, in standard deviations."""
STROKES_PX = (7, 15)
LEAST_IN_A_ROW = 3
FAINT = 0.75
"""Of the least contrast: enough for a mark beside letters that are sure."""
LEAST_OF_A_LETTER, MOST_OF_A_LETTER = 0.4, 1.7
"""Height of such a mark, as a share of the row's."""
GAP_IN_A_LINE = 2.0
"""Between such a mark and the row, in heights of the row: two spaces."""
MARGIN_PX = 3
SHRINKS = (1, 2)


@dataclass(frozen=True)
class Box:
    """A rectangle of pixels, ends included.

    Attributes
    ----------
    top, bottom, left, right : int
        First and last row, first and last column.
    """

    top: int
    bottom: int
    left: int
    right: int

    def __str__(self) -> str:
        return f"{self.top}-{self.bottom},{self.left}-{self.right}"

    @property
    def height(self) -> int:
        """Return how many rows."""
        return self.bottom - self.top + 1

    @property
    def width(self) -> int:
        """Return how many columns."""
        return self.right - self.left + 1

    def joined(self, other: Box) -> Box:
        """Return the smallest box that holds both."""
        return Box(
            min(self.top, other.top),
            max(self.bottom, other.bottom),
            min(self.left, other.left),
            max(self.right, other.right),
        )


def find_letters(picture: NDArray[np.generic]) -> tuple[Box, ...]:
    """Return where rows of letters stand in a picture.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Grey values.

    Returns
    -------
    tuple of Box
        Bright and dark letters, along rows, columns and both diagonals, 5 to 144 px high; empty where there are none.

    Raises
    ------
    ValueError
        The picture is not of two dimensions.
    """
    whole = np.asarray(picture, dtype=np.float32)
    if whole.ndim != 2:
        raise ValueError("a picture has rows and columns")
    found: list[Box] = []
    for shrink in SHRINKS:
        grey = whole if shrink == 1 else _shrunk(whole, shrink)
        slanted = _Slanted(grey.shape)
        for slant in (False, True):
            view = slanted.view(grey) if slant else grey
            for turned in (False, True):
                boxes = [_widened(box, turned) for box in _letters_along(view.T if turned else view)]
                if slant:
                    boxes = [slanted.back(box) for box in boxes]
                found += [_back(box, shrink, whole.shape) for box in boxes]
    return _merged(found)


class _Slanted:
    """A picture seen turned by half a right angle: rows run along a diagonal."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.middle = [(n - 1) / 2.0 for n in shape]
        self.side = int(np.ceil((shape[0] + shape[1]) * np.sqrt(0.5)))

    def view(self, grey: FloatArray) -> FloatArray:
        """Return the picture as seen; beyond its border that goes on, so that no corner has edges of its own."""
        along = np.arange(self.side)
        places = self._source(along[:, None], along[None, :])
        # Between pixels, not the nearest: a slanted edge of those would have teeth, and teeth look like letters.
        return np.asarray(ndimage.map_coordinates(grey, places, order=1, mode="nearest"))

    def _source(self, down: NDArray[np.int_], across: NDArray[np.int_]) -> NDArray[np.float64]:
        half, middle = np.sqrt(0.5), (self.side - 1) / 2.0
        d, a = np.broadcast_arrays(half * (down - middle), half * (across - middle))
        return np.stack([self.middle[0] + d + a, self.middle[1] + a - d])

    def back(self, box: Box) -> Box:
        """Return the box of the picture that holds a box of the slanted one."""
        rows, columns = self._source(np.array([[box.top], [box.bottom]]), np.array([[box.left, box.right]]))
        return Box(
            int(np.floor(rows.min())),
            int(np.ceil(rows.max())),
            int(np.floor(columns.min())),
            int(np.ceil(columns.max())),
        )


def _shrunk(grey: FloatArray, by: int) -> FloatArray:
    rows, columns = (n // by * by for n in grey.shape)
    return np.asarray(grey[:rows, :columns].reshape(rows // by, by, columns // by, by).mean(axis=(1, 3)))


def _widened(box: Box, turned: bool) -> Box:
    """Return a row's box, turned back, a letter longer: one may have been missed, at its ends above all."""
    high, wide = box.height // 4, box.height
    top, bottom, left, right = box.top - high, box.bottom + high, box.left - wide, box.right + wide
    return Box(left, right, top, bottom) if turned else Box(top, bottom, left, right)


def _back(box: Box, shrink: int, shape: tuple[int, ...]) -> Box:
    """Return a box in the whole picture's pixels."""
    top, left = (
        min(max(n * shrink - MARGIN_PX, 0), size - 1)
        for n, size in zip((box.top, box.left), shape, strict=True)
    )
    bottom, right = (
        min(max((n + 1) * shrink - 1 + MARGIN_PX, 0), size - 1)
        for n, size in zip((box.bottom, box.right), shape, strict=True)
    )
    return Box(top, bottom, left, right)


def _noise(grey: FloatArray) -> float:
    """Return the noise from pixel to pixel: the median of second differences, which edges hardly move."""
    second = grey[:, 2:] - 2.0 * grey[:, 1:-1] + grey[:, :-2]
    return float(np.median(np.abs(second)) / (0.6745 * np.sqrt(6.0)))


def _span(grey: FloatArray) -> float:
    """Return the range of grey of what is pictured: a bright bar or a black border has no part in it."""
    span = float(grey.max() - grey.min())
    rows, columns = (n // TILE_PX for n in grey.shape)
    if min(rows, columns) == 0:
        return span
    tiles = grey[: rows * TILE_PX, : columns * TILE_PX].reshape(rows, TILE_PX, columns, TILE_PX)
    ranges = tiles.max(axis=(1, 3)) - tiles.min(axis=(1, 3))
    ranges = ranges[ranges > 0.0]
    return min(span, MOST_OF_A_TILE * float(np.median(ranges))) if len(ranges) else span


def _letters_along(grey: FloatArray) -> list[Box]:
    """Return rows of letters, brighter or darker than their paper."""
    span, noise = _span(grey), _noise(grey)
    least = max(LEAST_CONTRAST * span, LEAST_OF_NOISE * noise)
    if span <= 0.0:
        return []
    steps = np.maximum(_steps(grey, 0), _steps(grey, 1)) - np.float32(STEP_OF_NOISE * noise)
    return [box for sign in (1.0, -1.0) for box in _rows_of_letters(np.float32(sign) * grey, steps, least)]


def _steps(grey: FloatArray, axis: int) -> FloatArray:
    """Return the larger step to the pixel before and to the pixel after."""
    steps = np.abs(np.diff(grey, axis=axis, append=np.take(grey, [-1], axis=axis)))
    return np.maximum(steps, np.roll(steps, 1, axis=axis))


def _rows_of_letters(grey: FloatArray, steps: FloatArray, least: float) -> list[Box]:
    """Return rows of letters brighter than their paper."""
    found: list[Box] = []
    faint: list[Box] = []
    for stroke in STROKES_PX:
        if min(grey.shape) <= stroke:
            continue
        raised = grey - _opened(grey, stroke)
        rows = _in_rows(_letters(raised, steps, least))
        found += rows
        if rows:
            faint += _marks(raised > FAINT * least)
    return [_with_its_ends(row, faint) for row in found]


def _opened(grey: FloatArray, size: int) -> FloatArray:
    """Return a picture without what is brighter than its surroundings and narrower than `size` pixels."""
    for choose in (np.minimum, np.maximum):
        for axis in (0, 1):
            grey = _slid(grey, size, axis, choose)
    return grey


def _slid(grey: FloatArray, size: int, axis: int, choose: np.ufunc) -> FloatArray:
    """Return the least or largest value within `size` pixels along an axis, by doubling what was compared."""
    width = [(0, 0), (0, 0)]
    width[axis] = (size // 2, size // 2)
    rows = np.moveaxis(np.pad(grey, width, mode="edge"), axis, 0)
    compared = 1
    while compared < size:
        step = min(compared, size - compared)
        rows = choose(rows[:-step], rows[step:])
        compared += step
    return np.moveaxis(rows, 0, axis)


def _marks(raised: NDArray[np.bool_]) -> list[Box]:
    """Return everything that stands out, whatever its shape."""
    labels, _ = ndimage.label(raised, structure=np.ones((3, 3)))
    return [
        Box(place[0].start, place[0].stop - 1, place[1].start, place[1].stop - 1)
        for place in ndimage.find_objects(labels)
    ]


def _with_its_ends(row: Box, marks: list[Box]) -> Box:
    """Return a row of letters with the marks of a letter's size that stand in its line, one after the other.

    Where three letters are sure, the next mark is one too, though alone it would not be told from a picture.
    """
    height = row.height
    near = [
        mark
        for mark in marks
        if LEAST_OF_A_LETTER * height <= mark.height <= MOST_OF_A_LETTER * height
        and min(row.bottom, mark.bottom) - max(row.top, mark.top) + 1 >= 0.6 * mark.height
    ]
    while True:
        beside = [m for m in near if max(m.left - row.right, row.left - m.right) <= GAP_IN_A_LINE * height]
        wider = row
        for mark in beside:
            wider = wider.joined(mark)
        if wider == row:
            return row
        row = wider


def _letters(raised: FloatArray, steps: FloatArray, least: float) -> list[tuple[Box, bool]]:
    """Return what may be a letter, and whether it is wide enough to be several that touch."""
    labels, count = ndimage.label(raised > least, structure=np.ones((3, 3)))
    if count == 0:
        return []
    found = []
    for index, place in enumerate(ndimage.find_objects(labels), start=1):
        box = Box(place[0].start, place[0].stop - 1, place[1].start, place[1].stop - 1)
        if not (LEAST_HEIGHT_PX <= box.height <= MOST_HEIGHT_PX and box.width <= 12 * box.height):
            continue
        inside = labels[place] == index
        ink = float(np.median(raised[place][inside]))
        step = float(np.percentile(steps[place][inside], 75))
        if step < LEAST_STEP * ink:
            continue
        if box.width <= 2 * box.height:
            found.append((box, False))
        elif _strokes(inside) >= 2 * LEAST_IN_A_ROW:
            found.append((box, True))
    return found


def _strokes(inside: NDArray[np.bool_]) -> int:
    """Return how many strokes a line across the middle meets, the most of five lines."""
    height = inside.shape[0]
    rows = inside[[int(share * (height - 1)) for share in (0.2, 0.35, 0.5, 0.65, 0.8)]]
    starts = rows & ~np.pad(rows, ((0, 0), (1, 0)))[:, :-1]
    return int(starts.sum(axis=1).max())


def _in_rows(letters: list[tuple[Box, bool]]) -> list[Box]:
    """Return the rows that letters alike and side by side make."""
    ordered = sorted(letters, key=lambda one: one[0].left)
    rows: list[tuple[Box, int, bool]] = []
    for box, several in ordered:
        home = next((k for k, row in enumerate(rows) if _beside(row[0], box)), None)
        if home is None:
            rows.append((box, 1, several))
        else:
            row, count, many = rows[home]
            rows[home] = (row.joined(box), count + 1, many or several)
    sure = [row for row, count, several in rows if several or count >= LEAST_IN_A_ROW]
    # A word of one or two letters belongs to the row it stands in.
    for row, count, several in rows:
        if not (several or count >= LEAST_IN_A_ROW):
            sure = [one.joined(row) if _in_line(one, row) else one for one in sure]
    return sure


def _in_line(row: Box, word: Box) -> bool:
    overlap = min(row.bottom, word.bottom) - max(row.top, word.top) + 1
    gap = max(word.left - row.right, row.left - word.right)
    return overlap >= 0.5 * min(row.height, word.height) and gap <= 4.0 * row.height


def _beside(row: Box, box: Box) -> bool:
    overlap = min(row.bottom, box.bottom) - max(row.top, box.top) + 1
    low, high = sorted((row.height, box.height))
    return overlap >= 0.6 * low and high <= 2.2 * low and box.left - row.right <= 1.6 * high


def _merged(boxes: list[Box]) -> tuple[Box, ...]:
    """Return boxes that no longer overlap."""
    left = list(boxes)
    merged: list[Box] = []
    while left:
        box = left.pop()
        hit = next((k for k, one in enumerate(merged) if _overlap(one, box)), None)
        if hit is None:
            merged.append(box)
        else:
            left.append(merged.pop(hit).joined(box))
    return tuple(sorted(merged, key=lambda b: (b.top, b.left)))


def _overlap(one: Box, other: Box) -> bool:
    return (
        one.top <= other.bottom
        and other.top <= one.bottom
        and one.left <= other.right
        and other.left <= one.right
    )


def blanked(picture: NDArray[np.uint16], boxes: tuple[Box, ...]) -> NDArray[np.uint16]:
    """Return a picture with boxes filled with the grey around each.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Grey values.
    boxes : tuple of Box
        What to fill.

    Returns
    -------
    ndarray, shape (rows, columns)
        A copy.
    """
    out = picture.copy()
    for box in boxes:
        top, bottom = max(box.top - 1, 0), min(box.bottom + 1, picture.shape[0] - 1)
        left, right = max(box.left - 1, 0), min(box.right + 1, picture.shape[1] - 1)
        ring = np.concatenate(
            [picture[top, left : right + 1], picture[bottom, left : right + 1],
             picture[top : bottom + 1, left], picture[top : bottom + 1, right]]
        )  # fmt: skip
        out[box.top : box.bottom + 1, box.left : box.right + 1] = np.uint16(np.median(ring))
    return out
