"""Findings of many pieces laid over one another: the cause is where they gather: press, blank or sheet.

A finding has a place on its piece. Four more frames give it a place where its cause may sit: on the *platen* (how the
piece lay), on the *blank* (how it was turned before printing), on the *sheet* (how the picture stood in the printer),
and in the *photo* (how the piece lay before the camera): a lamp and its reflection stay there.
In the frame of its cause a fault that comes back lies at one place; in the others it is scattered as the
pieces were turned about.

Two questions, two tests, no threshold tuned on samples:

- *Does it come back at all, in this frame?* Each piece's findings are turned and mirrored at random in every way that
  maps the piece onto itself, and the concentration is measured again. Were the findings indifferent to the frame, the
  true arrangement would be one like the others: an exact randomisation test (Fisher, The Design of Experiments, 1935;
  Edgington & Onghena, Randomization Tests, 4th ed. 2007), p = (b + 1)/(m + 1) after Phipson & Smyth, Stat. Appl.
  Genet. Mol. Biol. 9(1) 39 (2010).
- *Which frame explains it best?* The log likelihood of every finding, predicted from the findings of all the other
  pieces (a mixture of 'anywhere' and Gaussian places, averaged over width and share) in one frame against another. A
  frame is named only when it is ahead by ln 20 or more: odds of 20 to 1.

Pieces that always lie, are blanked and printed the same way round cannot tell the frames apart, and that is said.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..faults.catalogue import family_of
from ..ground.cielab import delta_e00
from ..ground.errors import DataError, UsageError
from ..ground.files import read_json, read_text, shaped
from ..ground.records import Floats, Mask
from ..sheet.savedreading import InspectionFile, PhotoRow, PieceShape, PressedFile

if TYPE_CHECKING:
    from .presslog_records import Trend

FRAMES = ("platen", "blank", "sheet", "photo")
MIN_PIECES = 5  # looked at, before anything is claimed
MIN_AFFECTED = 4  # pieces with findings of one family
MIN_AT_SPOT = 3  # pieces that share a spot
P_LIMIT = 0.01
ODDS = math.log(20.0)
_STOP = 20  # shuffles as good as the truth after which the test ends: Besag & Clifford, Biometrika 78(2) 301–304 (1991)
_WIDEST_MM, _HALVED = 16.0, 3  # widths of 16, 8 and 4 mm
_SHARES = (0.3, 0.6, 0.9)
_AT_ONCE = 64
_SAME = 1e-3  # log likelihoods nearer than this are one and the same arrangement, but for rounding
_COLUMNS = (
    *("platen_x_mm", "platen_y_mm", "platen_turn_deg", "face"),
    *("blank_turn_deg", "sheet_turn_deg", "sheet_x_mm", "sheet_y_mm"),
)


@dataclass(frozen=True, slots=True)
class Placing:
    """How one piece lay, as the press log words it; turns clockwise in degrees, None where not written down.

    ``platen_mm`` is where the middle of the piece lay, from the middle of the platen as who stands before the press
    sees it from above: x right, y towards that person; ``platen_turn`` how far it was turned, seen from above;
    ``viewed_up`` whether the face that its owner looks at lay upwards. ``blank_turn`` is how far the blank (its mark)
    was turned against the picture, ``sheet_turn`` how far the picture was turned on the printed sheet and
    ``sheet_mm`` where its middle stood there. ``photo_turn`` and ``photo_mm`` are the turn of the piece in its photo
    and where its middle lay from that of the photo (`place_in_photo`).
    """

    platen_mm: tuple[float, float] | None = None
    platen_turn: float | None = None
    viewed_up: bool = True
    blank_turn: float | None = None
    sheet_turn: float | None = None
    sheet_mm: tuple[float, float] | None = None
    photo_turn: float | None = None
    photo_mm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Spot:
    """One finding on a piece: kind, place and size in mm, ΔE00."""

    kind: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    delta_e00: float


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece and what was found on it."""

    name: str
    size_mm: tuple[float, float]
    shape: str
    action: str
    spots: tuple[Spot, ...]
    placing: Placing = Placing()
    taken: str = ""
    source: str = ""
    seen: tuple[tuple[str, int, int], ...] = ()  # where in which photos, see `seen_in`


@dataclass(frozen=True, slots=True)
class Common:
    """A place that several pieces share, in the coordinates of its frame: kind, mm, and how many of how many pieces."""

    frame: str
    kind: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    delta_e00: float
    pieces: tuple[str, ...]
    could: int


@dataclass(frozen=True, slots=True)
class FrameTest:
    """How well one frame gathers one family of findings: log likelihood over 'anywhere', p of the randomisation test.

    ``known`` tells whether this frame's column was filled in; ``varied`` whether the pieces lay differently in it
    (against the piece's own frame): only then can it be told from the others.
    """

    frame: str
    gain: float
    p: float
    known: bool
    varied: bool


@dataclass(frozen=True, slots=True)
class FamilyHealth:
    """The answer for one family of findings.

    ``source``: a frame, 'unclear' (comes back, but the frames cannot be told apart), 'random' (no sign of coming
    back), 'unknown' (none seen, but how the pieces lay was never written down) or 'few' (too little evidence).
    ``ahead`` is the lead in log likelihood over the next frame that differs.
    """

    family: str
    source: str
    affected: int
    tests: tuple[FrameTest, ...]
    ahead: float
    rivals: tuple[str, ...]
    spots: tuple[Common, ...]


@dataclass(frozen=True, slots=True)
class Health:
    """Findings of many pieces, laid over one another."""

    pieces: tuple[Piece, ...]
    families: tuple[FamilyHealth, ...]
    yield_share: tuple[int, int]  # accepted, judged


@dataclass(frozen=True, slots=True)
class TrendLine:
    """One measure over time with its control limits, oldest first; indices count the values."""

    name: str
    unit: str
    days: tuple[str, ...]
    values: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    smooth: tuple[float, ...]
    outside: tuple[int, ...]
    drifting: tuple[int, ...]
    rough: bool


def trend_line(t: Trend, title: str, unit: str) -> TrendLine:
    """Name one measure over time for its drawing."""
    c = t.chart
    return TrendLine(
        name=title if t.lit == "front" else f"{title}, lit from behind",
        unit=unit,
        days=tuple(f"{d:%Y-%m-%d}" for d in t.times),
        values=tuple(float(v) for v in t.values),
        centre=c.centre if c else math.nan,
        lower=c.lower if c else math.nan,
        upper=c.upper if c else math.nan,
        smooth=tuple(c.ewma) if c else (),
        outside=tuple(c.outside) if c else (),
        drifting=tuple(c.drifting) if c else (),
        rough=bool(t.rough),
    )


# ---------------------------------------------------------------- files in


def load_piece(path: str | Path) -> Piece:
    """Read what was found on one piece from an inspection or a reading.

    Raises
    ------
    FileError
        It is missing or cannot be read.
    DataError
        It is neither, or damaged.
    """
    todo = "give files written by 'read' or 'inspect' with --json"
    d = read_json(path, "a reading or an inspection", todo=todo)
    name, again = Path(path).name, "read or inspect the piece again"
    schema = str(d.get("schema", ""))
    if schema.startswith("colorcheck-reading/"):
        file: PressedFile | InspectionFile = (r := shaped(d, PressedFile, f"{name} is damaged", again))
        where: PieceShape = r.target
        findings = r.press.findings
    elif schema.startswith("colorcheck-inspection/"):
        file = where = i = shaped(d, InspectionFile, f"{name} is damaged", again)
        findings = i.findings
    else:
        raise DataError(f"{name} is neither a reading nor an inspection", todo)
    return Piece(
        name=Path(path).stem,
        size_mm=where.size_mm,
        shape=where.shape,
        action=file.verdict.action,
        spots=tuple(
            Spot(f.kind, f.x_mm, f.y_mm, f.diameter_mm or 0.0, f.delta_e00 or 0.0)
            for f in findings
            if f.x_mm is not None and f.y_mm is not None
        ),
        placing=in_photo(file.photos),
        taken=(file.photos[0].taken or "") if file.photos else "",
        source=name,
        seen=seen_in(file.photos),
    )


def seen_in(photos: Sequence[PhotoRow]) -> tuple[tuple[str, int, int], ...]:
    """Tell a piece by its photos' content and its place in them, whatever names they have; () for older results."""
    at = [(p.sha256, p.piece_in_photo) for p in photos]
    return tuple((sha, round(q.x_mm), round(q.y_mm)) if q else (sha, 0, 0) for sha, q in at if sha)


def in_photo(photos: Sequence[PhotoRow], placing: Placing = Placing()) -> Placing:
    """Add to a placing how the piece lay in the first photo of a result; older results do not tell."""
    seen = photos[0].piece_in_photo if photos else None
    return placing if seen is None else replace(placing, photo_turn=seen.turn_deg, photo_mm=(seen.x_mm, seen.y_mm))


def load_placings(path: str | Path) -> dict[str, Placing]:
    """Read how the pieces lay: CSV with a column ``file`` and any of the columns of `Placing`.

    Returns
    -------
    dict
        File name without its ending → placing.

    Raises
    ------
    FileError
        It is missing or cannot be read.
    DataError
        A column or a number is not understood.
    """
    p = Path(path)
    text = read_text(p, todo="give a CSV file")
    head = text.splitlines()[0] if text.strip() else ""
    delimiter = max((";", "\t", ","), key=head.count) if head else ","
    try:
        rows = csv.DictReader(io.StringIO(text), delimiter=delimiter)
        names = [(n or "").strip().lower() for n in rows.fieldnames or []]
        table = list(enumerate(rows, 2))
    except csv.Error as e:
        raise DataError(f"{p.name} is no table", "save it as CSV in UTF-8") from e
    if "file" not in names:
        raise DataError(f"{p.name} has no column 'file'", f"its first line names file, {', '.join(_COLUMNS)}")
    if stray := [n for n in names if n and n not in _COLUMNS and n != "file"]:
        raise DataError(f"{p.name} has an unknown column '{stray[0][:30]}'", f"known are file, {', '.join(_COLUMNS)}")
    out: dict[str, Placing] = {}
    for line, raw in table:
        row = {(k or "").strip().lower(): (v or "").strip() for k, v in raw.items() if isinstance(v, str)}
        if not row.get("file"):
            continue
        out[Path(row["file"]).stem] = _placing(row, f"{p.name}, line {line}")
    if not out:
        raise DataError(f"{p.name} names no piece", "write one line for each file")
    return out


def _placing(row: dict[str, str], where: str) -> Placing:
    def number(key: str) -> float | None:
        text = row.get(key, "")
        if not text:
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError as e:
            raise DataError(f"{where}: {key} is '{text[:20]}'", "write a number") from e
        if not math.isfinite(value) or abs(value) > 5000:
            raise DataError(f"{where}: {key} is '{text[:20]}'", "write mm, or degrees")
        return value

    def pair(key: str) -> tuple[float, float] | None:
        x, y = number(f"{key}_x_mm"), number(f"{key}_y_mm")
        if (x is None) != (y is None):
            raise DataError(f"{where}: only one of {key}_x_mm and {key}_y_mm", "write both, or neither")
        return None if x is None or y is None else (x, y)

    face = row.get("face", "").lower()
    if face not in ("", "up", "down"):
        raise DataError(f"{where}: face is '{face[:20]}'", "write up or down: where the viewed face lay")
    return Placing(
        platen_mm=pair("platen"),
        platen_turn=number("platen_turn_deg"),
        viewed_up=face != "down",
        blank_turn=number("blank_turn_deg"),
        sheet_turn=number("sheet_turn_deg"),
        sheet_mm=pair("sheet"),
    )


def placed(pieces: Sequence[Piece], placings: dict[str, Placing]) -> tuple[Piece, ...]:
    """Give the pieces their placings; a name in the table without a piece is refused.

    Raises
    ------
    UsageError
        The table names a piece that was not given.
    """
    names = {p.name for p in pieces}
    if stray := [n for n in placings if n not in names]:
        raise UsageError(
            f"the table names '{stray[0][:40]}', which is not among the files", "give it, or strike the line"
        )

    def lay(p: Piece) -> Placing:
        told = placings.get(p.name, Placing())
        return replace(told, photo_turn=p.placing.photo_turn, photo_mm=p.placing.photo_mm)

    return tuple(replace(p, placing=lay(p)) for p in pieces)


# ---------------------------------------------------------------- frames


def in_frame(xy: Floats, piece: Piece, frame: str) -> Floats:
    """Places on a piece → places in a frame, both (n, 2) in mm.

    The origin is the middle of the platen, blank, sheet or photo; a piece whose place there was not written
    down is taken to have lain in the middle.
    """
    p, (w, h) = piece.placing, piece.size_mm
    out = np.asarray(xy, float) - (w / 2, h / 2)
    if frame == "blank":
        return _turned(out, -(p.blank_turn or 0.0))
    if frame == "photo":
        return np.asarray(_turned(out, p.photo_turn or 0.0) + np.array(p.photo_mm or (0.0, 0.0)))
    if frame == "sheet":
        return np.asarray(_turned(out, p.sheet_turn or 0.0) + np.array(p.sheet_mm or (0.0, 0.0)))
    if not p.viewed_up:
        out = out * (-1.0, 1.0)
    return np.asarray(_turned(out, p.platen_turn or 0.0) + np.array(p.platen_mm or (0.0, 0.0)))


def _turned(xy: Floats, degrees: float) -> Floats:
    a = math.radians(degrees)
    c, s = math.cos(a), math.sin(a)
    return np.asarray(xy @ np.array([[c, s], [-s, c]]))


def _maps(pieces: Sequence[Piece], frame: str) -> tuple[Floats, Floats]:
    """`in_frame` of each piece as a turn (n, 2, 2) of places from its middle, and where its middle lies (n, 2)."""
    probes = [
        in_frame(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + np.array(p.size_mm) / 2, p, frame) for p in pieces
    ]
    at = np.array(probes).reshape(-1, 3, 2)
    return np.moveaxis(at[:, 1:] - at[:, :1], 1, 2), at[:, 0]


_FLIPS = np.array([[[a, 0.0], [0.0, b]] for a in (1.0, -1.0) for b in (1.0, -1.0)])
_SYMMETRIES = np.concatenate([_FLIPS, _FLIPS[:, :, ::-1]])  # of a square; the first four are those of an oblong


def _at_random(pieces: Sequence[Piece], rng: np.random.Generator) -> Floats:
    """For each piece one turn or mirror (n, 2, 2) at random that maps it onto itself."""
    sizes = np.array([p.size_mm for p in pieces])
    square = np.abs(sizes[:, 0] - sizes[:, 1]) <= 0.02 * sizes.max(axis=1)
    out = _SYMMETRIES[rng.integers(np.where(square, 8, 4))]
    disc = np.array([p.shape == "round" for p in pieces])
    a = rng.uniform(0, 2 * np.pi, int(disc.sum()))
    turn = np.moveaxis(np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]), 2, 0)
    out[disc] = _FLIPS[rng.integers(2, size=len(a))] @ turn
    return np.asarray(out)


def _area(piece: Piece) -> float:
    w, h = piece.size_mm
    return w * h * (math.pi / 4 if piece.shape == "round" else 1.0)


def gain(xy: Floats, owner: Any, area: Floats) -> float:
    """Log likelihood of findings, each predicted from those of the other pieces, over 'anywhere on the piece'.

    Parameters
    ----------
    xy : (n, 2)
        Places in one frame.
    owner : (n,) int
        Piece of each.
    area : (n,)
        Of that piece, mm².

    Returns
    -------
    float
        Natural logarithm, averaged over widths of 4 to 16 mm and shares of 0.3 to 0.9; nought when nothing gathers.
    """
    count = len(owner) - np.bincount(owner, minlength=int(owner.max(initial=0)) + 1)[owner]
    logs = []
    for density in _densities(xy, owner):
        ratio = density / np.maximum(count, 1) * area
        logs += [float(np.log((1 - share) + share * ratio).sum()) for share in _SHARES]
    top = max(logs)
    return top + math.log(sum(math.exp(v - top) for v in logs) / len(logs))


def _densities(xy: Floats, owner: Any) -> Floats:
    """Density (widths, n) of the other pieces' findings at each finding, 1/mm², for normal curves of each width.

    Every pair is looked at once, in parts that the processor keeps at hand, and with half as many digits.
    """
    scaled = ((xy - xy.mean(axis=0)) * (math.sqrt(0.5) / _WIDEST_MM)).astype(np.float32)
    x, y = scaled[:, 0], scaled[:, 1]
    out = np.zeros((_HALVED, len(x)), np.float32)
    for a in range(0, len(x), _AT_ONCE):
        b = a + _AT_ONCE
        near = (x[a:b, None] - x[a:]) ** 2
        near += (y[a:b, None] - y[a:]) ** 2
        np.negative(near, out=near)
        np.exp(near, out=near)
        near[owner[a:b, None] == owner[a:]] = 0.0
        for k in range(_HALVED):
            if k:  # a normal curve of half the width is the fourth power
                near *= near
                near *= near
            out[k, a:b] += near.sum(axis=1)
            out[k, b:] += near[:, _AT_ONCE:].sum(axis=0)
    widths = _WIDEST_MM / 2.0 ** np.arange(_HALVED)
    return np.asarray(out.astype(float) / (2 * math.pi * widths[:, None] ** 2))


# ---------------------------------------------------------------- the answer


def judge_health(pieces: Sequence[Piece], *, shuffles: int = 999, seed: int = 0) -> Health:
    """Lay the findings of many pieces over one another and name the source that explains them.

    Parameters
    ----------
    pieces : sequence of Piece
        Those without findings count: they tell how often a place is free of them.
    shuffles : int
        Of the randomisation test.
    seed : int
        One seed, one answer.

    Returns
    -------
    Health

    Raises
    ------
    DataError
        No piece is fit to judge.
    """
    fit = tuple(p for p in pieces if p.action != "retake-photo")
    if not fit:
        raise DataError("none of these pieces could be judged", "take their photos again")
    families = []
    for family in ("soft", "crisp", "scorch"):
        if any(family_of(s.kind) == family for p in fit for s in p.spots):
            families.append(_judge_family(family, fit, shuffles, np.random.default_rng([seed, len(fit), len(family)])))
    return Health(fit, tuple(families), (sum(p.action == "accept" for p in fit), len(fit)))


def _judge_family(family: str, pieces: tuple[Piece, ...], shuffles: int, rng: np.random.Generator) -> FamilyHealth:
    rows = [(p, s) for p in pieces for s in p.spots if family_of(s.kind) == family]
    affected = tuple({id(p): p for p, _ in rows}.values())
    number = {id(p): k for k, p in enumerate(affected)}
    owner = np.array([number[id(p)] for p, _ in rows])
    from_middle = np.array([(s.x_mm - p.size_mm[0] / 2, s.y_mm - p.size_mm[1] / 2) for p, s in rows])
    area = np.array([_area(p) for p in affected])[owner]
    enough = len(affected) >= MIN_AFFECTED and len(pieces) >= MIN_PIECES
    maps = {frame: _maps(affected, frame) for frame in FRAMES}

    def placed_by(turn: Floats, shift: Floats) -> float:
        return gain(np.einsum("nij,nj->ni", turn[owner], from_middle) + shift[owner], owner, area)

    tests = []
    for frame, (turn, shift) in maps.items():
        true = placed_by(turn, shift)
        p_value = 1.0
        if enough:
            beyond, drawn = 0, 0
            while drawn < shuffles and beyond < _STOP:
                beyond += placed_by(turn @ _at_random(affected, rng), shift) >= true - _SAME
                drawn += 1
            p_value = beyond / drawn if beyond >= _STOP else (beyond + 1) / (drawn + 1)
        known = any(_known(p, frame) for p in affected)
        varied = any(_differs(maps[frame], maps[other]) for other in FRAMES if other != frame)
        tests.append(FrameTest(frame, true, p_value, known, varied))
    source, ahead, rivals = _source(tests, maps, enough)
    spots: list[Common] = []
    if source != "few":
        best = max(tests, key=lambda t: t.gain).frame if source in ("random", "unclear") else source
        spots = _common(family, pieces, best) if source != "random" else []
        if not spots and source not in ("random", "few"):
            source = "random"
    if source == "random" and not any(t.known for t in tests if t.frame != "photo"):
        source = "unknown"  # a fault of the press wanders over pieces that are turned, and none of that was told
    return FamilyHealth(family, source, len(affected), tuple(tests), ahead, rivals, tuple(spots))


def _known(p: Piece, frame: str) -> bool:
    """Whether the piece's place in the frame was written down."""
    q = p.placing
    if frame == "platen":
        return q.platen_turn is not None or q.platen_mm is not None
    return {"blank": q.blank_turn, "sheet": q.sheet_turn, "photo": q.photo_turn}[frame] is not None


def _differs(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> bool:
    """Whether two frames (`_maps`) can be told apart: some pieces stand in them differently against one another."""
    turn = other[0] @ np.linalg.inv(one[0])
    shift = other[1] - np.einsum("nij,nj->ni", turn, one[1])
    # what maps the one frame onto the other, as a rounded signature
    moves = np.concatenate([np.round(turn.reshape(-1, 4), 1), np.round(shift / 5.0)], axis=1)
    return len(np.unique(moves + 0.0, axis=0)) > 1


def _source(
    tests: Sequence[FrameTest], maps: dict[str, tuple[Floats, Floats]], enough: bool
) -> tuple[str, float, tuple[str, ...]]:
    """Name the frame, its lead, and the frames that explain the findings as well."""
    if not enough:
        return "few", 0.0, ()
    best = max(tests, key=lambda t: t.gain)
    if best.p > P_LIMIT or best.gain < ODDS:
        return "random", best.gain, ()
    rivals, ahead = [], math.inf
    for t in tests:
        if t.frame == best.frame:
            continue
        lead = best.gain - t.gain
        if not _differs(maps[best.frame], maps[t.frame]) or lead < ODDS:
            rivals.append(t.frame)
        ahead = min(ahead, lead)
    if rivals or not best.known:
        return "unclear", ahead, (best.frame, *rivals)
    return best.frame, ahead, ()


def _common(family: str, pieces: tuple[Piece, ...], frame: str) -> list[Common]:
    """Places that at least three pieces share, strongest first: greedy, each finding counted once."""
    rows = [
        (k, s, in_frame(np.array([[s.x_mm, s.y_mm]]), p, frame)[0])
        for k, p in enumerate(pieces)
        for s in p.spots
        if family_of(s.kind) == family
    ]
    lay = [_known(p, frame) for p in pieces]
    lay = lay if any(lay) else [True] * len(pieces)
    left = list(range(len(rows)))
    out = []
    while left:
        xy = np.array([rows[k][2] for k in left])
        reach = np.array([max(8.0, 0.35 * rows[k][1].diameter_mm) for k in left])
        near = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1)) <= reach[:, None]
        counts = [len({rows[left[j]][0] for j in np.flatnonzero(row)}) for row in near]
        k = int(np.argmax(counts))
        if counts[k] < MIN_AT_SPOT:
            break
        inside = [left[j] for j in np.flatnonzero(near[k])]
        middle = np.median(np.array([rows[j][2] for j in inside]), axis=0)
        kinds = [rows[j][1].kind for j in inside]
        owners = {rows[j][0] for j in inside}
        kind = max(set(kinds), key=lambda v: (kinds.count(v), v))
        out.append(
            Common(
                frame=frame,
                kind=kind,
                x_mm=float(middle[0]),
                y_mm=float(middle[1]),
                diameter_mm=float(np.median([rows[j][1].diameter_mm for j in inside])),
                delta_e00=float(np.median([rows[j][1].delta_e00 for j in inside])),
                pieces=tuple(sorted(pieces[k].name for k in owners)),
                could=sum(
                    _covers(p, frame, middle) or k in owners for k, p in enumerate(pieces) if lay[k] or k in owners
                ),
            )
        )
        left = [j for j in left if j not in inside]
    return out


def _covers(p: Piece, frame: str, at: Floats) -> bool:
    """Whether a piece lay over a place of the frame."""
    w, h = p.size_mm
    base = in_frame(np.array([[0.0, 0.0], [w, 0.0], [0.0, h]]), p, frame)
    back = np.linalg.solve(np.column_stack([base[1] - base[0], base[2] - base[0]]), at - base[0])
    if p.shape == "round":
        return bool(np.hypot(*(back - 0.5)) <= 0.5)
    return bool((back >= 0).all() and (back <= 1).all())


# ---------------------------------------------------------------- fading


@dataclass(frozen=True, slots=True)
class GroupFade:
    """Change of one group of colours since the first reading: ΔE00 with its doubt (one standard deviation)."""

    name: str
    delta_e00: float
    std: float
    delta_l: float
    delta_c: float
    cells: int


@dataclass(frozen=True, slots=True)
class Fade:
    """One later reading against the first: the whole and the groups, most changed first.

    ``order`` tells how many leading groups are apart from the last one by more than twice their joint doubt.
    """

    name: str
    taken: str
    mean: GroupFade
    groups: tuple[GroupFade, ...]
    apart: int


GROUPS = ("greys", "reds", "yellows", "greens", "cyans", "blues", "magentas")
# what two photos of an unchanged piece differ by in a whole group of colours, ΔE00, root mean square; measured on
# simulated photos: same camera and lamp 0.2, other lamp 2.2, other camera and lamp 3.1
SETUP_DE00 = {"same": 0.3, "lamp": 2.2, "camera": 3.1}


def colour_group(device_rgb: Floats) -> list[str]:
    """Name the group of each device colour (n, 3): greys, or one of six hues; '' for near white."""
    rgb = np.asarray(device_rgb, float)
    out = []
    for r, g, b in rgb.tolist():
        top, low = max(r, g, b), min(r, g, b)
        if top - low < 40:
            out.append("greys" if top < 235 else "")
            continue
        hue = math.degrees(math.atan2(math.sqrt(3) * (g - b), 2 * r - g - b)) % 360
        out.append(("reds", "yellows", "greens", "cyans", "blues", "magentas")[int(((hue + 30) % 360) // 60)])
    return out


def judge_fading(
    device_rgb: Floats,
    first: Floats,
    later: Floats,
    u_first: Floats,
    u_later: Floats,
    usable: Mask,
    *,
    name: str = "",
    taken: str = "",
    setup: float = SETUP_DE00["lamp"],
) -> Fade:
    """Compare a later reading of a piece with its first, by groups of colours.

    Parameters
    ----------
    device_rgb : (n, 3)
    first, later : (n, 3)
        CIELAB relative to the bare coat, cell by cell.
    u_first, u_later : (n,)
        Random uncertainty of each, ΔE00.
    usable : (n,) bool
    name, taken : str
        Of the later reading.
    setup : float
        ΔE00 by which two photos of an unchanged piece differ in a whole group, one standard deviation.

    Returns
    -------
    Fade

    Raises
    ------
    DataError
        Too few cells in common.

    Notes
    -----
    A mean of ΔE00 is never nought, even for a piece that did not change; so the mean square of the cells' random doubt
    is taken off the mean square of their ΔE00 before the root. The ranking is of this piece in its light; no
    years follow from it (light stability: ISO 18937 series).
    """
    if usable.sum() < 8:
        raise DataError("too few cells can be compared", "take both photos again")
    groups = np.array(colour_group(device_rgb))
    de = np.asarray(delta_e00(first, later))
    noise = np.hypot(u_first, u_later)

    def one(label: str, pick: Mask) -> GroupFade:
        n = int(pick.sum())
        raw = float(np.mean(de[pick] ** 2))
        value = math.sqrt(max(raw - float(np.mean(noise[pick] ** 2)), 0.0))
        shared = math.hypot(setup, float(np.sqrt(np.mean(noise[pick] ** 2))) / math.sqrt(n))
        chroma = np.hypot(later[pick, 1], later[pick, 2]) - np.hypot(first[pick, 1], first[pick, 2])
        return GroupFade(
            label, value, shared, float(np.mean(later[pick, 0] - first[pick, 0])), float(np.mean(chroma)), n
        )

    found = [one(g, usable & (groups == g)) for g in GROUPS if (usable & (groups == g)).sum() >= 2]
    found.sort(key=lambda g: -g.delta_e00)
    last = found[-1] if found else None
    apart = sum(last is not None and g.delta_e00 - last.delta_e00 > 2 * math.hypot(g.std, last.std) for g in found)
    return Fade(name, taken, one("all colours", usable & (groups != "")), tuple(found), apart)
