"""What a set-up showed of itself when it was checked, for readings that take it in place of assumptions."""

from __future__ import annotations

from dataclasses import dataclass

from .errors import UsageError
from .records import Floats, LinearImage


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """Figures of one camera in its own light; None for what was not checked.

    Attributes
    ----------
    name : str
        Of its file.
    device : str
        The camera, '' where its photos do not say.
    tone : (k,)
        Terms of the camera's tone curve, for `camera.linearise`; empty: it is as assumed.
    exponent_std : float, optional
        Error of the exponent of the tone curve, with ``tone`` taken out.
    local_std : float, optional
        How strong local tone mapping may be, as an exponent.
    veil_of_mean, veil_std : float, optional
        Stray light as a share of the frame's mean signal, and its error as a share of the coat.
    scatter : float, optional
        How far two photos of one piece differ, in units of what is stated for them.
    """

    name: str
    device: str
    tone: Floats
    exponent_std: float | None
    local_std: float | None
    veil_of_mean: float | None
    veil_std: float | None
    scatter: float | None


def check_camera(bench: Bench | None, image: LinearImage) -> None:
    """Refuse a photo by another camera than that which was checked, where both say who they are.

    Raises
    ------
    UsageError
        Naming both.
    """
    if bench is not None and bench.device and image.device and bench.device != image.device:
        raise UsageError(
            f"{image.source} was taken with {image.device}, {bench.name} is about {bench.device}",
            "check this camera's set-up too, or read without it",
        )
