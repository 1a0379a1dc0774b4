"""Targets whose markers or code are hard to see: found in the right place, or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import segno

from colorcheck.ground.errors import TargetError
from colorcheck.ground.geometry import mm_to_px
from colorcheck.photo.decode import decode
from colorcheck.sheet import codebook, draw
from colorcheck.sheet.locate import locate
from colorcheck.sheet.target import make_target

from . import virtual as v


def symbol(text: str) -> tuple[np.ndarray, int]:
    code = segno.make_qr(text, error="m", boost_error=True)
    return ~np.array([[bool(m) for m in row] for row in code.matrix_iter(border=0)]), code.mask


@pytest.mark.parametrize("text", ["CC1R06000600CF125", "CC1R06000600CF12", "CC1O20002000SF7", "CC1R08001230FT999999"])
def test_symbols_agree_with_an_independent_encoder(text: str) -> None:
    """Every module of ISO/IEC 18004 as segno draws it."""
    light, mask = symbol(text)
    assert np.array_equal(codebook.modules(text, mask), light)


@pytest.mark.parametrize("text", ["CC1R06000600CF125", "CC1O20002000SF7", "CC1R06000600CF4217"])
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
