"""The file that a check of a set-up writes, taken up by readings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import msgspec
import numpy as np

from ..ground import reader
from ..ground.bench import Bench, check_camera
from ..ground.errors import DataError
from ..ground.files import read_json, shaped
from ..ground.records import LinearImage
from .camera import without_tone

SCHEMA = "colorcheck-bench/1"
Share = Annotated[float, msgspec.Meta(ge=0, le=0.5)]
Error = Annotated[float, msgspec.Meta(ge=1e-5, le=1.0)]


class Figures(msgspec.Struct, frozen=True):
    """What readings use; None for what was not checked."""

    tone: list[Annotated[float, msgspec.Meta(ge=-2, le=2)]] = []
    exponent_std: Error | None = None
    local_std: Error | None = None
    veil_of_mean: Share | None = None
    veil_std: Error | None = None
    scatter: Annotated[float, msgspec.Meta(ge=0.1, le=10)] | None = None


class BenchFile(msgspec.Struct, frozen=True):
    """A check of a set-up, as far as readings take it up."""

    figures: Figures
    device: str = ""


def load_bench(path: str | Path) -> Bench:
    """Take up a saved check of a set-up.

    Raises
    ------
    FileError
        It cannot be read.
    DataError
        It is no such check.
    """
    p = Path(path)
    todo = "make it again" if reader.on_page() else "make one with 'colorcheck bench'"
    data = read_json(p, "a check of a set-up", todo=todo)
    if data.get("schema") != SCHEMA:
        raise DataError(f"{p.name} is no check of a set-up", todo)
    f = shaped(data, BenchFile, f"{p.name} is no check of a set-up", todo)
    g = f.figures
    if (g.veil_of_mean is None) != (g.veil_std is None):
        raise DataError(f"{p.name} is no check of a set-up: veil_std is missing", todo)
    return Bench(p.name, f.device, np.array(g.tone), g.exponent_std, g.local_std, g.veil_of_mean, g.veil_std, g.scatter)


def as_checked(image: LinearImage, bench: Bench | None) -> LinearImage:
    """Take the checked camera's tone curve out of a photo; one by another camera is refused, see `check_camera`."""
    if bench is None:
        return image
    check_camera(bench, image)
    return without_tone(image, bench.tone)
