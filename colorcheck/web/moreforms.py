"""What the rarer forms hold → a flow's request: set-up and camera, several readings, a step test."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..flows.requests import (
    BenchRequest,
    CameraRequest,
    InspectRequest,
    LadderRequest,
    PlanRequest,
    ProfileRequest,
    RepeatRequest,
)
from ..ground.errors import UsageError
from ..ground.recipe import MakerLimits
from ..ground.units import parse_range, parse_seconds
from ..shop.ladder import parse_really
from . import forms
from .datafolder import Store
from .readerunits import DOORS, Shown
from .uploads import ARTWORKS, LAMPS, Given, plain


def _photos(given: Given) -> tuple[tuple[str, ...], dict[str, str]]:
    stored = given.files.get("photos", ())
    if not stored:
        raise UsageError("the photos are missing", "take or choose them")
    return tuple(str(s.path) for s in stored), {s.path.name: s.name for s in stored}


def repeat(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'how small a difference': a `RepeatRequest`."""
    photos, names = _photos(given)
    return forms.params(RepeatRequest(photos=photos), names, given.fields.get("piece", "").strip()[:80])


def bench(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'check my set-up': a `BenchRequest`; its photos are called by their places in the form.

    Phones give all photos one name, so that name alone would not tell which is meant.
    """
    fields = given.fields
    asked: dict[str, Any] = {}
    names: dict[str, str] = {}
    for place in (*LAMPS, "turned"):
        for sent in given.files.get(place, ()):
            asked[place], names[sent.path.name] = str(sent.path), DOORS[place.replace("_", "-")]
    if fields.get("again"):
        asked["again"] = forms.saved(store, fields["again"], "reading", given.folder, "earlier", names)
    request = BenchRequest(**asked, glass_on_hole=fields.get("glass_on_hole") == "yes")
    return forms.params(request, names, fields.get("piece", "").strip()[:80] or "My set-up")


def camera(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'teach the camera': a `CameraRequest`; the layout is one that was made here, or sent."""
    photos, names = _photos(given)
    measured = given.files.get("measured", ())
    if not measured:
        raise UsageError("the measured values are missing", "send the text file that the instrument's program wrote")
    names |= {s.path.name: s.name for s in measured}
    if sent := given.files.get("layout", ()):
        layout = str(sent[0].path)
        names[sent[0].path.name] = sent[0].name
    else:
        kept = store.file(given.fields.get("layout_kept", ""), store.layout_of(given.fields.get("layout_kept", "")))
        if kept is None:
            raise UsageError("the layout of the target is missing", "choose the target, or send its layout file")
        layout, names[kept.name] = str(kept), store.title(given.fields["layout_kept"])
    request = CameraRequest(
        photos=photos, target=layout, measured=str(measured[0].path), light=given.fields.get("light", "").strip()[:200]
    )
    return forms.params(request, names, given.fields.get("piece", "").strip()[:80])


def several(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'several pieces at once': what all photos share, 'photos' by path, and 'jobs' as in a job list.

    Raises
    ------
    ColorcheckError
        Something is missing or cannot be used.
    """
    fields = given.fields
    photos, names = _photos(given)
    jobs: list[dict[str, Any]] = []
    for field in ARTWORKS:
        sent = given.files.get(field, ())
        kept = [a for a in store.artworks() if fields.get(f"kept-{a.digest}")] if field == ARTWORKS[0] else []
        names |= {s.path.name: s.name for s in sent}
        paths = [str(s.path) for s in sent]
        for a in kept:  # all are called 'artwork' where they lie
            path = given.folder / f"kept-{a.digest}{a.path.suffix}"
            path.write_bytes(a.path.read_bytes())
            names[path.name] = a.name
            paths.append(str(path))
        if not paths:
            continue
        n = field.removeprefix(ARTWORKS[0])
        size = forms.size({"size": fields.get(f"size{n}", "")}, shown)
        shape = plain(fields, f"shape{n}", ("rect", "round"))
        jobs += [{"artwork": p, "size_mm": size, "shape": shape} for p in paths]
    if not jobs:
        raise UsageError("the artworks are missing", "send the pictures that are printed")
    pressed, lay = forms.pressing(fields, shown, store)
    asked: dict[str, Any] = {
        "view": plain(fields, "view", ("front", "through")),
        "paper": plain(fields, "paper", ("on", "off")),
        "limits": forms.own_limits(store),
        "bench": forms.checked_set_up(given, store, names),
        "pressing": pressed,
    }
    for job in jobs:  # refuses what no piece can be
        request = InspectRequest(photos=(), artwork="", size_mm=job["size_mm"], shape=job["shape"], **asked)
    piece = fields.get("piece", "").strip()[:80]
    return forms.params(request, names, piece, photos=photos, jobs=jobs, keep_artwork=str(store.root), **lay)


def profile(fields: dict[str, str], uids: list[str], store: Store, folder: Path) -> dict[str, Any]:
    """Read the form 'build a profile': one or several readings of one printer and blank, a `ProfileRequest`."""
    if not uids:
        raise UsageError("no reading is chosen", "tick one or several of the same printer, ink, paper and blank")
    names: dict[str, str] = {}
    readings = tuple(forms.saved(store, uid, "reading", folder, f"reading-{k}", names) for k, uid in enumerate(uids, 1))
    name = " ".join(fields.get("name", "").split())[:80] or store.title(uids[0]) or "profile"
    version: Any = 2 if fields.get("older") else 4
    request = ProfileRequest(
        readings=readings, name=name, version=version, lit=plain(fields, "lit", ("front", "behind"))
    )
    return forms.params(request, names, title=f"Profile of {name}")


def step_plan(fields: dict[str, str], shown: Shown) -> dict[str, Any]:
    """Read the form 'plan a step test': a `PlanRequest`.

    Raises
    ------
    UsageError
        A range or the makers' limits are missing or make no sense.
    """
    if not fields.get("max_seconds", "").strip() or not fields.get("max_c", "").strip():
        raise UsageError("the makers' limits are missing", "look them up for blank, coat and paper")
    heat = fields.get("heat", "").strip()
    presses = fields.get("presses", "6").strip() or "6"
    if not presses.isdigit() or len(presses) > 2:
        raise UsageError(f"'{presses[:20]}' is no number of presses", "write a number such as 6")
    name = forms.file_name(fields.get("name", ""), "steps")[:40]
    request = PlanRequest(
        time_s=parse_range(fields.get("time", ""), parse_seconds, "the times", "60 to 240 s"),
        temperature_c=parse_range(heat, lambda t: forms.temperature(t, shown), "the temperatures", "190 to 205 C")
        if heat
        else None,
        limits=MakerLimits(parse_seconds(fields["max_seconds"]), forms.temperature(fields["max_c"], shown)),
        presses=int(presses),
        size_mm=forms.size(fields, shown),
        shape=plain(fields, "shape", ("rect", "round")),
        view=plain(fields, "view", ("front", "through")),
        name=name,
    )
    return forms.params(request, {}, title=f"Step test {name}")


def step_answer(fields: dict[str, str], uids: list[str], store: Store, folder: Path) -> dict[str, Any]:
    """Read the form 'answer of a step test': a `LadderRequest`."""
    plan = store.file(fields.get("plan", ""), "plan.json")
    if plan is None:
        raise UsageError("the plan is no longer there", "choose another one")
    names = {"plan.json": store.title(fields["plan"])}
    readings = tuple(forms.saved(store, uid, "reading", folder, f"step-{k}", names) for k, uid in enumerate(uids, 1))
    yellow = fields.get("yellow", "").replace(",", " ").split()
    looked = None if not yellow else () if yellow[0].lower() in ("none", "no") else tuple(y.upper() for y in yellow)
    request = LadderRequest(
        plan=str(plan), readings=readings, really=parse_really(fields.get("really", "").split()), yellow=looked
    )
    return forms.params(request, names, title=f"Answer of {store.title(fields['plan']).lower() or 'a step test'}")
