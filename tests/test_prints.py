"""Ghost, banding, missing ink, scorch and crisp dots, on scenes whose truth the virtual press knows."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from statistics import NormalDist
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest

from colorcheck.faults.catalogue import HEAT_HELPS
from colorcheck.faults.scorch import _SHARES, _Places, _strongest
from colorcheck.flows.read import read_photos
from colorcheck.ground.records import Reading, Target
from colorcheck.sheet import draw
from colorcheck.sheet.edgewidth import _ten_ninety
from colorcheck.sheet.sheetgrid import RIM_MM, fill_boxes, outline
from colorcheck.sheet.target import make_target
from tests import virtual as v

SIZE = 110.0


@lru_cache(maxsize=4)
def sheet(shape: str = "rect") -> tuple[Target, Any]:
    target = make_target(size_mm=(SIZE, SIZE), shape=shape, patches="compact", seed=3)
    return target, draw.render(target, dpi=200)


def judge(
    faults: v.Faults,
    *,
    shape: str = "rect",
    printer: v.Printer | None = None,
    coat: str = "bright",
    scene: v.Scene | None = None,
    camera: v.Camera | None = None,
    quality: int = 92,
    **pose: Any,
) -> Reading:
    """Press a sheet, photograph it and read the file, as anybody would."""
    target, art = sheet(shape)
    piece = v.press_sheet(
        art,
        200 / 25.4,
        size_mm=target.size_mm,
        shape=shape,
        faults=faults,
        printer=printer,
        substrate=v.SUBSTRATES[coat],
        seed=4,
    )
    view = v.Pose.megapixels(1.6, **{"tilt_deg": 7.0, "rotation_deg": 4.0, **pose})
    photo = v.photograph(piece, scene=scene, camera=camera, pose=view, seed=2)
    with TemporaryDirectory() as folder:
        return read_photos(v.save_photo(photo, Path(folder) / "photo.jpg", quality=quality))


def kinds(reading: Reading) -> list[str]:
    """What was found of print and paper; how evenly it was pressed is tested elsewhere."""
    return [str(f.kind) for f in reading.findings if f.kind not in HEAT_HELPS]


@lru_cache(maxsize=1)
def good_print() -> Reading:
    return judge(v.Faults())


def test_a_plain_good_print_has_no_fault() -> None:
    assert kinds(good_print()) == []
    assert good_print().prints.missing == ()


@pytest.mark.parametrize(
    "case",
    [
        {"camera": v.Camera(sharpen=0.8, tone="phone"), "quality": 75, "shape": "round"},
        {"blur_px": 1.6, "coat": "thick glass", "tilt_deg": 15.0},
        {"scene": v.Scene(lamps=(v.Lamp(), v.Window(150.0, 1.9, 250.0, 0.8, "A")), vignetting=0.3)},
        {"printer": v.Printer(profiled=False, gamma=(1.3, 1.3, 1.3)), "coat": "satin"},
    ],
    ids=["sharpened", "blurred behind thick glass", "two lamps", "raw on weak coat"],
)
def test_a_good_print_has_no_fault(case: dict[str, Any]) -> None:
    check = judge(v.Faults(), **case)
    assert kinds(check) == []
    assert check.prints.missing == ()


def test_soft_spots_and_short_pressing_are_not_print_faults() -> None:
    pale = v.Spot(60, 55, 14, v.pale_strength(6.0))
    printer = v.Printer(gamma=(0.75, 0.75, 0.75), dyes="dull")
    check = judge(v.Faults(spots=(pale,), under_press=0.3), printer=printer)
    assert kinds(check) == []


@pytest.mark.parametrize(("dx", "dy", "strength"), [(1.2, 0.5, 0.06), (-0.4, 0.5, 0.1), (-2.5, 3.6, 0.08)])
def test_a_ghost_is_found_with_its_shift(dx: float, dy: float, strength: float) -> None:
    check = judge(v.Faults(ghost=v.Ghost(dx, dy, strength)))
    assert kinds(check) == ["ghost"]
    assert np.hypot(check.prints.looked.copy.shift_mm[0] - dx, check.prints.looked.copy.shift_mm[1] - dy) < 0.3
    assert 0.4 * strength < check.prints.looked.copy.strength < 1.7 * strength


@pytest.mark.parametrize(("along", "period", "dye"), [("x", 2.1, "magenta"), ("y", 5.3, "cyan")])
def test_banding_is_found_with_period_axis_and_dye(along: str, period: float, dye: str) -> None:
    check = judge(v.Faults(banding=v.Banding(dye, period, 0.2, along)))
    (found,) = (f for f in check.findings if f.kind == "banding")
    assert check.prints.looked.lines.period_mm == pytest.approx(period, rel=0.02)
    assert check.prints.looked.lines.axis == along
    assert check.prints.looked.lines.amplitude_l > 0.25
    assert found.detail["dye"] == dye


@pytest.mark.parametrize("ink", ["cyan", "magenta", "yellow", "black"])
def test_a_missing_ink_is_named(ink: str) -> None:
    assert judge(v.Faults(missing=(ink,))).prints.missing == (ink,)


def test_scorch_is_found_at_its_place() -> None:
    scorch = v.Scorch(v.scorch_strength(5.0), 50.0, 70.0, 45.0)
    check = judge(v.Faults(scorch=(scorch,)))
    (found,) = (f for f in check.findings if f.kind == "scorch")
    assert np.hypot(found.x_mm - 50, found.y_mm - 70) < 20
    assert 2.0 <= check.prints.looked.yellow.delta_b < 8.0
    assert check.prints.looked.yellow.delta_b > 3 * check.prints.looked.yellow.u


@pytest.mark.parametrize(
    ("shape", "clouds"),
    [
        ("round", (v.Scorch(v.scorch_strength(5.0), 70.0, 40.0, 30.0),)),
        ("rect", tuple(v.Scorch(v.scorch_strength(4.0), 0.0, y, 40.0) for y in (0.0, 27.0, 55.0, 82.0, 110.0))),
    ],
    ids=["cloud", "side"],
)
def test_scorch_is_found_under_lamps_of_unlike_colours(shape: str, clouds: tuple[v.Scorch, ...]) -> None:
    scene = v.Scene("LED-B3", lamps=(v.Lamp(), v.Window(150.0, 1.9, 250.0, 0.8, "A")), vignetting=0.3)
    check = judge(v.Faults(scorch=clouds), shape=shape, scene=scene, quality=80)
    (found,) = (f for f in check.findings if f.kind == "scorch")
    if shape == "round":
        assert np.hypot(found.x_mm - 70, found.y_mm - 40) < 12
        assert found.diameter_mm == pytest.approx(30, abs=12)
    else:
        assert found.x_mm < 25
    assert 3.0 <= check.prints.looked.yellow.delta_b < 7.0


def test_pinholes_and_specks_are_found_where_they_are() -> None:
    target, _ = sheet()
    free = outline(target, (480, 480), 4.0, 8.0 + RIM_MM)
    fill_boxes(free, target.box_mm, 4.0, 0.9, 0)
    fill_boxes(free, target.keep_out_mm, 4.0, 0.9, 0)
    row, col = np.nonzero(free)
    pick = np.random.default_rng(5).choice(len(row), 6, replace=False)
    dyes = (None, None, None, "black", "cyan", "magenta")
    dots = tuple(v.Speck(col[k] / 4, row[k] / 4, 1.2, d) for k, d in zip(pick, dyes, strict=True))
    check = judge(v.Faults(specks=dots))
    hits = [[f for f in check.findings if np.hypot(f.x_mm - d.x_mm, f.y_mm - d.y_mm) < 1.0] for d in dots]
    assert sum(bool(h) for h in hits) >= 4  # specks of one dye beside a cell's edge may hide
    assert len(check.findings) == sum(len(h) for h in hits)
    for d, h in zip(dots, hits, strict=True):
        for f in h:
            assert f.kind == ("pinhole" if d.dye is None else "speck")
            assert f.diameter_mm == pytest.approx(1.2, abs=0.4)


def test_edge_width_follows_the_bleed() -> None:
    assert judge(v.Faults(bleed_mm=0.3)).prints.edge_width_mm - good_print().prints.edge_width_mm > 0.2


def test_uptake_falls_with_short_pressing_and_says_how_unsure_it_is() -> None:
    full, short = good_print(), judge(v.Faults(under_press=0.5))
    assert short.prints.uptake < full.prints.uptake - 0.25
    assert short.prints.uptake_u > 0.05


def test_ten_ninety_width_of_a_blurred_step() -> None:
    """A normal distribution holds 80 % between ±1.2816 standard deviations (any table of it)."""
    t = np.arange(-2, 2, 0.02)
    step = np.array([NormalDist(0, 0.2).cdf(x) for x in t])
    assert _ten_ninety(t, 0.1 + 0.5 * step) == pytest.approx(2 * 1.2816 * 0.2, rel=0.01)


def test_mixed_lamps_lie_on_a_line_of_ratios() -> None:
    """Chromaticities of D65 and A (CIE 15:2004), matrix of IEC 61966-2-1: logarithms of ratios would bend."""
    to_rgb = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    day, lamp = (to_rgb @ np.array([x / y, 1.0, (1 - x - y) / y]) for x, y in ((0.31272, 0.32903), (0.44758, 0.40745)))
    share = np.linspace(0, 1, 9)[:, None]
    rgb = (1 - share) * day + share * lamp
    red, blue = rgb[:, 0] / rgb[:, 1], rgb[:, 2] / rgb[:, 1]

    def off_line(x: Any, y: Any) -> float:
        return float(np.abs(np.polyval(np.polyfit(x, y, 1), x) - y).max())

    assert off_line(red, blue) < 1e-9
    assert off_line(np.log(red), np.log(blue)) > 0.05


def coat_and_field(colour: Any, seed: int) -> _Places:
    """Places on a sheet of 110 mm whose R/G and B/G differ by ``colour`` of the places (n, 2), with noise."""
    rng = np.random.default_rng(seed)
    few, many = (np.stack(np.meshgrid(k, k), axis=-1).reshape(-1, 2) for k in (np.r_[15:96:20], np.r_[8:103:9]))
    xy = np.concatenate([few, many]).astype(float)
    bare = np.arange(len(xy)) < len(few)
    noise = rng.normal(0, np.where(bare, 0.004, 0.009)[:, None], (len(xy), 2))
    return _Places(xy, bare, colour(xy) + noise, rng.normal(0, 0.05, (len(xy), 4)), np.zeros(len(xy)))


def two_lamps(xy: Any) -> Any:
    """Tint by a lamp of another colour beside the sheet, strongest on its side: (n, 2)."""
    share = 0.4 * (1 + ((xy - [-150.0, 40.0]) ** 2).sum(axis=1) / 400**2) ** -1.5
    return share[:, None] * np.array([0.3, -0.4])


def test_strength_of_yellowing_is_met_beside_a_tinted_lamp() -> None:
    """Over thirty draws the mean is that put in, and the stated error is the scatter seen."""
    target, _ = sheet()

    def cloud(xy: Any) -> Any:
        height = np.exp(-4 * np.log(2) * ((xy - [40.0, 62.0]) ** 2).sum(axis=1) / 38.0**2)
        return two_lamps(xy) + 0.07 * height[:, None] * np.array(_SHARES)

    found = [_strongest(target, coat_and_field(cloud, k)) for k in range(30)]
    assert all(f is not None and f.borne_out and f.significance > 5 for f in found)
    lack = np.array([f.lack for f in found if f is not None])
    assert lack.mean() == pytest.approx(0.07, rel=0.08)
    assert 0.5 < lack.std() / np.median([f.error for f in found if f is not None]) < 2.0
    assert max(np.hypot(f.x_mm - 40, f.y_mm - 62) for f in found if f is not None) < 12


def test_a_tinted_lamp_alone_is_no_yellowing() -> None:
    target, _ = sheet()
    found = [_strongest(target, coat_and_field(two_lamps, 100 + k)) for k in range(60)]
    assert not [f for f in found if f is None or (f.borne_out and f.significance > 5 and f.lack > 0.02)]


def test_yellowing_that_only_the_field_shows_is_not_borne_out() -> None:
    """Dyes that answer unlike to the press tint the field; bare coat tells that it is none."""
    target, _ = sheet()
    places = coat_and_field(two_lamps, 7)
    height = np.exp(-4 * np.log(2) * ((places.xy - [60.0, 50.0]) ** 2).sum(axis=1) / 35.0**2)
    colour = places.colour + 0.08 * (height * ~places.bare)[:, None] * np.array(_SHARES)
    cloud = _strongest(target, replace(places, colour=colour))
    assert cloud is not None
    assert cloud.field > 0.06
    assert not cloud.borne_out


def test_a_strongly_compressed_file_gives_no_specks() -> None:
    assert kinds(judge(v.Faults(), quality=30)) == []


def test_uptake_is_not_cut_off() -> None:
    dark = judge(v.Faults(), printer=v.Printer(gamma=(1.6, 1.6, 1.6)))
    assert dark.prints.uptake > max(1.25, good_print().prints.uptake)
