"""The command line: what it writes, and what it refuses.

Every refusal is one line on standard error that begins with ``colorcheck: ``, exit code 2, no traceback, no
new file or folder, and existing files as they were, byte for byte.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from colorcheck.__main__ import main
from colorcheck.ground.records import CellFlag

from . import virtual as v
from .scenes import rng_of, shoot

ACTIONS = {"accept", "re-press", "change-profile", "reprint", "retake-photo"}
KINDS = {"colour", "white", "black", "control"}
ROOT = Path(__file__).parents[1]


def snapshot(folder: Path) -> dict[str, str]:
    """Every file below a folder with its digest, and every folder."""
    out = {}
    for p in sorted(folder.rglob("*")):
        name = os.fsencode(p.relative_to(folder)).decode("latin-1")
        out[name] = "folder" if p.is_dir() else hashlib.sha256(p.read_bytes()).hexdigest()
    return out


def refused(capsys: Any, folder: Path, *args: str | Path, says: str = "") -> str:
    """Run, expect a refusal that leaves ``folder`` as it was; returns its line."""
    before = snapshot(folder)
    assert main([str(a) for a in args]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    lines = told.err.splitlines()
    assert len(lines) == 1, told.err
    assert lines[0].startswith("colorcheck: ")
    assert "Traceback" not in told.err
    assert len(lines[0]) < 400
    assert says.lower() in lines[0].lower(), lines[0]
    assert snapshot(folder) == before
    return lines[0]


def program(*args: str | bytes | Path, cwd: Path, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run the program as a process of its own, warnings as errors."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error", **more.pop("env", {})}
    command = [sys.executable, "-m", "colorcheck", *(os.fspath(a) for a in args)]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, cwd=cwd, env=env, errors="replace", **more
    )


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One layout, one good photo of it and its reading, made once."""
    folder = tmp_path_factory.mktemp("studio")
    assert (
        main(
            [
                "target",
                str(folder),
                "--name",
                "small",
                "--size",
                "100mm",
                "--patches",
                "compact",
                "--dpi",
                "150",
                "--quiet",
            ]
        )
        == 0
    )
    shot = shoot(
        rng_of(800),
        folder,
        "small",
        substrate="bright",
        camera=v.Camera(),
        name="good.jpg",
        pose=v.Pose.megapixels(1.6, tilt_deg=6, rotation_deg=3),
    )
    assert main(["read", str(shot.path), "--json", str(folder / "reading.json"), "--quiet"]) == 0
    return {
        "folder": folder,
        "photo": shot.path,
        "layout": folder / "small.json",
        "print": folder / "small.png",
        "reading": folder / "reading.json",
        "shot": shot,
    }


@pytest.fixture
def pixels(studio: dict[str, Any]) -> Any:
    """The good photo, (h, w, 3) blue first."""
    return cv2.imread(str(studio["photo"]))


# ---------------------------------------------------------------- what is written


def finite(value: Any) -> bool:
    """No NaN, no infinity anywhere."""
    if isinstance(value, dict):
        return all(finite(x) for x in value.values())
    if isinstance(value, list):
        return all(finite(x) for x in value)
    return not isinstance(value, float) or math.isfinite(value)


def strict(text: str) -> Any:
    """JSON without the NaN and Infinity that Python tolerates."""

    def no(name: str) -> Any:
        raise AssertionError(f"{name} is not JSON")

    return json.loads(text, parse_constant=no)


def number(x: Any) -> bool:
    return isinstance(x, int | float) and not isinstance(x, bool)


def check_reading(d: dict[str, Any]) -> None:
    """Every key of the contract, of its type."""
    assert finite(d)
    assert d["schema"].startswith("colorcheck-reading/")
    assert isinstance(d["name"], str)
    assert d["name"]
    assert d["trust"] in ("referenced", "balanced")
    assert isinstance(d["absolute"], bool)
    assert len({p["id"] for p in d["patches"]}) == len(d["patches"]) > 40
    flags = {f.name.lower().replace("_", "-") for f in CellFlag if f.name}
    for p in d["patches"]:
        assert isinstance(p["id"], str)
        assert p["kind"] in KINDS
        assert len(p["device_rgb"]) == 3
        assert all(isinstance(c, int) and 0 <= c <= 255 for c in p["device_rgb"])
        assert len(p["lab"]) == 3
        assert all(number(c) for c in p["lab"])
        assert -5 <= p["lab"][0] <= 115
        assert number(p["uncertainty"])
        assert p["uncertainty"] > 0
        assert number(p["density"])
        assert isinstance(p["flags"], list)
        assert set(p["flags"]) <= flags
    assert number(d["lighting"]["ratio"])
    assert d["lighting"]["ratio"] >= 1
    assert number(d["press"]["evenness"])
    for f in d["press"]["findings"]:
        assert isinstance(f["kind"], str)
        assert isinstance(f["where"], str)
        for key in ("x_mm", "y_mm", "diameter_mm", "area_mm2", "delta_e00", "delta_L", "confidence"):
            assert number(f[key]), key
        assert 0 <= f["confidence"] <= 1
    assert number(d["colour"]["mean_delta_e00"])
    assert number(d["colour"]["p95_delta_e00"])
    verdict = d["verdict"]
    assert verdict["action"] in ACTIONS
    assert verdict["reasons"]
    for r in verdict["reasons"]:
        assert isinstance(r["measure"], str)
        assert isinstance(r["says"], str)
        assert r["says"].strip()
        for key in ("value", "limit", "uncertainty"):
            assert r[key] is None or number(r[key]), (r["measure"], key)


def test_reading_keeps_the_contract(studio: dict[str, Any]) -> None:
    check_reading(strict(studio["reading"].read_text(encoding="utf-8")))


def test_json_on_the_screen_is_json_alone(studio: dict[str, Any], capsys: Any) -> None:
    assert main(["read", str(studio["photo"]), "--json", "-"]) == 0
    told = capsys.readouterr()
    shown = strict(told.out)
    check_reading(shown)
    stored = strict(studio["reading"].read_text(encoding="utf-8"))
    assert shown["patches"] == stored["patches"]
    assert shown["verdict"]["action"] == stored["verdict"]["action"]


def test_target_keeps_the_contract(studio: dict[str, Any]) -> None:
    d = strict(studio["layout"].read_text(encoding="utf-8"))
    assert d["name"] == "small"
    assert d["size_mm"] == [100, 100]
    assert d["shape"] == "rect"
    assert d["view"] == "front"
    assert d["dpi"] == 150
    assert d["mirrored"] is True
    assert (studio["folder"] / d["print_file"]).is_file()
    assert len(d["field_rgb"]) == 3
    assert {p["kind"] for p in d["patches"]} == KINDS
    for p in d["patches"]:
        x, y, w, h = p["box_mm"]
        assert x >= 6
        assert y >= 6
        assert x + w <= 94
        assert y + h <= 94
        assert min(w, h) >= 5
        assert all(isinstance(c, int) and 0 <= c <= 255 for c in p["device_rgb"])


def test_answer_comes_first_and_the_report_is_one_file(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    report = tmp_path / "out" / "report"
    assert main(["read", str(studio["photo"]), "--report", str(report)]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    action = strict(studio["reading"].read_text(encoding="utf-8"))["verdict"]["action"]
    assert "\x1b[" not in told.out
    assert action.split("-")[0] in told.out.splitlines()[0].lower() or action == "accept"
    html = (report / "report.html").read_text(encoding="utf-8")
    assert html.lstrip().lower().startswith("<!doctype html")
    assert 'src="http' not in html
    assert 'href="http' not in html
    assert [p.name for p in report.iterdir()] == ["report.html"]


def test_help_and_version_exit_zero(capsys: Any) -> None:
    for args in (["--help"], ["--version"], ["target", "--help"], ["read", "--help"]):
        with pytest.raises(SystemExit) as stop:
            main(args)
        assert stop.value.code == 0
        assert capsys.readouterr().out


def test_help_is_light(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom colorcheck.__main__ import main\ntry:\n main(['--help'])\nexcept SystemExit: pass\n"
        "print('LOADED', sorted({m.split('.')[0] for m in sys.modules} & {'colour','skimage','scipy','matplotlib','cv2','numba'}))"  # noqa: E501
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert "LOADED []" in done.stdout


# ---------------------------------------------------------------- photos that are none


def png_header(width: int, height: int) -> bytes:
    """A PNG that announces any size and holds no pixels to speak of."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 4096)) + chunk(b"IEND", b"")
    )


def noise_picture() -> Any:
    return rng_of(1).integers(0, 256, (700, 900, 3), dtype=np.uint8)


def markers_alone() -> Any:
    """Four of the printed kind of markers on white card, nothing else."""
    sheet = np.full((900, 1200), 255, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for k, (x, y) in enumerate(((100, 100), (1000, 100), (1000, 700), (100, 700))):
        sheet[y : y + 90, x : x + 90] = cv2.aruco.generateImageMarker(dictionary, k, 90)
    return np.dstack([sheet] * 3)


MADE: dict[str, tuple[str, Callable[[Path], None]]] = {
    "empty": ("empty.jpg", lambda p: p.write_bytes(b"") and None),
    "text": ("text.jpg", lambda p: p.write_text("this is not a picture\n" * 20) and None),
    "one pixel": ("one.png", lambda p: Image.new("RGB", (1, 1)).save(p)),
    "thin": ("thin.png", lambda p: Image.new("RGB", (3000, 2)).save(p)),
    "bomb": ("bomb.png", lambda p: p.write_bytes(png_header(60_000, 60_000)) and None),
    "huge header": ("huge.png", lambda p: p.write_bytes(png_header(2**31 - 1, 2**31 - 1)) and None),
    "no pixels": ("hollow.png", lambda p: p.write_bytes(png_header(900, 900)) and None),
    "folder": ("folder.jpg", lambda p: p.mkdir()),
    "noise": ("noise.png", lambda p: Image.fromarray(noise_picture()).save(p)),
    "black": ("black.png", lambda p: Image.new("RGB", (900, 700)).save(p)),
    "white": ("white.png", lambda p: Image.new("RGB", (900, 700), "white").save(p)),
    "plain": ("plain.jpg", lambda p: Image.fromarray(cv2.GaussianBlur(noise_picture(), (0, 0), 30)).save(p)),
    "markers": ("markers.png", lambda p: Image.fromarray(markers_alone()).save(p)),
    "page": ("page.pdf", lambda p: p.write_bytes(b"%PDF-1.4\n%%EOF\n") and None),
    "lone CMYK": ("cmyk.jpg", lambda p: Image.new("CMYK", (900, 700), (10, 20, 30, 0)).save(p)),
}


@pytest.mark.parametrize("what", MADE)
def test_photo_that_is_none(what: str, tmp_path: Path, capsys: Any) -> None:
    name, make = MADE[what]
    make(tmp_path / name)
    line = refused(
        capsys, tmp_path, "read", tmp_path / name, "--json", tmp_path / "out.json", "--report", tmp_path / "rep"
    )
    assert name in line


def test_missing_file(tmp_path: Path, capsys: Any) -> None:
    refused(capsys, tmp_path, "read", tmp_path / "nowhere.jpg", says="nowhere.jpg")


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.97])
def test_truncated_jpeg(share: float, studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    whole = studio["photo"].read_bytes()
    (tmp_path / "cut.jpg").write_bytes(whole[: int(share * len(whole))])
    refused(capsys, tmp_path, "read", tmp_path / "cut.jpg", "--json", tmp_path / "o.json", says="cut.jpg")


def test_one_bad_photo_among_good_ones(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "empty.jpg").write_bytes(b"")
    refused(
        capsys,
        tmp_path,
        "read",
        studio["photo"],
        tmp_path / "empty.jpg",
        "--json",
        tmp_path / "o.json",
        says="empty.jpg",
    )


def test_no_permission(studio: dict[str, Any], tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests may run as a user who may read everything, so the refusal of the system is played."""
    own = os.open
    target = tmp_path / "locked.jpg"
    target.write_bytes(studio["photo"].read_bytes())
    import builtins
    import io

    plain = io.open

    def guarded(path: Any, *args: Any, **more: Any) -> Any:
        if str(path).endswith("locked.jpg"):
            raise PermissionError(13, "Permission denied", str(path))
        return plain(path, *args, **more)

    def guarded_os(path: Any, *args: Any, **more: Any) -> Any:
        if str(path).endswith("locked.jpg"):
            raise PermissionError(13, "Permission denied", str(path))
        return own(path, *args, **more)

    with monkeypatch.context() as m:
        m.setattr(builtins, "open", guarded)
        m.setattr(io, "open", guarded)
        m.setattr(os, "open", guarded_os)
        assert main(["read", str(target)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("colorcheck: ")
    assert "locked.jpg" in lines[0]


# ---------------------------------------------------------------- odd but readable pictures


def test_a_grey_picture_is_refused_by_name(pixels: Any, tmp_path: Path, capsys: Any) -> None:
    cv2.imwrite(str(tmp_path / "grey.jpg"), cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY))
    refused(capsys, tmp_path, "read", tmp_path / "grey.jpg", says="grey.jpg")
    cv2.imwrite(str(tmp_path / "grey.jpg"), cv2.cvtColor(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR))
    refused(capsys, tmp_path, "read", tmp_path / "grey.jpg", says="grey.jpg")


def test_alpha_is_taken_off(pixels: Any, studio: dict[str, Any], tmp_path: Path) -> None:
    opaque = np.dstack([pixels, np.full(pixels.shape[:2], 255, np.uint8)])
    cv2.imwrite(str(tmp_path / "alpha.png"), opaque)
    assert main(["read", str(tmp_path / "alpha.png"), "--json", str(tmp_path / "o.json"), "--quiet"]) == 0
    got, want = strict((tmp_path / "o.json").read_text()), strict(studio["reading"].read_text())
    assert np.allclose([p["lab"] for p in got["patches"]], [p["lab"] for p in want["patches"]], atol=1.0)


def test_sixteen_bit_png(pixels: Any, studio: dict[str, Any], tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "deep.png"), pixels.astype(np.uint16) * 257)
    assert main(["read", str(tmp_path / "deep.png"), "--json", str(tmp_path / "o.json"), "--quiet"]) == 0
    got, want = strict((tmp_path / "o.json").read_text()), strict(studio["reading"].read_text())
    assert np.allclose([p["lab"] for p in got["patches"]], [p["lab"] for p in want["patches"]], atol=1.0)


def _spoilt(how: str, img: Any) -> Any:
    h, w = img.shape[:2]
    if how == "far too bright":
        return np.clip(img * 2.2, 0, 255).astype(np.uint8)
    if how == "two tones":
        return ((img > 110) * 255).astype(np.uint8)
    if how == "far too dark":
        return (img * 0.15).astype(np.uint8)
    if how == "few tones":
        return img // 48 * 48
    if how == "cut off below":
        return img[: int(0.7 * h)]
    if how == "cut off at the left":
        return img[:, int(0.32 * w) :]
    return cv2.GaussianBlur(img, (0, 0), 4.2)  # with 3.0 the code is still read and edges are within their limit


@pytest.mark.parametrize(
    "how",
    ["far too bright", "two tones", "far too dark", "few tones", "cut off below", "cut off at the left", "blurred"],
)
def test_photo_that_cannot_carry_the_decision(how: str, pixels: Any, tmp_path: Path, capsys: Any) -> None:
    """Either a clear refusal or the answer to take another photo: never a judgement of the piece."""
    cv2.imwrite(str(tmp_path / "p.png"), _spoilt(how, pixels))
    code = main(["read", str(tmp_path / "p.png"), "--json", str(tmp_path / "o.json"), "--quiet"])
    told = capsys.readouterr()
    assert told.out == ""
    if code == 2:
        assert len(told.err.splitlines()) == 1
        assert told.err.startswith("colorcheck: ")
        assert not (tmp_path / "o.json").exists()
    else:
        assert code == 0
        d = strict((tmp_path / "o.json").read_text())
        if d["patches"]:
            check_reading(d)
        assert d["verdict"]["action"] == "retake-photo"


def test_a_photo_blurred_beyond_reading_is_answered(pixels: Any, tmp_path: Path, capsys: Any) -> None:
    """A hand that moved is no wrong command: the answer is to take the photo again, and nothing passes for measured."""
    cv2.imwrite(str(tmp_path / "p.png"), cv2.GaussianBlur(pixels, (0, 0), 9.0))
    out = tmp_path / "o.json"
    assert main(["read", str(tmp_path / "p.png"), "--json", str(out)]) == 0
    assert "TAKE THE PHOTO AGAIN" in capsys.readouterr().out
    d = strict(out.read_text())
    assert d["verdict"]["action"] == "retake-photo"
    assert [r["measure"] for r in d["verdict"]["reasons"]] == ["blur-px"]
    assert d["patches"] == []
    refused(capsys, tmp_path, "profile", out, "--out", tmp_path / "p.icc", says="holds no measured colours")


@pytest.mark.parametrize("quality", [50, 30])
def test_a_forwarded_photo_makes_no_false_press_fault(quality: int, pixels: Any, tmp_path: Path) -> None:
    """Messengers store photos at low quality: blocks are no spots."""
    cv2.imwrite(str(tmp_path / "p.jpg"), pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert main(["read", str(tmp_path / "p.jpg"), "--json", str(tmp_path / "o.json"), "--quiet"]) == 0
    assert strict((tmp_path / "o.json").read_text())["verdict"]["action"] in ("accept", "retake-photo")


# ---------------------------------------------------------------- targets


def test_two_targets_in_one_photo(pixels: Any, tmp_path: Path, capsys: Any) -> None:
    cv2.imwrite(str(tmp_path / "two.jpg"), np.hstack([pixels, pixels]))
    refused(capsys, tmp_path, "read", tmp_path / "two.jpg", "--json", tmp_path / "o.json", says="two targets")


def test_target_of_another_layout(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    for k, more in enumerate(
        (["--seed", "2"], ["--size", "120mm"], ["--shape", "round", "--size", "120mm"], ["--view", "through"])
    ):
        main(
            [
                "target",
                str(tmp_path),
                "--name",
                f"o{k}",
                "--size",
                "100mm",
                "--patches",
                "compact",
                "--dpi",
                "100",
                "--quiet",
                *more,
            ]
        )
        refused(
            capsys,
            tmp_path,
            "read",
            studio["photo"],
            "--target",
            tmp_path / f"o{k}.json",
            "--json",
            tmp_path / "x.json",
            says="another",
        )


def _damaged(d: dict[str, Any], how: str) -> str:
    patch = d["patches"][3]
    if how.startswith("without "):
        del d[how.removeprefix("without ")]
    elif how == "NaN":
        patch["box_mm"][0] = float("nan")
    elif how == "Infinity":
        d["size_mm"][0] = float("inf")
    elif how == "negative size":
        d["size_mm"] = [-100, 100]
    elif how == "negative box":
        patch["box_mm"][2] = -8
    elif how == "huge whole number":
        patch["device_rgb"] = [10**400, 0, 0]
    elif how == "huge size":
        d["size_mm"] = [10**30, 100]
    elif how == "text for a number":
        patch["box_mm"][1] = "12"
    elif how == "true for a number":
        patch["device_rgb"][0] = True
    elif how == "patch twice":
        patch["id"] = d["patches"][4]["id"]
    elif how == "no patches":
        d["patches"] = []
    elif how == "patches a mapping":
        d["patches"] = {"a": 1}
    elif how == "odd kind":
        patch["kind"] = ["white"]
    elif how == "off the sheet":
        patch["box_mm"] = [99, 99, 8, 8]
    elif how == "odd shape":
        d["shape"] = {"rect": 1}
    elif how == "odd name":
        d["name"] = None
    elif how == "markers null":
        d["markers"] = None
    elif how == "marker twice":
        d["markers"]["ids"][1] = d["markers"]["ids"][0]
    elif how == "a list":
        return json.dumps([1, 2, 3])
    elif how == "a number":
        return "42"
    elif how == "not JSON":
        return "{name: small"
    elif how == "cut short":
        return json.dumps(d)[:-40]
    elif how == "deep":
        return "[" * 100_000
    elif how == "empty":
        return ""
    return json.dumps(d)


DAMAGE = [
    *(f"without {k}" for k in ("name", "size_mm", "shape", "patches", "markers", "field_rgb", "cell_mm", "keep_out_mm")),  # noqa: E501
    "NaN", "Infinity", "negative size", "negative box", "huge whole number", "huge size", "text for a number",
    "true for a number", "patch twice", "no patches", "patches a mapping", "odd kind", "off the sheet", "odd shape",
    "markers null", "marker twice", "a list", "a number", "not JSON", "cut short", "deep", "empty",
]  # fmt: skip


@pytest.mark.parametrize("how", DAMAGE)
def test_damaged_layout(how: str, studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "bad.json").write_text(_damaged(json.loads(studio["layout"].read_text()), how), encoding="utf-8")
    refused(capsys, tmp_path, "read", studio["photo"], "--target", tmp_path / "bad.json", "--json", tmp_path / "o.json")


def test_layout_that_is_a_folder_or_not_text(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "layout.json").mkdir()
    refused(capsys, tmp_path, "read", studio["photo"], "--target", tmp_path / "layout.json", says="folder")
    (tmp_path / "bytes.json").write_bytes(b"\xff\xfe\x00\x81")
    refused(capsys, tmp_path, "read", studio["photo"], "--target", tmp_path / "bytes.json", says="bytes.json")
    refused(capsys, tmp_path, "read", studio["photo"], "--target", studio["photo"])
    refused(capsys, tmp_path, "read", studio["photo"], "--target", tmp_path / "none.json", says="none.json")


READING_DAMAGE: dict[str, Callable[[dict[str, Any]], Any]] = {
    "layout": lambda d: json.loads("{}"),
    "no patches": lambda d: d.update(patches=[]),
    "null lab": lambda d: d["patches"][0].update(lab=None),
    "short lab": lambda d: d["patches"][0].update(lab=[1, 2]),
    "text lab": lambda d: d["patches"][0].update(lab=["a", "b", "c"]),
    "patch a number": lambda d: d["patches"].__setitem__(0, 3),
    "patches null": lambda d: d.update(patches=None),
    "no target": lambda d: d.pop("target"),
    "target null": lambda d: d.update(target=None),
    "flags a number": lambda d: d["patches"][0].update(flags=4),
    "other schema": lambda d: d.update(schema="something/9"),
}


@pytest.mark.parametrize("how", READING_DAMAGE)
def test_damaged_reading_given_as_aim(how: str, studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    d = json.loads(studio["reading"].read_text())
    changed = READING_DAMAGE[how](d)
    (tmp_path / "aim.json").write_text(json.dumps(changed if isinstance(changed, dict) and not changed else d))
    refused(capsys, tmp_path, "read", studio["photo"], "--against", tmp_path / "aim.json", says="aim.json")


def test_aim_of_another_target(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    """A reading of another layout cannot be the aim, whether the layout is named or read from the photo."""
    main(
        [
            "target",
            str(tmp_path),
            "--name",
            "o",
            "--size",
            "100mm",
            "--patches",
            "compact",
            "--dpi",
            "100",
            "--seed",
            "5",
            "--quiet",
        ]
    )
    d = json.loads(studio["reading"].read_text())
    d["target"] = json.loads((tmp_path / "o.json").read_text())
    for p, q in zip(d["patches"], d["target"]["patches"], strict=True):
        p["id"] = q["id"]
    (tmp_path / "aim.json").write_text(json.dumps(d))
    refused(capsys, tmp_path, "read", studio["photo"], "--against", tmp_path / "aim.json")
    refused(capsys, tmp_path, "read", studio["photo"], "--against", tmp_path / "aim.json", "--target", studio["layout"])


# ---------------------------------------------------------------- options


@pytest.mark.parametrize(
    "args",
    [
        [], ["nonsense"], ["target"], ["read"], ["target", "OUT", "--size", "0x0"], ["target", "OUT", "--size", "-100mm"],  # noqa: E501
        ["target", "OUT", "--size", "59mm"], ["target", "OUT", "--size", "401mm"], ["target", "OUT", "--size", "nanmm"],
        ["target", "OUT", "--size", "1e400mm"], ["target", "OUT", "--size", "200x"], ["target", "OUT", "--size", "big"],
        ["target", "OUT", "--size", ""], ["target", "OUT", "--size", "200x100mm", "--shape", "round"],
        ["target", "OUT", "--dpi", "0"], ["target", "OUT", "--dpi", "-300"], ["target", "OUT", "--dpi", "1000000"],
        ["target", "OUT", "--dpi", "many"], ["target", "OUT", "--seed", "-1"], ["target", "OUT", "--seed", "1.5"],
        ["target", "OUT", "--seed", "9" * 40], ["target", "OUT", "--patches", "most"], ["target", "OUT", "--format", "gif"],  # noqa: E501
        ["target", "OUT", "--name", "../up"], ["target", "OUT", "--name", ""], ["target", "OUT", "--name", "."],
        ["target", "OUT", "--name", "a" * 300], ["target", "OUT", "--name", "a\0b"], ["target", "OUT", "--bleed", "-3mm"],  # noqa: E501
        ["target", "OUT", "--bleed", "900mm"], ["target", "OUT", "--bleed", "c"], ["target", "OUT", "--bleed", "m.i"],
        ["target", "OUT", "--size", "60mm", "--patches", "fine"], ["target", "OUT", "--json"],
        ["read", "PHOTO", "--paper", "maybe"], ["read", "PHOTO", "--printed", "well"], ["read", "PHOTO", "--glass-mm", "-4"],  # noqa: E501
        ["read", "PHOTO", "--glass-mm", "4", "--recipe", "hot"], ["read", "PHOTO", "--glass-mm", "4", "--recipe", "2000C"],  # noqa: E501
        ["read", "PHOTO", "--glass-mm", "nan"], ["read", "PHOTO", "--glass-mm", "4", "--recipe", "-5s"], ["read", "PHOTO", "--glass-mm", "20"],  # noqa: E501
        ["read", "PHOTO", "--glass-mm", "4", "--max-seconds", "soon"], ["read", "PHOTO", "--limits", "OUT/none.toml"],
        ["read", "PHOTO", "--recipe", "390 60s"], ["read", "PHOTO", "--max-temperature", "390"],
        ["read", "PHOTO", "--recipe", "210C 60s", "--max-temperature", "205C"], ["read", "PHOTO", "--press", "0"],
        ["read", "PHOTO", "--recipe", "200C 300s", "--max-seconds", "240s"], ["read", "PHOTO", "--warm-up", "soon"],
    ],
    ids=lambda a: " ".join(a).replace("\0", "NUL")[:60] or "no arguments",
)  # fmt: skip
def test_bad_options(args: list[str], studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    real = [a.replace("OUT", str(tmp_path / "made")).replace("PHOTO", str(studio["photo"])) for a in args]
    refused(capsys, tmp_path, *real)


LIMITS = {
    "not TOML": "edge_share = = 3", "unknown table": "[speed]\nfast = 1", "unknown key": "[even]\nspots = 2",
    "text": '[even]\nspot_de00 = "two"', "true": "[even]\nspot_de00 = true", "negative": "[even]\nspot_de00 = -1",
    "nan": "[even]\nspot_de00 = nan", "inf": "[even]\nspot_de00 = inf", "a list": "[even]\nspot_de00 = [1]",
    "table a number": "even = 3",
}  # fmt: skip


@pytest.mark.parametrize("how", LIMITS)
def test_bad_limits_file(how: str, studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "mine.toml").write_text(LIMITS[how])
    refused(
        capsys,
        tmp_path,
        "read",
        studio["photo"],
        "--limits",
        tmp_path / "mine.toml",
        "--json",
        tmp_path / "o.json",
        says="mine.toml",
    )


def test_own_limits_change_the_verdict(studio: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "strict.toml").write_text("[even]\nzone_de00 = 0.0\n")
    assert (
        main(
            [
                "read",
                str(studio["photo"]),
                "--limits",
                str(tmp_path / "strict.toml"),
                "--json",
                str(tmp_path / "o.json"),
                "--quiet",
            ]
        )
        == 0
    )
    assert strict(studio["reading"].read_text())["verdict"]["action"] == "accept"
    assert strict((tmp_path / "o.json").read_text())["verdict"]["action"] == "re-press"


# ---------------------------------------------------------------- where results go


def test_what_exists_is_kept(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    small = ["target", tmp_path / "t", "--name", "n", "--size", "100mm", "--dpi", "100"]
    assert main([str(a) for a in [*small, "--quiet"]]) == 0
    refused(capsys, tmp_path, *small, says="kept")
    refused(capsys, tmp_path, *small, "--seed", "3", says="kept")
    (tmp_path / "o.json").write_text("precious")
    refused(capsys, tmp_path, "read", studio["photo"], "--json", tmp_path / "o.json", says="kept")
    (tmp_path / "rep").mkdir()
    (tmp_path / "rep" / "report.html").write_text("precious")
    refused(
        capsys,
        tmp_path,
        "read",
        studio["photo"],
        "--json",
        tmp_path / "new.json",
        "--report",
        tmp_path / "rep",
        says="kept",
    )
    refused(
        capsys,
        tmp_path,
        "target",
        tmp_path / "fresh",
        "--size",
        "100mm",
        "--dpi",
        "100",
        "--json",
        tmp_path / "o.json",
        says="kept",
    )


def test_overwrite_replaces(studio: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "o.json").write_text("old")
    (tmp_path / "rep").mkdir()
    (tmp_path / "rep" / "report.html").write_text("old")
    (tmp_path / "rep" / "mine.txt").write_text("mine")
    assert (
        main(
            [
                "read",
                str(studio["photo"]),
                "--json",
                str(tmp_path / "o.json"),
                "--report",
                str(tmp_path / "rep"),
                "--overwrite",
                "--quiet",
            ]
        )
        == 0
    )
    check_reading(strict((tmp_path / "o.json").read_text()))
    assert len((tmp_path / "rep" / "report.html").read_text()) > 1000
    assert (tmp_path / "rep" / "mine.txt").read_text() == "mine"
    small = ["target", str(tmp_path / "t"), "--size", "100mm", "--dpi", "100", "--quiet"]
    assert main(small) == 0
    assert main([*small, "--seed", "4", "--overwrite"]) == 0
    assert strict((tmp_path / "t" / "target.json").read_text())["seed"] == 4


def test_never_over_its_own_input(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    """Even with --overwrite the photo, the layout and the reading that are read stay."""
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(studio["photo"].read_bytes())
    refused(capsys, tmp_path, "read", photo, "--json", photo)
    refused(capsys, tmp_path, "read", photo, "--json", photo, "--overwrite")


def test_places_that_cannot_be_written(studio: dict[str, Any], tmp_path: Path, capsys: Any) -> None:
    photo = studio["photo"]
    (tmp_path / "file").write_text("a file")
    (tmp_path / "dir.json").mkdir()
    refused(capsys, tmp_path, "read", photo, "--json", tmp_path / "no" / "where" / "o.json")
    refused(capsys, tmp_path, "read", photo, "--json", tmp_path / "file" / "o.json")
    refused(capsys, tmp_path, "read", photo, "--json", tmp_path / "dir.json", says="folder")
    refused(capsys, tmp_path, "read", photo, "--json", tmp_path / ("n" * 300 + ".json"))
    refused(capsys, tmp_path, "read", photo, "--json", "")
    refused(capsys, tmp_path, "read", photo, "--report", tmp_path / "file", says="file")
    refused(capsys, tmp_path, "read", photo, "--report", tmp_path / "file" / "rep")
    refused(capsys, tmp_path, "read", photo, "--json", tmp_path / "o.json", "--report", tmp_path / "file" / "rep")
    refused(capsys, tmp_path, "read", photo, "--json", tmp_path / "o.json", "--report", tmp_path / ("n" * 300))
    small = ["--size", "100mm", "--dpi", "100"]
    refused(capsys, tmp_path, "target", tmp_path / "file", *small, says="file")
    refused(capsys, tmp_path, "target", tmp_path / "file" / "sub", *small)
    refused(capsys, tmp_path, "target", tmp_path / "new", *small, "--json", tmp_path / "no" / "o.json")


def test_folder_without_permission(
    studio: dict[str, Any], tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The refusal of the system is played: making any temporary file in the folder fails."""
    import tempfile

    def no(*args: Any, **more: Any) -> Any:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "mkstemp", no)
    refused(capsys, tmp_path, "read", studio["photo"], "--json", tmp_path / "o.json", says="permission denied")
    monkeypatch.setattr(os, "access", lambda *a, **k: False)
    refused(capsys, tmp_path, "read", studio["photo"], "--json", tmp_path / "o.json", says="cannot be written")


@pytest.mark.parametrize("number_of_writes", [0, 1])
def test_interrupted_writing_leaves_no_half_file(
    number_of_writes: int, studio: dict[str, Any], tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk fills at the last moment, or the program is stopped: old files stay whole, no scraps stay."""
    own, done = os.replace, []

    def failing(a: Any, b: Any, **more: Any) -> None:
        if len(done) >= number_of_writes:
            raise OSError(28, "No space left on device")
        done.append(b)
        own(a, b, **more)

    (tmp_path / "o.json").write_text("precious")
    monkeypatch.setattr(os, "replace", failing)
    code = main(
        [
            "read",
            str(studio["photo"]),
            "--json",
            str(tmp_path / "o.json"),
            "--report",
            str(tmp_path / "rep"),
            "--overwrite",
        ]
    )
    assert code == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    if not number_of_writes:
        assert (tmp_path / "o.json").read_text() == "precious"
    else:
        check_reading(strict((tmp_path / "o.json").read_text()))
    assert not (tmp_path / "rep" / "report.html").exists()
    assert not list(tmp_path.rglob("*.part"))
    assert not list(tmp_path.rglob(".*"))


def test_interrupted_by_the_keyboard(
    studio: dict[str, Any], tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*args: Any, **more: Any) -> None:
        raise KeyboardInterrupt

    (tmp_path / "o.json").write_text("precious")
    monkeypatch.setattr(os, "replace", stop)
    assert main(["read", str(studio["photo"]), "--json", str(tmp_path / "o.json"), "--overwrite"]) == 130
    assert (tmp_path / "o.json").read_text() == "precious"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["o.json"]
    assert "Traceback" not in capsys.readouterr().err


def test_target_interrupted(tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*args: Any, **more: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", failing)
    for form in ("png", "tiff", "pdf"):
        assert main(["target", str(tmp_path / "t"), "--size", "100mm", "--dpi", "100", "--format", form]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1
        assert not [p for p in tmp_path.rglob("*") if p.is_file()]


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    "name", ["with space.jpg", "Uhr für Müller é 時計.jpg", "-dash.jpg", "UPPER.JPEG", "no-suffix", "a'b\"c;$x.jpg"]
)
def test_odd_names(name: str, studio: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(studio["photo"].read_bytes())
    args = [
        "read",
        "--json",
        str(tmp_path / (name + ".json")),
        "--report",
        str(tmp_path / (name + " report")),
        "--quiet",
        "--",
        str(tmp_path / name),
    ]
    assert main(args) == 0
    check_reading(strict((tmp_path / (name + ".json")).read_text(encoding="utf-8")))
    assert (tmp_path / (name + " report") / "report.html").stat().st_size > 1000


@pytest.mark.skipif(sys.platform != "linux", reason="only here may a file name be any bytes")
def test_names_that_are_not_text(studio: dict[str, Any], tmp_path: Path) -> None:
    name = os.fsencode(tmp_path) + b"/caf\xe9.jpg"
    with open(name, "wb") as f:
        f.write(studio["photo"].read_bytes())
    done = program(b"read", name, b"--json", b"o.json", b"--report", b"rep", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    check_reading(strict((tmp_path / "o.json").read_text(encoding="utf-8")))
    assert (tmp_path / "rep" / "report.html").read_text(encoding="utf-8")


@pytest.mark.skipif(sys.platform != "linux", reason="only here may a file name be any bytes")
def test_refusal_of_a_name_that_is_not_text(tmp_path: Path) -> None:
    done = program(b"read", b"caf\xe9.jpg", cwd=tmp_path)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("colorcheck: ")


# ---------------------------------------------------------------- as a process of its own


def test_process_reads_and_answers(studio: dict[str, Any], tmp_path: Path) -> None:
    done = program("read", studio["photo"], "--json", "o.json", "--report", "rep", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert done.stdout.strip()
    check_reading(strict((tmp_path / "o.json").read_text(encoding="utf-8")))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["o.json", "rep"]


def test_process_on_a_plain_terminal(studio: dict[str, Any], tmp_path: Path) -> None:
    """A terminal that knows no signs beyond ASCII still gets its answer."""
    done = program(
        "read", studio["photo"], cwd=tmp_path, env={"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONUTF8": "0"}
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "args", [[], ["read"], ["read", "none.jpg"], ["target", "t", "--size", "3mm"], ["read", "folder"]]
)
def test_process_refuses_in_one_line(args: list[str], tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    before = snapshot(tmp_path)
    done = program(*args, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert done.stderr.startswith("colorcheck: ")
    assert snapshot(tmp_path) == before


def test_process_when_the_reader_goes_away(studio: dict[str, Any], tmp_path: Path) -> None:
    """`colorcheck … | head -1`: no traceback."""
    command = f'"{sys.executable}" -m colorcheck read "{studio["photo"]}" --json - | head -c 20 > /dev/null'
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


def test_values_are_written_as_exchange_text(tmp_path: Path) -> None:
    """ISO 28178 text of a sample reading is read back with the reading's own numbers."""
    from colorcheck.sheet.exchange import read_measurements

    sample = Path(__file__).resolve().parents[1] / "scans" / "clock-good.jpg"
    values, result = tmp_path / "v.txt", tmp_path / "r.json"
    assert main(["read", str(sample), "--values", str(values), "--json", str(result), "--quiet"]) == 0
    rows = {r["id"]: r for r in json.loads(result.read_text(encoding="utf-8"))["patches"]}
    back = read_measurements(values)
    assert set(back.ids) == set(rows)
    for name, lab in zip(back.ids, back.lab, strict=True):
        assert np.allclose(lab, rows[name]["lab"], atol=2e-3)
    assert main(["read", str(sample), "--values", str(values), "--quiet"]) == 2
