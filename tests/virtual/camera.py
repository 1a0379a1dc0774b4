"""The virtual camera: spectral response → white balance → colour matrix → tone curve → file.

Measured sensitivities, illuminants and the reflectances for the colour matrix come from colour-science.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from . import spectral

if TYPE_CHECKING:
    from .scene import Photo

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Camera:
    """A phone camera and what it does to a picture. Linear values: 1 = clipping."""

    sensitivities: str = "phone-1"  # phone-1..3 (invented), measured-1..2, scanner-ccd, scanner-cis
    # white balance
    white_balance: str = "lamp"  # lamp (exact for the main lamp), card, grey-world, fixed
    fixed_illuminant: str = "D65"  # what "fixed" is balanced for
    balance_error: tuple[float, float] = (1.0, 1.0)  # extra gain on red, blue
    # colour matrix
    matrix_illuminant: str | None = None  # the light the 3×3 was fitted for; None: the scene's own
    space: str = "srgb"  # srgb or display-p3: the space of the file
    saturation: float = 1.0  # many phones use 1.05–1.2
    # tone
    tone: str = "srgb"  # srgb: exact curve; phone: S-curve on top
    contrast: float = 0.35  # of the S-curve, 0–1
    local_tone: float = 0.0  # 0–0.5: flattens large-scale light (the photo should be refused); 0 = off
    # exposure
    white_level: float = 0.70  # auto exposure puts the 99th percentile here (linear); 0.70 = 218 of 255
    exposure_ev: float = 0.0  # correction on top
    gain: float | None = None  # fixed exposure instead of auto
    locked_balance: tuple[float, float, float] | None = None  # fixed channel gains instead of white_balance
    # noise and sharpness
    noise: float = 0.010  # relative standard deviation per pixel at 18 % grey, green
    read_share: float = 0.1  # part of that variance that is read noise
    denoise_px: float = 0.55  # Gaussian smoothing after the noise (demosaicing, noise reduction)
    sharpen: float = 0.0  # unsharp mask amount, phones 0.3–0.8
    sharpen_px: float = 1.2
    flare: float = 0.004  # veiling flare of the lens: share of the mean scene spread over all
    flicker: tuple[float, float, float] = (0.0, 3.0, 0.0)  # bands down the frame: amplitude, how many, phase (turns)
    bits: int = 8

    def locked(self, photo: Photo) -> Camera:
        """The same camera with exposure and white balance held as they were for `photo`."""
        return replace(self, gain=photo.gain, locked_balance=photo.balance)

    def response_weights(self, light: str) -> Array:
        """Weights (36, 3): reflectance under a lamp → linear channels, each 1 for the perfect diffuser."""
        return _weights(self.sensitivities, light)

    def white_signal(self, light: str) -> Array:
        """Raw signal (3,) of the perfect diffuser before any balance, largest channel = 1."""
        raw = spectral.sensitivities(self.sensitivities).T @ spectral.illuminant(light)
        return raw / raw.max()

    def tint(self, light: str, main: str) -> Array:
        """Channels (3,) float32 of a perfect white under `light`, in units of that under `main`,
        green kept.
        """
        ratio = self.white_signal(light) / self.white_signal(main)
        return (ratio / ratio[1]).astype(np.float32)


@lru_cache(maxsize=64)
def _weights(sensor: str, light: str) -> Array:
    weights = spectral.sensitivities(sensor) * spectral.illuminant(light)[:, None]
    return weights / weights.sum(axis=0)


@lru_cache(maxsize=64)
def colour_matrix(sensor: str, light: str, space: str) -> Array:
    """White-preserving matrix (3, 3) from balanced channels to linear display RGB.

    Fitted by least squares (errors relative to the target's lightness) on the 99 reflectances of
    CIE 224:2017, the scene's white taken to the white of the display space.
    """
    samples = spectral.test_reflectances()
    raw = samples @ _weights(sensor, light)
    to_xyz = spectral.xyz_weights(light)
    white = to_xyz.sum(axis=0)
    xyz = samples @ to_xyz @ spectral.adaptation(white, spectral.D65_XYZ).T
    wanted = xyz @ np.linalg.inv(spectral.rgb_to_xyz(space)).T
    weight = 1.0 / np.cbrt(xyz[:, 1:2] + 0.02) ** 2
    # channel = G + p (R − G) + q (B − G): rows sum to one
    basis = (raw[:, [0, 2]] - raw[:, [1]]) * weight
    parts = np.linalg.lstsq(basis, (wanted - raw[:, [1]]) * weight, rcond=None)[0].T
    return np.stack([parts[:, 0], 1 - parts.sum(axis=1), parts[:, 1]], axis=1)


def develop(
    linear: Array, camera: Camera, *, light: str, card_balance: Array | None, seed: int
) -> tuple[Array, float, tuple[float, float, float]]:
    """Linear channels (h, w, 3) float32, 1 = perfect diffuser, → file values, gain, balance.

    Order: flare, exposure, noise, smoothing, sensor clipping, white balance, matrix, tone, sharpening.
    Changes `linear`.
    """
    rng = np.random.Generator(np.random.SFC64(np.random.SeedSequence([seed, 29])))
    thin = linear[::16, ::16].reshape(-1, 3)
    mean = thin.mean(axis=0)
    linear = np.ascontiguousarray(linear)
    flat = linear.reshape(len(linear), -1)  # numpy is far slower over a last axis of three
    if camera.flare:
        flat *= np.float32(1 - camera.flare)
        flat += np.tile(np.float32(camera.flare) * mean, linear.shape[1])
    balance = camera.locked_balance or _balance(camera, light, mean, card_balance)
    gain = camera.gain
    if gain is None:
        gain = camera.white_level / float(np.percentile((thin * np.array(balance)).max(axis=1), 99))
        gain *= 2.0**camera.exposure_ev

    signal = camera.white_signal(light).astype(np.float32)
    shot = np.float32((1 - camera.read_share) * 0.18 * camera.noise**2) * signal[1] / signal
    read = np.float32(camera.read_share * (0.18 * camera.noise) ** 2) * (signal[1] / signal) ** 2
    shot, read = (np.tile(np.asarray(a, np.float32), linear.shape[1]) for a in (shot, read))
    matrix = colour_matrix(camera.sensitivities, camera.matrix_illuminant or light, camera.space)
    if camera.saturation != 1.0:
        luma = np.tile(spectral.rgb_to_xyz(camera.space)[1], (3, 1))
        matrix = camera.saturation * matrix + (1 - camera.saturation) * luma @ matrix
    matrix = (matrix @ np.diag(balance)).astype(np.float32)
    rows = max(1, 60_000 // linear.shape[1])
    for top in range(0, linear.shape[0], rows):
        part = flat[top : top + rows]
        part *= np.float32(gain)
        if camera.flicker[0]:  # the shutter rolls down the frame while a lamp on mains goes up and down
            part *= _bands(camera.flicker, np.arange(top, top + len(part)) / linear.shape[0])
        if camera.noise:
            sigma = part * shot
            sigma += read
            np.sqrt(np.maximum(sigma, 0, out=sigma), out=sigma)
            sigma *= rng.standard_normal(part.shape, dtype=np.float32)
            part += sigma
    if camera.denoise_px > 0.25 and camera.noise:
        linear = cv2.GaussianBlur(linear, (0, 0), camera.denoise_px)
    np.clip(linear, 0, 1, out=linear)
    if camera.local_tone:
        _flatten_light(linear, camera.local_tone)

    curve, top_code = _tone_table(camera), 255 if camera.bits == 8 else 65535
    curve = np.round(curve * top_code).astype(np.uint8 if camera.bits == 8 else np.uint16)
    out = np.empty(linear.shape, curve.dtype)
    for top in range(0, linear.shape[0], rows):
        part = cv2.transform(linear[top : top + rows], matrix)
        part *= np.float32(_TONE_STEPS - 1)
        part += np.float32(0.5)
        np.clip(part, 0, _TONE_STEPS - 1, out=part)
        curve.take(part.astype(np.uint16), out=out[top : top + rows], mode="clip")
    if camera.sharpen:
        soft = cv2.GaussianBlur(out, (0, 0), camera.sharpen_px)
        out = cv2.addWeighted(out, 1 + camera.sharpen, soft, -camera.sharpen, 0)
    return out, float(gain), (float(balance[0]), float(balance[1]), float(balance[2]))


def _bands(flicker: tuple[float, float, float], down: Array) -> Array:
    amplitude, many, phase = flicker
    return (1 + amplitude * np.sin(2 * np.pi * (many * down + phase))).astype(np.float32)[:, None]


def _balance(camera: Camera, light: str, mean: Array, card: Array | None) -> tuple[float, float, float]:
    if camera.white_balance == "lamp":
        gains = np.ones(3)
    elif camera.white_balance == "card":
        gains = np.ones(3) if card is None else card[1] / card
    elif camera.white_balance == "grey-world":
        gains = mean[1] / mean
    elif camera.white_balance == "fixed":
        seen = spectral.sensitivities(camera.sensitivities).T @ spectral.illuminant(light)
        expected = spectral.sensitivities(camera.sensitivities).T @ spectral.illuminant(camera.fixed_illuminant)
        gains = (seen / expected) / (seen[1] / expected[1])
    else:
        raise ValueError("white_balance is lamp, card, grey-world or fixed")
    gains = gains * np.array([camera.balance_error[0], 1.0, camera.balance_error[1]])
    return float(gains[0]), float(gains[1]), float(gains[2])


_TONE_STEPS = 65536


@lru_cache(maxsize=16)
def _tone_of(kind: str, contrast: float) -> Array:
    encoded = spectral.encode_srgb(np.linspace(0, 1, _TONE_STEPS))
    if kind == "srgb":
        return encoded
    if kind == "phone":  # lifted mid-tones, then an S: toe and shoulder as phones draw them (invented)
        lifted = encoded**0.93
        return (1 - contrast) * lifted + contrast * lifted**2 * (3 - 2 * lifted)
    raise ValueError("tone is srgb or phone")


def _tone_table(camera: Camera) -> Array:
    return _tone_of(camera.tone, camera.contrast)


def _flatten_light(linear: Array, strength: float) -> None:
    """Local tone mapping, in place: divide by a power of the blurred brightness, as "HDR" modes do."""
    small = cv2.resize(linear, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA).mean(axis=2)
    broad = cv2.GaussianBlur(small, (0, 0), max(small.shape) / 12) + 0.02
    factor = (np.median(broad) / broad) ** np.float32(strength)
    linear *= cv2.resize(factor, linear.shape[1::-1], interpolation=cv2.INTER_LINEAR)[..., None]


# --- files ----------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def matrix_profile(space: str) -> bytes:
    """ICC.1 v4 display profile with matrix and the sRGB tone curve, for srgb or display-p3."""
    adapt = spectral.adaptation(spectral.D65_XYZ, spectral.D50_XYZ)
    columns = (adapt @ spectral.rgb_to_xyz(space)).T

    def s15(values: Any) -> bytes:
        return b"".join(struct.pack(">i", round(float(v) * 65536)) for v in np.ravel(values))

    def text(words: str) -> bytes:
        data = words.encode("utf-16-be")
        return b"mluc" + struct.pack(">IIIHHII", 0, 1, 12, 0x656E, 0x5553, len(data), 28) + data

    curve = b"para" + struct.pack(">IHH", 0, 3, 0) + s15([2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045])
    tags = {
        b"desc": text(f"test {space}"),
        b"cprt": text("no rights reserved"),
        b"wtpt": b"XYZ \0\0\0\0" + s15([0.9642, 1.0, 0.8249]),
        b"chad": b"sf32\0\0\0\0" + s15(adapt),
        **{tag: b"XYZ \0\0\0\0" + s15(c) for tag, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)},
        **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve),
    }
    body, table, at = b"", b"", 128 + 4 + 12 * len(tags)
    placed: dict[bytes, tuple[int, int]] = {}
    for tag, data in tags.items():
        if data not in placed:
            placed[data] = (at + len(body), len(data))
            body += data + b"\0" * (-len(data) % 4)
        table += tag + struct.pack(">II", *placed[data])
    size = at + len(body)
    header = struct.pack(">I4sI4s4s4s6H4s", size, b"\0" * 4, 0x04300000, b"mntr", b"RGB ", b"XYZ ",
                         2026, 1, 1, 0, 0, 0, b"acsp")  # fmt: skip
    header += b"\0" * (68 - len(header)) + s15([0.9642, 1.0, 0.8249])
    return header + b"\0" * (128 - len(header)) + struct.pack(">I", len(tags)) + table + body


_STORED = {  # what must be done to upright pixels so that the EXIF orientation restores them
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: a.swapaxes(0, 1)[::-1],
    7: lambda a: a[::-1, ::-1].swapaxes(0, 1),
    8: lambda a: a.swapaxes(0, 1)[:, ::-1],
}


def save_photo(
    photo: Photo | Array,
    path: str | Path,
    *,
    quality: int = 92,
    subsampling: str = "4:2:0",
    exif_orientation: int = 1,
    icc: str | bytes | None = "auto",
    dpi: float | None = None,
) -> Path:
    """Write a photo as .jpg, .png, .tif (8 or 16 bit) or .heic.

    Parameters
    ----------
    icc : {'auto', 'srgb', 'display-p3'}, bytes or None
        Embedded profile. 'auto': that of the photo's own space (nothing is converted). None: no profile.
    exif_orientation : int, 1–8
        Stored turned or flipped so that a viewer that honours EXIF sees the photo upright.
    """
    from PIL import Image

    path = Path(path)
    is_array = isinstance(photo, np.ndarray)
    pixels = np.ascontiguousarray(_STORED[exif_orientation](photo if is_array else photo.rgb))
    if icc == "auto":
        icc = "srgb" if is_array else photo.camera.space
    profile = matrix_profile(icc) if isinstance(icc, str) else icc
    dpi = dpi or (None if is_array else photo.dpi)
    kind = path.suffix.lower()
    if kind in {".tif", ".tiff"} and pixels.dtype == np.uint16:
        import tifffile

        extra = [(274, "H", 1, exif_orientation, False)]
        if profile:
            extra.append((34675, "B", len(profile), profile, False))
        unit = {"resolution": (dpi, dpi), "resolutionunit": "INCH"} if dpi else {}
        tifffile.imwrite(path, pixels, photometric="rgb", extratags=extra, compression="zlib", metadata=None, **unit)
        return path
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    image = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[274] = exif_orientation
    options: dict[str, Any] = {"exif": exif.tobytes()}
    if profile:
        options["icc_profile"] = profile
    if dpi:
        options["dpi"] = (dpi, dpi)
    if kind in {".jpg", ".jpeg"}:
        options |= {"quality": quality, "subsampling": subsampling}
    elif kind == ".png":
        options |= {"compress_level": 2}
    elif kind in {".tif", ".tiff"}:
        options |= {"compression": "tiff_lzw"}
    elif kind in {".heic", ".heif"}:
        import pillow_heif

        pillow_heif.register_heif_opener()
        options |= {"quality": quality}
    else:
        raise ValueError(f"cannot write {kind}")
    image.save(path, **options)
    return path
