"""The records that pass between steps: frozen, columns not lists, no behaviour.

Arrays are (row, col[, channel]); places are (x_mm, y_mm) from the top left of the
piece as its owner views it; colours are CIELAB D50/2° unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, IntFlag, StrEnum
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from .limits import Limits

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Mask = NDArray[np.bool_]

Shape = Literal["rect", "round"]
View = Literal["front", "through"]
Lit = Literal["front", "behind"]  # from behind, light passes the dye once and white is the bare blank
Action = Literal["accept", "re-press", "change-profile", "reprint", "retake-photo"]


class CellKind(IntEnum):
    """What a cell of the target is for."""

    COLOUR = 0
    WHITE = 1
    BLACK = 2
    CONTROL = 3  # one of the replicated control colours


class CellFlag(IntFlag):
    """What is wrong with one cell's value; none set means fit to use."""

    NONE = 0
    CLIPPED = 1  # some of its pixels are at the top code
    CRUSHED = 2  # some of its pixels are at the bottom code
    GLARE = 4  # lamp-coloured light lies over it
    UNEVEN = 8  # the cell is not one colour (a speck, a shadow's edge, a ghost)
    HIDDEN = 16  # off the photo, or something covers it
    OUTLIER = 32  # does not fit its neighbours in device colour
    UNDER_SPOT = 64  # lies on a place that was pressed unevenly
    DROPPED_PHOTO = 128  # one of several photos disagreed here and was left out
    OUT_OF_RANGE = 256  # outside the colours the camera was characterised with
    DENSITY_BOUND = 512  # so dark that stray light makes its density a lower bound


@dataclass(frozen=True, slots=True, eq=False)
class LinearImage:
    """A decoded photo in linear light.

    ``rgb`` is (H, W, 3) float32 in sRGB primaries with full scale at 1; ``clipped`` is
    (H, W) uint8, bit 1 at the top code, bit 2 at the bottom code.
    """

    rgb: Pixels
    clipped: Bytes
    scale: float
    original_size: tuple[int, int]
    source: str
    device: str
    taken: str
    exposure: dict[str, float]
    colour_space: str
    bit_depth: int
    kind: str
    notes: tuple[str, ...]
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """A printed test sheet in millimetres, as its owner views the pressed piece.

    ``box_mm`` is (n, 4) x, y, w, h; ``marker_box_mm`` (m, 4) the black square of each
    marker without its quiet zone; ``keep_out_mm`` (k, 4) places that are not field.
    """

    name: str
    size_mm: tuple[float, float]
    shape: Shape
    view: View
    patches: str
    seed: int
    dpi: int
    mirrored: bool
    bleed_mm: float
    print_file: str
    field_rgb: tuple[int, int, int]
    ids: tuple[str, ...]
    kind: NDArray[np.int64]
    device_rgb: NDArray[np.int64]
    box_mm: Floats
    cell_mm: float
    pitch_mm: float
    marker_ids: tuple[int, ...]
    marker_box_mm: Floats
    code_box_mm: tuple[float, float, float, float]
    code_text: str
    lines_box_mm: tuple[float, float, float, float]
    strip_box_mm: tuple[float, float, float, float]
    keep_out_mm: Floats

    @property
    def printed_mm(self) -> tuple[float, float]:
        """Width and height of the print file, its bleed included."""
        return self.size_mm[0] + 2 * self.bleed_mm, self.size_mm[1] + 2 * self.bleed_mm

    @property
    def centres_mm(self) -> Floats:
        """Middles of the cells, (n, 2)."""
        return self.box_mm[:, :2] + self.box_mm[:, 2:] / 2


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Where the piece lies in a decoded photo.

    ``homography`` is (3, 3) mm → undistorted pixels; then ``k`` (k1, k2) bends the
    radius about ``centre_px`` in units of ``radius_px``. ``mirrored`` says that the
    photo had to be flipped left to right first.
    """

    homography: Floats
    k: tuple[float, float]
    centre_px: tuple[float, float]
    radius_px: float
    mirrored: bool
    residual_mm: float
    px_per_mm: float
    markers_found: int
    edges_used: int


@dataclass(frozen=True, slots=True, eq=False)
class FlatImage:
    """The piece laid flat: linear RGB on a regular millimetre grid.

    Pixel (row, col) lies at ``x = (col + 0.5) / px_per_mm``, ``y`` likewise. ``clipped``
    carries the photo's flags; ``inside`` is False where the photo does not reach.
    """

    rgb: Pixels
    clipped: Bytes
    inside: Mask
    px_per_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class CellSamples:
    """What the flat image holds in every cell's reading area.

    ``rgb`` (n, 3) robust mean, ``spread`` (n, 3) standard deviation of one pixel,
    ``pixels`` (n,) how many independent ones, ``flags`` (n,) CellFlag bits,
    ``centre_px`` (n, 2) in the original photo.
    """

    rgb: Floats
    spread: Floats
    pixels: Floats
    flags: NDArray[np.int64]
    centre_px: Floats


@dataclass(frozen=True, slots=True, eq=False)
class FieldSamples:
    """The grey field averaged on a coarse grid of ``step_mm``; NaN where there is none.

    ``rgb`` (r, c, 3) mean, ``weight`` (r, c) pixels that went in.
    """

    rgb: Floats
    weight: Floats
    step_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """Lighting and glare taken out of one photo.

    ``e_map`` (r, c, 3) multiplicative light on the coarse grid of ``step_mm``;
    ``g_map`` (r, c, 3) additive light in the photo's linear units; ``glare`` (r, c)
    mask; ``e_cell``/``g_cell`` (n, 3) the same at the cells; ``e_std`` relative
    standard error of the light (n,); ``veil`` (3,) constant part of the additive light
    relative to the coat under mean light, ``veil_std`` its error, ``veil_known`` whether
    the anchors determine it.
    """

    e_map: Floats
    g_map: Floats
    glare: Mask
    step_mm: float
    e_cell: Floats
    g_cell: Floats
    e_std: Floats
    ratio: float
    order: int
    residual: float
    veil: Floats
    veil_std: float
    veil_known: bool
    cast: float


# second photos that settle what one leaves open
HAND_MOVED, TURNED = "hand moved aside", "turned a quarter and shifted"


class Kind(StrEnum):
    """Kinds of fault; `faults.catalogue` describes each."""

    MIRRORED = "mirrored"
    GHOST = "ghost"
    BANDING = "banding"
    MISSING_INK = "missing-ink"
    PINHOLE = "pinhole"
    SHINING = "shining-pinhole"  # of a piece lit from behind
    SPECK = "speck"
    HAIR = "hair"
    PALE = "pale"
    FADED_EDGE = "faded-edge"
    PALE_CENTRE = "pale-centre"
    DARK = "dark"
    DARK_EDGE = "dark-edge"
    SCORCH = "scorch"
    GLARE = "glare"


class Step(IntEnum):
    """The questions of the verdict, in the order in which they are judged."""

    PHOTO = 0
    SIDE = 1
    PAPER = 2
    PRINT = 3
    EVEN = 4
    COMPLETE = 5
    COLOUR = 6


class Severity(StrEnum):
    """How a difference strikes the eye, by its ΔE00 alone: hardly seen, seen when looked for, plain to see."""

    NOTE = "note"
    MINOR = "minor"
    MAJOR = "major"


_MINOR_DE, _MAJOR_DE = 2.0, 3.5  # seen by most people side by side; seen without looking for it (estimates)


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One thing seen at one place; every key means the same whoever found it.

    Attributes
    ----------
    kind : Kind
    x_mm, y_mm : float
        Its middle on the piece; of what is everywhere, the middle of the piece.
    diameter_mm : float
        Of the disc with the same area; of a band along a side, its depth.
    area_mm2 : float
        Of what is everywhere, the area of the piece.
    delta_e00 : float
        Mean over its core (half the diameter) against what was due there; of a second copy, of coat under the copy's
        mid-tones; of lines, from crest to trough; of a reflection 0.
    delta_l : float
        The same in L*, positive where it is paler.
    confidence : float
        That it is no accident of noise, 0 to 1.
    where : str
        In words; 'all over' where there is nothing to point at.
    uncertainty : float
        One standard deviation of ``delta_e00``.
    doubt : str
        What explains it about as well: 'reflection', 'rim', 'colour'; '' when nothing does.
    evidence : dict
        Half the difference of chi-square by which each cause that was tried explains it better than none.
    detail : dict
        What only this kind has: ``strength`` and ``shift_mm`` of a copy, ``amplitude_l``, ``period_mm`` and ``axis`` of
        lines, ``delta_b`` of yellowing, ``side`` of an edge, ``lack`` (share of missing dye) of a pale place.
    """

    kind: Kind
    x_mm: float
    y_mm: float
    diameter_mm: float
    area_mm2: float
    delta_e00: float
    delta_l: float
    confidence: float
    where: str
    uncertainty: float = float("nan")
    doubt: str = ""
    evidence: dict[str, float] = field(default_factory=dict)
    detail: dict[str, Any] = field(default_factory=dict)

    @property
    def severity(self) -> Severity:
        """How it strikes the eye."""
        de = self.delta_e00
        return Severity.MAJOR if de >= _MAJOR_DE else Severity.MINOR if de >= _MINOR_DE else Severity.NOTE


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The measured cells: media-relative CIELAB, density, uncertainty, flags.

    ``rgb_rel`` (n, 3) linear camera colour with the bare coat at 1; ``lab`` (n, 3);
    ``lab_absolute`` (n, 3) or None; ``u_noise`` and ``u_system`` (n,) the random and
    the shared part of ``uncertainty`` (n,), all ΔE00 at one standard deviation.
    """

    rgb_rel: Floats
    lab: Floats
    lab_absolute: Floats | None
    density: Floats
    u_noise: Floats
    u_system: Floats
    uncertainty: Floats
    flags: NDArray[np.int64]
    centre_px: Floats
    photos: int


@dataclass(frozen=True, slots=True, eq=False)
class Evenness:
    """How evenly the piece was pressed, from the field and the replicates.

    ``lab_map`` (r, c, 3) of the field on the grid of ``step_mm`` (NaN outside);
    ``de_map`` (r, c) signed ΔE00 from the piece's own robust mean (positive: paler);
    ``zones`` (3, 3) ΔE00 of each ninth from the mean; ``uptake_cell`` (n,) local dye
    uptake at every cell relative to the piece's typical one; ``uptake_map`` (r, c).
    """

    lab_map: Floats
    de_map: Floats
    step_mm: float
    zones: Floats
    zone_max: float
    zone_std_lab: tuple[float, float, float]
    slope_l_per_cm: float
    slope_direction: str
    range_l: float
    uncertainty: float
    uptake_cell: Floats
    uptake_map: Floats


@dataclass(frozen=True, slots=True)
class SecondCopy:
    """A copy of the print moved by ``shift_mm`` (x right, y down), of ``strength`` in shares of its density.

    ``significance`` is in standard errors; below that of a finding it is what chance may show.
    """

    shift_mm: tuple[float, float]
    strength: float
    significance: float


@dataclass(frozen=True, slots=True)
class Lines:
    """Regular lines that run along ``axis``, ``period_mm`` apart.

    ``amplitude_l`` is half of the swing between them in L*, ``dye`` what they lack, ``significance`` in standard
    errors.
    """

    period_mm: float
    amplitude_l: float
    significance: float
    axis: str
    dye: str


@dataclass(frozen=True, slots=True)
class Yellowing:
    """Rise of the bare coat's b* where it is strongest, ``delta_b`` within ± ``u``; NaN where it cannot be seen."""

    delta_b: float
    u: float


@dataclass(frozen=True, slots=True)
class Looked:
    """What the searches for a second copy, regular lines and yellowed coat saw, found or not."""

    copy: SecondCopy
    lines: Lines
    yellow: Yellowing


@dataclass(frozen=True, slots=True, eq=False)
class PrintCheck:
    """What the print of a target shows beside its colours.

    ``missing`` inks; ``edge_width_mm`` 10–90 % of the linear signal, with lens and pixels in it; ``uptake`` of dye
    within ± ``uptake_u``. NaN where nothing could be measured.
    """

    looked: Looked
    missing: tuple[str, ...]
    edge_width_mm: float
    uptake: float
    uptake_u: float


@dataclass(frozen=True, slots=True, eq=False)
class Uptake:
    """Dye of the whole piece as a ``share`` of what was due, within ± ``std``.

    ``explained`` is the part of all differences of density that a common factor takes away, 0 to 1;
    ``reference`` names the reading compared with, or is empty where only the aim tells.
    """

    share: float
    std: float
    explained: float
    reference: str


@dataclass(frozen=True, slots=True, eq=False)
class LightChange:
    """Light of a reading against that of the characterisation.

    ``by`` is what was compared: 'card' or 'coat'; ``red``, ``blue`` the change of R/G and B/G as ratios;
    ``other`` whether it counts as other light; ``u`` ΔE00 to add for a colour far from neutral.
    """

    by: str
    red: float
    blue: float
    other: bool


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """Another reading of the same target as the aim: ``lab`` (n, 3), ``u_random`` (n,), ``usable`` (n,)."""

    name: str
    lab: Floats
    u_random: Floats
    usable: Mask


@dataclass(frozen=True, slots=True, eq=False)
class Accuracy:
    """Colour error split into its four parts, per cell in ΔE00 (n,), and in sum.

    ``aim_lab`` (n, 3), ``reachable_lab`` (n, 3) the aim brought inside what the
    substrate showed, ``even_lab`` (n, 3) the measured colour with uneven pressing
    divided out; ``u_*`` what the camera leaves in doubt of a figure, one standard deviation.
    """

    aim_lab: Floats
    reachable_lab: Floats
    even_lab: Floats
    total: Floats
    press: Floats
    profile: Floats
    limit: Floats
    measurement: Floats
    used: Mask
    mean_total: float
    p95_total: float
    mean_press: float
    mean_profile: float
    p95_profile: float
    mean_limit: float
    mean_measurement: float
    grey_delta_ch: float
    grey_delta_l: float
    u_profile: float
    u_p95: float
    u_grey_ch: float
    u_grey_l: float
    max_chroma_out: float
    against: str


@dataclass(frozen=True, slots=True, eq=False)
class PhotoCheck:
    """Is the photo fit to judge by? Numbers and named problems with their places."""

    sharpness_px: float
    edge_mm: float
    clipped_share: float
    glare_share: float
    white_level: float
    noise: float
    tone_spread: float
    hidden: int
    problems: tuple[tuple[str, float, float, str], ...]  # (measure, value, limit, where)
    warnings: tuple[tuple[str, float, float, str], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Reason:
    """One step of the decision: what was compared with what."""

    measure: str
    value: float
    limit: float
    uncertainty: float
    outcome: str  # 'pass' | 'fail' | 'undecided' | 'note' | 'skipped'
    step: Step = Step.PHOTO
    place: str = ""
    detail: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What to do, and every step that led there, in the order it was judged."""

    action: Action
    reasons: tuple[Reason, ...]
    undecided: tuple[str, ...]
    advice: dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class PhotoResult:
    """Everything taken from one photo of a target."""

    image_name: str
    sha256: str
    device: str
    taken: str
    colour_space: str
    kind: str
    notes: tuple[str, ...]
    size_px: tuple[int, int]
    pose: Pose
    flat: FlatImage | None
    samples: CellSamples
    field: FieldSamples
    light: Light
    cells: Cells
    check: PhotoCheck


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """The measured target: what `read` writes and later steps take up again."""

    target: Target
    trust: str
    absolute: bool
    printed: str
    paper: str
    photos: tuple[PhotoResult, ...]
    cells: Cells
    evenness: Evenness
    prints: PrintCheck
    findings: tuple[Finding, ...]
    accuracy: Accuracy | None
    verdict: Verdict
    limits: Limits
    bench: str = ""
    lit: Lit = "front"
