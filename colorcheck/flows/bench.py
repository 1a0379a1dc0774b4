"""Check a photo set-up with what everybody owns: two lamps, a box with a hole, a sheet of paper, a pressed target.

Each check is one line: what it proves, value, limit, what to change. What was measured of the set-up goes into a file
that readings take in place of what they would else assume.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from ..ground import reader
from ..ground.bench import Bench
from ..ground.cielab import delta_e00
from ..ground.errors import DataError, PhotoError, UsageError
from ..ground.files import refuse_same
from ..ground.geometry import place_in_photo
from ..ground.jsontext import picked, rounded
from ..ground.limits import load_limits
from ..ground.records import CellFlag, Cells, Floats, LinearImage, Target
from ..photo.addlight import AddedLight, judge_added_light, lit_by_both, same_light, same_view
from ..photo.benchfile import SCHEMA
from ..photo.darkhole import measure_hole
from ..photo.decode import decode
from ..photo.papersheet import measure_paper
from ..sheet.onephoto import WorkedPhoto, work_file
from ..sheet.savedreading import SavedReading, load_reading
from ..sheet.target import load_target
from .requests import BenchRequest

Outcome = Literal["good", "poor", "open", "left-out"]

LIMITS = {
    "tone": 0.8,  # L*: half of what two greys side by side must differ by to be noticed; estimate
    "local-tone": 0.04,  # exponent: half of that at which a photo of a target is refused
    "steady": 0.02,  # of the light: a third of a tone step that the eye sees side by side; estimate
    "flicker": 0.006,  # of the light: a regular band of 0.2 L* can disturb (J. Electron. Imaging 19(1) 011017, 2010)
    "stray-light": 0.01,  # of white: a density of 2.0 reads 1.7
    "lens": 0.015,  # of the half diagonal: common practice, no source
    "turned": 1.0,  # ΔE00: about what can just be seen side by side
    "drift": 1.0,  # the same
}
_SURE = 3.0  # standard errors by which a value must differ from none
_CLIPPED = 0.02  # share of a photo
_EXPONENT_KEEPS = 0.01  # phones bend their curve a little from scene to scene; estimate
_LOCAL_KEEPS = 0.01  # the same for what they do to the surroundings; estimate
_VEIL_CHANGE = 0.0015  # of the coat, between two photos taken with care (`photo.camera`)
_MIRRORED = 0.002  # of the coat: the room in the glass, where no glass lay on the hole; from simulation
_SCATTER = (0.3, 3.0)  # beyond this one pair of photos is not believed
_FEWEST = 12  # cells that can tell
_ONE_PAIR = 1.1  # one pair of photos tells its scatter within a tenth or so
_UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE | CellFlag.UNEVEN)
_FINE_PX = 13_000_000  # for photos whose light is added
_ENOUGH_PX = 4_000_000  # for hole and sheet; a turned target is opened once more
_TAKE_AGAIN = "take the three again: nothing moved, nothing changed but the lamps"


@dataclass(frozen=True, slots=True)
class BenchCheck:
    """One line: ``value`` ± ``std`` (one standard error) against ``limit``; NaN where it was not measured.

    ``more`` is a further figure that the sentence names: of ``steady`` the two lamps' levels.
    """

    name: str
    value: float
    std: float
    limit: float
    outcome: Outcome
    more: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """A set-up that was checked."""

    checks: tuple[BenchCheck, ...]
    bench: Bench
    photos: tuple[tuple[str, str, str], ...]  # which, file, SHA-256
    earlier: str

    @property
    def name(self) -> str:
        """What it is called: its camera, where the photos tell."""
        return self.bench.device or "set-up"

    @property
    def poor(self) -> tuple[str, ...]:
        """Names of the checks that failed."""
        return tuple(c.name for c in self.checks if c.outcome == "poor")


def check_bench(request: BenchRequest, *, progress: Callable[[str], None] | None = None) -> Checked:
    """Check a set-up.

    Parameters
    ----------
    request : BenchRequest
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Checked

    Raises
    ------
    ColorcheckError
        A photo cannot be read, or cannot be the one that it is given as.
    """
    say = progress or (lambda _: None)
    named = request.photos()
    refuse_same(list(named.values()))
    images = {}
    for name, path in named.items():
        say(f"opening {Path(path).name}")
        images[name] = decode(path, max_pixels=_FINE_PX if name in ("lamp_a", "lamp_b", "both") else _ENOUGH_PX)
    device = _one_camera(images)
    checks: list[BenchCheck] = []
    bench = Bench("", device, np.zeros(0), None, None, None, None, None)
    if request.lamp_a:
        say("adding the light")
        found, bench = _added(images["lamp_a"], images["lamp_b"], images["both"], bench)
        checks += found
    else:
        checks += [_left_out(n) for n in ("tone", "local-tone", "steady", "flicker")]
    if request.black:
        say("looking into the hole")
        hole = measure_hole(images["black"], bench.tone)
        checks.append(_judged("stray-light", hole.share, hole.share_std))
        doubt = float(np.hypot(np.hypot(hole.share_std, _VEIL_CHANGE), 0.0 if request.glass_on_hole else _MIRRORED))
        bench = replace(bench, veil_of_mean=hole.of_mean, veil_std=doubt)
    else:
        checks.append(_left_out("stray-light"))
    if request.sheet:
        say("following the edges of the sheet")
        paper = measure_paper(images["sheet"])
        checks.append(_judged("lens", abs(paper.bend), paper.bend_std, (paper.bend, paper.fit_mm)))
    else:
        checks.append(_left_out("lens"))
    if request.turned or request.again:
        more, bench, evened = _read_again(request, bench, say)
        checks += more
        if evened:  # the target itself shows it: white cells among dark ones are brighter
            told = BenchCheck("local-tone", evened, float("nan"), LIMITS["local-tone"], "poor")
            checks = [told if c.name == "local-tone" and c.outcome != "poor" else c for c in checks]
            bench = replace(bench, tone=np.zeros(0), exponent_std=None, local_std=None)
    else:
        checks += [_left_out("turned"), _left_out("drift")]
    photos = tuple((n, images[n].source, images[n].sha256) for n in named)
    return Checked(tuple(checks), bench, photos, Path(request.again).name if request.again else "")


def _left_out(name: str) -> BenchCheck:
    return BenchCheck(name, float("nan"), float("nan"), LIMITS[name], "left-out")


def _judged(name: str, value: float, std: float, more: tuple[float, ...] = (), *, open_: bool = False) -> BenchCheck:
    limit = LIMITS[name]
    outcome: Outcome = "open" if open_ else "poor" if value > limit and value > _SURE * std else "good"
    if outcome == "good" and value + 2 * std > limit:
        outcome = "open"
    return BenchCheck(name, float(value), float(std), limit, outcome, more)


# ---------------------------------------------------------------- what the photos must be


def _odd_one(values: dict[str, Any]) -> str | None:
    """Name of the photo that is unlike most; of two the later, None where all agree."""
    if len(set(values.values())) < 2:
        return None
    usual = max(values.values(), key=lambda v: sum(v == w for w in values.values()))
    return next(name for name in reversed(values) if values[name] != usual)


def _one_camera(images: dict[str, LinearImage]) -> str:
    """Name the camera of all photos; UsageError names the photo by another one."""
    devices = {n: i.device for n, i in images.items() if i.device}
    odd = _odd_one(devices)
    if odd is None:
        odd = _odd_one({n: tuple(sorted(i.original_size)) for n, i in images.items()})
        if odd is not None:
            w, h = images[odd].original_size
            raise UsageError(
                f"{images[odd].source} has another size than the other photos ({w} × {h} pixels)",
                "take all with one camera, one lens and one setting, and give them as they were stored",
            )
        return next(iter(devices.values()), "")
    raise UsageError(
        f"{images[odd].source} was taken with another camera than the rest ({images[odd].device})",
        "a set-up is one camera: take this photo again with it",
    )


def _refuse_mixed(a: LinearImage, b: LinearImage, both: LinearImage) -> None:
    """Refuse three photos that cannot be lamp A, lamp B and both."""
    for image in (a, b, both):
        share = float(((image.clipped & 1) > 0).mean())
        if share > _CLIPPED:
            lamp = "the light of both lamps is" if image is both else "this lamp is"
            raise PhotoError(
                f"{100 * share:.0f} % of {image.source} is blank white: {lamp} brighter than the scale allows",
                "expose darker, so that white stays light grey under both lamps, and take all three so",
            )
    for one, other in ((a, b), (a, both), (b, both)):
        if same_light(one, other):
            raise PhotoError(
                f"{one.source} and {other.source} show the same light", "one lamp alone, then the other, then both"
            )
    for image in (a, b):
        if not same_view(image, both):
            raise PhotoError(f"{image.source} does not show the same view as {both.source}", _TAKE_AGAIN)
    found = lit_by_both(a, b, both)
    if found is not None and found is not both:
        raise UsageError(
            f"{found.source} is the photo with both lamps, {both.source} is not",
            f"give {found.source} as {reader.option('both')}, the others as {reader.option('lamp-a')} and "
            f"{reader.option('lamp-b')}",
        )


# ---------------------------------------------------------------- light must add


def _added(a: LinearImage, b: LinearImage, both: LinearImage, bench: Bench) -> tuple[list[BenchCheck], Bench]:
    _refuse_mixed(a, b, both)
    told: AddedLight | None = judge_added_light(a, b, both)
    if told is None:
        raise PhotoError(
            f"too little of {both.source} can be compared",
            "light a pressed target on white card, neither dark nor blank",
        )
    bands = told.bands > LIMITS["flicker"] and told.bands > _SURE * told.bands_std
    local = "local-tone" in told.causes and told.local > LIMITS["local-tone"]
    level = max(abs(told.level_a), abs(told.level_b))
    unsteady = "level" in told.causes and level > LIMITS["steady"]
    checks = [
        # where the light or the camera's own brightening changed between the photos, a curve cannot be told from it
        _judged("tone", told.tone_l, told.tone_l_std, open_=bands or local or unsteady),
        _judged("local-tone", max(told.local, 0.0), told.local_std, open_=bands),
        _judged("steady", level, told.level_std, (told.level_a, told.level_b), open_=bands or local),
        _judged("flicker", told.bands, told.bands_std),
    ]
    checks = [_only_if(c, told.causes) for c in checks]
    if bands or local or unsteady:  # no curve holds for such photos
        return checks, bench
    curve = told.tone if "tone" in told.causes else np.zeros(0)
    return checks, replace(
        bench,
        tone=curve,
        exponent_std=float(np.hypot(told.exponent_std, _EXPONENT_KEEPS)),
        local_std=float(np.hypot(np.hypot(told.local, told.local_std), _LOCAL_KEEPS)),
    )


_CAUSE = {"tone": "tone", "local-tone": "local-tone", "steady": "level"}


def _only_if(check: BenchCheck, causes: tuple[str, ...]) -> BenchCheck:
    """Blame nothing that does not explain the photos best."""
    if check.outcome == "poor" and check.name in _CAUSE and _CAUSE[check.name] not in causes:
        return replace(check, outcome="open")
    return check


# ---------------------------------------------------------------- the same target again


def _read_again(
    request: BenchRequest, bench: Bench, say: Callable[[str], None]
) -> tuple[list[BenchCheck], Bench, float]:
    limits = load_limits()
    saved = load_reading(request.again) if request.again else None
    target = load_target(request.target) if request.target else saved.target if saved else None
    assert request.both is not None
    checks = [_left_out("turned"), _left_out("drift")]
    evened = 0.0
    say(f"reading {Path(request.both).name}")
    if saved is not None:
        _, target, now = work_file(request.both, target, limits=limits)  # as the earlier one was
        checks[1] = _drift(saved, now.result.cells, target)
        evened = max(evened, _evened(now))
    if request.turned:
        _, target, first = work_file(request.both, target, limits=limits, bench=bench)
        say(f"reading {Path(request.turned).name}")
        _, _, second = work_file(request.turned, target, limits=limits, bench=bench)
        evened = max(evened, _evened(first), _evened(second))
        _refuse_unturned(first, second, target.size_mm)
        off, ok, scatter = _apart(first.result.cells, second.result.cells)
        checks[0] = _judged("turned", float(off[ok].mean()), float(off[ok].std() / np.sqrt(ok.sum())))
        bench = replace(bench, scatter=float(np.clip(_ONE_PAIR * scatter, *_SCATTER)))
    return checks, bench, evened


def _evened(photo: WorkedPhoto) -> float:
    """Local tone mapping that the target's own white cells tell beyond doubt, 0 for none."""
    check = photo.result.check
    return next((value for name, value, *_ in (*check.problems, *check.warnings) if name == "local-tone"), 0.0)


def _drift(saved: SavedReading, cells: Cells, target: Target) -> BenchCheck:
    name = Path(saved.path).name
    if saved.target.code_text != target.code_text or saved.target.ids != target.ids:
        raise DataError(f"{name} is a reading of another target", "give one of the same piece")
    if saved.trust != "balanced" or saved.file.bench:
        how = "a taught camera or a checked set-up" if reader.on_page() else "--camera or --bench"
        raise DataError(f"{name} was read with {how}", "read that day's photo again without them")
    ok = saved.usable & ((cells.flags & _UNFIT) == 0)
    if ok.sum() < _FEWEST:
        raise PhotoError("too few cells are clear on both days", "take them without reflections, nothing blank white")
    off = delta_e00(saved.lab[ok], cells.lab[ok])
    shift = np.median(cells.lab[ok] - saved.lab[ok], axis=0)
    more = tuple(float(v) for v in shift)
    return _judged("drift", float(off.mean()), float(off.std() / np.sqrt(len(off))), more)


def _apart(one: Cells, other: Cells) -> tuple[Floats, Any, float]:
    """ΔE00 of cells in two photos, which of them count, and how far they differ in units of their stated errors."""
    off = delta_e00(one.lab, other.lab)
    ok = ((one.flags | other.flags) & _UNFIT) == 0
    if ok.sum() < _FEWEST:
        raise PhotoError("too few cells are clear in both photos", "take them without reflections, nothing blank white")
    z2 = off[ok] ** 2 / (one.u_noise[ok] ** 2 + other.u_noise[ok] ** 2)
    return off, ok, float(np.sqrt(np.mean(z2[z2 <= np.percentile(z2, 98)])))


def _refuse_unturned(one: WorkedPhoto, other: WorkedPhoto, size_mm: tuple[float, float]) -> None:
    a, b = (place_in_photo(k.result.pose, size_mm)["turn_deg"] for k in (one, other))
    turn = abs((b - a + 180) % 360 - 180)
    if not 60 <= turn <= 120:
        raise PhotoError(
            f"the target in {other.result.image_name} is turned by {turn:.0f}° against {one.result.image_name}, "
            "not by a quarter",
            "leave camera and lamps alone and turn the piece by 90°",
        )


# ---------------------------------------------------------------- the file


def to_dict(c: Checked) -> dict[str, Any]:
    """Turn a check into JSON; `read --bench` and `inspect --bench` take it up."""
    from datetime import date

    b = c.bench
    return {
        "schema": SCHEMA,
        "name": c.name,
        "answer": "change " + ", ".join(c.poor) if c.poor else "good",
        "date": date.today().isoformat(),
        "device": b.device,
        "poor": list(c.poor),
        "checks": [rounded(picked(k, "name value std limit outcome more")) for k in c.checks],
        "figures": {
            "tone": [round(float(v), 5) for v in b.tone],
            **{
                k: _rounded(getattr(b, k)) for k in ("exponent_std", "local_std", "veil_of_mean", "veil_std", "scatter")
            },
        },
        "photos": [{"which": n, "file": f, "sha256": s} for n, f, s in c.photos],
        "earlier": c.earlier,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(float(value), 5)
