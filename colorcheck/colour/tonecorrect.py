"""Small corrections: curves from the neutral ramp alone, baked into the picture instead of a whole profile.

Three steps of rising effort, as printing practice takes them (ISO/TS 10128, cited from memory): tone curves,
grey balance, full transform. The first two are one curve for each channel:

- ``tone``: the same curve for R, G and B, so that equal steps of grey come out as lightness should; a cast stays.
- ``grey``: three curves, so that neutrals come out neutral and at the right lightness.

Colours away from the neutral axis only follow along.

The aim of a neutral is the picture read as sRGB, relative to the bare coat, its black brought to the blackest the
printer reaches, in XYZ (ISO 18619:2015), so that a black with a cast fades into neutral instead of ending in a step.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np

from ..ground.cielab import (
    black_point_compensate,
    lab_to_xyz,
    linear_srgb_to_xyz,
    srgb_to_linear,
    xyz_to_lab,
)
from ..ground.errors import DataError
from ..ground.files import read_json, shaped, write_text
from ..ground.records import Bytes, Floats

Step = Literal["tone", "grey"]
LabOf = Callable[[Floats], Floats]
"""What a printer makes of device RGB (n, 3), 0 to 255: media-relative CIELAB (n, 3)."""

SCHEMA = "colorcheck-curves/1"
_NODES = np.unique(np.r_[0, 4, 8, np.arange(16, 256, 8), 255]).astype(np.float64)
_ROUNDS = 15
_SETTLED = 0.02  # device steps
_STEP = 4.0  # device steps of the numerical slope: wider than a model's ripple, narrower than its bends


def _neutral_ramp() -> Floats:
    return np.repeat(np.arange(256.0)[:, None], 3, axis=1)


def aim_lab(srgb: Any, black_lab: Floats) -> Floats:
    """Say what sRGB codes should become on a substrate: relative to its white, compensated to its black.

    Parameters
    ----------
    srgb : (n, 3)
        0 to 255.
    black_lab : (3,)
        The blackest that is reached, media-relative CIELAB.

    Returns
    -------
    ndarray, shape (n, 3)
        Media-relative CIELAB.
    """
    xyz = linear_srgb_to_xyz(srgb_to_linear(np.asarray(srgb, np.float64) / 255.0))
    return np.asarray(xyz_to_lab(black_point_compensate(xyz, lab_to_xyz(np.asarray(black_lab, np.float64)))))


def blackest(lab_of: LabOf) -> tuple[int, Floats]:
    """Find the neutral device code with the lowest L*, and its CIELAB (3,); beyond it ink makes nothing darker."""
    ramp = np.asarray(lab_of(_neutral_ramp()), np.float64)
    code = int(np.argmin(ramp[:, 0]))
    return code, ramp[code]


def _tone(lab_of: LabOf, aim: Floats, dark: int) -> Floats:
    """Invert the lightness of the neutral ramp: device code for every aim, (n,)."""
    lightness = np.maximum.accumulate(np.asarray(lab_of(_neutral_ramp()), np.float64)[dark:, 0])
    lightness += np.arange(len(lightness)) * 1e-9  # level stretches have an inverse too
    return np.asarray(np.interp(aim[:, 0], lightness, np.arange(dark, 256.0)), np.float64)


def _balance(lab_of: LabOf, aim: Floats, start: Floats) -> Floats:
    """Device RGB whose colour comes nearest to every aim, (n, 3): Gauss–Newton from a start, held to 0–255."""
    x = start.copy()
    for _ in range(_ROUNDS):
        short = np.asarray(lab_of(x), np.float64) - aim
        slope = np.empty((len(x), 3, 3))
        for c in range(3):
            up, down = x.copy(), x.copy()
            up[:, c], down[:, c] = np.minimum(x[:, c] + _STEP, 255.0), np.maximum(x[:, c] - _STEP, 0.0)
            change = np.asarray(lab_of(up), np.float64) - np.asarray(lab_of(down), np.float64)
            slope[:, :, c] = change / (up[:, c] - down[:, c])[:, None]
        square = np.einsum("nij,nik->njk", slope, slope) + 1e-4 * np.eye(3)
        move = np.linalg.solve(square, np.einsum("nij,ni->nj", slope, short)[..., None])[..., 0]
        new = np.clip(x - np.clip(move, -16.0, 16.0), 0.0, 255.0)
        still = float(np.abs(new - x).max()) < _SETTLED
        x = new
        if still:
            break
    return x


def _rising(values: Floats) -> Floats:
    """Nearest rising column of each, halfway between its two envelopes."""
    above = np.maximum.accumulate(values, axis=0)
    below = np.minimum.accumulate(values[::-1], axis=0)[::-1]
    return np.asarray((above + below) / 2.0)


def neutral_curves(lab_of: LabOf, *, step: Step = "grey") -> Floats:
    """Curves that bring the neutral ramp to its aim.

    Parameters
    ----------
    lab_of : callable
        Device RGB (n, 3) 0–255 → media-relative CIELAB (n, 3), such as `PrinterModel.lab`.
    step : {'tone', 'grey'}
        One curve for all channels by lightness alone, or three that balance grey as well.

    Returns
    -------
    ndarray, shape (256, 3)
        Device code, 0 to 255, for every sRGB code of R, G and B; rising, bare coat (255) kept.

    Notes
    -----
    Black is sent to the darkest code of the neutral ramp, so ink that only reverses the tone is not laid.
    """
    from scipy.interpolate import PchipInterpolator

    dark, black = blackest(lab_of)
    aim = aim_lab(np.repeat(_NODES[:, None], 3, axis=1), black)
    codes = np.repeat(_tone(lab_of, aim, dark)[:, None], 3, axis=1)
    codes[0], codes[-1] = dark, 255.0
    if step == "grey":
        codes[1:-1] = _balance(lab_of, aim[1:-1], codes[1:-1])
    curves = np.asarray(PchipInterpolator(_NODES, _rising(codes))(np.arange(256.0)), np.float64)
    curves = np.clip(curves, 0.0, 255.0)
    curves[-1] = 255.0
    return curves


def apply_curves(rgb: Bytes, curves: Floats) -> Bytes:
    """Device codes of a picture (…, 3) uint8 through curves (256, 3), each channel by its own."""
    table = np.rint(curves).astype(np.uint8)
    return np.stack([table[:, c][rgb[..., c]] for c in range(3)], axis=-1)


# ---------------------------------------------------------------- files


Curve = Annotated[list[Annotated[float, msgspec.Meta(ge=0, le=255)]], msgspec.Meta(min_length=256, max_length=256)]


class RgbCurves(msgspec.Struct, frozen=True):
    """256 codes for each channel."""

    r: Curve
    g: Curve
    b: Curve


class CurvesFile(msgspec.Struct, frozen=True):
    """A file of curves as `save_curves` writes it."""

    curves: RgbCurves
    name: str = ""
    step: str = ""


def save_curves(path: str | Path, curves: Floats, *, name: str, step: Step) -> None:
    """Write curves as JSON, whole or not at all; errors as for `colorcheck.ground.files.write_text`."""
    rows = {c: [round(float(v), 3) for v in curves[:, k]] for k, c in enumerate(("r", "g", "b"))}
    data = {"schema": SCHEMA, "name": name, "step": step, "input": "sRGB", "curves": rows}
    lines = [f" {json.dumps(k)}: {json.dumps(v, ensure_ascii=False)}" for k, v in data.items()]
    write_text(path, "{\n" + ",\n".join(lines) + "\n}\n")


def load_curves(path: str | Path) -> tuple[Floats, str, str]:
    """Read curves written by `save_curves`.

    Returns
    -------
    curves : ndarray, shape (256, 3)
    name, step : str

    Raises
    ------
    FileError
        The file is missing or cannot be read.
    DataError
        It holds no curves, or curves that fall.
    """
    todo = "give the file written by 'profile' with --curves"
    name = Path(path).name
    data = read_json(path, "a file of curves", todo=todo)
    if data.get("schema") != SCHEMA:
        raise DataError(f"{name} is not a file of curves", todo)
    file = shaped(data, CurvesFile, f"{name} is a damaged file of curves", todo)
    curves = np.array([file.curves.r, file.curves.g, file.curves.b], np.float64).T
    if np.any(np.diff(curves, axis=0) < 0):
        raise DataError(f"{name} holds a curve that falls: tones would be turned over", todo)
    return curves, file.name, file.step
