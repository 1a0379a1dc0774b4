"""One job of the page, done by a worker: the same flows as the command line, and what the page will show of it.

A task writes into the job's folder: ``result.json`` (the contract of the command line), ``answer.json`` (the texts and
drawings of the page), the pictures as files of their own, and files to download.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from ..ground.files import write_bytes, write_text
from ..ground.limits import load_limits
from ..ground.reader import all_shown, for_page
from ..ground.recipe import Recipe

Tell = Callable[..., None]
_DATA_URI = re.compile(r"data:image/(png|jpeg);base64,([A-Za-z0-9+/=]+)")


def perform(kind: str, params: dict[str, Any], folder: Path, tell: Tell) -> None:
    """Do one job.

    Parameters
    ----------
    kind : str
        Name of the task.
    params : dict
        What it works on, checked and in plain units by `forms`; files by their path.
    folder : path
        Where its results go; made here, so that it exists only for jobs that got so far.
    tell : callable
        Takes events: ``tell(event='progress', says=...)``.

    Raises
    ------
    ColorcheckError
        Bad input, in one line.
    """
    if kind == "several":
        _several(params, folder, tell)
        return
    with for_page():
        answer, result = _TASKS[kind](params, folder, tell)
    result = all_shown(result)
    folder.mkdir(parents=True, exist_ok=True)
    if result is not None:
        from ..ground.jsontext import write_json

        write_json(folder / "result.json", result)
    answer = {"kind": kind, "title": params["title"], "again": {**params.get("again", {}), **_kept(params)}, **answer}
    if own := _own_limits(params):
        answer["own_limits"] = own
    answer["context"] = _pictures_out(answer["context"], folder)
    if result is not None and "log" in params:
        _record(kind, params, folder.name, result)
    # last: its presence says that all else is there
    write_text(folder / "answer.json", json.dumps(answer, ensure_ascii=False))


def _own_limits(params: dict[str, Any]) -> list[str]:
    """Name the limits of a job that are the user's own."""
    from ..show.limitwords import own_limits

    path = params["request"].get("limits") if isinstance(params.get("request"), dict) else None
    return own_limits(load_limits(path).tables(), load_limits().tables()) if isinstance(path, str) else []


def _small(picture: Any, folder: Path) -> None:
    """Keep a small square picture (RGB) of what a job was about, for lists."""
    import cv2

    from .datafolder import SMALL

    h, w = picture.shape[:2]
    side = min(h, w)
    y, x = (h - side) // 2, (w - side) // 2
    size = 168
    square = cv2.resize(picture[y : y + side, x : x + side], (size, size), interpolation=cv2.INTER_AREA)
    _, jpeg = cv2.imencode(".jpg", square[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 80])
    folder.mkdir(parents=True, exist_ok=True)
    write_bytes(folder / SMALL, jpeg.tobytes())


def _kept(params: dict[str, Any]) -> dict[str, str]:
    """Keep the artwork of a job that went well, to be chosen again."""
    if "keep_artwork" not in params:
        return {}
    from .datafolder import Store

    path = Path(params["request"]["artwork"])
    digest = Store(params["keep_artwork"]).keep_artwork(path, params["names"][path.name])
    return {"artwork_kept": digest} if digest else {}


def _several(params: dict[str, Any], folder: Path, tell: Tell) -> None:
    """Judge the pieces in one photo of several, as `batch` does; what they gave stands in the overview's folder."""
    import numpy as np

    from ..flows.batchline import entries_of
    from ..flows.batchwork import Setup, work
    from ..flows.pieces import load_candidates
    from ..flows.requests import InspectRequest
    from ..ground.jsontext import write_json
    from ..shop.joblist import Job
    from ..shop.presslog import open_log
    from ..show.batchlines import tell_photo
    from .datafolder import SMALL, Store
    from .joblog import lay_of

    with for_page():
        _say(tell)("finding the pieces, and judging each")
        request = msgspec.convert(params["request"], InspectRequest)
        candidates = load_candidates(tuple(msgspec.convert(j, Job) for j in params["jobs"]), view=request.view)
        told = work(Setup(request, candidates, tell_photo), params["photo"], params["sha256"])
    store = Store(params["keep_artwork"])
    for name in {line["artwork"] for line in told.lines if line["artwork"]}:
        path = next(Path(j["artwork"]) for j in params["jobs"] if Path(j["artwork"]).name == name)
        store.keep_artwork(path, params["names"][name])
    lines = [named(params, line) for line in told.lines]
    notes = {key: params.get(key, "") for key in ("blank", "lot", "note")}
    with open_log(params["log"]) as log:
        load, number = lay_of(params), params["request"]["pressing"]["press_no"]
        more = {"prefix": params.get("piece", ""), "load": load, "recipe": _recipe(params), "press_no": number}
        of_overview = [{**all_shown(line), "overview": params["group"]} for line in lines]
        log.record_all(entries_of(of_overview, **more, **notes))
    if told.overview and not (folder / SMALL).exists():
        import cv2

        jpeg = np.frombuffer(base64.b64decode(told.overview.partition(",")[2]), np.uint8)
        small = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
        assert small is not None
        _small(small[..., ::-1], folder)
    pictures = _pictures_out({"pictures": list(told.pictures), "overview": told.overview}, folder)
    write_json(folder / f"part-{params['part']}.json", {"lines": lines, **pictures})


def _record(kind: str, params: dict[str, Any], uid: str, result: dict[str, Any]) -> None:
    """Record a result in the press log, under the job's own name."""
    from ..shop.presslog import open_log
    from ..shop.presslog_records import NewEntry, Photo
    from .joblog import lay_of

    photos = tuple(
        Photo(str(p["sha256"]), str(p.get("file", "")), str(p.get("device", "")), str(p.get("taken", "")))
        for p in result.get("photos", ())
        if isinstance(p, dict) and p.get("sha256")
    )
    entry = NewEntry(
        kind,
        result,
        photos=photos,
        piece=params.get("piece", ""),
        recipe=_recipe(params),
        lay=lay_of(params),
        press_no=params["request"]["pressing"]["press_no"] if kind in ("read", "inspect") else None,
        **{key: params.get(key, "") for key in ("blank", "lot", "note")},
        uid=uid,
    )
    with open_log(params["log"]) as log:
        log.record(entry)


def _recipe(params: dict[str, Any]) -> Recipe | None:
    """Recipe of a job for the log; None when none was chosen."""
    return msgspec.convert(params["request"]["pressing"]["recipe"], Recipe) if params.get("recipe_name") else None


def _pictures_out(value: Any, folder: Path) -> Any:
    """Move pictures that are written inside texts into files; the text then names the file."""
    if isinstance(value, dict):
        return {k: _pictures_out(v, folder) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_pictures_out(v, folder) for v in value]
    if not isinstance(value, str) or "data:image/" not in value:
        return value

    def out(match: re.Match[str]) -> str:
        data = base64.b64decode(match[2])
        name = f"picture-{hashlib.sha256(data).hexdigest()[:12]}.{'jpg' if match[1] == 'jpeg' else 'png'}"
        write_bytes(folder / name, data)
        return name

    return _DATA_URI.sub(out, value)


def _say(tell: Tell) -> Callable[[str], None]:
    return lambda text: tell(event="progress", says=text)


def _look(params: dict[str, Any], folder: Path, tell: Tell, *, target: bool) -> None:
    """Say at once what is plainly wrong with a photo, before the slow part."""
    import cv2

    from ..flows.look import look_at
    from ..show.words import photo_advice

    limits = load_limits(params["request"]["limits"])
    for path in params["request"]["photos"]:
        look = look_at(path, target=target, limits=limits.photo)
        if path == params["request"]["photos"][0]:
            _small(look.small, folder)
        if not look.hints:
            continue
        _, jpeg = cv2.imencode(".jpg", look.small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 72])
        tell(
            event="photo",
            photo={
                "name": params["names"][Path(path).name],
                "picture": "data:image/jpeg;base64," + base64.b64encode(jpeg.tobytes()).decode(),
                "size": [int(look.small.shape[1]), int(look.small.shape[0])],
                "hints": [{"says": photo_advice(h.measure), "box": h.box} for h in look.hints],
            },
        )


def named(params: dict[str, Any], value: Any) -> Any:
    """Give photos back the names they were sent under, wherever a text or table names the stored file."""
    if isinstance(value, dict):
        return {k: named(params, v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [named(params, v) for v in value]
    names = params.get("names")
    if isinstance(value, str) and len(value) < 2000 and names:
        return re.sub("|".join(map(re.escape, names)), lambda found: str(names[found[0]]), value)  # each once
    return value


def _read(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.read import read
    from ..flows.requests import ReadRequest
    from ..show.page import reading_context as context
    from ..show.results import reading_to_dict

    _look(params, folder, tell, target=True)
    request = msgspec.convert(params["request"], ReadRequest)
    reading = read(request, progress=_say(tell))
    _say(tell)("drawing the answer")
    shown = named(params, context(reading))
    answer = {"template": "report.html.j2", "context": shown, "action": reading.verdict.action}
    return answer, named(params, reading_to_dict(reading))


def _inspect(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.inspect import inspect
    from ..flows.requests import InspectRequest
    from ..show.page import inspection_context as context
    from ..show.resultfiles import inspection_to_dict

    _look(params, folder, tell, target=False)
    request = msgspec.convert(params["request"], InspectRequest)
    result = inspect(request, progress=_say(tell))
    _say(tell)("drawing the answer")
    shown = named(params, context(result))
    told = {"template": "inspect.html.j2", "context": shown, "action": result.verdict.action}
    return told, named(params, inspection_to_dict(result))


def _target(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], None]:
    from ..flows.newtarget import design_target
    from ..flows.requests import TargetRequest
    from ..ground.jsontext import write_json
    from ..sheet.draw import render, write_print_file
    from ..sheet.target import to_dict
    from ..show.say import say
    from ..show.words import CAUTIONS

    _say(tell)("drawing the target")
    target = design_target(msgspec.convert(params["request"], TargetRequest))
    folder.mkdir(parents=True, exist_ok=True)
    write_print_file(target, folder / target.print_file)
    write_json(folder / f"{target.name}.json", to_dict(target))
    import cv2

    small = render(target, dpi=max(40, round(25.4 * 480 / max(target.size_mm))))
    _, png = cv2.imencode(".png", small[..., ::-1])
    write_bytes(folder / "preview.png", png.tobytes())
    _small(small, folder)
    context = {
        "name": target.name,
        "size_mm": list(target.size_mm),
        "shape": target.shape,
        "view": target.view,
        "mirrored": target.mirrored,
        "cells": len(target.ids),
        "print_file": target.print_file,
        "cautions": CAUTIONS,
        "layout_file": f"{target.name}.json",
        "paper": say("paper_hint", target.printed_mm),
        "pixels": [int(small.shape[1]), int(small.shape[0])],
    }
    return {"template": "target.html.j2", "context": context}, None


def _compare(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.compare import compare
    from ..flows.requests import CompareRequest
    from ..show.page import compare_context as context
    from ..show.resultfiles import comparison_csv, comparison_to_dict

    request = msgspec.convert(params["request"], CompareRequest)
    result = compare(request, progress=_say(tell))
    folder.mkdir(parents=True, exist_ok=True)
    write_text(folder / "numbers.csv", comparison_csv(result))
    downloads = [{"name": "numbers.csv", "text": "Numbers as a table (CSV)"}]
    answer = {"template": "compare.html.j2", "context": named(params, context(result)), "downloads": downloads}
    return answer, named(params, comparison_to_dict(result))


def _profile(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..colour.icc import profile_bytes
    from ..flows.profile import build_profile
    from ..flows.requests import ProfileRequest
    from ..show.answers import profile_context as context
    from ..show.resultfiles import profile_to_dict

    request = msgspec.convert(params["request"], ProfileRequest)
    profile = build_profile(request, progress=_say(tell))
    folder.mkdir(parents=True, exist_ok=True)
    write_bytes(folder / "profile.icc", profile_bytes(profile.tables, version=request.version))
    downloads = [{"name": "profile.icc", "text": "The profile (ICC)"}]
    shown = named(params, context(profile, "profile.icc", name=request.name, version=request.version))
    result = profile_to_dict(profile, "profile.icc", version=request.version, readings=[request.name])
    return {"template": "profile.html.j2", "context": shown, "downloads": downloads}, result


def _prepare(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.prepare import prepare
    from ..flows.requests import PrepareRequest
    from ..sheet.draw import write_picture
    from ..show.page import prepare_context as context
    from ..show.proof import write_proof
    from ..show.resultfiles import prepared_to_dict

    say = _say(tell)
    request = msgspec.convert(params["request"], PrepareRequest)
    result = prepare(request, progress=say)
    say("writing the print file")
    folder.mkdir(parents=True, exist_ok=True)
    out = f"print.{params['format']}"
    write_picture(
        result.picture,
        folder / out,
        dpi=result.dpi,
        size_mm=result.sheet_mm,
        bleed_mm=result.bleed_mm,
        border_mm=result.border_mm,
    )
    proof = "" if result.proof is None else "proof.png"
    if proof:
        write_proof(result, folder / proof)
    _small(result.original if result.proof is None else result.proof, folder)
    downloads = [{"name": out, "text": "Print file"}]
    downloads += [{"name": proof, "text": "Proof, beside the original"}] if proof else []
    answer = {
        "template": "prepare.html.j2",
        "context": named(params, context(result)),
        "downloads": downloads,
    }
    return answer, named(params, prepared_to_dict(result, print_file=out, proof_file=proof or None))


def _health(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.health import press_health
    from ..flows.requests import HealthRequest
    from ..shop.presslog import open_log
    from ..show.page import health_context as context
    from ..show.resultfiles import health_csv, health_to_dict

    _say(tell)("laying the pieces over one another")
    request = msgspec.convert(params["request"], HealthRequest)
    open_log(request.log or None).close()  # made here where there is none yet
    done = press_health(request)
    folder.mkdir(parents=True, exist_ok=True)
    write_text(folder / "findings.csv", health_csv(done.health))
    answer = {
        "template": "health.html.j2",
        "context": context(done.health, done.trends, done.facts),
        "downloads": [{"name": "findings.csv", "text": "Findings as a table (CSV)"}],
    }
    return answer, health_to_dict(done.health, done.trends, done.facts)


def _trend(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], None]:
    from ..shop.presslog import open_log
    from ..shop.presslog_records import MEASURES, SET_UP, Filter
    from ..show.page import trend_context

    _say(tell)("laying the pieces side by side")
    with open_log(params["from"]) as log:
        trends = [log.trend(m) for m in MEASURES]
        behind = [log.trend(m, Filter(lit="behind")) for m in MEASURES if m not in SET_UP]
    trends = [t for t in trends if t.values or t.measure not in SET_UP] + [t for t in behind if t.values]
    return {"template": "blocks.html.j2", "context": trend_context(trends)}, None


def _fading(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], None]:
    from ..shop.presslog import open_log
    from ..show.logbook import fading_blocks
    from ..show.page import blocks_context

    _say(tell)("laying its readings side by side")
    with open_log(params["from"]) as log:
        blocks = fading_blocks(log.fading(params["of"]), params["of"])
    return {"template": "blocks.html.j2", "context": blocks_context(blocks, name=params["of"], word="Fading")}, None


def _repeat(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.repeat import repeat, to_dict
    from ..flows.requests import RepeatRequest
    from ..show.answers import repeat_blocks
    from ..show.page import blocks_context

    result = repeat(msgspec.convert(params["request"], RepeatRequest), progress=_say(tell))
    shown = blocks_context(repeat_blocks(result), name=params["title"], word="Set-up")
    return {"template": "blocks.html.j2", "context": named(params, shown)}, named(params, to_dict(result))


def _bench(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.bench import check_bench, to_dict
    from ..flows.requests import BenchRequest
    from ..photo.decode import decode_srgb
    from ..show.page import bench_context

    request = msgspec.convert(params["request"], BenchRequest)
    result = check_bench(request, progress=_say(tell))
    _small(decode_srgb(request.both or next(iter(request.photos().values())), max_pixels=1_000_000).rgb, folder)
    shown = named(params, bench_context(result, params["title"]))
    return {"template": "blocks.html.j2", "context": shown}, named(params, to_dict(result))


def _camera(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.characterise import characterise, characterise_result
    from ..flows.requests import CameraRequest
    from ..photo.camerafile import save_camera
    from ..show.answers import camera_blocks
    from ..show.page import blocks_context

    camera = characterise(msgspec.convert(params["request"], CameraRequest), progress=_say(tell))
    folder.mkdir(parents=True, exist_ok=True)
    save_camera(folder / "camera.json", camera)
    shown = blocks_context(camera_blocks(camera, "The camera is taught"), name=params["title"], word="Camera")
    downloads = [{"name": "camera.json", "text": "The camera as a file"}]
    answer = {"template": "blocks.html.j2", "context": named(params, shown), "downloads": downloads}
    return answer, named(params, characterise_result(camera, "camera"))


def _ladder_plan(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], None]:
    from ..flows.ladder import plan_ladder
    from ..flows.requests import PlanRequest
    from ..ground.jsontext import write_json
    from ..sheet.draw import write_print_file, write_sheets
    from ..shop.ladder import plan_to_dict
    from ..show.page import run_sheet_context

    _say(tell)("drawing the targets")
    plan, targets = plan_ladder(msgspec.convert(params["request"], PlanRequest))
    folder.mkdir(parents=True, exist_ok=True)
    write_json(folder / "plan.json", plan_to_dict(plan))
    pages = write_sheets(targets, folder / f"{plan.name}-A4.pdf")
    if not pages:
        for t in targets:
            write_print_file(t, folder / t.print_file)
            pages.append(folder / t.print_file)
    downloads = [{"name": p.name, "text": f"Targets to print: {p.name}"} for p in pages]
    return {"template": "runsheet.html.j2", "context": run_sheet_context(plan), "downloads": downloads}, None


def _ladder(params: dict[str, Any], folder: Path, tell: Tell) -> tuple[dict[str, Any], dict[str, Any]]:
    from ..flows.ladder import read_ladder
    from ..flows.requests import LadderRequest
    from ..show.page import ladder_context
    from ..show.resultfiles import ladder_csv, ladder_to_dict

    _say(tell)("laying the presses over one another")
    done = read_ladder(msgspec.convert(params["request"], LadderRequest))
    folder.mkdir(parents=True, exist_ok=True)
    write_text(folder / "presses.csv", ladder_csv(done.fit))
    shown = named(params, ladder_context(done.plan, done.fit))
    downloads = [{"name": "presses.csv", "text": "The presses as a table (CSV)"}]
    return {"template": "ladder.html.j2", "context": shown, "downloads": downloads}, named(
        params, ladder_to_dict(done.plan, done.fit)
    )


_TASKS: dict[str, Callable[[dict[str, Any], Path, Tell], tuple[dict[str, Any], dict[str, Any] | None]]] = {
    "target": _target,
    "read": _read,
    "inspect": _inspect,
    "compare": _compare,
    "profile": _profile,
    "prepare": _prepare,
    "health": _health,
    "repeat": _repeat,
    "trend": _trend,
    "fading": _fading,
    "bench": _bench,
    "camera": _camera,
    "ladder-plan": _ladder_plan,
    "ladder": _ladder,
}
