"""Spectral data of the virtual workshop, all on one scale: 380–730 nm in steps of 10 nm (36 bands).

Colour-matching functions, illuminants, test reflectances and the measured camera sensitivities are those
shipped with colour-science. The dyes, coats, glass, cards and phone-like sensitivities are INVENTED: smooth
curves with the shape such materials have, made for tests.
"""

from __future__ import annotations

import warnings
from functools import lru_cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[Any]

WAVELENGTHS: Array = np.arange(380.0, 731.0, 10.0)
BANDS = WAVELENGTHS.size


@lru_cache(maxsize=1)
def colour_science() -> ModuleType:
    """colour-science, imported without its warnings and without its change of numpy's print options."""
    with warnings.catch_warnings(), np.printoptions():
        warnings.simplefilter("ignore")
        import colour
        import colour.quality.cfi2017
    return colour


def on_bands(wavelengths: ArrayLike, values: ArrayLike, *, extend: bool) -> Array:
    """Bring a spectrum to the 36 bands by triangular bins 20 nm wide (keeps the energy of narrow lines).

    Outside its own range a spectrum is held constant (`extend`) or taken as zero.
    """
    own, values = np.asarray(wavelengths, float), np.asarray(values, float)
    fine = np.arange(370.0, 741.0)
    outside = {} if extend else {"left": 0.0, "right": 0.0}
    columns = values[:, None] if values.ndim == 1 else values
    sampled = np.stack([np.interp(fine, own, c, **outside) for c in columns.T], axis=1)
    bins = np.clip(1.0 - np.abs(fine[None, :] - WAVELENGTHS[:, None]) / 10.0, 0.0, None)
    out = (bins / bins.sum(axis=1, keepdims=True)) @ sampled
    return out[:, 0] if values.ndim == 1 else out


@lru_cache(maxsize=64)
def illuminant(name: str) -> Array:
    """Relative spectral power, (36,), of an illuminant known to colour-science, mean 1."""
    if name == "rgb-led-bar":  # the light source of a contact-sensor scanner (invented)
        power = bump(465, 10, 12) + 0.9 * bump(525, 15, 17) + bump(630, 9, 9)
    elif name == "display":  # a phone or tablet that shows white: narrow blue, green and red (invented)
        power = 1.25 * bump(452, 9, 11) + 0.62 * bump(534, 17, 22) + 0.75 * bump(612, 14, 12) + 0.35 * bump(631, 4, 4)
    else:
        sd = colour_science().SDS_ILLUMINANTS[name]
        power = on_bands(sd.wavelengths, sd.values, extend=True)
    return power / power.mean()


@lru_cache(maxsize=64)
def xyz_weights(light: str = "D50") -> Array:
    """Weights (36, 3) from reflectance to XYZ, 2° observer, Y = 1 for the perfect diffuser."""
    cmfs = colour_science().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    weights = on_bands(cmfs.wavelengths, cmfs.values, extend=False) * illuminant(light)[:, None]
    return weights / weights[:, 1].sum()


@lru_cache(maxsize=1)
def test_reflectances() -> Array:
    """The 99 reflectances of CIE 224:2017, shape (99, 36)."""
    colour = colour_science()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tcs = colour.quality.cfi2017.load_TCS_CIE2017(colour.SpectralShape(380, 780, 5))
    return np.ascontiguousarray(np.asarray(tcs.values)[: 2 * BANDS : 2].T)


def bump(peak: float, left: float, right: float) -> Array:
    """Bell curve with its own width (standard deviation, nm) on either side of the peak."""
    away = WAVELENGTHS - peak
    return np.exp(-0.5 * (away / np.where(away < 0, left, right)) ** 2)


def step(centre: float, width: float) -> Array:
    """Rise from 0 to 1 around `centre`; a negative width falls."""
    return 1.0 / (1.0 + np.exp(-(WAVELENGTHS - centre) / width))


DYE_NAMES = ("cyan", "magenta", "yellow", "black")


@lru_cache(maxsize=8)
def dye_densities(dye_set: str) -> Array:
    """Spectral density (4, 36) of one unit of cyan, magenta, yellow and black dye on a perfect coat
    (invented).
    """
    if dye_set == "clean":  # narrow bands, little unwanted absorption
        cyan = 2.0 * (bump(640, 36, 60) + 0.25 * bump(598, 18, 20)) / 1.1 + 0.05 * bump(405, 25, 30)
        magenta = 1.9 * (bump(548, 26, 21) + 0.55 * bump(515, 26, 20)) / 1.12 + 0.10 * bump(420, 30, 35)
        yellow = 1.9 * bump(438, 45, 31) + 0.01
        black = 1.55 + 0.25 * bump(600, 70, 60) + 0.15 * bump(450, 60, 50)
    elif dye_set == "dull":  # other bands, dirtier cyan and magenta, brownish black
        cyan = 1.9 * (bump(662, 46, 60) + 0.35 * bump(612, 24, 24)) / 1.2 + 0.07 * bump(430, 50, 60)
        magenta = 1.8 * (bump(560, 30, 19) + 0.7 * bump(526, 27, 20)) / 1.25 + 0.16 * bump(410, 40, 45)
        yellow = 1.75 * (bump(425, 50, 34) + 0.45 * bump(458, 20, 22)) / 1.2 + 0.02
        black = 1.35 + 0.45 * bump(450, 80, 90) + 0.15 * bump(570, 50, 50)
    elif dye_set == "soft":  # broad bands as of low-energy dyes; reddish black
        cyan = 1.9 * bump(628, 42, 58) + 0.08 * bump(390, 25, 40)
        magenta = 1.85 * bump(538, 33, 25) + 0.12 * bump(430, 40, 30)
        yellow = 1.8 * bump(446, 52, 29) + 0.015
        black = 1.5 + 0.4 * bump(560, 60, 45)
    else:
        raise ValueError(f"unknown dye set {dye_set!r}: clean, dull or soft")
    return np.stack([cyan, magenta, yellow, black])


def scorch_density() -> Array:
    """Spectral density (36,) of one unit of yellowed coat (invented): absorbs in the blue."""
    return np.exp(-(WAVELENGTHS - 380.0) / 65.0)


@lru_cache(maxsize=16)
def coat_reflectance(name: str) -> Array:
    """Reflectance (36,) of a bare coat (invented)."""
    uv = step(392, 9)
    if name == "bright":
        return 0.90 * (0.35 + 0.65 * uv) + 0.015 * bump(445, 20, 30)
    if name == "warm":
        return 0.86 * (0.25 + 0.75 * uv) * (1.0 - 0.13 * step(520, -35))
    if name == "bluish":
        return 0.87 * (0.4 + 0.6 * uv) * (1.0 - 0.06 * step(560, 40)) + 0.05 * bump(440, 22, 30)
    if name == "grey-satin":
        return 0.66 * (0.5 + 0.5 * uv) * (1.0 - 0.03 * step(500, -40))
    raise ValueError(f"unknown coat {name!r}: bright, warm, bluish or grey-satin")


def glass_density(thickness_mm: float) -> Array:
    """Density (36,) of light passing twice through greenish float glass of this thickness (invented)."""
    return 2.0 * thickness_mm * (0.0035 * step(660, 45) + 0.006 * step(385, -12) + 0.0018)


def glass_transmittance(thickness_mm: float) -> Array:
    """Transmittance (36,) of one pass through that glass, its surfaces left out."""
    return np.asarray(10.0 ** (-glass_density(thickness_mm) / 2))


def two_surfaces(index: float = 1.52) -> float:
    """Share of the light that passes two polished surfaces, mirrored to and fro between them (Fresnel, square-on)."""
    mirrored = ((index - 1) / (index + 1)) ** 2
    return float((1 - mirrored) / (1 + mirrored))


@lru_cache(maxsize=16)
def coat_transmittance(name: str, diffusing: bool) -> Array:
    """Transmittance (36,) of a bare coat (invented): its own tint, and what a scattering one throws back."""
    tint = coat_reflectance(name) / coat_reflectance(name).max()
    return np.asarray((0.55 if diffusing else 0.97) * np.sqrt(tint))


@lru_cache(maxsize=32)
def surface(name: str) -> Array:
    """Reflectance (36,) of what lies around or on the piece (invented)."""
    flat = np.ones(BANDS)
    known = {
        "white card": 0.90 * (0.5 + 0.5 * step(400, 8)) * (1 - 0.02 * step(480, -30)),
        "blued card": 0.88 * (0.5 + 0.5 * step(395, 8)) + 0.05 * bump(445, 20, 28),
        "ivory card": 0.86 * (0.4 + 0.6 * step(405, 9)) * (1 - 0.12 * step(500, -30)),
        "grey card": 0.20 * flat,
        "dark table": 0.045 * flat + 0.02 * step(600, 30),
        "wood": 0.10 + 0.32 * step(590, 45),
        "skin": 0.20 + 0.32 * step(592, 18) - 0.05 * bump(555, 22, 15),
        "black cloth": 0.02 * flat,
    }
    if name not in known:
        raise ValueError(f"unknown surface {name!r}: {', '.join(known)}")
    return known[name]


@lru_cache(maxsize=16)
def sensitivities(name: str) -> Array:
    """Spectral sensitivity (36, 3) of a camera's red, green, blue channel (quantum scale, peak near 1).

    `measured-1` and `measured-2` are the two data sets shipped with colour-science; all others are invented.
    """
    if name.startswith("measured-"):
        shipped = list(colour_science().MSDS_CAMERA_SENSITIVITIES.values())
        data = shipped[int(name.removeprefix("measured-")) - 1]
        return np.clip(on_bands(data.wavelengths, data.values, extend=False), 0.0, None)
    window = step(408, 6) * step(682, -7)
    if name == "phone-1":
        red = 0.72 * bump(602, 26, 55) + 0.05 * bump(450, 30, 30) + 0.06 * bump(540, 40, 20)
        green = 1.00 * bump(533, 34, 40) + 0.06 * bump(440, 30, 30)
        blue = 0.80 * bump(462, 30, 26) + 0.05 * bump(540, 30, 30)
    elif name == "phone-2":
        red = 0.80 * bump(610, 34, 48) + 0.10 * bump(525, 40, 40)
        green = 1.00 * bump(524, 38, 46) + 0.10 * bump(455, 25, 25) + 0.05 * bump(640, 30, 40)
        blue = 0.70 * bump(452, 28, 30) + 0.09 * bump(520, 20, 40)
    elif name == "phone-3":
        red = 0.68 * bump(594, 22, 60) + 0.03 * bump(430, 20, 30)
        green = 0.95 * bump(540, 30, 34) + 0.03 * bump(470, 20, 20)
        blue = 0.85 * bump(470, 32, 22)
    elif name == "scanner-ccd":
        window = step(415, 6) * step(690, -8)
        red, green, blue = bump(625, 24, 50), bump(540, 28, 30), bump(455, 28, 24)
    elif name == "scanner-cis":  # one wide sensor; the colours come from the lamp "rgb-led-bar", told apart in time
        red, green, blue = step(578, 3), step(495, 3) * step(578, -3), step(495, -3)
    else:
        raise ValueError(f"unknown camera {name!r}")
    return np.stack([red, green, blue], axis=1) * window[:, None]


BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
D50_XYZ = np.array([0.96422, 1.0, 0.82521])
D65_XYZ = np.array([0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290])
PRIMARIES = {  # CIE x, y of red, green, blue; white D65
    "srgb": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "display-p3": ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06)),
}


def adaptation(source: ArrayLike, target: ArrayLike) -> Array:
    """Bradford matrix from XYZ under one white to XYZ under another."""
    gains = (BRADFORD @ np.asarray(target, float)) / (BRADFORD @ np.asarray(source, float))
    return np.linalg.inv(BRADFORD) @ (gains[:, None] * BRADFORD)


def rgb_to_xyz(space: str) -> Array:
    """Matrix (3, 3) from linear RGB of a display space to XYZ under D65."""
    xy = np.array(PRIMARIES[space])
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(axis=1)) / xy[:, 1]])
    return columns * np.linalg.solve(columns, D65_XYZ)


def encode_srgb(linear: ArrayLike) -> Array:
    """Tone curve of IEC 61966-2-1, linear 0–1 to encoded 0–1."""
    linear = np.asarray(linear, float)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)


def decode_srgb(encoded: ArrayLike) -> Array:
    """Inverse of `encode_srgb`."""
    encoded = np.asarray(encoded, float)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def xyz_to_lab(xyz: ArrayLike, white: ArrayLike = D50_XYZ) -> Array:
    """CIELAB (CIE 15) from XYZ; last axis holds the channels."""
    t = np.asarray(xyz, float) / np.asarray(white, float)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def lab_to_xyz(lab: ArrayLike, white: ArrayLike = D50_XYZ) -> Array:
    """Inverse of `xyz_to_lab`."""
    lab = np.asarray(lab, float)
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    return np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * np.asarray(white, float)


def delta_e00(lab1: ArrayLike, lab2: ArrayLike) -> Array:
    """CIEDE2000 as colour-science computes it (independent of the package under test)."""
    colour = colour_science()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.asarray(colour.difference.delta_E_CIE2000(np.asarray(lab1, float), np.asarray(lab2, float)))
