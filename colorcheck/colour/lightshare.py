"""Share of a light panel's light that passes a piece's bare coat, from two photos."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..ground import reader
from ..ground.cielab import linear_srgb_to_xyz
from ..ground.errors import PhotoError, TargetError, UsageError
from ..ground.records import CellFlag, CellKind, Floats, LinearImage, Target
from ..photo.decode import decode
from ..photo.rectify import lay_flat, sample_cells
from ..sheet.locate import locate
from .substrate import Quantity

_LIGHT_PIXELS = 2_500_000
_TONE_OF_CAMERA = 0.08  # of the logarithm: what a phone's own tone curve does to a ratio; estimate
_LOCK = 0.005  # shutter and lamp from one photo to the next, relative; estimate
_OPEN_PANEL = 0.05  # how far the uncovered panel may differ between the two photos


@dataclass(frozen=True, slots=True, eq=False)
class LightShare:
    """Share of a light panel's light that passes the bare coat; ``seen_on`` 'white cells' or 'piece'."""

    share: Quantity
    seen_on: str
    files: tuple[str, str]


def read_lights(words: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Take ``name=with.jpg,without.jpg`` apart; a comma inside a file name is found by what exists."""
    out: dict[str, tuple[str, str]] = {}
    for word in words:
        name, equals, files = word.partition("=")
        cuts = [n for n, c in enumerate(files) if c == ","]
        pairs = [(files[:n].strip(), files[n + 1 :].strip()) for n in cuts]
        pairs = [p for p in pairs if p[0] and p[1]]
        if not equals or not name.strip() or not pairs:
            raise UsageError(f"--light: '{word[:60]}' is not understood", "write it as name=with.jpg,without.jpg")
        if name.strip() in out:
            raise UsageError(f"--light names '{name.strip()}' twice", "give its two photos once")
        there = [p for p in pairs if Path(p[0]).exists() and Path(p[1]).exists()]
        out[name.strip()] = (there or pairs)[0]
    return out


def light_share(with_piece: str | Path, without: str | Path, *, target: Target | None = None) -> LightShare:
    """Share of a light panel's light that passes a piece's bare coat.

    Parameters
    ----------
    with_piece, without : path
        Photos of the panel with the piece on it and without; camera, exposure and panel left alone.
    target : Target, optional
        Layout of the target pressed on the piece: its white cells are the bare coat. When it is not found in the
        photo, the brightest even part of the piece counts.

    Returns
    -------
    LightShare
        ``u_random`` from the spread over the piece and the shutter; ``u_system`` from the camera's unknown tone
        curve, none for raw files.

    Raises
    ------
    UsageError
        The same photo twice.
    PhotoError
        The photos differ in size or exposure, the panel is overexposed, or no piece is seen.
    """
    a, b = Path(with_piece), Path(without)
    if a.exists() and b.exists() and a.samefile(b):
        raise UsageError(
            f"{a.name} is given twice", f"{reader.option('light')} needs a photo with the piece and one without it"
        )
    on, off = decode(a, max_pixels=_LIGHT_PIXELS), decode(b, max_pixels=_LIGHT_PIXELS)
    if on.sha256 == off.sha256:
        raise UsageError(f"{a.name} and {b.name} are the same photo", "give one with the piece and one without it")
    lock = "lock the exposure, leave the camera alone and take both photos again"
    if on.rgb.shape != off.rgb.shape:
        raise PhotoError(f"{a.name} and {b.name} differ in size", lock)
    for key in on.exposure.keys() & off.exposure.keys():
        one, two = on.exposure[key], off.exposure[key]
        if abs(one - two) > 0.02 * max(abs(one), abs(two)):
            what = key.replace("_", " ")
            raise PhotoError(f"{a.name} and {b.name} were not exposed alike ({what} {one:g} and {two:g})", lock)
    y_on, y_off = _blocks(on), _blocks(off)
    bright = float(np.percentile(y_off, 95))
    panel = y_off > 0.4 * bright
    if (_block_mean((off.clipped & 1).astype(np.float32)) > 0.02)[panel].mean() > 0.05:
        raise PhotoError(
            f"the light panel is overexposed in {b.name}", "expose so that the panel alone is just not white"
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(panel, y_on / np.maximum(y_off, 1e-6), np.nan)
    _check_open_panel(ratio, a.name, b.name, bool(on.exposure.keys() & off.exposure.keys()), lock)
    found = _bare_of_target(on, off, target) if target is not None else None
    values, seen_on = found if found is not None else (_bare_of_piece(ratio, a.name), "piece")
    share = float(np.median(values))
    spread = float(1.4826 * np.median(np.abs(values - share))) / math.sqrt(min(len(values), 12))
    raw = on.kind == "raw" and off.kind == "raw"
    tone = 0.0 if raw else _TONE_OF_CAMERA * abs(math.log(max(share, 1e-3)))
    return LightShare(Quantity(share, math.hypot(spread, _LOCK * share), tone * share), seen_on, (a.name, b.name))


def _block_mean(plane: Any) -> Floats:
    """Mean over blocks of about a fortieth of the picture's longer side."""
    side = max(2, max(plane.shape) // 40)
    h, w = plane.shape[0] // side * side, plane.shape[1] // side * side
    cut = np.asarray(plane[:h, :w], dtype=float)
    return np.asarray(cut.reshape(h // side, side, w // side, side).mean(axis=(1, 3)))


def _blocks(image: LinearImage) -> Floats:
    """Luminance of a photo in blocks."""
    return _block_mean(image.rgb @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32))


def _check_open_panel(ratio: Floats, with_name: str, without_name: str, told: bool, lock: str) -> None:
    """Refuse photos in which the panel beside the piece is not equally bright, as far as it can be seen."""
    rim = np.concatenate([ratio[:2].ravel(), ratio[-2:].ravel(), ratio[:, :2].ravel(), ratio[:, -2:].ravel()])
    rim = rim[np.isfinite(rim)]
    if len(rim) < 12:
        return
    high = float(np.percentile(rim, 75))
    even = float(np.percentile(rim, 90) - np.percentile(rim, 60)) < 0.03 * high
    brighter = high > 1 + _OPEN_PANEL
    darker = even and not told and high < 1 - _OPEN_PANEL
    if brighter or darker:
        raise PhotoError(
            f"beside the piece the panel is {abs(high - 1) * 100:.0f} % {'brighter' if brighter else 'darker'} in "
            f"{with_name} than in {without_name}, so they were not exposed alike",
            lock if brighter else f"{lock}, with some bare panel in view",
        )


def _bare_of_target(on: LinearImage, off: LinearImage, target: Target) -> tuple[Floats, str] | None:
    """Light passing each white cell of the target, or None when the target is not found."""
    try:
        found = locate(on, target)
    except (TargetError, PhotoError):
        return None
    if found.pose.mirrored:
        off = replace(off, rgb=off.rgb[:, ::-1], clipped=off.clipped[:, ::-1])
    pair = []
    clear = target.kind == CellKind.WHITE
    for image in (found.image, off):
        cells = sample_cells(lay_flat(image, found.pose, target.size_mm), found.pose, target, image)
        clear = clear & ((cells.flags & int(CellFlag.CLIPPED | CellFlag.HIDDEN)) == 0)
        pair.append(np.asarray(linear_srgb_to_xyz(np.maximum(cells.rgb, 0.0)))[:, 1])
    if clear.sum() < 4:
        return None
    return pair[0][clear] / np.maximum(pair[1][clear], 1e-6), "white cells"


def _bare_of_piece(ratio: Floats, name: str) -> Floats:
    """Light passing the brightest even part of whatever lies on the panel."""
    covered = np.isfinite(ratio) & (ratio < 0.97)
    inner = cv2.erode(covered.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0  # its rim is half panel
    there = ratio[inner]
    if len(there) < 8:
        raise PhotoError(f"no piece is seen on the light panel in {name}", "lay it in the middle of the panel")
    top = float(np.percentile(there, 80))
    return np.asarray(there[np.abs(there - top) < 0.04 * top])
