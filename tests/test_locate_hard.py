"""Targets whose markers or code are hard to see: found in the right place, or not at all."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno

from colorcheck.ground.errors import TargetError
from colorcheck.ground.geometry import mm_to_px
from colorcheck.photo.decode import decode
from colorcheck.sheet import codebook, draw, onephoto, sheetcode
from colorcheck.sheet.locate import UnreadCodeError, locate
from colorcheck.sheet.target import furniture, make_target

from . import virtual as v


def symbol(text: str) -> tuple[np.ndarray, int]:
    code = segno.make_qr(text, error="m", boost_error=True)
    return ~np.array([[bool(m) for m in row] for row in code.matrix_iter(border=0)]), code.mask


@pytest.mark.parametrize("text", ["CC1R06000600CF125", "GP1R06000600CF12", "CC1O20002000SF7", "GP1R08001230FT999999"])
def test_symbols_agree_with_an_independent_encoder(text: str) -> None:
    """Every module of ISO/IEC 18004 as segno draws it."""
    light, mask = symbol(text)
    assert np.array_equal(codebook.modules(text, mask), light)


@pytest.mark.parametrize("text", ["CC1R06000600CF125", "CC1R06000600CF4217", "CC1O20002000SF7", "GP1O20002000SF7"])
def test_a_code_with_a_sixth_of_its_modules_wrong_is_read(text: str) -> None:
    """Noise as large as the signal turns 16 % of the modules: beyond what deciding first and correcting then bears."""
    light, _ = symbol(text)
    value = np.where(light, 1.0, -1.0) + np.random.default_rng(1).normal(0, 1.0, light.shape)
    assert ((value > 0) != light).sum() > 45
    got = codebook.read_symbol(value)
    assert got.texts[0] == text
    assert got.certain


def test_noise_is_no_code() -> None:
    for seed in range(3):
        assert not codebook.read_symbol(np.random.default_rng(seed).normal(size=(21, 21))).certain


@pytest.fixture(scope="module")
def bled(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, v.Photo, Path]:
    """A 60 mm target with wide bleed and an oblique view at 2 MP."""
    target = make_target(size_mm=(60.0, 60.0), shape="rect", patches="compact", seed=125)
    piece = v.press_sheet(
        draw.render(target, dpi=300), 300 / 25.4, size_mm=target.size_mm, shape="rect",
        faults=v.Faults(bleed_mm=0.2), substrate=v.SUBSTRATES["bright"], seed=4,
    )  # fmt: skip
    photo = v.photograph(piece, pose=v.Pose.megapixels(2.0, rotation_deg=70, tilt_deg=20, fill=0.7), seed=1)
    return target, photo, v.save_photo(photo, tmp_path_factory.mktemp("bled") / "photo.jpg", quality=90)


@pytest.mark.parametrize("named", [False, True], ids=["by its code", "by its layout"])
def test_a_bled_offcut_is_found_where_it_lies(bled: tuple, named: bool) -> None:
    target, photo, path = bled
    found = locate(decode(path), target if named else None)
    assert found.target.ids == target.ids
    assert found.target.code_text == target.code_text
    centre = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    off = np.hypot(*(mm_to_px(found.pose, centre) - photo.mm_to_px(centre)).T) / found.pose.px_per_mm
    assert off.max() < 0.2


def test_another_layout_of_the_same_size_is_refused(bled: tuple) -> None:
    other = make_target(size_mm=(60.0, 60.0), shape="rect", patches="compact", seed=126)
    with pytest.raises(TargetError, match=r"is another one|cannot be made out"):
        locate(decode(bled[2]), other)


def covered(bled: tuple) -> object:
    """The same photo with white paper on the code."""
    _, photo, path = bled
    image = decode(path)
    x, y, w, h = furniture("rect", 60.0, 60.0)["code"]
    corners = photo.mm_to_px([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    rgb = image.rgb.copy()
    cv2.fillConvexPoly(rgb, np.round(corners).astype(np.int32), (0.7, 0.7, 0.7))
    return replace(image, rgb=rgb)


def test_a_covered_code_is_told_apart_and_its_markers_kept(bled: tuple) -> None:
    """What a first look saw of the markers serves a second look at a picture where the code can be read."""
    with pytest.raises(UnreadCodeError, match=r"code on the target in photo\.jpg cannot be read") as unread:
        locate(covered(bled))
    assert unread.value.placed
    found = locate(decode(bled[2]), unread=unread.value)
    assert found.target.code_text == bled[0].code_text
    centre = bled[0].box_mm[:, :2] + bled[0].box_mm[:, 2:] / 2
    off = np.hypot(*(mm_to_px(found.pose, centre) - bled[1].mm_to_px(centre)).T) / found.pose.px_per_mm
    assert off.max() < 0.2


@pytest.mark.parametrize(("fine", "looks"), [(True, 1), (False, 2)])
def test_a_large_photo_is_looked_at_again_only_where_that_may_show_more(
    bled: tuple, fine: bool, looks: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(UnreadCodeError) as unread:
        locate(covered(bled))
    unread.value.fine = fine
    reduced = replace(decode(bled[2]), scale=0.5)
    seen: list[object] = []

    def look(image: object, target: object, *, unread: object = None, **_: object) -> None:
        seen.append(unread)
        raise error

    error = unread.value
    monkeypatch.setattr(onephoto, "decode", lambda *_, **__: reduced)
    monkeypatch.setattr(onephoto, "work_photo", look)
    with pytest.raises(UnreadCodeError):
        onephoto.work_file("photo.jpg", None, limits={})
    assert seen == [None, error][:looks]


def test_what_lies_on_a_code_counts_for_nothing() -> None:
    light, _ = symbol("CC1R06000600CF125")
    value = np.where(light, 200.0, 30.0).astype(np.float32)
    value[:, 13:] = 180.0
    for grid in sheetcode._about_middle(value):
        assert not grid[:, 15:].any()
        assert (np.sign(grid[:, :11]) == np.where(light, 1, -1)[:, :11]).mean() > 0.95
    assert sheetcode._about_middle(np.full((21, 21), 90.0, np.float32)) == []
