"""Gamut: the solid's volume, the way back from CIELAB, and what each intent does to colours outside."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from colorcheck.colour import gamut
from colorcheck.colour.icc import pcs_grid
from colorcheck.ground.cielab import D50_WHITE, delta_ch, delta_e00, lab_to_xyz, xyz_to_lab

from .printers import offset_data, truth
from .virtual.spectral import colour_science

PRIMARIES = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255], [0, 255, 255], [255, 0, 255], [255, 255, 0]], float)


def rng(seed: int) -> Any:
    return np.random.Generator(np.random.PCG64(seed))


@lru_cache(maxsize=4)
def forward(printer: str = "raw, dull dyes", substrate: str = "satin") -> gamut.Forward:
    return gamut.forward_table(truth(printer, substrate), 25)


def black_y(table: gamut.Forward) -> float:
    return float(lab_to_xyz(table.lab(np.zeros((1, 3))))[0, 1])


# ---------------------------------------------------------------- volume


def test_volume_of_a_box_is_exact() -> None:
    def box(d: Any) -> Any:
        return np.stack([d[:, 0] / 255 * 50 + 20, d[:, 1] / 255 * 40 - 20, 30 - d[:, 2] / 255 * 60], axis=1)

    assert gamut.gamut_volume(box, 5) == pytest.approx(50 * 40 * 60)


def test_volume_of_a_ball_and_of_a_solid_folded_flat() -> None:
    def ball(d: Any) -> Any:
        c = d / 127.5 - 1.0
        largest = np.abs(c).max(axis=1, keepdims=True)
        return 30.0 * c * largest / np.maximum(np.linalg.norm(c, axis=1, keepdims=True), 1e-12) + [50.0, 0, 0]

    assert gamut.gamut_volume(ball, 65) == pytest.approx(4 / 3 * np.pi * 30**3, rel=2e-3)
    assert gamut.gamut_volume(lambda d: np.stack([d[:, 0], d[:, 1], d[:, 0]], axis=1)) == pytest.approx(0.0, abs=1e-6)


def test_volume_of_srgb_agrees_with_colour_science() -> None:
    """Independent: colours drawn in CIELAB (D65), sorted into sRGB by colour-science.

    Its documentation gives 821958 for the volume (value from memory).
    """
    colour = colour_science()
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    low, high = np.array([0.0, -90, -110]), np.array([100.0, 100, 96])
    lab = rng(1).uniform(low, high, (400_000, 3))
    rgb = colour.XYZ_to_RGB(colour.Lab_to_XYZ(lab, white), "sRGB", illuminant=white, apply_cctf_encoding=False)
    drawn = ((rgb >= 0) & (rgb <= 1)).all(axis=1).mean() * np.prod(high - low)

    def srgb(d: Any) -> Any:
        return colour.XYZ_to_Lab(colour.sRGB_to_XYZ(d / 255.0), white)

    volume = gamut.gamut_volume(srgb)
    assert volume == pytest.approx(drawn, rel=0.012)
    assert volume == pytest.approx(821_958, rel=0.01)


def test_volume_does_not_hang_on_the_grid() -> None:
    true = truth("raw", "bright")
    assert gamut.gamut_volume(true, 17) == pytest.approx(gamut.gamut_volume(true, 65), rel=0.01)


# ---------------------------------------------------------------- tables


def test_interpolation_is_exact_for_plain_slopes_and_on_nodes() -> None:
    n = 6
    nodes = np.stack(np.meshgrid(*[np.arange(n)] * 3, indexing="ij"), axis=-1).astype(float)
    matrix, place = rng(2).normal(size=(3, 4)), rng(3).uniform(0, n - 1, (500, 3))
    assert np.allclose(gamut.interpolate(nodes @ matrix, place), place @ matrix)
    table = rng(4).normal(size=(n, n, n, 2))
    assert np.allclose(gamut.interpolate(table, nodes.reshape(-1, 3)), table.reshape(-1, 2))
    index, weight = gamut.corners(rng(5).uniform(-1, n, (500, 3)), n)
    assert np.allclose(weight.sum(axis=1), 1)
    assert weight.min() >= 0
    assert index.min() >= 0
    assert index.max() < n**3


# ---------------------------------------------------------------- the way back


@pytest.mark.parametrize(
    ("printer", "substrate"), [("raw", "bright"), ("wrong curves", "satin"), ("raw, too much ink", "thick glass")]
)
def test_colours_inside_are_found_again(printer: str, substrate: str) -> None:
    table = forward(printer, substrate)
    lab = table.lab(rng(3).uniform(0, 255, (4000, 3)))
    device, reached = gamut.invert(table, lab)
    error = delta_e00(reached, lab)
    assert error.mean() < 0.1
    assert np.percentile(error, 99) < 0.6
    assert device.min() >= 0
    assert device.max() <= 255
    assert np.allclose(reached, table.lab(device))
    assert gamut.inside(table, lab).mean() > 0.98


def test_colours_outside_go_to_the_nearest_point_of_all() -> None:
    table = forward()
    aim = gamut.srgb_lab(rng(6).uniform(0, 255, (300, 3)) * [1, 0.1, 1], black_y(table))
    device, reached = gamut.invert(table, aim)
    metric = gamut._metric(aim)
    some = gamut.cube_nodes(17)
    labs = table.lab(some)
    got = gamut._cost(metric, reached - aim, device * 0)
    best = np.array(
        [(gamut._cost(tuple(w[k : k + 1] for w in metric), labs - aim[k], some * 0)).min() for k in range(len(aim))]
    )
    assert (got <= best + 0.05 + 0.02 * best).mean() > 0.99
    hue = [np.degrees(np.arctan2(x[:, 2], x[:, 1])) for x in (aim, reached)]
    turn = np.abs((hue[1] - hue[0] + 180) % 360 - 180)
    strong = np.hypot(reached[:, 1], reached[:, 2]) > 20
    assert np.median(turn[strong]) < 3.0
    assert np.percentile(turn[strong], 95) < 12.0


def test_greys_stay_grey_and_what_is_too_dark_becomes_black() -> None:
    table = forward()
    light = np.linspace(0, 100, 60)
    device, reached = gamut.invert(table, np.stack([light, light * 0, light * 0], axis=1))
    assert np.hypot(reached[:, 1], reached[:, 2]).max() < 1.5
    darkest = table.lab(np.zeros((1, 3)))[0, 0]
    assert np.abs(reached[light < darkest, 0] - darkest).max() < 1.0
    assert np.abs(reached[-1] - [100, 0, 0]).max() < 0.1
    assert np.abs(device[-1] - 255).max() < 0.5


def test_nearest_point_moves_smoothly_through_the_surface() -> None:
    table = forward("raw", "bright")
    out = np.stack([np.full(400, 55.0), np.linspace(0, 110, 400), np.linspace(0, 40, 400)], axis=1)
    device, reached = gamut.invert(table, out)
    step = delta_e00(reached[1:], reached[:-1])
    assert step.max() < 0.6  # the input moves by 0.3 ΔE*ab each
    assert np.abs(np.diff(device, axis=0)).max() < 4.0


# ---------------------------------------------------------------- intents


@lru_cache(maxsize=2)
def knees(source_black_y: float = 0.0) -> tuple[gamut.Knee, gamut.Knee]:
    table = forward()
    return gamut.knees(table, black_y=black_y(table), source_black_y=source_black_y)


@pytest.mark.parametrize("k", [0, 1], ids=["perceptual", "saturation"])
def test_knee_keeps_greys_and_hues_and_lands_inside(k: int) -> None:
    table, knee = forward(), knees()[k]
    grey = np.stack([np.linspace(0, 100, 101)] + [np.zeros(101)] * 2, axis=1)
    out = knee(grey)
    assert np.abs(out[:, 1:]).max() < 1e-6  # straight
    assert np.diff(out[:, 0]).min() > 0
    assert out[0, 0] == pytest.approx(table.lab(np.zeros((1, 3)))[0, 0], abs=0.3)
    assert out[-1, 0] == pytest.approx(100.0)
    # all of sRGB lands in the printer's solid or close to it
    srgb = gamut.srgb_lab(gamut.cube_nodes(9))
    mapped = knee(srgb)
    _, reached = gamut.invert(table, mapped)
    miss = delta_e00(reached, mapped)
    assert np.percentile(miss, 95) < 1.5
    assert miss.mean() < 0.4


def test_perceptual_keeps_order_and_the_core_and_can_be_undone() -> None:
    perceptual, saturation = knees()
    toned = gamut.srgb_lab(gamut.cube_nodes(17), perceptual.black_y)
    srgb = gamut.srgb_lab(gamut.cube_nodes(17))
    mapped = perceptual(srgb)
    inner = np.hypot(toned[:, 1], toned[:, 2]) < 15
    core = inner & (toned[:, 0] > 60) & (toned[:, 0] < 80)
    assert core.sum() > 5
    assert np.allclose(mapped[core], toned[core])
    for colour in PRIMARIES:  # along the way from grey to a pure colour chroma rises, or stays at the end
        ramp = 128 + (colour - 128) * np.linspace(0, 1, 200)[:, None]
        chroma = np.hypot(*perceptual(gamut.srgb_lab(ramp))[:, 1:].T)
        assert (np.maximum.accumulate(chroma) - chroma).max() < 0.03 * chroma.max()
    undone = np.abs(perceptual.back(mapped) - srgb)[srgb[:, 0] > 3]
    assert undone.mean() < 0.03
    assert undone.max() < 1.0
    with pytest.raises(ValueError, match="only the perceptual"):
        saturation.back(mapped)
    wide = [np.hypot(*k(gamut.srgb_lab(PRIMARIES))[:, 1:].T) for k in (perceptual, saturation)]
    assert (wide[1] > wide[0] - 1e-6).all()  # saturation never duller


def test_black_of_the_reference_medium_becomes_the_printers() -> None:
    knee = knees(float(lab_to_xyz(np.array([3.1373, 0, 0]))[1]))[0]
    assert knee(np.array([[3.1373, 0.0, 0.0]]))[0] == pytest.approx(xyz_to_lab(knee.black_y * D50_WHITE), abs=1e-6)


def test_radial_surface_of_a_ball() -> None:
    def ball(d: Any) -> Any:
        c = d / 127.5 - 1.0
        largest = np.abs(c).max(axis=1, keepdims=True)
        return 30.0 * c * largest / np.maximum(np.linalg.norm(c, axis=1, keepdims=True), 1e-12) + [50.0, 0, 0]

    radial = gamut.radial_surface(ball, 50.0, n=21)
    distance, reach = radial.at(np.array([[60.0, 5, 5], [40, -20, 3], [95, 0, 0]]))
    assert np.allclose(reach, 30.0, rtol=0.02)
    assert distance[2] == pytest.approx(45.0)


# ---------------------------------------------------------------- correcting the table


def test_correcting_the_nodes_lowers_the_error_at_the_surface() -> None:
    table = forward("raw", "bright")
    m = 17
    device, _ = gamut.invert(table, gamut.pcs_nodes(pcs_grid(m)))
    plain = device.reshape(m, m, m, 3)
    samples = gamut.solid_samples(table)
    better = gamut.refine_table(table, plain, gamut.pcs_place(samples, m, pcs_grid(255)), samples)
    rim = table.lab(gamut.surface(14)[0])  # none of the places that were looked at

    def error(t: Any) -> float:
        back = gamut.interpolate(t, gamut.pcs_place(rim, m, pcs_grid(255)))
        return float(delta_e00(table.lab(back), rim).mean())

    assert error(better) < 0.9 * error(plain)
    assert better.min() >= 0
    assert better.max() <= 255


def test_standard_printing_condition_goes_there_and_back() -> None:
    """Measured offset data: device values of 148 colours from their CIELAB alone."""
    from colorcheck.colour.printer_model import fit_printer

    rgb, lab, test = offset_data()
    table = gamut.forward_table(fit_printer(rgb[~test], lab[~test], np.full((~test).sum(), 0.3)).lab, 25)
    device, reached = gamut.invert(table, lab)
    assert np.abs(device - rgb)[test].mean() < 2.0  # of 255
    assert delta_e00(reached, lab).mean() < 0.3
    grey = (np.abs(lab[:, 1]) < 4) & (np.abs(lab[:, 2]) < 4)
    assert delta_ch(reached[grey], lab[grey]).mean() < 0.3
