"""What each flow can be asked: paths and plain values in mm, °C and seconds, as any face can fill them.

A request that contradicts itself cannot be made; what its files hold is checked by the flow that opens them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from ..ground.errors import UsageError
from ..ground.recipe import MakerLimits, Recipe, check_limits
from ..ground.records import Shape, View

Paper = Literal["on", "off"]
Printed = Literal["as-usual", "raw"]


def _check_size(size_mm: tuple[float, float], shape: Shape) -> None:
    w, h = size_mm
    if shape == "round" and abs(w - h) > 0.05:
        raise UsageError(f"a round piece has one diameter, not {w:g} × {h:g} mm", "give one number, such as 200mm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressing:
    """How the piece was pressed, and what its makers allow: what the advice on pressing again rests on.

    Parameters
    ----------
    recipe : Recipe
        Temperature, time and heated face come from here and from nowhere else.
    limits : MakerLimits
        What the makers of blank, coat and paper allow.
    glass_mm, piece_c : float, optional
        Thickness of the glass; temperature of the piece now.
    press_no : int
        Which pressing this judges: 1, after a re-press 2.
    warm_up_s : float, optional
        Seconds until dye begins to go over, from a step test on this press.

    Raises
    ------
    UsageError
        A value is out of range, or the recipe goes beyond the limits.
    """

    recipe: Recipe = field(default_factory=Recipe)
    limits: MakerLimits = field(default_factory=MakerLimits)
    glass_mm: float | None = None
    piece_c: float | None = None
    press_no: int = 1
    warm_up_s: float | None = None

    def __post_init__(self) -> None:
        check_limits(self.recipe, self.limits)

    def advice(self) -> dict[str, Any]:
        """Plan of the heat model, as the verdict carries it: `RepressPlan.to_dict`.

        Raises
        ------
        UsageError
            Values for which the model does not hold.
        """
        from ..shop.heat import repress_plan

        return repress_plan(
            self.recipe,
            self.limits,
            glass_mm=self.glass_mm,
            piece_c=self.piece_c,
            press_no=self.press_no,
            warm_up_s=self.warm_up_s,
        ).to_dict()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRequest:
    """Read a pressed target.

    Parameters
    ----------
    photos : paths
        Photos or scans of the same piece.
    target : path, optional
        Its layout; without one the printed code tells.
    camera : path, optional
        The characterised camera; gives trust ``referenced``, and absolute values where the white card round the piece
        links the photos to the characterisation.
    printed : {'as-usual', 'raw'}
        ``raw`` means without any profile: colour is reported, not judged.
    paper : {'on', 'off'}
        Whether the paper is still taped on and has not moved.
    against : path, optional
        Another reading of the same target, taken as the aim.
    repeat : path, optional
        Repeat study of this set-up: no cell is called surer than it says.
    limits : path, optional
        Limits laid over the shipped ones.
    pressing : Pressing
        For the advice on pressing again.
    """

    photos: tuple[str, ...]
    target: str | None = None
    camera: str | None = None
    printed: Printed = "as-usual"
    paper: Paper = "on"
    against: str | None = None
    repeat: str | None = None
    limits: str | None = None
    pressing: Pressing = Pressing()


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraRequest:
    """Characterise a phone or scanner from photos of a measured target.

    Parameters
    ----------
    photos : paths
        One or several, of the same piece, with the same device.
    target : path
        Layout of the target.
    measured : path
        Its measured values, ISO 28178 text.
    light : str
        A note about the lamp.
    """

    photos: tuple[str, ...]
    target: str
    measured: str
    light: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatRequest:
    """Ask how well photos of one piece agree, each set up anew as in later use.

    Parameters
    ----------
    photos : at least three paths
    target : path, optional
        Its layout; without one the printed code tells.

    Raises
    ------
    UsageError
        Fewer than three photos.
    """

    photos: tuple[str, ...]
    target: str | None = None

    def __post_init__(self) -> None:
        if len(self.photos) < 3:
            raise UsageError(
                f"a repeat study needs at least three photos, not {len(self.photos)}",
                "photograph the same piece again, each time set up anew",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectRequest:
    """Check a finished piece against its artwork.

    Parameters
    ----------
    photos : paths
        One or several of the same piece, turned or shifted between shots, camera and lamp fixed.
    artwork : path
        The picture as its owner sees it.
    size_mm, shape, view
        Of the piece.
    paper : {'on', 'off'}
        Whether the paper is still taped on; only then a re-press may be the answer.
    blank_frame : path, optional
        A white sheet in the piece's place, same camera, lamp and exposure.
    reading, profile : path, optional
        What the colours should be: a reading of the same substrate, or the profile it was printed through.
    before : path, optional
        Result of the inspection before the piece was pressed again; it may not be pressed once more then.
    limits : path, optional
        Limits laid over the shipped ones.
    pressing : Pressing
        For the advice on pressing again.

    Raises
    ------
    UsageError
        A round piece with two diameters; a reading and a profile.
    """

    photos: tuple[str, ...]
    artwork: str
    size_mm: tuple[float, float]
    shape: Shape = "rect"
    view: View = "front"
    paper: Paper = "on"
    blank_frame: str | None = None
    reading: str | None = None
    profile: str | None = None
    before: str | None = None
    limits: str | None = None
    pressing: Pressing = Pressing()

    def __post_init__(self) -> None:
        _check_size(self.size_mm, self.shape)
        if self.reading and self.profile:
            raise UsageError(
                "give either a reading or a profile, not both", "a reading of the substrate is the better one"
            )
