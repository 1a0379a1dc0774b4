"""One way in: for equal input the command line and the page ask a flow for the same."""

from __future__ import annotations

import asyncio
import io
import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from starlette.datastructures import FormData, Headers, UploadFile

from colorcheck.cli import inspect, prepare, read, target
from colorcheck.cli.parser import make_parser
from colorcheck.flows import requests
from colorcheck.ground.errors import UsageError
from colorcheck.web import forms
from colorcheck.web.datafolder import KeptRecipe, Store
from colorcheck.web.readerunits import Shown

MM = Shown()
PARSER = make_parser()
REQUESTS = [c for n, c in vars(requests).items() if n.endswith("Request")]


def sent(name: str) -> UploadFile:
    sink = io.BytesIO()
    Image.new("RGB", (8, 8)).save(sink, "PNG")
    return UploadFile(io.BytesIO(sink.getvalue()), size=sink.tell(), filename=name, headers=Headers())


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
    told = asyncio.run(forms.target_check(form, tmp_path / "up", store, MM))
    assert told["names"] == {"photo-1.png": "a.png", "photo-2.png": "b.png"}
    photos = " ".join(str(tmp_path / "up" / f"photo-{k}.png") for k in (1, 2))
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
    told = asyncio.run(forms.piece_check(FormData([*fields.items(), *more]), tmp_path / "up", store, MM))
    up, art = tmp_path / "up", told["request"]["artwork"]
    line = f"inspect {up}/photo-1.png {up}/turned-1.png --artwork {art} --blank-frame {up}/white-sheet.png {words}"
    assert through_a_worker(told, requests.InspectRequest) == inspect.request_of(typed(line))


def test_a_print_is_asked_for_alike(store: Store, tmp_path: Path) -> None:
    fields = {"size": "60x50", "bleed": "2", "intent": "perceptual", "view": "through"}
    form = FormData([*fields.items(), ("artwork", sent("art.png")), ("profile", sent("board.icc"))])
    told = asyncio.run(forms.preparation(form, tmp_path / "up", store, MM))
    line = f"prepare {told['request']['artwork']} --profile {tmp_path}/up/profile.icc --size 60x50mm --bleed 2mm"
    asked = prepare.request_of(typed(f"{line} --intent perceptual --view through --out print.pdf"))
    assert through_a_worker(told, requests.PrepareRequest) == asked


@given(
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


@given(st.floats(2, 12, allow_nan=False).map(lambda v: round(v, 1)))
def test_the_reader_chooses_the_unit_of_a_bare_number(inches: float) -> None:
    told = forms.new_target({"size": f"{inches}"}, Shown("in"))
    asked = target.request_of(typed(f"target out --size {inches}in --format pdf"))
    assert through_a_worker(told, requests.TargetRequest) == asked


@pytest.mark.parametrize(
    ("kind", "asked", "says"),
    [
        (requests.InspectRequest, {"size_mm": (200.0, 100.0), "shape": "round"}, "one diameter"),
        (requests.InspectRequest, {"size_mm": (200.0, 100.0), "reading": "r", "profile": "p"}, "not both"),
        (requests.PrepareRequest, {"size_mm": (200.0, 100.0)}, "not known"),
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
