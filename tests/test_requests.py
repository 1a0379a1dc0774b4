"""One way in: for equal input the command line and the page ask a flow for the same."""

from __future__ import annotations

import asyncio
import io
import json
from pathlib import Path
from typing import Any

import hypothesis
import msgspec
import pytest
from hypothesis import strategies as st
from PIL import Image
from starlette.datastructures import FormData, Headers, UploadFile

from colorcheck.cli import health, inspect, ladder, prepare, read, target
from colorcheck.cli.parser import make_parser
from colorcheck.flows import requests
from colorcheck.ground.errors import UsageError
from colorcheck.ground.recipe import MakerLimits
from colorcheck.web import forms, uploads
from colorcheck.web.datafolder import KeptRecipe, Store
from colorcheck.web.readerunits import Shown

MM = Shown()
PARSER = make_parser()
REQUESTS = [c for n, c in vars(requests).items() if n.endswith("Request")]


def sent(name: str) -> UploadFile:
    sink = io.BytesIO()
    Image.new("RGB", (8, 8)).save(sink, "PNG")
    return UploadFile(io.BytesIO(sink.getvalue()), size=sink.tell(), filename=name, headers=Headers())


def given(form: FormData, folder: Path) -> uploads.Given:
    """As the page takes a form that was sent."""
    return asyncio.run(uploads.take(form, folder / "up", None))


def through_a_worker(told: dict[str, Any], kind: Any) -> Any:
    """As the page sends it to the process that does the job."""
    return msgspec.convert(json.loads(json.dumps(told))["request"], kind)


def typed(line: str) -> Any:
    return PARSER.parse_args(line.split())


@pytest.fixture
def store(tmp_path: Path) -> Store:
    kept = Store(tmp_path / "data")
    kept.save_recipe(KeptRecipe("4 mm", 200.0, 180.0, "back", 4.0, 240.0, 205.0))
    return kept


HEAT = "--recipe 200C/180s/back --glass-mm 4mm --max-seconds 240s --max-temperature 205C"


@pytest.mark.parametrize(
    ("words", "fields"),
    [
        ("", {}),
        ("--printed raw --paper off", {"printed": "raw", "paper": "off"}),
        (f"{HEAT} --press 2 --piece-temp 35C", {"recipe": "4 mm", "press": "2", "piece_temp": "35"}),
        (HEAT.replace("4mm", "6mm"), {"recipe": "4 mm", "glass": "6"}),
    ],
)
def test_a_target_is_asked_for_alike(store: Store, tmp_path: Path, words: str, fields: dict[str, str]) -> None:
    form = FormData([*fields.items(), ("photos", sent("a.png")), ("photos", sent("b.png"))])
    told = forms.target_check(given(form, tmp_path), store, MM)
    assert list(told["names"].values()) == ["a.png", "b.png"]
    photos = " ".join(told["request"]["photos"])
    args = typed(f"read {photos} {words}")
    if args.recipe:
        args.recipe = args.recipe.replace("/", " ").replace("back", "heated back")
    assert through_a_worker(told, requests.ReadRequest) == read.request_of(args)


@pytest.mark.parametrize(
    ("words", "fields"),
    [
        ("--size 200x150mm", {"size": "20 x 15 cm"}),
        (
            "--size 200mm --shape round --view through --paper off",
            {"size": "200", "shape": "round", "view": "through", "paper": "off"},
        ),
    ],
)
def test_a_piece_is_asked_for_alike(store: Store, tmp_path: Path, words: str, fields: dict[str, str]) -> None:
    more = [
        ("photos", sent("a.png")),
        ("turned", sent("b.png")),
        ("artwork", sent("art.png")),
        ("blank_frame", sent("w.png")),
    ]
    told = forms.piece_check(given(FormData([*fields.items(), *more]), tmp_path), store, MM)
    asked = told["request"]
    assert [told["names"][Path(p).name] for p in asked["photos"]] == ["a.png", "b.png"]
    assert told["names"][Path(asked["blank_frame"]).name] == "w.png"
    art = f"--artwork {asked['artwork']} --blank-frame {asked['blank_frame']}"
    line = f"inspect {' '.join(asked['photos'])} {art} {words}"
    assert through_a_worker(told, requests.InspectRequest) == inspect.request_of(typed(line))


def test_a_print_is_asked_for_alike(store: Store, tmp_path: Path) -> None:
    fields = {"size": "60x50", "bleed": "2", "intent": "perceptual", "view": "through"}
    form = FormData([*fields.items(), ("artwork", sent("art.png")), ("profile", sent("board.icc"))])
    told = forms.preparation(given(form, tmp_path), store, MM)
    art, icc = (told["request"][k] for k in ("artwork", "profile"))
    line = f"prepare {art} --profile {icc} --size 60x50mm --bleed 2mm"
    asked = prepare.request_of(typed(f"{line} --intent perceptual --view through --out print.pdf"))
    assert through_a_worker(told, requests.PrepareRequest) == asked


@hypothesis.given(
    st.integers(60, 400),
    st.integers(60, 400),
    st.sampled_from(["front", "through"]),
    st.sampled_from(["compact", "standard", "fine"]),
    st.integers(0, 10),
)
def test_a_new_target_is_asked_for_alike(w: int, h: int, view: str, patches: str, bleed: int) -> None:
    fields = {"name": "clock", "size": f"{w}x{h}", "view": view, "patches": patches, "bleed": f"{bleed}"}
    told = forms.new_target(fields, MM)
    line = f"target out --name clock --size {w}x{h}mm --view {view} --patches {patches} --bleed {bleed}mm --format pdf"
    assert through_a_worker(told, requests.TargetRequest) == target.request_of(typed(line))


@hypothesis.given(st.floats(2, 12, allow_nan=False).map(lambda v: round(v, 1)))
def test_the_reader_chooses_the_unit_of_a_bare_number(inches: float) -> None:
    told = forms.new_target({"size": f"{inches}"}, Shown("in"))
    asked = target.request_of(typed(f"target out --size {inches}in --format pdf"))
    assert through_a_worker(told, requests.TargetRequest) == asked


@pytest.mark.parametrize("log", ["press.sqlite", ""])
def test_the_health_of_the_press_is_asked_for_alike(log: str) -> None:
    told = forms.health(log or None)
    assert through_a_worker(told, requests.HealthRequest) == health.request_of(typed(f"health --log {log}"))


def test_what_is_typed_of_a_step_test_becomes_a_request() -> None:
    limits = "--max-time 300s --max-temperature 205C"
    plan = ladder.plan_request_of(typed(f"ladder plan out --time 60..240s --temperature 190..205C {limits} --seed 4"))
    assert (plan.time_s, plan.temperature_c, plan.seed) == ((60.0, 240.0), (190.0, 205.0), 4)
    assert (plan.limits.time_s, plan.limits.temperature_c) == (300.0, 205.0)
    asked = ladder.read_request_of(
        typed("ladder read plan.json A.json B.json --at A=92s,196C B=3min,firm --yellow none")
    )
    assert asked.readings == ("A.json", "B.json")
    assert asked.really == {"A": (92.0, 196.0, ""), "B": (180.0, None, "firm")}
    assert (asked.yellow, asked.within) == ((), 0.03)


@pytest.mark.parametrize(
    ("kind", "asked", "says"),
    [
        (requests.HealthRequest, {}, "no pieces"),
        (requests.HealthRequest, {"results": ("a",), "blank": "b"}, "belong to --log"),
        (requests.HealthRequest, {"log": "", "last": 0}, "out of range"),
        (requests.FadingRequest, {"readings": ("a",)}, "at least one LATER"),
        (requests.LadderRequest, {"plan": "p", "readings": ()}, "takes the plan"),
        (requests.LadderRequest, {"plan": "p", "readings": ("a",), "within": 0.5}, "out of range"),
        (requests.PlanRequest, {"time_s": (60, 240), "limits": MakerLimits(), "name": ".."}, "file name"),
        (requests.PlanRequest, {"time_s": (60, 240), "limits": MakerLimits(), "seed": -1}, "seed"),
        (requests.TargetRequest, {"name": "a/b", "size_mm": (100.0, 100.0)}, "file name"),
    ],
)
def test_a_request_that_cannot_be_answered_is_not_made(kind: Any, asked: dict[str, Any], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        kind(**asked)


@pytest.mark.parametrize(
    ("kind", "asked", "says"),
    [
        (requests.InspectRequest, {"size_mm": (200.0, 100.0), "shape": "round"}, "one diameter"),
        (requests.InspectRequest, {"size_mm": (200.0, 100.0), "reading": "r", "profile": "p"}, "not both"),
        (requests.PrepareRequest, {"size_mm": (200.0, 100.0), "profile": "p", "curves": "c"}, "not both"),
        (requests.PrepareRequest, {"size_mm": (200.0, 100.0), "curves": "c", "intent": "perceptual"}, "need a profile"),
    ],
)
def test_a_request_that_contradicts_itself_cannot_be_made(kind: Any, asked: dict[str, Any], says: str) -> None:
    photos = {"photos": ("a",)} if kind is requests.InspectRequest else {}
    with pytest.raises(UsageError, match=says):
        kind(artwork="art", **photos, **asked)


@pytest.mark.parametrize("kind", REQUESTS)
def test_requests_are_frozen(kind: Any) -> None:
    assert kind.__dataclass_params__.frozen
