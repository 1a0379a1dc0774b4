"""What a form holds → the request of a flow, in plain values for the tasks."""

from __future__ import annotations

import math
import re
import shutil
from pathlib import Path
from typing import Any

import msgspec
from starlette.datastructures import FormData

from ..flows.requests import (
    CompareRequest,
    HealthRequest,
    InspectRequest,
    PrepareRequest,
    Pressing,
    ReadRequest,
    TargetRequest,
)
from ..ground.errors import UsageError
from ..ground.recipe import MakerLimits, Recipe, check_limits
from ..ground.units import parse_length, parse_seconds, parse_size, parse_temperature
from . import uploads
from .datafolder import Store
from .readerunits import Shown
from .uploads import Given, plain

_ASKED_ONCE = (
    *("before", "piece", "size", "shape", "view", "paper", "lit", "printed"),
    *("reading", "bench", "recipe", "glass", "press", "blank", "lot"),
)
_NONE = re.compile(r"\s*0*(\.0*)?\s*(mm|cm|in)?\s*")


def _with_unit(text: str, shown: Shown) -> str:
    """Give a bare number the unit that the reader chose."""
    bare = re.fullmatch(r"[\d.,\s x×*]+", text.strip())
    return f"{text.strip()}{shown.length}" if bare else text


def size(fields: dict[str, str], shown: Shown) -> tuple[float, float]:
    """Size of the piece, (w, h) in mm.

    Raises
    ------
    UsageError
        None given, or it is no size.
    """
    text = fields.get("size", "")
    if not text.strip():
        raise UsageError("the size is missing", "measure the piece and give width x height, such as 200x200 mm")
    return parse_size(_with_unit(text, shown))


def length(text: str, shown: Shown) -> float:
    """Read a length in mm; bare numbers are in the reader's unit."""
    return 0.0 if _NONE.fullmatch(text) else parse_length(_with_unit(text, shown))


def temperature(text: str, shown: Shown) -> float:
    """Read a temperature in °C; bare numbers are in the reader's unit."""
    bare = re.fullmatch(r"\s*[\d.]+\s*", text)
    return parse_temperature(f"{text.strip()}{shown.heat}" if bare else text)


def pressing(fields: dict[str, str], shown: Shown, store: Store) -> tuple[Pressing, dict[str, Any]]:
    """Collect what the advice on pressing again needs: a kept recipe, and what was typed over it.

    Returns
    -------
    pressing : Pressing
    lay : dict
        'recipe_name' where one was chosen, and 'turned' in degrees or None: for the press log.
    """
    kept = store.recipe(fields.get("recipe", ""))
    turn = plain(fields, "turn", ("", "0", "90", "180", "270"))
    glass = length(fields["glass"], shown) if fields.get("glass", "").strip() else kept.glass_mm if kept else None
    told = Pressing(
        recipe=Recipe(kept.platen_c, seconds=kept.seconds, heated_face=kept.heated_face) if kept else Recipe(),
        limits=MakerLimits(kept.max_seconds or math.inf, kept.max_c or math.inf) if kept else MakerLimits(),
        glass_mm=glass,
        piece_c=temperature(fields["piece_temp"], shown) if fields.get("piece_temp", "").strip() else None,
        press_no=int(plain(fields, "press", ("1", "2"))),
    )
    noted = {key: " ".join(fields.get(key, "").split())[:200] for key in ("blank", "lot", "note")}
    return told, {"recipe_name": kept.name if kept else "", "turned": float(turn) if turn else None, **noted}


def own_limits(store: Store) -> str | None:
    """Path of the workshop's own limits, where it has some."""
    return str(store.limits_file) if store.limits_file.exists() else None


def params(request: Any, names: dict[str, str], piece: str = "", **more: Any) -> dict[str, Any]:
    """Tell a task the request, the names that files were sent under, and what the page itself needs."""
    return {"request": msgspec.to_builtins(request), "names": names, "piece": piece, **more}


def saved(store: Store, uid: str, what: str, folder: Path, stem: str, names: dict[str, str]) -> str:
    """Copy an earlier result that a form chose into the job's folder, so that its texts can call it by its title."""
    path = store.file(uid, "result.json")
    if path is None:
        raise UsageError(f"the chosen {what} is no longer there", "choose another one")
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(path, folder / f"{stem}.json")
    names[f"{stem}.json"] = store.title(uid) or what
    return str(folder / f"{stem}.json")


def checked_set_up(given: Given, store: Store, names: dict[str, str]) -> str | None:
    """Take the check of the set-up that a form chose; None when it chose none."""
    uid = given.fields.get("bench", "")
    return saved(store, uid, "check of the set-up", given.folder, "bench", names) if uid else None


def _again(fields: dict[str, str], shown: Shown) -> dict[str, str]:
    """Collect what the next check of the same piece need not be asked, lengths as typed and with their unit."""
    told = {k: fields[k][:80] for k in _ASKED_ONCE if fields.get(k)}
    return {k: _with_unit(v, shown) if k in ("size", "glass") else v for k, v in told.items()}


def _photos(given: Given, names: dict[str, str]) -> tuple[str, ...]:
    """Take the photos that were sent, first those as they are, then those of the turned piece."""
    if not given.files.get("photos"):
        raise UsageError("the photo is missing", "take or choose one")
    stored = [*given.files["photos"], *given.files.get("turned", ())]
    names |= {s.path.name: s.name for s in stored}
    return tuple(str(s.path) for s in stored)


def _artwork(given: Given, store: Store) -> tuple[str, str]:
    """Take the artwork that was sent, or one kept from before: its path, its name."""
    if sent := given.files.get("artwork"):
        return str(sent[0].path), sent[0].name
    if not given.fields.get("artwork_kept"):
        raise UsageError("the artwork is missing", "send the picture that is printed")
    kept = store.artwork(given.fields["artwork_kept"])
    if kept is None:
        raise UsageError("the chosen artwork is no longer there", "send it again")
    return str(kept.path), kept.name


def target_check(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'check a target'.

    Returns
    -------
    dict
        What the task is told; under 'request' a `ReadRequest` in plain values.

    Raises
    ------
    ColorcheckError
        Something is missing or cannot be used.
    """
    fields = given.fields
    names: dict[str, str] = {}
    pressed, lay = pressing(fields, shown, store)
    request = ReadRequest(
        camera=str(store.camera_file) if fields.get("camera") == "yes" and store.camera_file.exists() else None,
        printed=plain(fields, "printed", ("as-usual", "raw")),
        paper=plain(fields, "paper", ("on", "off")),
        lit=plain(fields, "lit", ("front", "behind")),
        against=saved(store, fields["against"], "reading", given.folder, "against", names)
        if fields.get("against")
        else None,
        limits=own_limits(store),
        bench=checked_set_up(given, store, names),
        pressing=pressed,
        photos=_photos(given, names),
    )
    return params(request, names, fields.get("piece", "").strip()[:80], again=_again(fields, shown), **lay)


def piece_check(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'check a finished piece': an `InspectRequest`; errors as for `target_check`."""
    fields = given.fields
    names: dict[str, str] = {}
    pressed, lay = pressing(fields, shown, store)
    asked: dict[str, Any] = {
        "size_mm": size(fields, shown),
        "shape": plain(fields, "shape", ("rect", "round")),
        "view": plain(fields, "view", ("front", "through")),
        "paper": plain(fields, "paper", ("on", "off")),
        "lit": plain(fields, "lit", ("front", "behind")),
        "reading": saved(store, fields["reading"], "reading", given.folder, "reading", names)
        if fields.get("reading")
        else None,
        "before": saved(store, fields["before"], "earlier check", given.folder, "before", names)
        if fields.get("before")
        else None,
        "limits": own_limits(store),
        "bench": checked_set_up(given, store, names),
        "pressing": pressed,
    }
    asked["photos"] = _photos(given, names)
    asked["artwork"], name = _artwork(given, store)
    names[Path(asked["artwork"]).name] = name
    for frame in given.files.get("blank_frame", ()):
        asked["blank_frame"], names[frame.path.name] = str(frame.path), frame.name
    for profile in given.files.get("profile", ()):
        asked["profile"] = str(profile.path)
    again = _again(fields, shown)
    piece, keep = fields.get("piece", "").strip()[:80], {"keep_artwork": str(store.root)}
    return params(InspectRequest(**asked), names, piece, again=again, **keep, **lay)


def file_name(text: str, otherwise: str) -> str:
    """Turn what was typed into a name that can be a file's."""
    return re.sub(r"[^\w-]+", "-", text.strip(), flags=re.ASCII).strip("-")[:60] or otherwise


def new_target(fields: dict[str, str], shown: Shown) -> dict[str, Any]:
    """Read the form 'make a target': a `TargetRequest`; errors as for `size`."""
    name = file_name(fields.get("name", ""), "target")
    request = TargetRequest(
        name=name,
        size_mm=size(fields, shown),
        shape=plain(fields, "shape", ("rect", "round")),
        view=plain(fields, "view", ("front", "through")),
        patches=plain(fields, "patches", ("", "compact", "standard", "fine")) or None,
        file_format=plain(fields, "format", ("pdf", "png", "tiff")),
        bleed_mm=length(fields.get("bleed", "0"), shown),
    )
    return params(request, {}, name)


def recipe(fields: dict[str, str], shown: Shown) -> dict[str, Any]:
    """Read the form of a recipe."""
    name = " ".join(fields.get("name", "").split())[:60]
    if not name:
        raise UsageError("the recipe has no name", "give it one, such as 'glass 4 mm'")

    def or_none(key: str, parse: Any) -> Any:
        return parse(fields[key]) if fields.get(key, "").strip() else None

    out = {
        "name": name,
        "platen_c": or_none("platen", lambda t: temperature(t, shown)),
        "seconds": or_none("seconds", parse_seconds),
        "heated_face": plain(fields, "heated_face", ("coat", "back")),
        "glass_mm": or_none("glass", lambda t: length(t, shown)),
        "max_seconds": or_none("max_seconds", parse_seconds),
        "max_c": or_none("max_c", lambda t: temperature(t, shown)),
    }
    limits = MakerLimits(out["max_seconds"] or math.inf, out["max_c"] or math.inf)
    check_limits(Recipe(out["platen_c"], seconds=out["seconds"]), limits)
    return out


def limits(fields: dict[str, str], shipped: dict[str, dict[str, float]]) -> dict[str, dict[str, float]]:
    """Read the limits form: only what differs from the shipped limits.

    Raises
    ------
    UsageError
        A value is no positive number.
    """
    out: dict[str, dict[str, float]] = {}
    for table, rows in shipped.items():
        for key, value in rows.items():
            text = fields.get(f"{table}.{key}", "").strip().replace(",", ".")
            if not text:
                continue
            try:
                number = float(text)
            except ValueError:
                number = -1.0
            if not 0 <= number < 1e6:
                raise UsageError(f"'{text[:20]}' is not a limit for {key.replace('_', ' ')}", "give a positive number")
            if abs(number - value) > 1e-9:
                out.setdefault(table, {})[key] = number
    return out


def _costs(fields: dict[str, str], uids: list[str], names: list[str]) -> dict[str, dict[str, float | str]]:
    """Collect what one piece of each blank costs, by the name of the blank."""
    out: dict[str, dict[str, float | str]] = {}
    for uid, name in zip(uids, names, strict=True):
        told: dict[str, float | str] = {
            part: text.replace(",", ".")
            for part in ("blank", "paper", "ink", "yield")
            if (text := fields.get(f"{part}-{uid}", "").strip())
        }
        if told and name not in out:
            out[name] = told
    return out


async def _lights(
    form: FormData, uids: list[str], names: list[str], folder: Path, files: dict[str, str]
) -> dict[str, tuple[str, str]]:
    """Take two photos of a light panel for each blank: with the piece on it and without."""
    out: dict[str, tuple[str, str]] = {}
    for k, (uid, name) in enumerate(zip(uids, names, strict=True), 1):
        sent = uploads.sent(form, f"light-{uid}")
        if not sent:
            continue
        if len(sent) != 2:
            raise UsageError(
                f"{len(sent)} light panel photos of {name}", "send two: the piece on it, then the panel alone"
            )
        stored = [await uploads.store_picture(f, folder, f"light-{k}-{n}") for n, f in enumerate(sent, 1)]
        files |= {s.path.name: s.name for s in stored}
        out[name] = (str(stored[0].path), str(stored[1].path))
    return out


async def comparison(form: FormData, store: Store, folder: Path) -> dict[str, Any]:
    """Read the form 'compare': which readings, under which names, for which purpose.

    Raises
    ------
    UsageError
        Fewer than two were chosen, or one is gone.
    """
    fields = uploads.texts(form)
    chosen_uids = [v for v in form.getlist("reading") if isinstance(v, str)]
    if len(chosen_uids) < 2:
        raise UsageError("two readings at least are needed to compare", "tick them in the list")
    names = []
    for uid in chosen_uids:
        name = " ".join(fields.get(f"name-{uid}", "").replace(",", " ").split())[:40]
        names.append(name or store.title(uid)[:40] or "unnamed")
    files: dict[str, str] = {}
    request = CompareRequest(
        readings=tuple(
            saved(store, uid, "reading", folder, f"reading-{k}", files) for k, uid in enumerate(chosen_uids, 1)
        ),
        names=tuple(names),
        purpose=plain(fields, "purpose", ("photos", "blacks", "window", "cost")),
        same_setup=fields.get("same_setup") == "yes",
        lit=plain(fields, "lit", ("front", "behind")),
        costs=_costs(fields, chosen_uids, names),
        lights=await _lights(form, chosen_uids, names, folder, files),
    )
    return params(request, files, title="Compared: " + ", ".join(dict.fromkeys(names)))


def health(log: str | None) -> dict[str, Any]:
    """Ask for all pieces of the page's press log; None is the usual one."""
    return params(HealthRequest(log=log or ""), {})


def preparation(given: Given, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'prepare a picture': a `PrepareRequest`; errors as for `target_check`."""
    fields = given.fields
    asked: dict[str, Any] = {
        "size_mm": size(fields, shown),
        "shape": plain(fields, "shape", ("rect", "round")),
        "view": plain(fields, "view", ("front", "through")),
        "lit": plain(fields, "lit", ("front", "behind")),
        "bleed_mm": length(fields.get("bleed", "3mm"), shown),
        "intent": plain(fields, "intent", ("relative", "perceptual", "saturation")),
    }
    kind = plain(fields, "format", ("pdf", "png", "tiff"))
    asked["artwork"], name = _artwork(given, store)
    if sent := given.files.get("profile"):
        asked["profile"] = str(sent[0].path)
    elif fields.get("profile_kept"):
        path = store.file(fields["profile_kept"], "profile.icc")
        if path is None:
            raise UsageError("the chosen profile is no longer there", "choose another one")
        asked["profile"] = str(path)
    again = _again(fields, shown)
    names, piece = {Path(asked["artwork"]).name: name}, fields.get("piece", "").strip()[:80]
    more = {"again": again, "format": kind, "keep_artwork": str(store.root)}
    return params(PrepareRequest(**asked), names, piece, **more)
