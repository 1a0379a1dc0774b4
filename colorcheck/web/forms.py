"""What a form holds → checked values in plain units, for the tasks."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData

from ..ground.errors import UsageError
from ..ground.recipe import MakerLimits, Recipe, check_limits
from ..ground.units import parse_length, parse_seconds, parse_size, parse_temperature
from . import uploads
from .shown import Shown
from .store import Store
from .uploads import plain

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
        None given, or it is no size; a round piece has one diameter.
    """
    text = fields.get("size", "")
    if not text.strip():
        raise UsageError("the size is missing", "measure the piece and give width x height, such as 200x200 mm")
    out = parse_size(_with_unit(text, shown))
    if fields.get("shape") == "round" and abs(out[0] - out[1]) > 0.05:
        raise UsageError(f"a round piece has one diameter, not {text[:20]}", "give one number, such as 200 mm")
    return out


def length(text: str, shown: Shown) -> float:
    """Read a length in mm; bare numbers are in the reader's unit."""
    return 0.0 if _NONE.fullmatch(text) else parse_length(_with_unit(text, shown))


def temperature(text: str, shown: Shown) -> float:
    """Read a temperature in °C; bare numbers are in the reader's unit."""
    bare = re.fullmatch(r"\s*[\d.]+\s*", text)
    return parse_temperature(f"{text.strip()}{shown.heat}" if bare else text)


def pressing(fields: dict[str, str], shown: Shown, store: Store) -> dict[str, Any]:
    """Collect what the advice on pressing again needs: a kept recipe, and what was typed over it."""
    out: dict[str, Any] = {
        "glass_mm": None,
        "heated_face": "",
        "platen_c": None,
        "piece_c": None,
        "recipe_seconds": None,
        "max_seconds": None,
        "max_c": None,
        "press_no": 1 if plain(fields, "press", ("1", "2")) == "1" else 2,
    }
    recipe = next((r for r in store.recipes() if r.name == fields.get("recipe")), None)
    if recipe:
        out |= {
            "recipe_name": recipe.name,
            "glass_mm": recipe.glass_mm,
            "heated_face": recipe.heated_face,
            "platen_c": recipe.platen_c,
            "recipe_seconds": recipe.seconds,
            "max_seconds": recipe.max_seconds,
            "max_c": recipe.max_c,
        }
    if fields.get("glass", "").strip():
        out["glass_mm"] = length(fields["glass"], shown)
    turn = plain(fields, "turn", ("", "0", "90", "180", "270"))
    out["turned"] = float(turn) if turn else None
    if fields.get("piece_temp", "").strip():
        out["piece_c"] = temperature(fields["piece_temp"], shown)
    return out


def _settings(store: Store) -> dict[str, Any]:
    return {"limits": str(store.limits_file) if store.limits_file.exists() else None}


def _saved(store: Store, uid: str, what: str) -> str:
    """Path of an earlier result that a form chose."""
    path = store.file(uid, "result.json")
    if path is None:
        raise UsageError(f"the chosen {what} is no longer there", "choose another one")
    return str(path)


def _again(fields: dict[str, str], **more: str) -> dict[str, str]:
    """Collect what the next check of the same piece need not be asked."""
    kept = ("piece", "size", "shape", "view", "paper", "printed", "reading", "recipe", "glass", "press")
    return {**{k: fields[k][:80] for k in kept if fields.get(k)}, **more}


async def _photos(form: FormData, folder: Path, field: str = "photos") -> tuple[list[str], list[str]]:
    files = uploads.sent(form, field)
    if not files:
        raise UsageError("the photo is missing", "take or choose one")
    stored = [await uploads.store_picture(f, folder, f"photo-{k}") for k, f in enumerate(files, 1)]
    return [str(s.path) for s in stored], [s.name for s in stored]


async def _artwork(form: FormData, fields: dict[str, str], folder: Path, store: Store) -> tuple[str, str, str]:
    """Take the artwork that was sent, or one kept from before: its path, its name, its digest."""
    art = uploads.sent(form, "artwork")
    if art:
        stored = await uploads.store_picture(art[0], folder, "artwork")
        kept_at = store.keep_artwork(stored.path, stored.name)
        return str(kept_at), stored.name, kept_at.parent.name
    if not fields.get("artwork_kept"):
        raise UsageError("the artwork is missing", "send the picture that is printed")
    kept = store.artwork(fields["artwork_kept"])
    if kept is None:
        raise UsageError("the chosen artwork is no longer there", "send it again")
    return str(kept.path), kept.name, kept.digest


async def target_check(form: FormData, folder: Path, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'check a target'.

    Raises
    ------
    ColorcheckError
        Something is missing or cannot be used.
    """
    fields = uploads.texts(form)
    out = {
        "printed": plain(fields, "printed", ("as-usual", "raw")),
        "paper": plain(fields, "paper", ("on", "off")),
        "piece": fields.get("piece", "").strip()[:80],
        "camera": str(store.camera_file) if fields.get("camera") == "yes" and store.camera_file.exists() else None,
        "against": _saved(store, fields["against"], "reading") if fields.get("against") else None,
        **_settings(store),
        **pressing(fields, shown, store),
    }
    out["photos"], out["photo_names"] = await _photos(form, folder)
    out["again"] = _again(fields)
    return out


async def piece_check(form: FormData, folder: Path, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'check a finished piece'; errors as for `target_check`."""
    fields = uploads.texts(form)
    out: dict[str, Any] = {
        "size_mm": list(size(fields, shown)),
        "shape": plain(fields, "shape", ("rect", "round")),
        "view": plain(fields, "view", ("front", "through")),
        "paper": plain(fields, "paper", ("on", "off")),
        "piece": fields.get("piece", "").strip()[:80],
        "reading": _saved(store, fields["reading"], "reading") if fields.get("reading") else None,
        "before": _saved(store, fields["before"], "earlier check") if fields.get("before") else None,
        **_settings(store),
        **pressing(fields, shown, store),
    }
    out["photos"], out["photo_names"] = await _photos(form, folder)
    out["artwork"], out["artwork_name"], digest = await _artwork(form, fields, folder, store)
    frame = uploads.sent(form, "blank_frame")
    if frame:
        stored = await uploads.store_picture(frame[0], folder, "white-sheet")
        out["blank_frame"], out["blank_frame_name"] = str(stored.path), stored.name
    more = uploads.sent(form, "turned")
    for k, f in enumerate(more, 1):
        stored = await uploads.store_picture(f, folder, f"turned-{k}")
        out["photos"].append(str(stored.path))
        out["photo_names"].append(stored.name)
    profile = uploads.sent(form, "profile")
    if profile and not out["reading"]:
        out["profile"] = str((await uploads.store_file(profile[0], folder, "profile.icc")).path)
    out["again"] = _again(fields, size=f"{out['size_mm'][0]:g}x{out['size_mm'][1]:g}mm", artwork_kept=digest)
    return out


def new_target(fields: dict[str, str], shown: Shown) -> dict[str, Any]:
    """Read the form 'make a target'; errors as for `size`."""
    name = re.sub(r"[^\w-]+", "-", fields.get("name", "").strip(), flags=re.ASCII).strip("-")[:60] or "target"
    return {
        "name": name,
        "size_mm": list(size(fields, shown)),
        "shape": plain(fields, "shape", ("rect", "round")),
        "view": plain(fields, "view", ("front", "through")),
        "patches": plain(fields, "patches", ("", "compact", "standard", "fine")) or None,
        "format": plain(fields, "format", ("pdf", "png", "tiff")),
        "bleed_mm": length(fields.get("bleed", "0"), shown),
    }


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


def comparison(form: FormData, store: Store) -> dict[str, Any]:
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
    return {
        "readings": [_saved(store, uid, "reading") for uid in chosen_uids],
        "names": names,
        "purpose": plain(fields, "purpose", ("photos", "blacks")),
        "title": "Compared: " + ", ".join(dict.fromkeys(names)),
    }


def profile(fields: dict[str, str], store: Store) -> dict[str, Any]:
    """Read the form 'build a profile from this reading'."""
    name = store.title(fields.get("reading", ""))
    path = _saved(store, fields.get("reading", ""), "reading")
    return {"readings": [path], "name": name or "profile", "title": f"Profile of {name or 'a reading'}"}


async def preparation(form: FormData, folder: Path, store: Store, shown: Shown) -> dict[str, Any]:
    """Read the form 'prepare a picture'; errors as for `target_check`."""
    fields = uploads.texts(form)
    out: dict[str, Any] = {
        "size_mm": list(size(fields, shown)),
        "shape": plain(fields, "shape", ("rect", "round")),
        "view": plain(fields, "view", ("front", "through")),
        "bleed_mm": length(fields.get("bleed", "3mm"), shown),
        "intent": plain(fields, "intent", ("relative", "perceptual", "saturation")),
        "format": plain(fields, "format", ("pdf", "png", "tiff")),
        "piece": fields.get("piece", "").strip()[:80],
        "photos": [],
        "photo_names": [],
    }
    out["artwork"], out["artwork_name"], digest = await _artwork(form, fields, folder, store)
    sent = uploads.sent(form, "profile")
    if sent:
        out["profile"] = str((await uploads.store_file(sent[0], folder, "profile.icc")).path)
    elif fields.get("profile_kept"):
        path = store.file(fields["profile_kept"], "profile.icc")
        if path is None:
            raise UsageError("the chosen profile is no longer there", "choose another one")
        out["profile"] = str(path)
    else:
        raise UsageError("the profile is missing", "choose or send the one of this blank")
    out["again"] = _again(fields, size=f"{out['size_mm'][0]:g}x{out['size_mm'][1]:g}mm", artwork_kept=digest)
    return out
