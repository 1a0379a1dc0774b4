"""From one photo of several pieces to each piece judged: found, matched with its artwork, inspected."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..ground.errors import ColorcheckError, DataError, ImageError, PhotoError, TargetError, UsageError
from ..ground.geometry import mm_to_px, place_in_photo
from ..ground.records import Floats, LinearImage, Shape, View
from ..photo.benchfile import as_checked, load_bench
from ..photo.decode import decode
from ..piece.artwork import Artwork, load_artwork
from ..piece.placement import rim_hull
from ..piece.register import Registered, register
from ..piece.several import Cut, Region, cut_out, find_regions, resized
from ..piece.whichart import ALIKE, Match, Sketch, cost_of, matches, sketch
from ..shop.joblist import Job
from .inspect import ENOUGH_PX_PER_MM, QUICK_PIXELS, Inspection, Shot, inspect, judge
from .requests import InspectRequest

_DIRT = 0.15  # of the usual piece's area: what is smaller is none
_TRIED = 3  # artworks with which a piece is registered, at most
_CLEAR = 8.0  # log-likelihood by which the coarse pictures settle it
_LEAST = 1.5  # log-likelihood of its structure below which an artwork is not tried …
_NEAR = 15.0  # … unless its colours are as near as this, CIELAB units: it may be nearly plain
_MOST = 80  # things in a photo that may be pieces
_NONE_TODO = "add its picture to the list, or photograph it again"
_SMALL_PX = 480  # longer side of the photo as it is kept
_KEPT = 12  # artworks that stay open
_SAME_SCALE = 0.1  # by which pixels per mm differ over a tilted card, natural log, standard deviation


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Artworks that may be in the photos: what tells them apart is kept, each is opened again when it is needed."""

    jobs: tuple[Job, ...]
    sketches: tuple[Sketch, ...]
    view: View

    def art(self, index: int) -> Artwork:
        """Open one of them."""
        job = self.jobs[index]
        return _artwork(job.artwork, job.size_mm, job.shape, self.view)


@lru_cache(_KEPT)
def _artwork(path: str, size_mm: tuple[float, float], shape: Shape, view: View) -> Artwork:
    return load_artwork(path, size_mm=size_mm, shape=shape, view=view)


@dataclass(frozen=True, slots=True, eq=False)
class JudgedPiece:
    """One piece of a photo.

    ``piece`` counts from 1; ``centre_px`` is its middle in the upright photo at full size, ``outline_px`` (n, 2) its
    rim there; ``alike`` names artworks that are as likely. Where it could not be judged ``inspection`` is None and
    ``problem`` is the line that says why; ``foreign`` where that is that it shows none of the artworks.
    """

    piece: int
    centre_px: tuple[float, float]
    outline_px: Any
    artwork: str
    alike: tuple[str, ...]
    in_photo: dict[str, float]
    inspection: Inspection | None
    problem: str
    foreign: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class JudgedPhoto:
    """All pieces of a photo, its SHA-256, and the photo itself, small: (h, w, 3) linear, and its size at full size."""

    photo: str
    sha256: str
    pieces: tuple[JudgedPiece, ...]
    small: Any
    full_px: tuple[int, int]


def load_candidates(jobs: Sequence[Job], *, view: View, skip_misfits: bool = False) -> Candidates:
    """Read artworks and make them ready.

    Parameters
    ----------
    jobs : sequence of Job
    view : View
    skip_misfits : bool
        Leave out files that are no picture of these proportions, as long as one is left: a folder holds this and that.

    Raises
    ------
    ColorcheckError
        An artwork cannot be used.
    """
    kept, sketches = [], []
    last: ColorcheckError | None = None
    for job in jobs:
        try:
            sketches.append(sketch(load_artwork(job.artwork, size_mm=job.size_mm, shape=job.shape, view=view)))
        except (UsageError, ImageError) as e:
            if not skip_misfits:
                raise
            last = e
            continue
        kept.append(job)
    if not kept:
        raise DataError("no artwork of this folder has the proportions of the piece", "check --size") from last
    return Candidates(tuple(kept), tuple(sketches), view)


def inspect_any(
    request: InspectRequest, candidates: Candidates, *, progress: Callable[[str], None] | None = None
) -> tuple[Inspection, tuple[str, ...]]:
    """Inspect one piece after finding out which artwork it shows; also the names of those that are as likely.

    Raises
    ------
    ColorcheckError
        As for `inspect`; several pieces in view; none of the artworks.
    """
    if progress:
        progress(f"finding the artwork of {Path(request.photos[0]).name}")
    image = decode(request.photos[0], max_pixels=QUICK_PIXELS)
    seen = _look(image, candidates)
    if len(seen) > 1:
        raise PhotoError(f"{image.source} shows {len(seen)} pieces", "take 'batch' for several in one photo")
    index, _, alike = _placed(seen[0], candidates) if seen else _among_all(image, candidates)
    job = candidates.jobs[index]
    request = replace(request, artwork=job.artwork, size_mm=job.size_mm, shape=job.shape)
    return inspect(request, progress=progress), alike


def judge_photo(
    path: str, request: InspectRequest, candidates: Candidates, *, progress: Callable[[str], None] | None = None
) -> JudgedPhoto:
    """Judge every piece in a photo.

    Parameters
    ----------
    path : path
    request : InspectRequest
        What holds for all pieces; its photos, artwork, size and shape are not used.
    candidates : Candidates
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    JudgedPhoto
        With at least one piece, in rows from the top, each from the left.

    Raises
    ------
    ColorcheckError
        The file is no usable picture, or no piece can be made out in it, or none shows any of the artworks.
    """
    say = progress or (lambda _: None)
    say(f"finding the pieces in {Path(path).name}")
    bench = load_bench(request.bench) if request.bench else None
    image = as_checked(decode(path, max_pixels=QUICK_PIXELS), bench)
    seen = _look(image, candidates)
    if not seen:
        index, reg, alike = _among_all(image, candidates)
        nothing = Region(np.zeros((0, 2)), None, None, cut=False)
        seen = (_Seen(nothing, Cut(image, (0, 0), nothing), ()),)
        piece = _judged(request, candidates, seen[0], index, reg)
        return _photo(image, (replace(piece, piece=1, alike=alike),))
    if image.scale < 1 and min(_px_per_mm(s, candidates) for s in seen) < ENOUGH_PX_PER_MM:
        fine = as_checked(decode(path), bench)
        regions = tuple(resized(s.region, fine.scale / image.scale) for s in seen)
        seen = tuple(replace(s, region=r, cut=cut_out(fine, r, regions)) for s, r in zip(seen, regions, strict=True))
    out = []
    for number, s in enumerate(_at_one_scale(seen, candidates), 1):
        say(f"piece {number} of {len(seen)} in {Path(path).name}")
        out.append(replace(_one(request, candidates, s), piece=number))
    if all(p.foreign for p in out):  # a photo of something else, however many things it shows
        raise TargetError(f"{image.source} shows none of the artworks", _NONE_TODO)
    return _photo(image, tuple(out))


def _photo(image: LinearImage, pieces: tuple[JudgedPiece, ...]) -> JudgedPhoto:
    f = min(1.0, _SMALL_PX / max(image.rgb.shape[:2]))
    small = cv2.resize(image.rgb, None, fx=f, fy=f, interpolation=cv2.INTER_AREA)
    return JudgedPhoto(image.source, image.sha256, pieces, small, image.original_size)


# ---------------------------------------------------------------- what lies in the photo


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What may be a piece: where, cut out, and the artworks it may show, likeliest first."""

    region: Region
    cut: Cut
    found: tuple[Match, ...]


def _look(image: LinearImage, candidates: Candidates) -> tuple[_Seen, ...]:
    """Find the pieces: decide what is one and what a card with pieces on it, and leave out dirt."""

    def all_of(regions: tuple[Region, ...]) -> list[_Seen]:
        cuts = [cut_out(image, r, regions) for r in regions]
        return [_Seen(r, c, tuple(matches(c, candidates.sketches))) for r, c in zip(regions, cuts, strict=True)]

    def best(seen: _Seen) -> float:
        return seen.found[0].evidence if seen.found else -np.inf

    regions = find_regions(image)
    if len(regions) > _MOST:
        raise PhotoError(f"{image.source} shows {len(regions)} things", "lay the pieces on plain white card")
    out: list[_Seen] = []
    for s in all_of(regions):
        parts = all_of(s.region.parts)
        out += parts if parts and max(map(best, parts)) > best(s) else [s]
    usual = float(np.median([s.region.area for s in out])) if out else 0.0
    return tuple(s for s in out if s.region.area > _DIRT * usual)


def _scale(s: _Seen, index: int, candidates: Candidates) -> float:
    """Pixels per mm if the piece shows that artwork, natural log."""
    job = candidates.jobs[index]
    area = job.size_mm[0] * job.size_mm[1] * (np.pi / 4 if job.shape == "round" else 1.0)
    return 0.5 * float(np.log(s.region.area / area))


def _px_per_mm(s: _Seen, candidates: Candidates) -> float:
    return float(np.exp(_scale(s, s.found[0].index, candidates))) if s.found else np.inf


def _at_one_scale(seen: tuple[_Seen, ...], candidates: Candidates) -> tuple[_Seen, ...]:
    """Count in that all pieces of a photo lie about as far away: tells one drawing on blanks of two sizes."""
    told = [_scale(s, s.found[0].index, candidates) for s in seen if s.found]
    if len(told) < 2:
        return seen
    usual = float(np.median(told))

    def weighed(s: _Seen) -> _Seen:
        found = [
            replace(m, evidence=m.evidence - 0.5 * ((_scale(s, m.index, candidates) - usual) / _SAME_SCALE) ** 2)
            for m in s.found
        ]
        return replace(s, found=tuple(sorted(found, key=lambda m: -m.evidence)))

    return tuple(weighed(s) for s in seen)


# ---------------------------------------------------------------- one piece


def _placed(s: _Seen, candidates: Candidates) -> tuple[int, Registered, tuple[str, ...]]:
    """Choose a piece's artwork: by the coarse pictures where these settle it, else by how well each lies on it.

    Raises
    ------
    ColorcheckError
        None of them does.
    """
    name = s.cut.image.source
    if not s.found:
        raise TargetError(
            f"a piece in {name} has the proportions of no artwork",
            "check the sizes on the list",
        )
    tried: list[tuple[float, int, Registered]] = []
    first: ColorcheckError | None = None
    for m in [m for m in s.found if m.structure > _LEAST or m.off_lab < _NEAR][:_TRIED]:
        if tried and m.evidence < s.found[0].evidence - _CLEAR:
            break
        try:
            reg = register(s.cut.image, candidates.art(m.index))
        except (TargetError, DataError, PhotoError) as e:
            first = first or e
            continue
        tried.append((_fine_evidence(reg) - cost_of(m.off_lab), m.index, reg))
    if not tried:
        if first is not None and (len(candidates.jobs) == 1 or isinstance(first, PhotoError)):
            raise first
        raise TargetError(f"a piece in {name} shows none of the artworks", _NONE_TODO)
    tried.sort(key=lambda t: -t[0])
    alike = tuple(candidates.sketches[i].name for e, i, _ in tried[1:] if e > tried[0][0] - ALIKE)
    return tried[0][1], tried[0][2], alike


def _fine_evidence(reg: Registered) -> float:
    """Log-likelihood of an artwork by the fine structure that it shares with the photo."""
    return -10.0 * float(np.log(1.0 - max(reg.score, 0.0) ** 2 + 0.05))


def _among_all(image: LinearImage, candidates: Candidates) -> tuple[int, Registered, tuple[str, ...]]:
    """Find a piece whose rim cannot be made out, by trying artworks on the whole photo where they are few."""
    if len(candidates.jobs) > _TRIED:
        raise TargetError(
            f"no piece can be made out in {image.source}", "lay them on plain white card, whole in the frame, apart"
        )
    tried = []
    for index in range(len(candidates.jobs)):
        try:
            tried.append((index, register(image, candidates.art(index))))
        except (TargetError, DataError, PhotoError):
            if len(candidates.jobs) == 1:
                raise
    if not tried:
        raise TargetError(f"{image.source} shows none of the artworks", _NONE_TODO)
    index, reg = max(tried, key=lambda t: _fine_evidence(t[1]))
    alike = [i for i, r in tried if i != index and _fine_evidence(r) > _fine_evidence(reg) - ALIKE]
    return index, reg, tuple(candidates.sketches[i].name for i in alike)


def _one(request: InspectRequest, candidates: Candidates, s: _Seen) -> JudgedPiece:
    """Judge one piece, or say why that is not possible."""
    name = s.cut.image.source
    middle, outline = _in_photo(s.region.middle, s), _in_photo(s.region.hull, s)
    guess = s.found[0].name if s.found else ""
    try:
        if s.region.cut:
            raise PhotoError(f"a piece is cut off by the frame in {name}", "photograph it whole, with card around it")
        index, reg, alike = _placed(s, candidates)
        return replace(_judged(request, candidates, s, index, reg), alike=alike)
    except ColorcheckError as e:
        at = (float(middle[0]), float(middle[1]))
        named = guess if s.region.cut else ""
        return JudgedPiece(0, at, outline, named, (), {}, None, e.message, isinstance(e, TargetError))


def _in_photo(px: Floats, s: _Seen) -> Floats:
    """Pixels of the decoded photo → pixels of the upright photo at full size."""
    return np.asarray((np.asarray(px) + 0.5) / s.cut.image.scale - 0.5)


def _judged(request: InspectRequest, candidates: Candidates, s: _Seen, index: int, reg: Registered) -> JudgedPiece:
    """Judge a piece that has been placed in its cut."""
    art, job = candidates.art(index), candidates.jobs[index]
    own = replace(request, artwork=job.artwork, size_mm=job.size_mm, shape=job.shape)
    result = judge(own, art, (Shot(s.cut.image, reg),))
    w, h = job.size_mm
    px = mm_to_px(reg.pose, np.concatenate([[[w / 2, h / 2]], rim_hull(art)]))
    if reg.pose.mirrored:
        px[:, 0] = s.cut.image.rgb.shape[1] - 1 - px[:, 0]
    px = _in_photo(px + s.cut.corner, s)
    tall_wide = np.array(s.cut.image.original_size)
    place = place_in_photo(reg.pose, job.size_mm)
    away = (px[0] - (tall_wide - 1) / 2) * s.cut.image.scale / reg.pose.px_per_mm
    place |= {"x_mm": float(away[0]), "y_mm": float(away[1])}
    return JudgedPiece(0, (float(px[0, 0]), float(px[0, 1])), px[1:], art.source, (), place, result, "")
