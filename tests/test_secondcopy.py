"""A strong second copy of the print: its shift is found blindly, and the sheet under it located."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from colorcheck.ground.geometry import mm_to_px
from colorcheck.ground.records import LinearImage
from colorcheck.photo.decode import decode
from colorcheck.sheet import draw
from colorcheck.sheet.locate import locate
from colorcheck.sheet.secondcopy import Shift, find_shift, without_copy
from colorcheck.sheet.target import make_target

from . import virtual as v


def picture(density: np.ndarray) -> LinearImage:
    rgb = np.repeat(np.exp(-density)[..., None], 3, axis=2).astype(np.float32)
    h, w = density.shape
    return LinearImage(
        rgb=rgb, clipped=np.zeros((h, w), np.uint8), scale=1.0, original_size=(w, h), source="made", device="",
        taken="", exposure={}, colour_space="linear", bit_depth=8, kind="photo", notes=(), sha256="",
    )  # fmt: skip


def mosaic(seed: int, *, size: tuple[int, int] = (760, 900)) -> np.ndarray:
    """Density of squares of many sizes on grey."""
    rng = np.random.default_rng(seed)
    out = np.full(size, 0.6, np.float32)
    for _ in range(420):
        side = int(rng.integers(6, 60))
        y, x = (int(rng.integers(0, n - side)) for n in size)
        out[y : y + side, x : x + side] = rng.uniform(0, 1.8)
    return cv2.GaussianBlur(out, (0, 0), 0.8)


def with_copy(density: np.ndarray, dx: float, dy: float, share: float) -> np.ndarray:
    move = np.array([[1, 0, dx], [0, 1, dy]], float)
    size = density.shape[::-1]
    return density + share * cv2.warpAffine(density, move, size, borderMode=cv2.BORDER_REPLICATE)


@pytest.mark.parametrize(("dx", "dy"), [(14.0, 3.0), (-9.5, 22.0), (0.0, 31.0)])
def test_shift_of_a_copy_is_found_to_a_pixel(dx: float, dy: float) -> None:
    shift = find_shift(picture(with_copy(mosaic(3), dx, dy, 0.5)))
    assert shift is not None
    # which of the two is the copy, white paper tells on a sheet; squares on grey leave it open
    assert min(np.hypot(*(shift.plane[0] - sign * np.array([dx, dy]))) for sign in (1, -1)) < 1.0
    assert np.abs(shift.plane[1:]).max() < 2.0  # nothing tilts this picture


def test_copy_is_taken_off_and_not_put_on() -> None:
    """Taken off the way it lies, the picture is left as it was printed; the other way it gets worse."""
    plain = mosaic(5)
    marred = picture(with_copy(plain, 15.0, -11.0, 0.5))
    shift = Shift(np.array([[15.0, -11.0], [0, 0], [0, 0]]), np.array([450.0, 380.0]), 9.0)
    wanted = without_copy(picture(plain), shift, 0.0).rgb[60:-60, 60:-60, 0]
    like = [
        np.corrcoef(without_copy(marred, shift, 0.5, other_way=way).rgb[60:-60, 60:-60, 0].ravel(), wanted.ravel())[
            0, 1
        ]
        for way in (False, True)
    ]
    before = np.corrcoef(without_copy(marred, shift, 0.0).rgb[60:-60, 60:-60, 0].ravel(), wanted.ravel())[0, 1]
    assert like[0] > 0.97
    assert like[0] > before > like[1]


def test_a_picture_without_edges_has_no_copy() -> None:
    assert find_shift(picture(np.full((200, 300), 0.5))) is None


def test_target_under_a_strong_copy_is_named_by_its_code(tmp_path) -> None:
    """Half as dense a copy 3 mm away, at 30° and 3 MP: neither markers nor code are seen without taking it off."""
    target = make_target(size_mm=(100.0, 100.0), shape="rect", patches="compact", seed=417)
    piece = v.press_sheet(
        draw.render(target, dpi=200), 200 / 25.4, size_mm=target.size_mm, shape="rect",
        faults=v.Faults(ghost=v.Ghost(2.2, 2.0, 0.5)), substrate=v.SUBSTRATES["bright"], seed=4,
    )  # fmt: skip
    photo = v.photograph(piece, pose=v.Pose.megapixels(3.0, rotation_deg=25, tilt_deg=30, fill=0.8), seed=2)
    found = locate(decode(v.save_photo(photo, tmp_path / "moved.jpg", quality=90)))
    assert found.target.code_text == target.code_text
    centre = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    off = np.hypot(*(mm_to_px(found.pose, centre) - photo.mm_to_px(centre)).T) / found.pose.px_per_mm
    assert off.max() < 0.3  # and it is the print, not the copy, that was found
