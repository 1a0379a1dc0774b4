"""Pieces lit from behind: the forward model by hand and against published values, then what is measured of them."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from tests import virtual as v
from tests.virtual import spectral, texture

# --- the forward model ----------------------------------------------------------------------------


def small(rgb: tuple[int, int, int], **fields: object) -> v.PressedPiece:
    """An even piece of 40 mm."""
    art = np.full((160, 160, 3), rgb, np.uint8)
    return v.press_sheet(art, 4.0, raster_px_per_mm=4.0, faults=v.Faults(mottle=0, grain=0, bleed_mm=0), **fields)


def test_light_that_passes_once_meets_half_the_density() -> None:
    """Beer and Lambert: density is proportional to the path, so one pass has half the density of two, in every band."""
    front = small((150, 90, 60), substrate=v.Substrate(floor=0.0, leak=0.0))
    every = np.eye(spectral.BANDS)
    there_and_back = -np.log10(front.response(every)[5, 5] / front.coat)
    once = -np.log10(front.behind().response(every)[5, 5] / front.behind().coat)
    np.testing.assert_allclose(once, there_and_back / 2, atol=2e-4)
    box = [[10.0, 10.0, 10.0, 10.0]]
    grey = small((128, 128, 128), substrate=v.Substrate(floor=0.0, leak=0.0))
    assert grey.behind().true_density(box)[0] == pytest.approx(grey.true_density(box)[0] / 2, abs=0.02)
    assert grey.behind().true_lab(box)[0, 0] > grey.true_lab(box)[0, 0] + 10  # so it is paler than from the front


def test_light_beside_the_dye_limits_the_black() -> None:
    """With the share f that never meets dye, black lets f + (1 − f)·√T pass, T that of two passes: by hand."""
    piece = small((0, 0, 0), substrate=v.Substrate(floor=0.0, leak=0.08))
    two = piece.true_density([[10.0, 10.0, 10.0, 10.0]])[0]
    once = piece.behind().true_density([[10.0, 10.0, 10.0, 10.0]])[0]
    assert once == pytest.approx(-np.log10(0.08 + 0.92 * 10 ** (-two / 2)), abs=0.03)


@pytest.mark.parametrize(("thickness_mm", "published"), [(4.0, 0.90), (6.0, 0.89), (10.0, 0.87)])
def test_float_glass_lets_pass_what_is_published(thickness_mm: float, published: float) -> None:
    """Light transmittance of clear float glass, EN 410 as makers' tables give it (from memory, ± 0.015)."""
    spectrum = spectral.two_surfaces() * spectral.glass_transmittance(thickness_mm)
    assert float(spectrum @ spectral.xyz_weights("D65")[:, 1]) == pytest.approx(published, abs=0.015)


def test_two_surfaces_of_glass_mirror_eight_percent() -> None:
    """Fresnel: 4.26 % at each surface of index 1.52 and what goes to and fro between them, by hand."""
    once = (0.52 / 2.52) ** 2
    series = sum((1 - once) ** 2 * once ** (2 * k) for k in range(20))
    assert v.spectral.two_surfaces() == pytest.approx(series, abs=1e-9)


def test_transmitted_colour_agrees_with_colour_science() -> None:
    colour = spectral.colour_science()
    piece = small((40, 120, 190)).behind()
    band = piece.response(np.eye(spectral.BANDS))[5, 5]
    shape = colour.SpectralShape(380, 730, 10)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        xyz, white = (
            colour.sd_to_XYZ(
                colour.SpectralDistribution(s, shape.wavelengths), illuminant=colour.SDS_ILLUMINANTS["D50"]
            )
            for s in (band, piece.coat)
        )
        lab = colour.XYZ_to_Lab(xyz / white[1] * 1.0, colour.XYZ_to_xy(white))
    ours = piece.true_lab([[10.0, 10.0, 10.0, 10.0]])[0]
    assert v.delta_e00(ours, lab) < 0.3


def test_an_inclined_surface_displaces_what_lies_below_it() -> None:
    """Snell: 4 mm below a slope of 0.1 in glass of 1.52, 0.137 mm for small angles and 0.138 exactly, by hand."""
    assert float(texture.refracted_shift(0.1, 4.0)) == pytest.approx(4 * 0.1 * (1 - 1 / 1.52), abs=0.002)
    steep = np.arctan(0.5)
    inside = np.arcsin(np.sin(steep) / 1.52)
    assert float(texture.refracted_shift(0.5, 4.0)) == pytest.approx(4 * np.tan(steep - inside))
    assert float(texture.refracted_shift(0.0, 4.0)) == 0.0


@pytest.mark.parametrize("kind", ["rippled", "hammered", "reeded", "frosted"])
def test_patterned_glass_displaces_as_strongly_as_told(kind: str) -> None:
    shift = texture.shift_field(v.Texture(kind, 0.5), (60.0, 60.0))
    assert np.sqrt((shift**2).sum(axis=2).mean()) == pytest.approx(0.5, rel=0.01)
    away = np.abs(shift[2:, 2:] - shift[:-2, :-2]).mean()  # half a millimetre apart
    assert (away < 0.6 * np.abs(shift).mean()) == (kind != "frosted")  # frost changes within a millimetre


def test_a_window_photo_has_the_light_it_was_given() -> None:
    """Bare blank: panel × vignetting; bands of flicker across the rows; the panel ends where its size says."""
    bare = small((255, 255, 255))
    camera = v.Camera(noise=0, flare=0, tone="srgb", bits=16)
    pose = v.Pose(width_px=600, height_px=450, blur_px=0.0)
    panel = v.Panel("D50", size_mm=(90.0, 46.0), vignetting=0.0, lights=(v.Window(0, 1.5, 40.0),), ambient=0.0)
    photo = v.photograph_window(bare, panel=panel, camera=camera, pose=pose)
    linear = spectral.decode_srgb(photo.rgb / 65535)[..., 1]

    def at(x: float, y: float) -> float:
        px = np.round(photo.mm_to_px([x, y])).astype(int)
        return float(linear[px[1], px[0]])

    assert at(38, 20) / at(2, 20) == pytest.approx(1.5**0.9, rel=0.01)
    coat = float(bare.behind().coat @ camera.response_weights("D50")[:, 1])
    assert at(20, 20) / at(20, -1.5) == pytest.approx(coat, rel=0.02)
    assert at(20, -5) < 0.05 * at(20, -1.5)
    banded = v.photograph_window(
        bare, panel=replace(panel, lights=(), size_mm=None, flicker=0.05, flicker_rows=60), camera=camera, pose=pose
    )
    rows = spectral.decode_srgb(banded.rgb / 65535)[:, 20, 1]
    assert float(np.ptp(rows) / rows.mean()) == pytest.approx(0.1, abs=0.01)


def test_stray_light_lifts_the_black_and_pixels_show_through_a_clear_blank_only() -> None:
    camera = v.Camera(noise=0, flare=0, tone="srgb", bits=16)
    pose = v.Pose(width_px=600, height_px=450, blur_px=0.0)
    dark = small((0, 0, 0))
    grey = []
    for stray in (0.0, 0.2):
        photo = v.photograph_window(dark, panel=v.Panel("D50", stray=stray), camera=camera, pose=pose)
        grey.append(float(spectral.decode_srgb(photo.rgb[225, 300, 1] / 65535) / photo.gain))
    assert grey[1] - grey[0] == pytest.approx(0.2 * (1 - spectral.two_surfaces()), abs=0.004)
    rough = {}
    for diffusing in (True, False):
        bare = small((255, 255, 255), substrate=v.Substrate(diffusing=diffusing))
        photo = v.photograph_window(bare, panel=v.Panel("display", pixel_mm=0.5), camera=camera, pose=pose)
        middle = photo.rgb[200:250, 250:350].astype(float)
        rough[diffusing] = float(middle.std(axis=(0, 1)).max() / middle.mean())
    assert rough[True] < 0.01 < rough[False]
