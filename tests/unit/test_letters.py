"""Letters burned into pictures: found in all sizes, inks and places tried; pictures of the phantom have none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from backstay.adapters.dicom_xa import read_run
from backstay.app.phantom import make_phantom
from backstay.core.privacy.letters import blanked, find_letters

WORDS = ("EXAMPLE, BO", "05.04.2031")
PLACES = {"top left": (6, 6), "bottom": (60, 470), "over the heart": (150, 230)}


@pytest.fixture(scope="module")
def frame(tmp_path_factory: pytest.TempPathFactory) -> NDArray[np.uint16]:
    made = make_phantom(tmp_path_factory.mktemp("film") / "film", seed=3)
    return read_run(next(file for file in made if file.suffix == ".dcm")).frame(1)


def written(
    frame: NDArray[np.uint16],
    words: str,
    at: tuple[int, int],
    size: int,
    ink: int,
    *,
    turned: bool = False,
    degrees: float = 0.0,
) -> tuple[NDArray[np.uint16], NDArray[np.bool_]]:
    """Return a frame with words drawn on it, and which pixels they cover by half or more."""
    sheet = Image.new("L", frame.shape, 0)
    ImageDraw.Draw(sheet).text(at, words, fill=255, font=ImageFont.load_default(size))
    sheet = sheet.rotate(degrees, resample=Image.Resampling.BILINEAR, center=at)
    cover = np.asarray(sheet.transpose(Image.Transpose.ROTATE_90) if turned else sheet) / 255.0
    grey = frame * (1.0 - cover) + ink * cover
    return np.round(grey).astype(np.uint16), cover >= 0.5


@pytest.mark.parametrize("words", WORDS)
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("size", [10, 18, 48])
@pytest.mark.parametrize("ink", [255, 0])
def test_letters_are_found_and_blanked(
    frame: NDArray[np.uint16], words: str, place: str, size: int, ink: int
) -> None:
    picture, cover = written(frame, words, PLACES[place], size, ink)
    boxes = find_letters(picture)
    assert boxes
    out = picture
    for _ in range(4):
        out = blanked(out, boxes)
        boxes = find_letters(out)
        if not boxes:
            break
    assert boxes == ()
    # What is left of the ink is too little to read: at most one pixel in ten.
    left = cover & (np.abs(out.astype(float) - picture.astype(float)) < 1.0)
    assert left.sum() <= 0.1 * cover.sum()


def test_no_letter_stays_at_the_end_of_a_row(frame: NDArray[np.uint16]) -> None:
    """A mark beside sure letters is one of them, though it would not be found alone; one far off is left alone."""
    picture, cover = written(frame, "EXAMPLE, BO", (60, 470), 18, 0)
    far, _ = written(picture, "E", (400, 470), 18, 0)
    assert find_letters(written(frame, "E", (400, 470), 18, 0)[0]) == ()
    out = blanked(far, find_letters(far))
    first = cover[:, :75]
    assert not (first & (out[:, :75] == far[:, :75])).any()
    assert np.array_equal(out[:, 400:], far[:, 400:])


@pytest.mark.parametrize("degrees", [45, -45, 30, -60])
@pytest.mark.parametrize("size", [10, 18, 30])
@pytest.mark.parametrize("ink", [255, 0])
def test_slanted_letters_are_found_and_blanked(
    frame: NDArray[np.uint16], degrees: float, size: int, ink: int
) -> None:
    picture, cover = written(frame, WORDS[0], (200, 250), size, ink, degrees=degrees)
    out = picture
    for _ in range(4):
        out = blanked(out, find_letters(out))
    assert find_letters(out) == () and not np.array_equal(out, picture)
    left = cover & (np.abs(out.astype(float) - picture.astype(float)) < 1.0)
    assert left.sum() <= 0.1 * cover.sum()


@pytest.mark.parametrize("bar", [4095, 65535])
@pytest.mark.parametrize("size", [10, 30])
def test_letters_beside_a_bright_bar_are_found(frame: NDArray[np.uint16], bar: int, size: int) -> None:
    """The bar makes the picture's range many times that of what is pictured; the letters are as dark as before."""
    barred, _ = written(frame, WORDS[0], (60, 300), size, 150)
    barred[:, -40:] = bar
    assert find_letters(barred)
    alone = frame.copy()
    alone[:, -40:] = bar
    assert find_letters(alone) == ()


def test_the_round_edge_of_a_picture_is_no_letters(frame: NDArray[np.uint16]) -> None:
    """Its pixels make teeth where it runs along a diagonal."""
    rows, columns = np.indices(frame.shape) - 256
    for radius in (250, 280, 310):
        assert find_letters(np.where(np.hypot(rows, columns) < radius, frame, 0)) == ()


@pytest.mark.parametrize("ink", [255, 0])
def test_letters_along_the_side_are_found(frame: NDArray[np.uint16], ink: int) -> None:
    assert find_letters(written(frame, WORDS[0], (40, 8), 16, ink, turned=True)[0])


@pytest.mark.parametrize("size", [9, 13, 22])
def test_letters_on_a_covered_border_are_found(frame: NDArray[np.uint16], size: int) -> None:
    covered = frame.copy()
    covered[:, :60] = 0
    covered[:60] = 0
    assert find_letters(written(covered, "Bo Example", (12, 20), size, 90)[0])


def test_a_label_with_its_own_paper_is_found(frame: NDArray[np.uint16]) -> None:
    sheet = Image.fromarray(frame.astype("u1"))
    draw = ImageDraw.Draw(sheet)
    draw.rectangle((300, 20, 460, 50), fill=235)
    draw.text((306, 26), "Bo Example", fill=20, font=ImageFont.load_default(18))
    assert find_letters(np.asarray(sheet))


@pytest.mark.parametrize("quality", [50, 90])
def test_letters_squeezed_by_jpeg_are_found(frame: NDArray[np.uint16], quality: int) -> None:
    from io import BytesIO

    picture, _ = written(frame, "EXAMPLE, BO", (10, 10), 16, 255)
    buffer = BytesIO()
    Image.fromarray(picture.astype("u1")).save(buffer, "jpeg", quality=quality)
    assert find_letters(np.asarray(Image.open(buffer)))


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("quanta", [100.0, 3000.0])
def test_a_picture_of_the_phantom_has_no_letters(seed: int, quanta: float, tmp_path: Path) -> None:
    for file in make_phantom(tmp_path / "film", seed=seed, quanta=quanta):
        if file.suffix == ".dcm":
            assert find_letters(read_run(file).frame(1)) == ()


def test_a_flat_picture_has_none_and_a_cine_is_refused() -> None:
    assert find_letters(np.full((64, 64), 7)) == ()
    with pytest.raises(ValueError, match="rows and columns"):
        find_letters(np.zeros((2, 64, 64)))
