"""The virtual press: device RGB → dye amounts → spectral reflectance of the pressed piece.

Dyes follow Beer–Lambert: their spectral densities add.
Places are millimetres from the top left of the piece's bounding box as its owner views it, x right, y down.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import spectral
from .faults import Faults, damage_print, damage_transfer, damage_with_specks, yellowing
from .faults import pixels as _pixels
from .spectral import BANDS
from .texture import Texture

Array = NDArray[Any]
NODES = 17  # of the printer's inner profile, per channel
LOG10 = float(np.log(10.0))


@dataclass(frozen=True, slots=True)
class Substrate:
    """A coated blank. Reflectance = coat · (floor + (1 − floor) · 10^(−density_scale · Σ dye density))."""

    coat: str = "bright"  # bright, warm, bluish, grey-satin
    density_scale: float = 1.0  # how much of the dye the coat takes and shows
    floor: float = 0.004  # light that never passes the dye, relative to the coat: limits the density to −log10(floor)
    glass_mm: float = 0.0  # glass between eye and coat: tints; 0 when the coat is in front
    scatter: float = 0.0  # share of the light that travels sideways in the glass before it leaves
    rim_mm: float = 0.0  # ground glass edge around the coat, inside the blank's size; seen in photos only
    scatter_half_mm: float = 10.0  # radius inside which half of that light comes back
    diffusing: bool = True  # the coat or glass scatters light from behind; else what lies behind is seen through it
    leak: float = 0.05  # light from behind that never passes the dye (between printed dots), relative to the bare blank

    def white(self) -> Array:
        """Reflectance (36,) of the clean bare coat as viewed."""
        return spectral.coat_reflectance(self.coat) * 10.0 ** -spectral.glass_density(self.glass_mm)

    def clear(self) -> Array:
        """Transmittance (36,) of the clean bare blank: two surfaces, the coat and its glass passed once."""
        return (
            spectral.two_surfaces()
            * spectral.coat_transmittance(self.coat, self.diffusing)
            * spectral.glass_transmittance(self.glass_mm)
        )


SUBSTRATES = {
    "bright": Substrate(),
    "warm film": Substrate(coat="warm", density_scale=0.92, floor=0.007),
    "bluish": Substrate(coat="bluish", density_scale=1.05, floor=0.003),
    "satin": Substrate(coat="grey-satin", density_scale=0.8, floor=0.018),
    "thick glass": Substrate(glass_mm=4.0, scatter=0.3, floor=0.006),
}


@dataclass(frozen=True, slots=True)
class Printer:
    """Device RGB → dye. The default is a well-profiled printer; the other fields make it wrong.

    A profiled printer aims at device RGB read as sRGB, relative to the coat, with black-point compensation.
    """

    dyes: str = "clean"  # clean, dull, soft
    profiled: bool = True  # False: raw, each dye follows its own device channel
    profile_substrate: Substrate | None = None  # the profile was made for another substrate
    gamma: tuple[float, float, float] = (1.0, 1.0, 1.0)  # on device R, G, B before the profile; > 1 darkens
    cast: tuple[float, float, float] = (
        0.0,
        0.0,
        0.0,
    )  # added to device R, G, B mid-tones, in device steps (0–255)
    ink: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)  # factor on C, M, Y, K; > 1 is ink excess
    order: tuple[int, int, int] = (0, 1, 2)  # which device channel drives C, M, Y: (1, 0, 2) swaps two
    rates: tuple[float, float, float, float] = (0.95, 0.8, 1.35, 1.0)  # answer of C, M, Y, K to poor pressing

    def amounts(self, device_rgb: ArrayLike, substrate: Substrate) -> Array:
        """Dye amounts (…, 4) float32 for device RGB (…, 3), 0–255, before any fault."""
        rgb = np.asarray(device_rgb)
        if rgb.dtype != np.uint8:
            return self._of_floats(rgb.astype(float), substrate)
        shape = rgb.shape[:-1]
        flat = rgb.reshape(-1, 3)
        code = flat[:, 0].astype(np.int32) << 16 | flat[:, 1].astype(np.int32) << 8 | flat[:, 2]
        if code.size < 100_000:
            used, inverse = np.unique(code, return_inverse=True)
            colours = np.stack([used >> 16, used >> 8 & 255, used & 255], axis=1)
            return self._of_floats(colours.astype(float), substrate)[inverse.ravel()].reshape(*shape, 4)
        present = np.zeros(1 << 24, bool)
        present[code] = True
        used = np.flatnonzero(present)
        place = np.empty(1 << 24, np.int32)
        place[used] = np.arange(used.size, dtype=np.int32)
        colours = np.stack([used >> 16, used >> 8 & 255, used & 255], axis=1)
        return self._of_floats(colours.astype(float), substrate)[place[code]].reshape(*shape, 4)

    def _of_floats(self, rgb: Array, substrate: Substrate) -> Array:
        v = np.clip(rgb / 255.0, 0.0, 1.0)
        v = v ** np.array(self.gamma) + np.array(self.cast) / 255.0 * 4.0 * v * (1.0 - v)
        v = np.clip(v, 0.0, 1.0)[..., list(self.order)]
        if self.profiled:
            table = _profile(self.dyes, self.profile_substrate or substrate)
            out = _interpolate(table, v)
        else:
            cmy = 0.05 * (1 - v) + 0.95 * (1 - v) ** np.array([1.5, 1.7, 1.6])
            black = 0.9 * np.clip((1 - v).min(axis=-1, keepdims=True), 0, 1) ** 4
            out = np.concatenate([cmy, black], axis=-1)
        return np.asarray(out * np.array(self.ink), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class PressedPiece:
    """One pressed blank: per-pixel dye on a coat, with its spectral truth.

    `amounts` (h, w, 4) float32 C, M, Y, K; `yellowing` (h, w) float32 or None; `mask` (h, w) float32.
    """

    amounts: Array
    yellowing: Array | None
    mask: Array
    px_per_mm: float
    size_mm: tuple[float, float]
    shape: str
    dyes: str
    substrate: Substrate
    texture: Texture | None = None  # patterned glass between eye and print; shows in photos, not in the truths
    lit: str = "front"  # or behind: light passes coat and dye once, and white is the bare blank before the panel
    _without_faults: Callable[[], PressedPiece] | None = None
    _cache: dict[Any, Any] = field(default_factory=dict, init=False, repr=False)

    @property
    def coat(self) -> Array:
        """Reflectance (36,) of the clean bare coat; lit from behind, transmittance of the bare blank."""
        return self.substrate.white() if self.lit == "front" else self.substrate.clear()

    def behind(self) -> PressedPiece:
        """The same piece lit from behind; all truths are then those of the light that passes."""
        clean = self._without_faults
        return replace(self, lit="behind", _without_faults=None if clean is None else lambda: clean().behind())

    def clean(self) -> PressedPiece:
        """The same piece (same dye noise) without its faults."""
        if self._without_faults is None:
            return self
        if "clean" not in self._cache:
            self._cache["clean"] = self._without_faults()
        return self._cache["clean"]

    def response(self, weights: Array) -> Array:
        """Σ over wavelength of reflectance · weights (36, n): (h, w, n) float32, computed band by band."""
        if "responses" not in self._cache:
            self._cache["responses"] = {}
        kept: dict[bytes, Array] = self._cache["responses"]
        key = weights.tobytes()
        if key not in kept:
            if len(kept) >= 3:  # XYZ and two lamps; the oldest goes
                del kept[next(iter(kept))]
            kept[key] = self._respond(weights)
        return kept[key]

    def _transmittance(self, amounts: Array, yellowing: Array | None) -> Array:
        """Transmittance (…, 36) of the dye layer, two-way or once from behind, without sideways scatter."""
        front = self.lit == "front"
        passes = np.float32(-1.0 if front else -0.5)
        density = amounts @ (passes * _natural_densities(self.dyes, self.substrate))
        if yellowing is not None:
            density += yellowing[..., None] * (passes * LOG10 * spectral.scorch_density()).astype(np.float32)
        np.exp(density, out=density)
        floor = self.substrate.floor if front else self.substrate.leak
        density *= np.float32(1 - floor)
        density += np.float32(floor)
        return density

    def _respond(self, weights: Array) -> Array:
        height, width = self.mask.shape
        seen = (self.coat[:, None] * weights).astype(np.float32)
        out = np.empty((height, width, weights.shape[1]), np.float32)
        share = self.substrate.scatter if self.lit == "front" else 0.0  # light from behind passes the dye last
        returned = self._returned_light() if share > 0 else None
        rows = max(1, 4_000 // width)  # stays in the processor's cache
        for top in range(0, height, rows):
            part = slice(top, min(top + rows, height))
            yellow = None if self.yellowing is None else self.yellowing[part]
            light = self._transmittance(self.amounts[part], yellow)
            if returned is not None:
                back = _stretch_rows(returned, part, height, width)
                light = (1 - share) * light + share * np.sqrt(light) * back
            out[part] = light.reshape(-1, BANDS).dot(seen).reshape(*light.shape[:2], -1)
        return out

    def _returned_light(self) -> Array:
        """Light (h', w', 36) that comes back from the glass at each place, on a 1 mm grid, 1 for a
        bare piece.
        """
        shape = (max(4, round(self.size_mm[0] * 2)), max(4, round(self.size_mm[1] * 2)))
        amounts = cv2.resize(self.amounts, shape, interpolation=cv2.INTER_AREA)
        yellow = None if self.yellowing is None else cv2.resize(self.yellowing, shape, interpolation=cv2.INTER_AREA)
        mask = cv2.resize(self.mask, shape, interpolation=cv2.INTER_AREA)[..., None]
        inward = np.sqrt(self._transmittance(amounts, yellow)) * mask
        coarse = (shape[0] // 2, shape[1] // 2)
        inward = np.stack([cv2.resize(b, coarse, interpolation=cv2.INTER_AREA) for b in np.moveaxis(inward, 2, 0)])
        cover = cv2.resize(mask[..., 0], coarse, interpolation=cv2.INTER_AREA)
        reach = self.substrate.scatter_half_mm / 1.678  # half of exp(−r/reach) in the plane lies inside 1.678 reach
        size = int(np.ceil(6 * reach))
        r = np.hypot(*np.mgrid[-size : size + 1, -size : size + 1])
        kernel = np.exp(-r / reach).astype(np.float32)
        # light that reaches the rim is thrown back inside: normalise by the part of the kernel on the piece
        norm = np.maximum(_convolve(cover, kernel), 1e-6)
        return np.ascontiguousarray(np.moveaxis(np.stack([_convolve(b, kernel) / norm for b in inward]), 0, 2))

    def xyz_map(self) -> Array:
        """XYZ (h, w, 3) under D50, 2°, Y = 1 for the perfect diffuser."""
        return self.response(spectral.xyz_weights())

    def _lab(self, xyz: Array, *, absolute: bool) -> Array:
        diffuser = spectral.xyz_weights().sum(axis=0)
        white = diffuser if absolute else self.coat @ spectral.xyz_weights()
        return spectral.xyz_to_lab(xyz, white)

    def _box_xyz(self, boxes_mm: ArrayLike, share: float) -> Array:
        xyz = self.xyz_map()
        height, width = self.mask.shape
        out = []
        for x, y, w, h in np.asarray(boxes_mm, float).reshape(-1, 4):
            cx, cy, hw, hh = x + w / 2, y + h / 2, w * share / 2, h * share / 2
            x0, x1 = _pixels(cx - hw, cx + hw, self.px_per_mm, width)
            y0, y1 = _pixels(cy - hh, cy + hh, self.px_per_mm, height)
            out.append(xyz[y0:y1, x0:x1].mean(axis=(0, 1), dtype=np.float64))
        return np.array(out).reshape(-1, 3)

    def true_lab(self, boxes_mm: ArrayLike, *, absolute: bool = False, share: float = 0.6) -> Array:
        """CIELAB (n, 3), D50/2°, of the mean reflectance in the middle `share` of boxes (n, 4).

        A box is x, y, width, height in mm. Relative to the clean bare coat, or with `absolute` to the
        perfect diffuser.
        """
        return self._lab(self._box_xyz(boxes_mm, share), absolute=absolute)

    def true_density(self, boxes_mm: ArrayLike, *, share: float = 0.6) -> Array:
        """Visual density (n,) from Y relative to the clean bare coat."""
        white = (self.coat @ spectral.xyz_weights())[1]
        return -np.log10(self._box_xyz(boxes_mm, share)[:, 1] / white)

    def true_delta(self, boxes_mm: ArrayLike, *, share: float = 1.0) -> Array:
        """ΔE00 (n,) between the mean colours of each box with and without the faults."""
        clean = self.clean().true_lab(boxes_mm, share=share)
        return spectral.delta_e00(self.true_lab(boxes_mm, share=share), clean)

    def lab_grid(self, step_mm: float = 1.0) -> Array:
        """Coat-relative CIELAB (rows, columns, 3) of the mean colour of every grid square; NaN off
        the piece.
        """
        cells = (max(1, round(self.size_mm[0] / step_mm)), max(1, round(self.size_mm[1] / step_mm)))
        lab = self._lab(cv2.resize(self.xyz_map(), cells, interpolation=cv2.INTER_AREA), absolute=False)
        lab[cv2.resize(self.mask, cells, interpolation=cv2.INTER_AREA) < 0.99] = np.nan
        return lab

    def true_delta_map(self, step_mm: float = 1.0) -> Array:
        """ΔE00 (rows, columns) of the piece against itself without faults, per grid square; NaN off
        the piece.
        """
        faulty, clean = self.lab_grid(step_mm), self.clean().lab_grid(step_mm)
        return spectral.delta_e00(faulty, clean)


def press_sheet(
    device_rgb: Array,
    px_per_mm: float,
    *,
    size_mm: tuple[float, float] | None = None,
    shape: str = "rect",
    printer: Printer | None = None,
    substrate: Substrate | None = None,
    faults: Faults | None = None,
    seed: int = 0,
    offset_mm: tuple[float, float] = (0.0, 0.0),
    raster_px_per_mm: float = 8.0,
) -> PressedPiece:
    """Print and press a picture.

    Parameters
    ----------
    device_rgb : ndarray, uint8, shape (H, W, 3)
        Values sent to the printer, as the viewer of the piece will see the picture (not mirrored).
    px_per_mm : float
        Resolution of that picture.
    size_mm : (width, height), optional
        Size of the blank; the picture is centred on it, cropped where larger (bleed) and bare coat where
        smaller. Default: the size of the picture.
    shape : {'rect', 'round'}
        Outline of the blank (round: the ellipse in its box).
    offset_mm : (dx, dy)
        The picture sits off centre by this much.
    raster_px_per_mm : float
        Resolution at which dye is kept: the picture is reduced to it, or repeated up towards it.
    """
    printer, substrate, faults = printer or Printer(), substrate or Substrate(), faults or Faults()
    device_rgb = np.ascontiguousarray(device_rgb)
    if device_rgb.ndim != 3 or device_rgb.shape[2] != 3 or device_rgb.dtype != np.uint8:
        raise ValueError("device_rgb must be uint8 of shape (H, W, 3)")
    if shape not in {"rect", "round"}:
        raise ValueError("shape is 'rect' or 'round'")
    size = size_mm or (device_rgb.shape[1] / px_per_mm, device_rgb.shape[0] / px_per_mm)
    sheet = _lay_on_blank(device_rgb, px_per_mm, size, offset_mm)
    scale = px_per_mm
    repeat = round(raster_px_per_mm / px_per_mm)
    if repeat > 1:
        sheet, scale = sheet.repeat(repeat, axis=0).repeat(repeat, axis=1), px_per_mm * repeat

    amounts = printer.amounts(sheet, substrate)
    amounts = damage_print(amounts, scale, faults)
    if scale > 1.2 * raster_px_per_mm:
        shape_px = (round(size[0] * raster_px_per_mm), round(size[1] * raster_px_per_mm))
        amounts = cv2.resize(amounts, shape_px, interpolation=cv2.INTER_AREA)
        scale = shape_px[0] / size[0]
    height, width = amounts.shape[:2]
    damage_transfer(amounts, scale, size, printer.rates, faults, seed)
    damage_with_specks(amounts, scale, faults)
    return PressedPiece(
        amounts=amounts,
        yellowing=yellowing(faults, height, width, scale),
        mask=_outline(height, width, shape),
        px_per_mm=scale,
        size_mm=(float(size[0]), float(size[1])),
        shape=shape,
        dyes=printer.dyes,
        substrate=substrate,
        _without_faults=None
        if faults == faults.natural()
        else lambda: press_sheet(
            device_rgb,
            px_per_mm,
            size_mm=size_mm,
            shape=shape,
            printer=printer,
            substrate=substrate,
            faults=faults.natural(),
            seed=seed,
            offset_mm=offset_mm,
            raster_px_per_mm=raster_px_per_mm,
        ),
    )


def lab_of_amounts(
    amounts: ArrayLike, dyes: str, substrate: Substrate, yellowing: float = 0.0, *, lit: str = "front"
) -> Array:
    """Coat-relative CIELAB (…, 3) of a large even area with these dye amounts (…, 4)."""
    density = np.asarray(amounts, float) @ _natural_densities(dyes, substrate).astype(float)
    density = density + yellowing * LOG10 * spectral.scorch_density()
    front = lit == "front"
    floor = substrate.floor if front else substrate.leak
    light = floor + (1 - floor) * np.exp(-density if front else -density / 2)
    weights = (substrate.white() if front else substrate.clear())[:, None] * spectral.xyz_weights()
    return spectral.xyz_to_lab(light @ weights, weights.sum(axis=0))


def aim_lab(device_rgb: ArrayLike, printer: Printer | None = None, substrate: Substrate | None = None) -> Array:
    """CIELAB aim (…, 3) of device RGB (0–255): read as sRGB, coat-relative, black-point compensated.

    The black is the lightness this printer's solid black reaches on this substrate.
    """
    printer, substrate = printer or Printer(), substrate or Substrate()
    return _aim(np.asarray(device_rgb, float) / 255.0, _black_lightness(printer.dyes, substrate))


def pale_strength(
    delta_e00: float,
    *,
    device_rgb: tuple[int, int, int] = (128, 128, 128),
    printer: Printer | None = None,
    substrate: Substrate | None = None,
    dark: bool = False,
    lit: str = "front",
) -> float:
    """Strength of a `Spot` (or band, centre, under-pressing) that shifts an even colour by this ΔE00.

    Negative for `dark`; as seen from where it is ``lit``. Sideways scatter in the glass is left out.
    Raises ValueError where even the loss of
    all dye stays below the request.
    """
    printer, substrate = printer or Printer(), substrate or Substrate()
    base = printer.amounts(np.array(device_rgb, np.uint8), substrate).astype(float)
    rates = np.array(printer.rates)
    before = lab_of_amounts(base, printer.dyes, substrate, lit=lit)

    def shift(strength: float) -> float:
        after = lab_of_amounts(base * (1.0 - strength) ** rates, printer.dyes, substrate, lit=lit)
        return float(spectral.delta_e00(after, before))

    low, high = 0.0, -3.0 if dark else 0.999
    if shift(high) < delta_e00:
        raise ValueError(f"device {device_rgb} cannot shift by {delta_e00} ΔE00 on this substrate")
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if shift(middle) < delta_e00 else (low, middle)
    return (low + high) / 2


def scorch_strength(delta_b: float, substrate: Substrate | None = None) -> float:
    """Strength of a `Scorch` that moves b* of the bare coat by this much."""
    substrate = substrate or Substrate()
    low, high = 0.0, 5.0
    for _ in range(50):
        middle = (low + high) / 2
        b = lab_of_amounts(np.zeros(4), "clean", substrate, middle)[2]
        low, high = (middle, high) if b < delta_b else (low, middle)
    return (low + high) / 2


# --- the printer's inner profile ------------------------------------------------------------------


@lru_cache(maxsize=64)
def _natural_densities(dyes: str, substrate: Substrate) -> Array:
    """Spectral density (4, 36) of the dyes on this substrate, times ln 10, float32."""
    return (LOG10 * substrate.density_scale * spectral.dye_densities(dyes)).astype(np.float32)


@lru_cache(maxsize=64)
def _black_lightness(dyes: str, substrate: Substrate) -> float:
    return float(lab_of_amounts([0.75, 0.75, 0.75, 1.0], dyes, substrate)[0])


def _aim(rgb: Array, black_l: float) -> Array:
    matrix = spectral.adaptation(spectral.D65_XYZ, spectral.D50_XYZ) @ spectral.rgb_to_xyz("srgb")
    relative = (spectral.decode_srgb(rgb) @ matrix.T) / spectral.D50_XYZ
    black = float(spectral.lab_to_xyz([black_l, 0.0, 0.0])[1])
    return spectral.xyz_to_lab((black + (1 - black) * relative) * spectral.D50_XYZ)


@lru_cache(maxsize=32)
def _profile(dyes: str, substrate: Substrate) -> Array:
    """Dye amounts (17, 17, 17, 4) for device RGB, by damped least squares in a CIE94-weighted difference."""
    axis = np.linspace(0.0, 1.0, NODES)
    rgb = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    aim = _aim(rgb, _black_lightness(dyes, substrate))
    chroma = np.hypot(aim[:, 1], aim[:, 2])
    hue = np.arctan2(aim[:, 2], aim[:, 1])  # 0 for neutrals: any direction will do
    cos, sin = np.cos(hue), np.sin(hue)
    turn = np.zeros((len(aim), 3, 3))
    turn[:, 0, 0] = 1.0
    turn[:, 1, 1], turn[:, 1, 2] = cos / (1 + 0.045 * chroma), sin / (1 + 0.045 * chroma)
    turn[:, 2, 1], turn[:, 2, 2] = -sin / (1 + 0.015 * chroma), cos / (1 + 0.015 * chroma)

    density = _natural_densities(dyes, substrate).astype(float)
    weights = substrate.white()[:, None] * spectral.xyz_weights()
    white = weights.sum(axis=0)
    grey = np.clip(1.0 - rgb.max(axis=1), 0, 1)
    amounts = np.concatenate([0.9 * (1 - rgb), (grey**3.5)[:, None]], axis=1)

    def residual(dye: Array, nodes: Array) -> tuple[Array, Array]:
        passed = (1 - substrate.floor) * np.exp(-(dye @ density))
        xyz = (substrate.floor + passed) @ weights / white
        lab = spectral.xyz_to_lab(xyz, np.ones(3))
        slope = np.where(xyz > (6 / 29) ** 3, np.cbrt(np.maximum(xyz, 1e-9)) ** -2 / 3, (29 / 6) ** 2 / 3)
        d = np.stack([-passed @ (density[i][:, None] * weights) / white * slope for i in range(3)], axis=2)
        jacobian = np.stack([116 * d[:, 1], 500 * (d[:, 0] - d[:, 1]), 200 * (d[:, 1] - d[:, 2])], axis=1)
        return (turn[nodes] @ (lab - aim[nodes])[:, :, None])[:, :, 0], turn[nodes] @ jacobian

    nodes = np.arange(len(aim))  # those that still move
    damping = np.ones(len(aim))
    res, jac = residual(amounts, nodes)
    for _ in range(45):
        now, slope = res[nodes], jac[nodes]
        normal = np.swapaxes(slope, 1, 2) @ slope + damping[nodes, None, None] * 4.0 * np.eye(3)
        move = np.linalg.solve(normal, np.swapaxes(slope, 1, 2) @ now[:, :, None])[:, :, 0]
        trial = amounts[nodes]
        trial[:, :3] = np.clip(trial[:, :3] - move, 0.0, 1.3)
        new_res, new_jac = residual(trial, nodes)
        before, after = (now**2).sum(axis=1), (new_res**2).sum(axis=1)
        better = after < before
        still = nodes[better]
        amounts[still], res[still], jac[still] = trial[better], new_res[better], new_jac[better]
        damping[nodes] = np.where(better, damping[nodes] * 0.4, damping[nodes] * 4.0)
        settled = np.where(better, before - after < 1e-5, damping[nodes] > 1e5) | (after < 1e-4)
        nodes = nodes[~settled]
        if not nodes.size:
            break
    return amounts.reshape(NODES, NODES, NODES, 4)


def _interpolate(table: Array, v: Array) -> Array:
    """Tetrahedral interpolation of a device-RGB table at v (…, 3), 0–1: exact along the neutral axis
    of a cell.
    """
    place = np.clip(v.reshape(-1, 3), 0, 1) * (NODES - 1)
    low = np.minimum(place.astype(int), NODES - 2)
    share = place - low
    order = np.argsort(-share, axis=1, kind="stable")
    ranked = np.take_along_axis(share, order, axis=1)
    weights = np.stack([1 - ranked[:, 0], ranked[:, 0] - ranked[:, 1], ranked[:, 1] - ranked[:, 2], ranked[:, 2]], 1)
    out = np.zeros((len(low), table.shape[-1]))
    at = low.copy()
    row = np.arange(len(low))
    for i in range(4):
        if i:
            at[row, order[:, i - 1]] += 1
        out += weights[:, i, None] * table[at[:, 0], at[:, 1], at[:, 2]]
    return out.reshape(*v.shape[:-1], table.shape[-1])


# --- laying out, light in glass -------------------------------------------------------------------


def _lay_on_blank(device: Array, scale: float, size: tuple[float, float], offset: tuple[float, float]) -> Array:
    """Centre the picture on the blank: crop what hangs over, leave the rest bare (device white)."""
    width, height = max(1, round(size[0] * scale)), max(1, round(size[1] * scale))
    have_h, have_w = device.shape[:2]
    left = round((width - have_w) / 2 + offset[0] * scale)
    top = round((height - have_h) / 2 + offset[1] * scale)
    if (left, top, width, height) == (0, 0, have_w, have_h):
        return device
    sheet = np.full((height, width, 3), 255, np.uint8)
    x0, x1, y0, y1 = max(0, left), min(width, left + have_w), max(0, top), min(height, top + have_h)
    if x1 > x0 and y1 > y0:
        sheet[y0:y1, x0:x1] = device[y0 - top : y1 - top, x0 - left : x1 - left]
    return sheet


def _outline(height: int, width: int, shape: str) -> Array:
    if shape == "rect":
        return np.ones((height, width), np.float32)
    y = (np.arange(height) + 0.5 - height / 2)[:, None] / (height / 2)
    x = (np.arange(width) + 0.5 - width / 2)[None, :] / (width / 2)
    inside = (1.0 - np.hypot(x, y)) * min(height, width) / 2
    return np.clip(inside + 0.5, 0, 1).astype(np.float32)


def _convolve(image: Array, kernel: Array) -> Array:
    """Correlation with zeros outside."""
    return cv2.filter2D(image, -1, kernel, borderType=cv2.BORDER_CONSTANT)


def _stretch_rows(coarse: Array, part: slice, height: int, width: int) -> Array:
    """Rows `part` of the coarse map (h', w', n) stretched to (height, width), bilinear."""
    rows, columns = coarse.shape[:2]
    y = np.clip((np.arange(part.start, part.stop) + 0.5) * rows / height - 0.5, 0, rows - 1)
    x = np.clip((np.arange(width) + 0.5) * columns / width - 0.5, 0, columns - 1)
    y0, x0 = np.minimum(y.astype(int), rows - 2), np.minimum(x.astype(int), columns - 2)
    fy, fx = (y - y0).astype(np.float32)[:, None, None], (x - x0).astype(np.float32)[None, :, None]
    band = coarse[y0] * (1 - fy) + coarse[y0 + 1] * fy
    return band[:, x0] * (1 - fx) + band[:, x0 + 1] * fx
