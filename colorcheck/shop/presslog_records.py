"""What goes into the press log and what comes out: frozen records, how people type them, and where the log lies.

Light on purpose: no database is loaded here, so that a command can refuse a bad option before its slow work.
"""

from __future__ import annotations

import hashlib
import math
import os
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from ..ground.errors import DataError, FileError, UsageError
from ..ground.files import SQLITE_HEADER, opened
from ..ground.recipe import Recipe
from ..ground.units import clean, parse_length, refuse_part
from .controlchart import ENOUGH, Chart

MEASURES: dict[str, str] = {
    "evenness": "largest ΔE00 of a zone from the mean of the piece",
    "mean_delta_e00": "mean colour error, ΔE00",
    "black_density": "visual density of black",
    "drift": "of a checked set-up: mean ΔE00 of one piece against an earlier day's reading",
    "turned": "of a checked set-up: mean ΔE00 of a target turned by a quarter",
    "stray-light": "of a checked set-up: stray light, % of white",
    "tone": "of a checked set-up: error of the tone curve, L*",
}
SET_UP = {"drift": 1.0, "turned": 1.0, "stray-light": 100.0, "tone": 1.0}  # those of a set-up; what they are shown in
JOB_STATES = ("queued", "running", "done", "failed", "interrupted", "cancelled")
JobState = Literal["queued", "running", "done", "failed", "interrupted", "cancelled"]
Frame = Literal["piece", "platen", "sheet", "blank"]
ENVIRONMENT = "COLORCHECK_LOG"


# ---------------------------------------------------------------- in


@dataclass(frozen=True, slots=True)
class Lay:
    """How a piece lay in the press, and how sheet and blank were turned against its picture.

    Platen coordinates are millimetres from the middle of the lower platen, as who stands before the press
    sees it from above: x to the right, y towards that person.

    Attributes
    ----------
    x_mm, y_mm : float
        Where the middle of the piece lay.
    turn_deg : float
        How far the piece was turned clockwise, seen from above.
    face : {'up', 'down', ''}
        Which way the picture, as its owner views it, faced; '' means: follows from recipe and view, see `faces_up`.
    sheet_deg : float
        How far the picture was turned clockwise on the printed sheet.
    blank_deg : float
        How far the blank (its mark, its label) was turned clockwise against the picture.
    """

    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0
    face: str = ""
    sheet_deg: float = 0.0
    blank_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Cost:
    """An amount in thousandths of the currency's unit: whole numbers, so that sums are exact."""

    item: str
    thousandths: int
    currency: str = ""


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo by its SHA-256. Where it was taken is never kept."""

    sha256: str
    file: str = ""
    device: str = ""
    taken: str = ""


@dataclass(frozen=True, slots=True)
class NewEntry:
    """One result to be recorded, with what is known about its piece.

    Attributes
    ----------
    kind : str
        The command that made it: 'read', 'inspect', 'compare' …
    data : mapping
        The result as JSON; the columns for search are taken from it.
    press_no : int or None
        Which pressing of the piece this judges: 1, after one re-press 2. None: not told.
    created : datetime or None
        When, with a time zone; None means now.
    uid : str
        32 hexadecimal digits; '' makes a new one. An entry whose uid is known is not recorded twice.
    """

    kind: str
    data: Mapping[str, Any]
    photos: tuple[Photo, ...] = ()
    piece: str = ""
    blank: str = ""
    lot: str = ""
    recipe: Recipe | None = None
    costs: tuple[Cost, ...] = ()
    lay: Lay | None = None
    press_no: int | None = None
    note: str = ""
    created: datetime | None = None
    uid: str = ""


@dataclass(frozen=True, slots=True)
class Filter:
    """Which entries: every condition that is given must hold.

    Attributes
    ----------
    kind, action : str
        'read', 're-press' …
    piece, blank : str
        Names, whatever their capitals; ``NAME/LOT`` names one lot of a blank.
    since, until : datetime or None
        From this moment on; before that one.
    text : str
        Words that all must occur in the names, the note, the answer or the recipe.
    lit : str
        'front' or 'behind': from where the piece was lit.
    at_least, at_most : mapping
        Bounds of 'evenness', 'mean_delta_e00', 'black_density' or 'findings'.
    """

    kind: str = ""
    action: str = ""
    piece: str = ""
    blank: str = ""
    since: datetime | None = None
    until: datetime | None = None
    text: str = ""
    lit: str = ""
    at_least: Mapping[str, float] = field(default_factory=dict)
    at_most: Mapping[str, float] = field(default_factory=dict)


# ---------------------------------------------------------------- out


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One line of the log."""

    uid: str
    created: datetime
    kind: str
    name: str
    action: str
    headline: str
    trust: str
    piece: str
    blank: str
    lot: str
    recipe: str
    mean_delta_e00: float | None
    evenness: float | None
    black_density: float | None
    findings: int
    press_no: int | None
    note: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding of one entry, for a map over many pieces.

    ``x_mm`` and ``y_mm`` count from the top left corner of the piece as its owner views it; `at` gives the place
    in other frames. ``platen_x_mm`` and ``platen_y_mm`` are None when nobody told how the piece lay.
    """

    entry_uid: str
    created: datetime
    piece: str
    blank: str
    lot: str
    kind: str
    x_mm: float
    y_mm: float
    size_mm: float
    delta_e00: float
    confidence: float
    piece_width_mm: float | None
    piece_height_mm: float | None
    platen_x_mm: float | None
    platen_y_mm: float | None
    turn_deg: float | None
    sheet_deg: float | None
    blank_deg: float | None

    def at(self, frame: Frame) -> tuple[float, float] | None:
        """Place in mm from the middle of the piece, platen, sheet or blank; None when it is not known."""
        if frame == "platen":
            known = self.platen_x_mm is not None and self.platen_y_mm is not None
            return (self.platen_x_mm, self.platen_y_mm) if known else None  # type: ignore[return-value]
        if self.piece_width_mm is None or self.piece_height_mm is None:
            return None
        u, v = self.x_mm - self.piece_width_mm / 2, self.y_mm - self.piece_height_mm / 2
        if frame == "piece":
            return u, v
        turn = self.sheet_deg if frame == "sheet" else self.blank_deg
        if turn is None:
            return None
        # the picture is turned on the sheet; the blank is turned under the picture
        return turned(u, v, turn if frame == "sheet" else -turn)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry with all that belongs to it."""

    row: EntryRow
    data: dict[str, Any]
    findings: tuple[FindingRow, ...]
    photos: tuple[Photo, ...]
    costs: tuple[Cost, ...]
    recipe: Recipe | None
    lay: Lay | None


@dataclass(frozen=True, slots=True)
class Trend:
    """One measure over time with its control limits; columns, oldest first.

    Attributes
    ----------
    lit : str
        From where all of these pieces were lit.
    chart : Chart or None
        Limits, smoothed values and what lies beyond; None for fewer than five values.
    """

    measure: str
    lit: str
    uids: tuple[str, ...]
    times: tuple[datetime, ...]
    values: tuple[float, ...]
    chart: Chart | None

    @property
    def rough(self) -> bool:
        """Whether the limits rest on too few values to be trusted."""
        return self.chart is None or self.chart.baseline < ENOUGH


@dataclass(frozen=True, slots=True)
class Share:
    """``good`` of ``n``, with the 95 % interval of Wilson (1927), doi 10.1080/01621459.1927.10502953."""

    good: int
    n: int

    @property
    def share(self) -> float | None:
        """Observed share, 0 to 1; None of nothing."""
        return self.good / self.n if self.n else None

    @property
    def interval(self) -> tuple[float, float]:
        """Where the true share lies with 95 % confidence."""
        if not self.n:
            return 0.0, 1.0
        z, p = 1.959964, self.good / self.n
        middle = p + z * z / (2 * self.n)
        half = z * math.sqrt(p * (1 - p) / self.n + z * z / (4 * self.n**2))
        scale = 1 + z * z / self.n
        return max(0.0, (middle - half) / scale), min(1.0, (middle + half) / scale)


@dataclass(frozen=True, slots=True)
class Yield:
    """How many pieces came out well.

    Attributes
    ----------
    first : Share
        Pieces whose first judged pressing was accepted.
    repress : Share
        Presses-again after which the piece no longer asked for the press: accepted, or only the profile at fault.
    pieces, good : int
        Pieces that were judged; pieces whose last judgement is accept.
    cost_per_good : tuple of (currency, amount)
        What was recorded as cost, by the good pieces; empty without either.
    """

    first: Share
    repress: Share
    pieces: int
    good: int
    cost_per_good: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class FadingPoint:
    """A later reading of a piece against its first.

    ``noise_delta_e00`` is what an unchanged piece would show from the random error of both readings alone; the
    camera's own shifts come on top.
    """

    uid: str
    created: datetime
    days: float
    cells: int
    mean_delta_e00: float
    p95_delta_e00: float
    noise_delta_e00: float
    same_camera: bool


@dataclass(frozen=True, slots=True)
class Health:
    """State of a log: what is in it, and whether its file is sound."""

    where: str
    server: str
    version: int
    entries: int
    pieces: int
    photos: int
    findings: int
    first: datetime | None
    last: datetime | None
    bytes: int
    journal: str
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class JobRow:
    """A piece of work that the page started."""

    uid: str
    created: datetime
    kind: str
    title: str
    state: JobState
    message: str
    owner: str
    entry_uid: str


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did: entries added, and entries that were there before."""

    added: int
    known: int


# ---------------------------------------------------------------- places


def turned(x: float, y: float, degrees: float) -> tuple[float, float]:
    """Turn a place clockwise about the origin, x right and y down; quarter turns are exact."""
    quarters, rest = divmod(degrees % 360.0, 90.0)
    for _ in range(int(quarters)):
        x, y = -y, x
    if rest:
        c, s = math.cos(math.radians(rest)), math.sin(math.radians(rest))
        x, y = c * x - s * y, s * x + c * y
    return x + 0.0, y + 0.0


def faces_up(lay: Lay, *, heated_face: str, view: str) -> bool | None:
    """Tell whether the picture, as its owner views it, faced up in the press; None when it cannot be known.

    Without ``lay.face`` it follows from a press that heats from above: the heated face lies up. The picture is
    viewed from the coat's side (``front``) or from the other (``through``).
    """
    if lay.face:
        return lay.face == "up"
    if heated_face not in ("coat", "back") or view not in ("front", "through"):
        return None
    return (heated_face == "coat") == (view == "front")


def to_platen(
    x_mm: float, y_mm: float, size_mm: tuple[float, float], lay: Lay, *, face_up: bool
) -> tuple[float, float]:
    """Platen coordinates (mm) of a place on the piece; face down, left and right change sides.

    Parameters
    ----------
    x_mm, y_mm : float
        Place from the top left corner of the piece, as its owner views it.
    size_mm : (float, float)
        Width and height of the piece.
    lay : Lay
        How it lay.
    face_up : bool
        Whether the picture faced up.
    """
    u, v = x_mm - size_mm[0] / 2, y_mm - size_mm[1] / 2
    u, v = turned(u if face_up else -u, v, lay.turn_deg)
    return u + lay.x_mm, v + lay.y_mm


# ---------------------------------------------------------------- what people type


_LAY_HOW = "write it like 'centre turn=90 face=down' or 'x=40mm y=-20mm turn=0 sheet=180 blank=0'"


def parse_lay(text: str) -> Lay:
    """How a piece lay in the press, as typed: ``centre turn=90 face=down``; see `Lay` for the words.

    Raises
    ------
    UsageError
        A word is not understood or given twice.
    """
    found: dict[str, Any] = {}
    for word in re.split(r"[\s,;]+", text.strip().lower()):
        key, _, value = word.partition("=")
        if key in ("centre", "center", "middle") and not value:
            new: dict[str, Any] = {"x_mm": 0.0, "y_mm": 0.0}
        elif key == "face" and value in ("up", "down"):
            new = {"face": value}
        elif key in ("x", "y") and re.search(r"[0-9]", value):
            sign = -1.0 if value.startswith(("-", "−")) else 1.0
            bare = value.lstrip("+-−")
            new = {f"{key}_mm": 0.0 if re.fullmatch(r"0+(\.0*)?(mm|cm|in)?", bare) else sign * parse_length(bare)}
        elif key in ("turn", "sheet", "blank") and re.fullmatch(r"[+-]?[0-9]{1,3}(\.[0-9]+)?°?", value):
            new = {f"{key}_deg": float(value.rstrip("°")) % 360.0}
        else:
            refuse_part("lay", word, _LAY_HOW)
        if set(new) & set(found):
            refuse_part("second", word, _LAY_HOW)
        found |= new
    return Lay(**found)


_COST = re.compile(
    r"(?P<item>(?:[^\W\d][^0-9€$£¥]*?)?)(?<!-)\s*(?P<sign>[€$£¥])?\s*(?P<units>[0-9]{1,9})(?:[.,](?P<parts>[0-9]{1,3}))?\s*(?P<currency>[A-Za-z€$£¥]{0,3})"
)


def parse_costs(text: str) -> tuple[Cost, ...]:
    """Costs as typed: ``4.20``, ``4.20 EUR``, ``blank 3.50; ink 0.40``; a currency written once holds for all.

    Raises
    ------
    UsageError
        Not an amount with at most three decimals.
    """
    costs = []
    for part in re.split(r";|,\s+|\s\+\s", text.strip()):
        m = _COST.fullmatch(part.strip())
        if m is None:
            refuse_part("cost", part, "write 4.20, 4.20 EUR or 'blank 3.50; ink 0.40 EUR'")
        amount = int(m["units"]) * 1000 + int((m["parts"] or "").ljust(3, "0"))
        item = clean(m["item"].strip(" =:"), 80) or "piece"
        costs.append(Cost(item, amount, (m["sign"] or m["currency"] or "").upper()))
    written = {c.currency for c in costs if c.currency}
    if len(written) == 1:
        costs = [Cost(c.item, c.thousandths, written.copy().pop()) for c in costs]
    return tuple(costs)


def parse_blank(text: str) -> tuple[str, str]:
    """Split ``NAME/LOT`` into the blank's name and its lot ('' when none is given)."""
    name, _, lot = text.partition("/")
    if not clean(name, 200):
        refuse_part("blank", text, "write its name, or NAME/LOT")
    return clean(name, 200), clean(lot, 200)


def parse_moment(text: str) -> datetime:
    """Moment as typed: ``2024-05-01``, ``2024-05-01 14:30``, or back from now: ``7d``, ``12h``, ``3w``; local time.

    Raises
    ------
    UsageError
        Not a moment.
    """
    from datetime import timedelta

    typed = text.strip().lower()
    if m := re.fullmatch(r"([0-9]{1,5})\s*(h|d|w)[a-z]*", typed):
        hours = {"h": 1, "d": 24, "w": 168}[m[2]] * int(m[1])
        return datetime.now(UTC) - timedelta(hours=hours)
    try:
        return datetime.fromisoformat(typed.upper()).astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        refuse_part("moment", text, "write 2024-05-01, '2024-05-01 14:30', or 7d for the last seven days")


def key_of(text: str) -> str:
    """Form of a name under which capitals, blanks and ways to write an accent make no difference."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def photo_of(path: str | Path) -> Photo:
    """Photo record of a file: its SHA-256 and its name without the folder.

    Raises
    ------
    FileError
        It cannot be read.
    """
    with opened(path) as f:
        return Photo(hashlib.file_digest(f, "sha256").hexdigest(), clean(Path(path).name, 200))


# ---------------------------------------------------------------- where the log lies


def place_of(where: str | Path | None) -> str:
    """URL or file of the log: as given, else the environment's ``COLORCHECK_LOG``, else the user's data folder."""
    named = str(where or os.environ.get(ENVIRONMENT) or "")
    if named:
        return named
    from platformdirs import user_data_path

    return str(user_data_path("colorcheck", appauthor=False) / "press-log.sqlite")


def check_place(place: str) -> None:
    """Refuse a place that cannot be a log, without opening what is there.

    Raises
    ------
    UsageError
        A URL of another kind.
    FileError
        A folder or a pipe, or in a folder that does not exist.
    """
    if "://" in place:
        scheme = re.split(r"\+|://", place, maxsplit=1)[0]
        if scheme not in ("sqlite", "postgresql", "postgres"):
            raise UsageError(f"a press log cannot lie at {scheme}://…", "name a file, or postgresql://USER@HOST/NAME")
        return
    if place == ":memory:":
        raise UsageError("a press log in memory is lost at once", "name a file for it, such as press-log.sqlite")
    p = Path(place)
    if p.is_dir():
        raise FileError(f"{p} is a folder", "name a file for the press log, such as press-log.sqlite")
    if p.exists() and not p.is_file():
        raise FileError(f"{p} is no ordinary file", "name a file for the press log, such as press-log.sqlite")
    if not p.parent.is_dir() and str(p) != place_of(None):
        raise FileError(f"there is no folder {p.parent}", "make it first, or choose another place for the log")


def look_at_place(place: str) -> None:
    """Refuse before any slow work, and without loading a database, what cannot be a log; errors as for `check_place`.

    Only where this process has no log open: to close a file takes away every lock that the process holds on it
    (POSIX), SQLite's own ones too, and another program could then remove what a log still writes ahead.

    Raises
    ------
    DataError
        A file that is no SQLite database, such as a photo that followed ``--log`` by mistake.
    """
    check_place(place)
    p = Path(place)
    if "://" in place or not p.exists():
        return
    with opened(p, todo="name a file for the press log") as f:
        head = f.read(16)
    if head and head != SQLITE_HEADER:
        raise DataError(f"{p} is not a press log", "name another file, or put a --log without a name last")
