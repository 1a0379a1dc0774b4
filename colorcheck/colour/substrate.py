"""What one substrate can do, in numbers that know their doubt, from one or several saved readings of it.

**Gamut volume.** A smooth response device RGB → CIELAB is fitted to all cells (`fit_lab`); the surface of the device
cube is laid through it, and the volume inside that surface is summed over its triangles (divergence theorem). Noise of
single cells averages out, where a hull round them would grow with it, and no colour has to sit on a corner.

**Doubt.** Random parts come from a parametric bootstrap: every cell moves by its own ``u_random``, and all cells of a
photo together by the stray light that differs between photos. The camera's part moves all cells as other cameras
would see them, scaled to the readings' own ``u_system``; the draws are the same for every substrate, so that in the
difference of two substrates seen by one camera they cancel as far as they do.

Volumes, coverage, tone and density are relative to the bare coat; what needs a perfect white says ``absolute``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from ..ground.cielab import (
    D50_WHITE,
    delta_e00,
    density_from_lightness,
    lab_to_xyz,
    linear_srgb_to_xyz,
    xyz_to_lab,
    xyz_to_linear_srgb,
)
from ..ground.errors import DataError
from ..ground.records import CellKind, Floats, Mask
from ..ground.response import device_terms, fit_response, predict
from ..sheet.savedreading import SavedReading, or_nan
from .gamut import cube_nodes, gamut_volume, srgb_lab, surface
from .printer_model import fit_printer

DRAWS = 48  # of each kind; the doubt of a doubt is then about 10 %
_STEPS = 17  # nodes along an edge of the device cube
_FEW_STEPS = 11  # the same while drawing
# Even stray light (mirrored room, lens) that differs between two photos of one piece, share of the coat: another room,
# and the same set-up left alone. Simulated rooms differ by 0–0.5 % of white; estimates.
_STRAY, _STRAY_SAME = 0.003, 0.001
_STRAY_OF_CELL = 0.0015  # what `measure` counted of it into every cell's own u_random
_MODEL = 0.007  # relative error of the volume that the response leaves with 90 colours and more; simulated presses
_MODEL_FEW = 0.02  # the same with fewer
_MODEL_PLAIN = {3: 0.06, 2: 0.1, 1: 0.2}  # with too few colours for the full response, by degree of a polynomial
# What another lamp changes in the volume, relative: from simulated white LEDs and daylight, which differ by up to 7 %.
_OTHER_LAMP, _SAME_LAMP = 0.03, 0.007
# a camera that was only balanced: as in `measure`
_MIX, _TONE, _METAMERIC, _VEIL = 0.05, 0.03, 0.032, 0.004
_VOXEL = 2.5  # edge of a small box of CIELAB, for shares of volume


@dataclass(frozen=True, slots=True, eq=False)
class Quantity:
    """A value with its standard uncertainties; NaN where it was not measured.

    ``u_random`` differs from reading to reading, ``u_system`` is shared by all readings of one camera;
    ``shifts`` (draws,) is what each drawn camera does to the value, empty where that is not known.
    """

    value: float
    u_random: float
    u_system: float = 0.0
    shifts: Floats | None = None

    @property
    def u(self) -> float:
        """Whole standard uncertainty."""
        return float(np.hypot(self.u_random, self.u_system))


@dataclass(frozen=True, slots=True, eq=False)
class Repeat:
    """How well several readings of one substrate agree: standard deviations of one reading."""

    delta_e00: float
    gamut_volume: float
    black_l: float


@dataclass(frozen=True, slots=True, eq=False)
class Substrate:
    """One substrate in numbers.

    ``lab_of`` gives CIELAB relative to the coat for device RGB (n, 3); ``white_lab`` (3,) and ``white_u`` ΔE00 are
    absolute, NaN without; ``neutral_lab`` (k, 3) the greys from dark to light with their device values ``neutral_at``.
    """

    name: str
    files: tuple[str, ...]
    trust: str
    absolute: bool
    printed: str
    through: bool
    devices: tuple[str, ...]
    layouts: tuple[str, ...]
    unfit: tuple[str, ...]
    lab_of: Callable[[Any], Floats]
    gamut_volume: Quantity
    gamut_model_u: float
    gamut_volume_absolute: Quantity
    srgb_coverage: Quantity
    black_l: Quantity
    black_l_absolute: Quantity
    max_density: Quantity
    density_is_bound: bool
    white_lab: Floats
    white_u: float
    neutral: Quantity
    neutral_at: Floats
    neutral_lab: Floats
    evenness: Quantity
    edge_mm: Quantity
    replicate_de00: float
    repeat: Repeat | None


# ---------------------------------------------------------------- bodies in CIELAB


@lru_cache(maxsize=8)
def cube_surface(steps: int) -> tuple[Floats, Any]:
    """Keep `gamut.surface`: places (v, 3) of the device cube's surface, 0–255, and its triangles (t, 3)."""
    return surface(steps)


def volume_of(points: Floats, steps: int) -> float:
    """Volume inside the surface of the device cube when its places have become these points (v, 3)."""
    return gamut_volume(lambda _: points, steps)


def occupied(points: Floats, triangles: Any, step: float = _VOXEL) -> Mask:
    """Small boxes of CIELAB whose middle lies inside a closed surface, (L*, a*, b*) bool.

    Along every line of constant a*, b* the surface is crossed upwards and downwards; inside is where the signed
    count of crossings above is not zero.
    """
    half, deep = round(140.0 / step), int(np.ceil(104.0 / step))
    side = 2 * half
    tri = points[triangles]  # (m, 3, 3)
    # a hair off the grid: no line runs through a corner
    where = (tri[:, :, 1:] + half * step) / step - 0.5 + 1e-4 * np.array([1.0, np.pi / 3])
    low = np.clip(np.ceil(where.min(axis=1)).astype(int), 0, side)
    high = np.clip(np.floor(where.max(axis=1)).astype(int) + 1, 0, side)
    span = np.maximum(high - low, 0)
    count = span[:, 0] * span[:, 1]
    own = np.repeat(np.arange(len(tri)), count)
    k = np.arange(len(own)) - np.repeat(np.cumsum(count) - count, count)
    col = low[own, 0] + k // span[own, 1]
    row = low[own, 1] + k % span[own, 1]
    p, q, r = (where[own, c] for c in range(3))
    e1, e2 = q - p, r - p
    det = e1[:, 0] * e2[:, 1] - e1[:, 1] * e2[:, 0]
    x, y = col - p[:, 0], row - p[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (x * e2[:, 1] - y * e2[:, 0]) / det
        t = (e1[:, 0] * y - e1[:, 1] * x) / det
        hit = (s >= 0) & (t >= 0) & (s + t < 1) & (det != 0)
    own, col, row, s, t = own[hit], col[hit], row[hit], s[hit], t[hit]
    lightness = tri[own, 0, 0] + s * (tri[own, 1, 0] - tri[own, 0, 0]) + t * (tri[own, 2, 0] - tri[own, 0, 0])
    at = np.clip(np.floor(lightness / step + 2.0).astype(int), 0, deep + 1)  # boxes below this one lie under it
    flat = (at * side + col) * side + row
    turns = np.bincount(flat, np.sign(det[hit]), (deep + 2) * side * side).reshape(deep + 2, side, side)
    above = np.cumsum(turns[::-1], axis=0)[::-1]
    return np.asarray(np.abs(above[1:]) > 0.5)


@lru_cache(maxsize=4)
def srgb_body(step: float = _VOXEL) -> Mask:
    """Boxes of CIELAB that sRGB fills, its white at L* 100 and its black at 0."""
    places, triangles = cube_surface(33)
    return occupied(srgb_lab(places), triangles, step)


def share_inside(of: Mask, inside: Mask) -> float:
    """Share of one body's volume that another covers."""
    return float((of & inside).sum() / max(int(of.sum()), 1))


def slice_paths(points: Floats, triangles: Any, lightness: float) -> list[Floats]:
    """Outlines (k, 2) a*, b* of the cut through a surface at one L*; closed, the last point is not repeated."""
    tri = points[triangles]
    side = tri[:, :, 0] > lightness + 1e-9
    tri = tri[side.any(axis=1) & ~side.all(axis=1)]
    ends: list[Floats] = []
    for t in tri:
        cut = []
        for k in range(3):
            p, q = t[k], t[(k + 1) % 3]
            if (p[0] > lightness + 1e-9) != (q[0] > lightness + 1e-9):
                share = (lightness - p[0]) / (q[0] - p[0])
                cut.append(p[1:] + share * (q[1:] - p[1:]))
        ends.append(np.array(cut))
    return _chained(ends)


def _chained(segments: Sequence[Floats]) -> list[Floats]:
    """Put segments (2, 2) end to end."""

    def key(p: Floats) -> tuple[int, int]:
        return round(float(p[0]) * 1e4), round(float(p[1]) * 1e4)

    segments = [s for s in segments if key(s[0]) != key(s[1])]
    meets: dict[tuple[int, int], list[int]] = {}
    for n, s in enumerate(segments):
        for p in s:
            meets.setdefault(key(p), []).append(n)
    left = set(range(len(segments)))
    paths = []
    while left:
        n = min(left)
        left.remove(n)
        path = [segments[n][0], segments[n][1]]
        while (nxt := next((m for m in meets[key(path[-1])] if m in left), None)) is not None:
            left.remove(nxt)
            a, b = segments[nxt]
            path.append(b if key(a) == key(path[-1]) else a)
        if len(path) > 3:
            paths.append(np.array(path[:-1] if key(path[0]) == key(path[-1]) else path))
    return paths


# ---------------------------------------------------------------- the response


def fit_lab(device_rgb: Any, lab: Floats, std: Floats, usable: Mask) -> tuple[Callable[[Any], Floats], float]:
    """Fit device RGB → CIELAB: the printer model, or a plain polynomial where the colours are too few for it.

    Parameters
    ----------
    device_rgb : (n, 3)
        0–255.
    lab : (n, 3)
        Relative to the coat.
    std : (n,)
        Random doubt of the cells, ΔE00.
    usable : (n,) bool

    Returns
    -------
    lab_of : callable
        (m, 3) CIELAB for device RGB (m, 3).
    error : float
        Relative error of the gamut volume that the response itself leaves.
    """
    try:
        model = fit_printer(device_rgb, lab, std, usable=usable, held_out=False)
    except DataError:
        pass
    else:
        return model.lab, _MODEL if model.colours >= 90 else _MODEL_FEW
    weights = np.where(usable, 1.0 / (std**2 + 1.0), 0.0) if usable.any() else np.ones(len(lab))
    fit = fit_response(device_rgb, lab_to_xyz(lab) / D50_WHITE, weights=weights)

    def lab_of(rgb: Any) -> Floats:
        return np.asarray(xyz_to_lab(np.maximum(predict(fit, rgb), 0.0) * D50_WHITE))

    return lab_of, _MODEL_PLAIN[fit.degree]


def mean_lab_of(models: Sequence[Callable[[Any], Floats]]) -> Callable[[Any], Floats]:
    """Mean response of several readings."""
    return lambda rgb: np.asarray(np.mean([m(rgb) for m in models], axis=0))


# ---------------------------------------------------------------- doubt


def sensed_otherwise(xyz: Floats, draw: int, strength: float) -> Floats:
    """XYZ (n, 3), Y of the coat 1, as one of many cameras would give them; white stays white.

    Channels mixed, dyes told apart otherwise, another tone curve, another veil: the ensemble that `measure` uses for a
    camera that was only balanced, times ``strength``. The same ``draw`` is the same camera.
    """
    rng = np.random.Generator(np.random.PCG64([9, draw]))
    mix = strength * rng.normal(0, _MIX, (3, 3))
    np.fill_diagonal(mix, 0)
    np.fill_diagonal(mix, -mix.sum(axis=1))
    y = np.maximum(np.asarray(xyz_to_linear_srgb(xyz)), 1e-4)
    gain = 1 + strength * rng.normal(0, _METAMERIC, 3) * (1 - np.minimum(y.mean(axis=1), 1))[:, None]
    out = np.maximum((y + y @ mix.T) * gain, 1e-4) ** (1 + strength * rng.normal(0, _TONE))
    veil = strength * rng.normal(0, _VEIL)
    return np.asarray(linear_srgb_to_xyz(np.maximum((out + veil) / (1 + veil), 1e-5)))


def camera_strength(lab: Floats, u_system: Floats) -> float:
    """Strength of `sensed_otherwise` at which it moves these cells by their ``u_system`` (both rms, ΔE00)."""
    xyz = lab_to_xyz(lab)
    moved = [delta_e00(xyz_to_lab(sensed_otherwise(xyz, d, 1.0)), lab) for d in range(16)]
    return float(np.sqrt((u_system**2).mean() / max(float(np.mean(np.square(moved))), 1e-9)))


def _moved_at_random(lab: Floats, own: Floats, stray: float, rng: np.random.Generator) -> Floats:
    """XYZ of cells moved by their own doubt (ΔE00) each, and by one common stray light."""
    chroma = np.hypot(lab[:, 1], lab[:, 2])[:, None]
    along = lab[:, 1:] / np.maximum(chroma, 1e-9)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    z = rng.normal(0, 1, (len(lab), 3)) * (own / np.sqrt(3.0))[:, None]
    ab = z[:, [1]] * (1 + 0.045 * chroma) * along + z[:, [2]] * (1 + 0.015 * chroma) * across
    moved = lab + np.column_stack([z[:, 0] * _stretch(lab[:, 0]), ab])
    return np.asarray(lab_to_xyz(moved) + stray * rng.normal() * D50_WHITE)


def _stretch(lightness: Any) -> Any:
    """ΔL* of one ΔE00 at a lightness: S_L of CIEDE2000."""
    far = (np.asarray(lightness) - 50.0) ** 2
    return 1 + 0.015 * far / np.sqrt(20 + far)


@dataclass(frozen=True, slots=True, eq=False)
class _One:
    """One reading, fitted, with what its doubts do to volume and coverage (draws,)."""

    lab_of: Callable[[Any], Floats]
    volume: float
    random: Floats
    camera: Floats
    model: float
    lamp: float
    cover_random: Floats
    cover_camera: Floats
    white_xyz: Floats | None
    white_u: float
    black_l: float
    black_u: tuple[float, float]


def _one(reading: SavedReading, seed: int, same_setup: bool) -> _One:
    """Fit one reading and draw its doubts."""
    t, lab = reading.target, reading.lab
    u_random = np.maximum(reading.u_random, 0.1)
    u_system = reading.u_system
    doubtful = np.array([bool({"under-spot", "outlier", "dropped-photo"} & set(r.flags)) for r in reading.rows])
    lab_of, error = fit_lab(t.device_rgb, lab, np.where(doubtful, 3.0 * u_random, u_random), reading.usable)
    volume = gamut_volume(lab_of, _STEPS)

    # while drawing, a plain polynomial stands for the response: only its movement counts
    few, few_tri = cube_surface(_FEW_STEPS)
    degree = 3 if len(np.unique(t.device_rgb[reading.usable], axis=0)) >= 45 else 2
    root_w = np.sqrt(np.where(reading.usable, 1.0 / (u_random**2 + 1.0), 1e-9))
    solve = np.linalg.pinv(device_terms(t.device_rgb, degree) * root_w[:, None]) * root_w[None, :]
    few_terms = device_terms(few, degree)
    step = 2 * _VOXEL

    def outcome(xyz: Floats, *, cover: bool) -> tuple[float, float]:
        root = few_terms @ (solve @ np.cbrt(xyz / D50_WHITE))
        body = np.asarray(xyz_to_lab(np.maximum(root, 0.0) ** 3 * D50_WHITE))
        share = share_inside(srgb_body(step), occupied(body, few_tri, step)) if cover else np.nan
        return volume_of(body, _FEW_STEPS), share

    base_xyz = lab_to_xyz(lab)
    base = np.array(outcome(base_xyz, cover=True))
    used = reading.usable
    stray = _stray(reading, same_setup)
    strength = camera_strength(lab[used], u_system[used]) if used.any() else 1.0
    in_cell = delta_e00(xyz_to_lab(base_xyz + _STRAY_OF_CELL * D50_WHITE), lab)
    own = np.sqrt(np.maximum(u_random**2 - in_cell**2, 0.2**2))
    rng = np.random.Generator(np.random.PCG64([5, seed]))
    random = np.array([outcome(_moved_at_random(lab, own, stray, rng), cover=d % 3 == 0) for d in range(DRAWS)])
    camera = np.array([outcome(sensed_otherwise(base_xyz, d, strength), cover=d % 3 == 0) for d in range(DRAWS)])

    scale = volume / base[0]
    absolute = _absolute(reading)
    white = (t.kind == CellKind.WHITE) & used
    white_xyz, white_u = None, np.nan
    if absolute is not None and white.any():
        white_xyz = lab_to_xyz(np.median(absolute[white], axis=0))
        white_u = float(np.median(reading.uncertainty[white]))
    black_l, black_u = _black(reading, lab_of, u_system, stray)
    return _One(
        lab_of=lab_of,
        volume=volume,
        random=(random[:, 0] - base[0]) * scale,
        camera=(camera[:, 0] - base[0]) * scale,
        model=error * volume,
        lamp=(_SAME_LAMP if same_setup or _taught_light(reading) else _OTHER_LAMP) * volume,
        cover_random=random[::3, 1] - base[1],
        cover_camera=camera[::3, 1] - base[1],
        white_xyz=white_xyz,
        white_u=white_u,
        black_l=black_l,
        black_u=black_u,
    )


def _taught_light(reading: SavedReading) -> bool:
    """Whether the camera was taught and saw the light it was taught in."""
    return reading.trust == "referenced" and not any(r.measure == "other-light" for r in reading.file.verdict.reasons)


def _stray(reading: SavedReading, same_setup: bool) -> float:
    """Even stray light that may have been different in this photo; less where the reading found it and took it off."""
    usual = _STRAY_SAME if same_setup else _STRAY
    light = reading.file.lighting
    return min(usual, max(light.veil_std, 0.001)) if light.veil_known and light.veil_std else usual


def _absolute(reading: SavedReading) -> Floats | None:
    """Absolute CIELAB (n, 3), or None where the reading has none."""
    labs = [r.lab_absolute for r in reading.rows if r.lab_absolute is not None]
    return np.array(labs) if reading.absolute and len(labs) == len(reading.rows) else None


def _black(
    reading: SavedReading, lab_of: Callable[[Any], Floats], u_system: Floats, stray: float
) -> tuple[float, tuple[float, float]]:
    """L* of the black cells relative to the coat, and its random and shared doubt in L*."""
    black = (reading.target.kind == CellKind.BLACK) & reading.usable
    if not black.any():
        black = (np.asarray(reading.target.device_rgb) == 0).all(axis=1) & reading.usable
    if black.any():
        values = reading.lab[black, 0]
        value, spread = float(np.median(values)), float(np.std(values)) if len(values) > 1 else 1.0
        own = 1.25 * spread / np.sqrt(len(values))
        shared = float(np.median(u_system[black]))
    else:
        value, own = float(lab_of(np.zeros((1, 3)))[0, 0]), 2.0
        shared = float(np.median(u_system))
    y = lab_to_xyz(np.array([value, 0.0, 0.0]))
    lift = float(xyz_to_lab(y + stray * D50_WHITE)[0]) - value
    return value, (float(np.hypot(own, lift)), shared * float(_stretch(value)))


# ---------------------------------------------------------------- one substrate


def _pooled(values: Sequence[float], random: Sequence[float]) -> tuple[float, float]:
    """Mean of readings and its random doubt: what they state, or how far they differ, whichever is more."""
    v, u = np.asarray(values, dtype=float), np.asarray(random, dtype=float)
    ok = np.isfinite(v)
    if not ok.any():
        return float("nan"), float("nan")
    v, u = v[ok], np.where(np.isfinite(u[ok]), u[ok], 0.0)
    stated = float(np.sqrt((u**2).sum())) / len(v)
    seen = float(np.std(v, ddof=1)) / np.sqrt(len(v)) if len(v) > 1 else 0.0
    return float(v.mean()), max(stated, seen)


def measure_substrate(
    name: str, readings: Sequence[SavedReading], *, same_setup: bool = False, seed: int = 0
) -> Substrate:
    """Put one substrate into numbers.

    Parameters
    ----------
    name : str
    readings : sequence of SavedReading
        One or several readings of it, best of several pressed pieces; they are pooled.
    same_setup : bool
        All photos, those of other substrates as well, were taken with lamp, room and camera left alone.
    seed : int
        Start of the random draws: another one for every substrate.

    Returns
    -------
    Substrate
    """
    ones = [_one(r, 1000 * seed + k, same_setup) for k, r in enumerate(readings)]
    lab_of = ones[0].lab_of if len(ones) == 1 else mean_lab_of([o.lab_of for o in ones])
    value, u_random = _pooled([o.volume for o in ones], [float(np.hypot(np.std(o.random), o.lamp)) for o in ones])
    shifts = np.mean([o.camera for o in ones], axis=0)
    model = float(np.mean([o.model for o in ones]))  # the same for all of one layout
    volume = Quantity(value, u_random, float(np.hypot(np.std(shifts), model)), shifts)

    places, triangles = cube_surface(_STEPS)
    body = lab_of(places)
    cover = share_inside(srgb_body(), occupied(body, triangles))
    cover_shifts = np.mean([o.cover_camera for o in ones], axis=0)
    cover_random = float(np.sqrt(np.sum([np.var(o.cover_random) for o in ones]))) / len(ones)
    coverage = Quantity(cover, float(np.hypot(cover_random, 0.005)), float(np.std(cover_shifts)), cover_shifts)

    black, black_u = _pooled([o.black_l for o in ones], [o.black_u[0] for o in ones])
    black_shared = float(np.mean([o.black_u[1] for o in ones]))
    density = float(density_from_lightness(np.array(max(black, 0.01))))
    steep = abs(float(density_from_lightness(np.array(max(black, 0.01) + 0.1))) - density) / 0.1
    through = any(r.target.view == "through" for r in readings)
    bound = through or any("density-bound" in r.flags for x in readings for r in x.rows if r.kind == "black")
    bound |= not all(x.file.lighting.veil_known for x in readings)

    whites = [o.white_xyz for o in ones]
    absolute = all(w is not None for w in whites)
    volume_abs = black_abs = Quantity(np.nan, np.nan)
    white_lab, white_u = np.full(3, np.nan), np.nan
    if absolute:
        white = np.mean([w for w in whites if w is not None], axis=0)
        white_lab = np.asarray(xyz_to_lab(white))
        white_u = float(np.mean([o.white_u for o in ones])) / np.sqrt(len(ones))
        tint = white / D50_WHITE
        ratio = volume_of(np.asarray(xyz_to_lab(lab_to_xyz(body) * tint)), _STEPS) / value
        # the white's own doubt stretches all three axes
        extra = 3 * white_u / max(float(white_lab[0]), 1.0) * value * ratio
        volume_abs = Quantity(
            value * ratio, float(np.hypot(volume.u_random * ratio, extra)), volume.u_system * ratio, shifts * ratio
        )
        y = lab_to_xyz(np.array([black, 0.0, 0.0]))
        low = float(xyz_to_lab(y * tint)[0])
        slope = (float(xyz_to_lab(lab_to_xyz(np.array([black + 0.5, 0.0, 0.0])) * tint)[0]) - low) / 0.5
        black_abs = Quantity(low, black_u * slope, black_shared * slope)

    at, grey, grey_u, grey_shared = _greys(readings, same_setup)
    chroma = float(np.hypot(grey[:, 1], grey[:, 2]).mean()) if len(grey) else float("nan")
    press = [r.file.press for r in readings]
    even = _pooled([or_nan(p.evenness) for p in press], [or_nan(p.uncertainty) for p in press])
    sharp = [or_nan(r.file.geometry.px_per_mm) for r in readings]
    edge = _pooled(
        [or_nan(p.edge_width_mm) for p in press],
        [0.3 / s if np.isfinite(s) and s > 0 else 0.1 for s in sharp],  # a third of a pixel
    )
    return Substrate(
        name=name,
        files=tuple(r.path for r in readings),
        trust="referenced" if all(r.trust == "referenced" for r in readings) else "balanced",
        absolute=absolute,
        printed="raw" if readings[0].file.printed == "raw" else "as-usual",
        through=through,
        devices=tuple(sorted({d for r in readings for d in r.devices})),
        layouts=tuple(sorted({r.target.patches for r in readings})),
        unfit=tuple(r.path for r in readings if r.file.verdict.action == "retake-photo"),
        lab_of=lab_of,
        gamut_volume=volume,
        gamut_model_u=model,
        gamut_volume_absolute=volume_abs,
        srgb_coverage=coverage,
        black_l=Quantity(black, black_u, black_shared),
        black_l_absolute=black_abs,
        max_density=Quantity(density, black_u * steep, black_shared * steep),
        density_is_bound=bound,
        white_lab=white_lab,
        white_u=white_u,
        neutral=Quantity(chroma, grey_u, grey_shared),
        neutral_at=at,
        neutral_lab=grey,
        evenness=Quantity(*even),
        edge_mm=Quantity(*edge),
        replicate_de00=_replicates(readings),
        repeat=_repeat(ones),
    )


def _greys(readings: Sequence[SavedReading], same_setup: bool) -> tuple[Floats, Floats, float, float]:
    """Device values, CIELAB (k, 3) and doubts of the neutral ramp, replicates and readings averaged."""
    at, lab, u, shared = [], [], [], []
    for r in readings:
        rgb = np.asarray(r.target.device_rgb)
        pick = (np.ptp(rgb, axis=1) == 0) & (rgb[:, 0] > 0) & (rgb[:, 0] < 255) & r.usable
        at.append(rgb[pick, 0])
        lab.append(r.lab[pick])
        u.append(r.u_random[pick])
        shared.append(r.u_system[pick])
    level, values = np.concatenate(at), np.concatenate(lab)
    if not len(level):
        return np.zeros(0), np.zeros((0, 3)), float("nan"), float("nan")
    steps = np.unique(level)
    mean = np.array([values[level == s].mean(axis=0) for s in steps])
    # greys move together with the lamp: that is most of what differs between two photos
    lamp = 0.3 if same_setup or all(_taught_light(r) for r in readings) else 0.8
    random = float(np.hypot(np.sqrt(np.mean(np.concatenate(u) ** 2) / len(level)), lamp / np.sqrt(len(readings))))
    return steps.astype(float), mean, random, float(np.median(np.concatenate(shared)))


def _replicates(readings: Sequence[SavedReading]) -> float:
    """Take the standard deviation of one cell among its replicates on the sheet, ΔE00; NaN without any."""
    total, free = 0.0, 0
    for r in readings:
        rgb = np.asarray(r.target.device_rgb)
        own = (r.target.kind == CellKind.CONTROL) & r.usable
        for colour in np.unique(rgb[own], axis=0):
            lab = r.lab[own & (rgb == colour).all(axis=1)]
            if len(lab) >= 2:
                total += float((delta_e00(lab, lab.mean(axis=0)) ** 2).sum())
                free += len(lab) - 1
    return float(np.sqrt(total / free)) if free else float("nan")


def _repeat(ones: Sequence[_One]) -> Repeat | None:
    """How well the readings of one substrate agree, over an even grid of device colours."""
    if len(ones) < 2:
        return None
    lab = np.stack([o.lab_of(cube_nodes(5)) for o in ones])
    off = delta_e00(lab, lab.mean(axis=0)[None])
    return Repeat(
        delta_e00=float(np.sqrt((off**2).mean(axis=1).sum() / (len(ones) - 1))),
        gamut_volume=float(np.std([o.volume for o in ones], ddof=1)),
        black_l=float(np.std([o.black_l for o in ones], ddof=1)),
    )
