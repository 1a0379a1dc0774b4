"""What each flow can be asked: paths and plain values in mm, °C and seconds, as any face can fill them.

A request that contradicts itself cannot be made; what its files hold is checked by the flow that opens them.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from ..ground import reader
from ..ground.errors import UsageError
from ..ground.recipe import MakerLimits, Recipe, check_limits
from ..ground.records import Lit, Shape, View
from ..ground.units import inches_meant

Patches = Literal["compact", "standard", "fine"]
Paper = Literal["on", "off"]
Printed = Literal["as-usual", "raw"]
Purpose = Literal["photos", "blacks", "window", "cost"]
Intent = Literal["relative", "perceptual", "saturation"]
Correction = Literal["full", "grey", "tone"]

SIZE_MM = (15.0, 1500.0)
DPI = (72, 1200)
MAX_MARGIN_MM = 30.0


def _check_name(name: str, longest: int) -> None:
    """Refuse what cannot be the name of files in one folder."""
    plain = name.isprintable() and len(os.fsencode(name)) <= longest and not name.startswith(".")
    if not name or not plain or Path(name).name != name:
        raise UsageError(f"'{name[:40]}' cannot be a file name", "use letters, digits and hyphens")


def _check_size(size_mm: tuple[float, float], shape: Shape) -> None:
    w, h = size_mm
    if not all(SIZE_MM[0] <= v <= SIZE_MM[1] for v in size_mm):
        raise UsageError(
            f"a piece of {reader.size(size_mm)} makes no sense",
            f"give {reader.lengths(*SIZE_MM)} on each side{inches_meant(size_mm)}",
        )
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
class TargetRequest:
    """Make a test target.

    Parameters
    ----------
    name : str
        Of its files.
    size_mm, shape, view
        Of the blank.
    patches : {'compact', 'standard', 'fine'}, optional
        How many colours; without, standard, or compact where that does not fit.
    dpi : int
    seed : int
        Another number, another order of the cells.
    file_format : {'png', 'tiff', 'pdf'}
    bleed_mm : float
        Print this much larger on every side.

    Raises
    ------
    UsageError
        A name that cannot be one of files.
    """

    name: str
    size_mm: tuple[float, float]
    shape: Shape = "rect"
    view: View = "front"
    patches: Patches | None = None
    dpi: int = 300
    seed: int = 1
    file_format: Literal["png", "tiff", "pdf"] = "png"
    bleed_mm: float = 0.0

    def __post_init__(self) -> None:
        _check_name(self.name, 200)


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
    bench : path, optional
        Check of this set-up: its figures take the place of assumed ones.
    limits : path, optional
        Limits laid over the shipped ones.
    pressing : Pressing
        For the advice on pressing again.
    lit : {'front', 'behind'}
        From behind: before a window or a lamp. The paper is off then.
    """

    photos: tuple[str, ...]
    target: str | None = None
    camera: str | None = None
    printed: Printed = "as-usual"
    paper: Paper = "on"
    against: str | None = None
    repeat: str | None = None
    bench: str | None = None
    limits: str | None = None
    pressing: Pressing = Pressing()
    lit: Lit = "front"

    @property
    def taped(self) -> Paper:
        """Whether the paper is on: lit from behind it is off, since it would let no light through."""
        return "off" if self.lit == "behind" else self.paper


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
class BenchRequest:
    """Check a photo set-up; every part may be left out.

    Parameters
    ----------
    lamp_a, lamp_b, both : path, optional
        A pressed target on white card under one lamp, the other, and both; all three or only the last.
    black : path, optional
        A dark hole in white card: the mouth of a lined box.
    sheet : path, optional
        A sheet of paper on a dark table.
    turned : path, optional
        The target of ``both`` turned by a quarter, under both lamps.
    again : path, optional
        Reading of the same piece on an earlier day, in the same set-up.
    target : path, optional
        Layout of the target; without one the printed code tells.
    glass_on_hole : bool
        A clear pane lay on the hole, so that the room mirrored in it was measured as well.

    Raises
    ------
    UsageError
        Nothing to check, or photos that only together tell something.
    """

    lamp_a: str | None = None
    lamp_b: str | None = None
    both: str | None = None
    black: str | None = None
    sheet: str | None = None
    turned: str | None = None
    again: str | None = None
    target: str | None = None
    glass_on_hole: bool = False

    def __post_init__(self) -> None:
        if not self.photos():
            todo = "take at least one" if reader.on_page() else "give at least one, such as --sheet PAPER.jpg"
            raise UsageError("no photo was given", todo)
        a, b, both, turned, again = map(reader.option, ("lamp-a", "lamp-b", "both", "turned", "again"))
        if (self.lamp_a or self.lamp_b) and not (self.lamp_a and self.lamp_b and self.both):
            raise UsageError("light is added from three photos", f"give {a}, {b} and {both} together, or {both} alone")
        if (self.turned or self.again) and not self.both:
            raise UsageError(f"{turned} and {again} are compared with {both}", f"give {both} as well")
        if self.both and not (self.lamp_a or self.turned or self.again):
            raise UsageError(f"{both} alone proves nothing", f"add {a} and {b}, {turned} or {again}")
        if self.glass_on_hole and not self.black:
            hole = reader.option("black")
            raise UsageError(f"{reader.option('glass-on-hole')} is about {hole}", f"give {hole} as well")

    def photos(self) -> dict[str, str]:
        """Photos given, by the name of their field."""
        names = ("lamp_a", "lamp_b", "both", "black", "sheet", "turned")
        return {n: p for n in names if (p := getattr(self, n))}


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
    bench : path, optional
        Check of this set-up: its figures take the place of assumed ones.
    limits : path, optional
        Limits laid over the shipped ones.
    pressing : Pressing
        For the advice on pressing again.
    lit : {'front', 'behind'}
        From behind: before a window or a lamp. The paper is off then.

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
    bench: str | None = None
    limits: str | None = None
    pressing: Pressing = Pressing()
    lit: Lit = "front"

    @property
    def taped(self) -> Paper:
        """Whether the paper is on: lit from behind it is off, since it would let no light through."""
        return "off" if self.lit == "behind" else self.paper

    def __post_init__(self) -> None:
        _check_size(self.size_mm, self.shape)
        if self.reading and self.profile:
            raise UsageError(
                "give either a reading or a profile, not both", "a reading of the substrate is the better one"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareRequest:
    """Compare substrates by their saved readings.

    Parameters
    ----------
    readings : paths
        At least two.
    names : sequence of str, optional
        One for every reading; readings of one name are pooled. Without them the file names serve.
    purpose : {'photos', 'blacks', 'window', 'cost'}
    same_setup : bool
        Lamp, room and camera were left alone for all photos, so that smaller differences count.
    costs : dict
        For a name what one piece takes, see `piececost.cost_of`.
    lights : dict
        For a name two photos of a light panel: with the piece and without.
    lit : {'front', 'behind'}
        From where the pieces of all readings were lit.
    """

    readings: tuple[str, ...]
    names: tuple[str, ...] | None = None
    purpose: Purpose = "photos"
    same_setup: bool = False
    costs: dict[str, dict[str, float | str]] = field(default_factory=dict)
    lights: dict[str, tuple[str, str]] = field(default_factory=dict)
    lit: Lit = "front"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileRequest:
    """Build a printer profile.

    Parameters
    ----------
    readings : paths
        One or several, of one printer with one ink, paper, recipe, substrate and view.
    name : str
        What the profile calls itself.
    version : {4, 2}
        Of ICC.1.
    lit : {'front', 'behind'}
        From where the pieces of all readings were lit, and prints through the profile will be.

    Raises
    ------
    UsageError
        A name that cannot be used.
    """

    readings: tuple[str, ...]
    name: str
    version: Literal[4, 2] = 4
    lit: Lit = "front"

    def __post_init__(self) -> None:
        if not self.name or len(self.name) > 200 or not self.name.isprintable():
            raise UsageError("the name cannot be used", "give 1 to 200 printable characters")


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepareRequest:
    """Make artwork ready to print.

    Parameters
    ----------
    artwork : path
        The picture as its owner will see the piece, never mirrored.
    profile, curves : path
        Of printer, ink, paper and substrate; one of them. Curves are used as they are. With neither the picture gets
        its size, bleed and mirroring alone, in sRGB.
    size_mm, shape, view
        Of the piece. Looked at from the front, the print is mirrored.
    bleed_mm : float
        How far the print reaches beyond the piece. What the picture lacks of it is filled with its mirrored rim.
    border_mm : float
        White paper round the bleed, made part of the file.
    art_bleed_mm : float, optional
        How far the picture itself reaches beyond the piece; found out from its resolution or proportions if not given.
    intent : {'relative', 'perceptual', 'saturation'}
        With black-point compensation.
    correction : {'full', 'grey', 'tone'}
        With a profile: the whole of it, or only curves that follow from its neutral ramp.
    dpi : int
        Of the print file.
    coat_tint : bool
        Show the tint of the bare coat in the proof.
    view_told : bool
        False: nobody said how the piece is looked at, and that is then said with the answer.
    lit : {'front', 'behind'}
        From where the piece will be lit; the profile must be made for it.

    Raises
    ------
    UsageError
        Sizes that make no sense; options that do not go together.
    """

    artwork: str
    size_mm: tuple[float, float]
    profile: str | None = None
    curves: str | None = None
    shape: Shape = "rect"
    view: View = "front"
    bleed_mm: float = 3.0
    border_mm: float = 0.0
    art_bleed_mm: float | None = None
    intent: Intent = "relative"
    correction: Correction = "full"
    dpi: int = 300
    coat_tint: bool = False
    view_told: bool = True
    lit: Lit = "front"

    def __post_init__(self) -> None:
        _check_size(self.size_mm, self.shape)
        if not DPI[0] <= self.dpi <= DPI[1]:
            raise UsageError(
                f"{self.dpi} dots per inch make no sense",
                f"give {reader.option('dpi')} {DPI[0]} to {DPI[1]}, usually 300",
            )
        for name, value in (("bleed", self.bleed_mm), ("border", self.border_mm)):
            if not 0 <= value <= MAX_MARGIN_MM:
                raise UsageError(
                    f"a {name} of {reader.length(value, None)} makes no sense",
                    f"give {reader.lengths(0, MAX_MARGIN_MM)}",
                )
        if self.profile and self.curves:
            raise UsageError(
                "give either a profile or curves, not both", "--profile BOARD.icc, or --curves CURVES.json"
            )
        if not self.profile and self.coat_tint:
            raise UsageError("--coat-tint needs a profile", "nothing else tells how the print will look")
        if not self.profile and (self.correction != "full" or self.intent != "relative"):
            what = "'Colours out of reach' needs" if reader.on_page() else "--correction and --intent need"
            raise UsageError(f"{what} a profile", f"add {reader.option('profile')}")
        if self.correction != "full" and self.intent != "relative":
            raise UsageError("curves have no intent", "leave --intent away, or take --correction full")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """Plan a step test.

    Parameters
    ----------
    time_s, temperature_c : (low, high)
        Range to try; a temperature with low = high is held, None: the press stays as it is always set.
    limits : MakerLimits
        Nothing beyond is planned.
    presses : int
    pressures : sequence of {'light', 'medium', 'firm'}
        Those to try; none or one: held.
    size_mm, shape, view
        Of the pieces.
    name : str
        On the targets, and of their files.
    seed : int
        Another number, another order and other targets.

    Raises
    ------
    UsageError
        A name that cannot be one of files, or a seed out of range.
    """

    time_s: tuple[float, float]
    limits: MakerLimits
    presses: int = 6
    temperature_c: tuple[float, float] | None = None
    pressures: tuple[str, ...] = ()
    size_mm: tuple[float, float] = (60.0, 60.0)
    shape: Shape = "rect"
    view: View = "front"
    name: str = "ladder"
    seed: int = 1

    def __post_init__(self) -> None:
        _check_name(self.name, 40)
        if not 0 <= self.seed <= 20_000:
            raise UsageError("the seed must be a whole number from 0 to 20000")


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderRequest:
    """Find the shortest sufficient time from the readings of a step test.

    Parameters
    ----------
    plan : path
    readings : paths
    steps : sequence of str, optional
        The step of each reading, in order; without it the printed codes, names or files tell.
    really : dict
        For a step what was really set: seconds, °C or None, pressure or ''.
    yellow : sequence of str, optional
        Steps whose coat looked yellower than an unpressed blank; empty: none did; None: nobody looked.
    within : float
        This near to the plateau is on it, as a share of it.

    Raises
    ------
    UsageError
        No reading, or a share out of range.
    """

    plan: str
    readings: tuple[str, ...]
    steps: tuple[str, ...] | None = None
    really: dict[str, tuple[float, float | None, str]] = field(default_factory=dict)
    yellow: tuple[str, ...] | None = None
    within: float = 0.03

    def __post_init__(self) -> None:
        if not self.readings:
            raise UsageError(
                "'ladder read' takes the plan and its readings", "colorcheck ladder read plan.json A.json B.json …"
            )
        if not 0.005 <= self.within <= 0.1:
            raise UsageError(f"--within {100 * self.within:g} is out of range", "give 0.5 to 10 percent")


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthRequest:
    """Lay the findings of many pieces over one another.

    Parameters
    ----------
    results : paths
        Written by 'read' or 'inspect'.
    placed : path, optional
        Table of how each of these lay.
    log : str, optional
        Press log to take further pieces from; '' is the usual one.
    last : int
        Of the log, at most so many pieces, the newest.
    blank : str
        Of the log, only this one, ``NAME`` or ``NAME/LOT``; '' for all.
    since : datetime, optional
        Of the log, only from then on.

    Raises
    ------
    UsageError
        No pieces, or what only a log can answer.
    """

    results: tuple[str, ...] = ()
    placed: str | None = None
    log: str | None = None
    last: int = 100
    blank: str = ""
    since: datetime | None = None

    def __post_init__(self) -> None:
        if self.log is None and (self.blank or self.since):
            raise UsageError("--blank and --since belong to --log", "add --log as well")
        if self.log is None and not self.results:
            raise UsageError("no pieces were given", "name files written by 'read' or 'inspect', or add --log")
        if not 1 <= self.last <= 1000:
            raise UsageError(f"--last {self.last} is out of range", "give 1 to 1000")


@dataclass(frozen=True, slots=True, kw_only=True)
class FadingRequest:
    """Say what faded on one piece.

    Parameters
    ----------
    readings : at least two paths
        The first, and later ones.
    same_setup : bool
        Lamp, room and camera were the same each time.

    Raises
    ------
    UsageError
        Fewer than two readings.
    """

    readings: tuple[str, ...]
    same_setup: bool = False

    def __post_init__(self) -> None:
        if len(self.readings) < 2:
            raise UsageError("--fading compares readings of one piece", "give FIRST.json and at least one LATER.json")
