"""The main job against what others published or wrote: reflectances, greys, blob detectors, a colour engine, a hull."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageCms
from scipy import optimize

from colorcheck.colour import gamut
from colorcheck.colour.printer_model import fit_printer
from colorcheck.colour.profiletables import profile_tables
from colorcheck.flows.inspect import inspect
from colorcheck.flows.read import read_photos
from colorcheck.flows.requests import InspectRequest
from colorcheck.ground.cielab import delta_e00, lab_to_xyz, xyz_to_lab
from colorcheck.ground.records import CellFlag, CellKind, CellSamples, Kind, Light
from colorcheck.photo.decode import decode
from colorcheck.sheet.measure import measure
from colorcheck.shop import heat

from . import heatlab, scenes
from . import virtual as v
from .printers import offset_data, profile_file
from .virtual import spectral

# ---------------------------------------------------------------- reading: published reflectances, sensors, lights


def cells_seen(rgb: Any, coat: Any) -> Any:
    """Cells of these linear signals (n, 3) in even light, without glare, as `read` measures them."""
    n = len(rgb)
    samples = CellSamples(
        rgb=rgb,
        spread=0.01 * np.maximum(rgb, 0.01),
        pixels=np.full(n, 400.0),
        flags=np.zeros(n, np.int64),
        centre_px=np.zeros((n, 2)),
    )
    light = Light(
        e_map=np.tile(coat, (2, 2, 1)),
        g_map=np.zeros((2, 2, 3)),
        glare=np.zeros((2, 2), bool),
        step_mm=1.0,
        e_cell=np.tile(coat, (n, 1)),
        g_cell=np.zeros((n, 3)),
        e_std=np.full(n, 0.003),
        ratio=1.0,
        order=1,
        residual=0.003,
        veil=np.zeros(3),
        veil_std=0.01,
        veil_known=False,
        cast=0.0,
    )
    nothing = np.zeros(n, bool)
    return measure(samples, light, g_std=np.zeros(n), glare=nothing, covered=nothing, model_error=0.002)


@pytest.mark.parametrize("sensor", ["measured-1", "measured-2"])
@pytest.mark.parametrize("lamp", ["D50", "D65", "LED-B3", "LED-B4", "Phosphor LED YAG"])
def test_stated_doubt_covers_published_reflectances(sensor: str, lamp: str) -> None:
    """The 99 reflectances of CIE 224:2017 through two measured sensitivities under CIE and measured lamps.

    All as colour-science ships them (CIE 224:2017; MSDS_CAMERA_SENSITIVITIES; SDS_ILLUMINANTS, SDS_LIGHT_SOURCES). The
    camera is balanced on white and keeps a matrix fitted on the same reflectances under D65. Truth: their CIELAB, D50.
    """
    if lamp in ("D50", "D65", "LED-B3", "LED-B4"):
        power = spectral.illuminant(lamp)
    else:
        sd = spectral.colour_science().SDS_LIGHT_SOURCES[lamp]
        power = spectral.on_bands(sd.wavelengths, sd.values, extend=True)
    reflectance = spectral.test_reflectances()
    weights = spectral.sensitivities(sensor) * power[:, None]
    matrix = v.colour_matrix(sensor, "D65", "srgb")
    seen = np.maximum(reflectance @ (weights / weights.sum(axis=0)) @ matrix.T, 1e-4)
    cells = cells_seen(0.7 * seen, np.full(3, 0.7))
    to_xyz = spectral.xyz_weights("D50")
    true = xyz_to_lab(reflectance @ to_xyz / to_xyz.sum(axis=0), np.ones(3))
    off = delta_e00(cells.lab, true)
    assert np.mean(off <= 2 * cells.uncertainty) >= 0.90
    assert off.mean() < cells.uncertainty.mean()  # 1.2 to 5.1 against 5.6 to 6.2


@dataclass(frozen=True, slots=True, eq=False)
class PublishedSheet(v.PressedPiece):
    """A pressed target of which the cells in ``boxes_mm`` (n, 4) have these reflectances (n, 36) instead of dye."""

    boxes_mm: Any = ()
    reflectance: Any = ()

    def response(self, weights: Any) -> Any:
        out = v.PressedPiece.response(self, weights).copy()
        for (x, y, w, h), one in zip(self.boxes_mm * self.px_per_mm, self.reflectance, strict=True):
            out[round(y) : round(y + h), round(x) : round(x + w)] = one @ weights
        return out


@pytest.mark.parametrize(("sensor", "lamp"), [("measured-1", "LED-B3"), ("measured-2", "D50")])
def test_published_reflectances_in_a_photographed_sheet(sensor: str, lamp: str, tmp_path: Path) -> None:
    """The 99 reflectances of CIE 224:2017 as cells of a target that is photographed, stored as JPEG and read.

    Sensitivities and lights as above. Markers, white, black and field are those of the virtual press, and so are lens,
    noise, stray light and the lamp's fall-off; truth is CIELAB, D50, of the published reflectances over the bare coat.
    """
    target, _, _ = scenes.sheet("square")
    base = scenes.press("square")
    to_xyz = spectral.xyz_weights("D50")
    reflectance = spectral.test_reflectances()
    true = xyz_to_lab(reflectance @ to_xyz / (base.coat @ to_xyz), np.ones(3))
    colours = np.flatnonzero(target.kind == CellKind.COLOUR)
    printed = base.true_lab(scenes.reading_area(target))[colours]
    # each where the layout has a colour like it: a sheet of other colours is refused as another target
    apart = np.linalg.norm(true[:, None] - printed[None], axis=2)
    cells = colours[optimize.linear_sum_assignment(apart)[1]]
    assert len(set(cells)) == len(reflectance) == 99
    own = {f.name: getattr(base, f.name) for f in fields(base) if f.init}
    piece = PublishedSheet(**own, boxes_mm=target.box_mm[cells], reflectance=reflectance)
    camera = v.Camera(sensitivities=sensor, white_level=0.7, flare=0.003, noise=0.008)
    photo = v.photograph(
        piece,
        scene=v.Scene(illuminant=lamp, lamps=(v.Lamp(-350, 80, 520),), vignetting=0.2),
        camera=camera,
        pose=v.Pose.megapixels(3.0, fill=0.8, rotation_deg=3.0, tilt_deg=2.0),
        seed=7,
    )
    reading = read_photos(v.save_photo(photo, tmp_path / "sheet.jpg", quality=93))
    fit = (reading.cells.flags[cells] & int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE)) == 0
    assert fit.sum() >= 95
    off = delta_e00(reading.cells.lab[cells], true)[fit]
    stated = reading.cells.uncertainty[cells][fit]
    assert np.mean(off <= 2 * stated) >= 0.90
    assert off.mean() < stated.mean()


def test_density_of_published_greys_from_a_photo(tmp_path: Path) -> None:
    """Munsell neutrals N2 to N9 by ASTM D1535, as colour-science computes their luminance factor, in a JPEG.

    The white beside them is the coat; steps of 8 bits and the JPEG's own cost up to 0.01.
    """
    colour = spectral.colour_science()
    value = np.arange(2.0, 9.5, 1.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        factor = np.asarray(colour.notation.munsell.luminance_ASTMD1535(value)) / 100.0
    patches = np.concatenate([[0.9], factor])
    codes = np.round(255 * spectral.encode_srgb(0.8 * patches)).astype(np.uint8)
    rows = np.repeat(np.repeat(codes[None, :], 240, axis=0), 60, axis=1)
    path = v.save_photo(np.repeat(rows[..., None], 3, axis=2), tmp_path / "greys.jpg", quality=92)
    rgb = decode(path).rgb.astype(float)
    means = np.array([rgb[60:180, 60 * k + 15 : 60 * k + 45].mean(axis=(0, 1)) for k in range(len(patches))])
    cells = cells_seen(means[1:], means[0])
    assert cells.density == pytest.approx(-np.log10(factor / 0.9), abs=0.012)


# ---------------------------------------------------------------- spots: a photograph as artwork, blobs as witness


def test_a_spot_on_a_photograph_lies_where_a_blob_detector_sees_it(tmp_path: Path) -> None:
    """Artwork: the cup of coffee that scikit-image ships (CC0). Second opinion: its Laplacian-of-Gaussian blobs.

    T. Lindeberg, Int. J. Comput. Vis. 30(2), 79–116 (1998): a Gaussian blob of standard deviation s answers most at s.
    """
    data = pytest.importorskip("skimage.data")
    feature = pytest.importorskip("skimage.feature")
    art = data.coffee()
    size = (150.0, 100.0)
    path = tmp_path / "art.png"
    Image.fromarray(art).save(path)
    strength = v.pale_strength(9.0, device_rgb=(120, 90, 70))
    x, y, fwhm = 104.0, 38.0, 18.0
    piece = v.press_sheet(
        art, art.shape[1] / size[0], size_mm=size, faults=v.Faults(spots=(v.Spot(x, y, fwhm, strength),)), seed=3
    )
    photo = v.photograph(piece, pose=v.Pose.megapixels(1.5, fill=0.62), seed=3)
    shown = v.save_photo(photo, tmp_path / "piece.jpg")
    result = inspect(InspectRequest(photos=(str(shown),), artwork=str(path), size_mm=size, view="through"))
    (found,) = [f for f in result.defects.findings if f.kind is Kind.PALE]
    assert np.hypot(found.x_mm - x, found.y_mm - y) < 4.0
    lack = np.nan_to_num(result.defects.lack)
    step = result.defects.step_mm
    blobs = feature.blob_log(np.clip(lack / lack.max(), 0, 1), min_sigma=4 / step, max_sigma=16 / step, threshold=0.1)
    strongest = blobs[np.argmin(np.hypot(blobs[:, 1] * step - x, blobs[:, 0] * step - y))]
    seen_x, seen_y, sigma = (float(k) * step for k in (strongest[1] + 0.5, strongest[0] + 0.5, strongest[2]))
    assert np.hypot(found.x_mm - seen_x, found.y_mm - seen_y) < 4.0
    assert 0.5 < found.diameter_mm / (2.355 * sigma) < 2.0  # a width at half height from either


# ---------------------------------------------------------------- profile: measured offset data, another colour engine


def profile_of(rgb: Any, lab: Any) -> tuple[Any, bytes]:
    """Printer model and profile of these measured colours, as `profile` makes them."""
    model = fit_printer(rgb, lab, np.full(len(rgb), 0.3))
    black = float(lab_to_xyz(model.lab(np.zeros((1, 3))))[0, 1])
    return model, profile_file(profile_tables(model, black_y=black)[1])


def test_littlecms_finds_what_the_profile_promises_on_rows_left_out() -> None:
    """Measured offset data (tests/data/offset_coated_cmy.txt): 100 rows teach, 48 are asked of LittleCMS."""
    rgb, lab, test = offset_data()
    model, data = profile_of(rgb[~test], lab[~test])
    transform = ImageCms.buildTransform(
        ImageCms.getOpenProfile(io.BytesIO(data)),
        ImageCms.createProfile("LAB"),
        "RGB",
        "LAB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.NOOPTIMIZE,
    )
    codes = np.rint(rgb[test]).astype(np.uint8)
    out = np.asarray(ImageCms.applyTransform(Image.fromarray(codes[None]), transform))[0].astype(float)
    found = np.column_stack([out[:, 0] / 2.55, np.where(out[:, 1:] > 127, out[:, 1:] - 256, out[:, 1:])])
    promised = delta_e00(model.lab(rgb[test]), lab[test])
    measured = delta_e00(found, lab[test])
    assert promised.mean() < 0.4
    # steps of 8 bits (0.4 in L*, 1 in a* and b*) come on top: half a step in each is 0.5 at grey
    assert measured.mean() < promised.mean() + 0.5
    assert np.percentile(measured, 95) < np.percentile(promised, 95) + 1.0


def test_volume_stays_below_the_convex_hull_of_what_was_measured() -> None:
    """The hull by scipy (Qhull): a gamut is hollow between its inks, so its volume lies below, but not far."""
    spatial = pytest.importorskip("scipy.spatial")
    rgb, lab, _ = offset_data()
    model = fit_printer(rgb, lab, np.full(len(rgb), 0.3))
    hull = spatial.ConvexHull(model.lab(255.0 * np.stack(np.meshgrid(*[np.linspace(0, 1, 9)] * 3), -1).reshape(-1, 3)))
    volume = gamut.gamut_volume(model.lab)
    assert 0.75 * hull.volume < volume < hull.volume
    assert spatial.ConvexHull(lab).volume < 1.02 * hull.volume  # measured rows alone reach no further


# ---------------------------------------------------------------- heat: handbook tables in a kept package


def test_heat_constants_are_those_of_two_handbooks() -> None:
    """EN ISO 10456 and the ASHRAE Handbook of Fundamentals, as the package `ht` (MIT) prints them: kg/m³, W/mK, J/kgK.

    What presses and tests assume was typed from the tables themselves; the package is a second transcription.
    """
    tables = pytest.importorskip("ht.insulation")
    density, conductivity, capacity = tables.building_materials["Glass, soda lime"]
    their_density, their_capacity, their_conductivity, *_ = tables.ASHRAE[
        "Siding, Architectural (soda-lime float) glass"
    ]
    assert heat.GLASS_DENSITY_KG_M3 == density == their_density
    assert heat.GLASS_CONDUCTIVITY_W_MK == conductivity == their_conductivity
    assert capacity <= heat.GLASS_HEAT_J_KGK <= their_capacity  # 750 and 840; glass in a press is hot
    assert (heat.FASTEST.pad, heat.SLOWEST.pad) != (None, None)
    for pad, name in (
        (heat.FASTEST.pad, "Floor covering, underlay, felt"),
        (heat.SLOWEST.pad, "Sealant, silicone, pure"),
    ):
        density, conductivity, capacity = tables.building_materials[name]
        assert pad is not None
        assert (pad.conductivity_w_mk, pad.heat_j_m3k) == (conductivity, pytest.approx(density * capacity))
    named = {
        "felt": "Floor covering, underlay, felt",
        "cork": "Floor covering, underlay, cork",
        "silicone foam": "Sealant, silicone foam",
        "silicone": "Sealant, silicone, pure",
        "softwood": "Timber, 500 kg/m^3",
        "hardwood": "Timber, 700 kg/m^3",
    }
    for pad_name, name in named.items():
        assert heatlab.PADS[pad_name] == tables.building_materials[name], name


def test_a_press_of_either_handbooks_glass_lies_inside_the_stated_range() -> None:
    """Seconds until the coat is hot with the constants of either table, on felt and on silicone."""
    tables = pytest.importorskip("ht.insulation")
    told = [tables.building_materials["Glass, soda lime"][2]]
    told.append(tables.ASHRAE["Siding, Architectural (soda-lime float) glass"][1])
    ends = [heat.time_to_temperature(glass_mm=4, platen_c=200.0, build=build) for build in (heat.FASTEST, heat.SLOWEST)]
    for capacity in told:
        for name in ("Floor covering, underlay, felt", "Sealant, silicone foam", "Sealant, silicone, pure"):
            density, conductivity, c = tables.building_materials[name]
            pad = heat.Pad(conductivity, density * c, 0.010, 1.5e4)
            build = heat.BuildUp(heat=capacity / heat.GLASS_HEAT_J_KGK, pad=pad)
            assert ends[0] < heat.time_to_temperature(glass_mm=4, platen_c=200.0, build=build) < ends[1]
