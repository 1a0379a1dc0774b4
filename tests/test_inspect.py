"""A finished piece through the command line: what is found, what is said, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageCms

from colorcheck.__main__ import main
from colorcheck.colour.knowncolours import colours_of_profile
from colorcheck.ground.cielab import srgb_to_linear

from . import scenes
from . import virtual as v
from .virtual import artworks

SIZE = (160.0, 120.0)
CARD = v.Scene(lamps=(v.Lamp(x_mm=-320, y_mm=-240, height_mm=560),), vignetting=0.15)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one artwork and photos of pieces made from it."""
    out = tmp_path_factory.mktemp("pieces")
    Image.fromarray(artworks.scenery(SIZE, 5.0, seed=5)).save(out / "art.png")
    return out


def piece(folder: Path, faults: v.Faults, seed: int = 1) -> v.PressedPiece:
    art = np.asarray(Image.open(folder / "art.png"))
    return v.press_sheet(art, 5.0, size_mm=SIZE, faults=faults, seed=seed)


def shoot(folder: Path, name: str, of: v.PressedPiece, **options: Any) -> v.Photo:
    scene = options.pop("scene", CARD)
    pose = options.pop("pose", None) or v.Pose.megapixels(2.2, fill=0.7, rotation_deg=5, tilt_deg=6)
    photo = v.photograph(of, scene=scene, pose=pose, camera=options.pop("camera", v.Camera()), seed=2)
    v.save_photo(photo, folder / name, quality=90)
    return photo


def taken_with(model: str, path: Path) -> None:
    """Write the camera's (invented) name into a photo, its pixels left as they are."""
    with Image.open(path) as photo:
        exif = photo.getexif()
        exif[0x0110] = model
        photo.save(path, quality="keep", exif=exif, icc_profile=photo.info.get("icc_profile"))


def run(folder: Path, capsys: pytest.CaptureFixture[str], *photos: str, **options: str) -> dict[str, Any]:
    args = ["inspect", *(str(folder / p) for p in photos), "--artwork", str(folder / "art.png"), "--size", "160x120mm"]
    for key, value in options.items():
        args += [f"--{key.replace('_', '-')}", value]
    assert main([*args, "--json", "-"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def test_spot_on_card_is_found_and_the_paper_decides(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spot = v.Spot(60.0, 70.0, 20.0, v.pale_strength(8.0))
    pressed = piece(folder, v.Faults(spots=(spot,)))
    shoot(folder, "spot.jpg", pressed)
    true = float(pressed.true_delta_map(2.0)[35, 30])
    result = run(folder, capsys, "spot.jpg", glass_mm="4", recipe="200C 180s")
    (found,) = [f for f in result["findings"] if f["kind"] == "pale"]
    assert np.hypot(found["x_mm"] - 60, found["y_mm"] - 70) < 4
    assert 1 / 1.6 < found["area_mm2"] / (np.pi / 4 * 20**2) < 1.6
    assert abs(found["delta_e00"] - true) < 0.3 * true
    assert result["verdict"]["action"] == "re-press"
    assert "taped on" in " ".join(result["verdict"]["what_to_do"])
    assert result["verdict"]["advice"]["repress"]["total_seconds"] > 30
    for once in ({"press": "2"}, {"recipe": "200C 60s", "glass_mm": "12"}):
        again = run(folder, capsys, "spot.jpg", **once)["verdict"]
        assert again["action"] == "reprint"
        assert "hold" not in " ".join(again["what_to_do"])
    off = run(folder, capsys, "spot.jpg", paper="off")
    assert off["verdict"]["action"] == "reprint"
    (folder / "first.json").write_text(json.dumps(result), encoding="utf-8")


def test_good_piece_is_accepted_and_a_second_check_sees_the_spot_gone(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shoot(folder, "good.jpg", piece(folder, v.Faults()))
    result = run(folder, capsys, "good.jpg", before=str(folder / "first.json"))
    assert result["findings"] == []
    assert result["verdict"]["action"] == "accept"
    assert len(result["before"]["gone"]) == 1
    assert result["before"]["significant"] is True
    first = json.loads((folder / "first.json").read_text(encoding="utf-8"))
    assert result["before"]["photos"] == [p["sha256"] for p in first["photos"]]


def test_a_piece_pressed_the_wrong_way_round_is_not_accepted(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = shoot(folder, "right.jpg", piece(folder, v.Faults()))
    v.save_photo(replace(good, rgb=np.ascontiguousarray(good.rgb[:, ::-1])), folder / "wrong.jpg", quality=90)
    verdict = run(folder, capsys, "wrong.jpg")["verdict"]
    assert verdict["action"] == "reprint"
    assert verdict["headline"].startswith("Mirrored: print again the other way round")
    assert "the other way round" not in run(folder, capsys, "right.jpg")["verdict"]["headline"]


def test_broad_pale_centre_needs_an_anchor_for_the_light(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One photo on wood cannot tell it from the lamp; a blank frame can."""
    pressed = piece(folder, v.Faults(pale_centre=v.pale_strength(8.0), pale_centre_mm=(75, 55)))
    wood = v.Scene(lamps=CARD.lamps, vignetting=0.15, card="wood")
    # exposed so that a white sheet in its place will not be blank
    photo = shoot(folder, "centre.jpg", pressed, scene=wood, camera=v.Camera(exposure_ev=-1.2))
    alone = run(folder, capsys, "centre.jpg")
    assert alone["verdict"]["action"] == "retake-photo"
    assert alone["lighting"]["settle_by"] == "blank frame"
    v.save_photo(v.photograph_blank(SIZE, photo=photo), folder / "blank.jpg", quality=92)
    with_blank = run(folder, capsys, "centre.jpg", blank_frame=str(folder / "blank.jpg"))
    broad = [f for f in with_blank["findings"] if f["kind"] in ("pale", "pale-centre")]
    assert broad
    assert np.hypot(broad[0]["x_mm"] - 80, broad[0]["y_mm"] - 60) < 12
    assert with_blank["verdict"]["action"] == "re-press"


def test_one_blank_frame_serves_both_photos_of_a_turned_piece(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Laid flat by each photo's own pose; by the first one's alone, light would be taken for print."""
    pressed = piece(folder, v.Faults())
    wood = v.Scene(lamps=CARD.lamps, vignetting=0.15, card="wood")
    first = shoot(folder, "one.jpg", pressed, scene=wood, camera=v.Camera(exposure_ev=-1.2))
    shoot(folder, "two.jpg", pressed, scene=wood, camera=first.camera.locked(first), pose=first.turned(90.0))
    v.save_photo(v.photograph_blank(SIZE, photo=first), folder / "sheet.jpg", quality=92)
    result = run(folder, capsys, "one.jpg", "two.jpg", blank_frame=str(folder / "sheet.jpg"))
    assert result["findings"] == []
    assert "blank frame" in result["lighting"]["anchors"]
    assert result["lighting"]["ambiguous"] == []
    assert result["verdict"]["action"] == "accept"


def test_strong_reflection_in_one_photo_never_asks_for_pressing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lit = v.Scene(lamps=CARD.lamps, glare=(v.Glare(95, 60, fwhm_mm=40, strength=0.3, frame="piece"),))
    shoot(folder, "glare.jpg", piece(folder, v.Faults()), scene=lit)
    assert run(folder, capsys, "glare.jpg")["verdict"]["action"] in ("retake-photo", "accept")


def test_ghost_is_printed_again(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shoot(folder, "ghost.jpg", piece(folder, v.Faults(ghost=v.Ghost(2.4, -1.2, 0.15))))
    assert run(folder, capsys, "ghost.jpg")["verdict"]["action"] == "reprint"


def _bad(folder: Path) -> dict[str, tuple[list[str], str]]:
    art, photo = str(folder / "art.png"), str(folder / "good.jpg")
    Image.fromarray(np.full((600, 800, 3), 200, np.uint8)).save(folder / "plain.png")
    Image.open(art).resize((600, 600)).save(folder / "square.png")
    Image.open(art).convert("CMYK").save(folder / "cmyk.tif")
    Image.fromarray(artworks.plaque(SIZE, 5.0, seed=9)).save(folder / "other.png")
    shot = Image.open(photo)
    shot.crop((shot.width // 2, 0, shot.width, shot.height)).save(folder / "cut.jpg")
    size = ["--size", "160x120mm"]
    return {
        "other proportions": ([photo, "--artwork", str(folder / "square.png"), *size], "proportions"),
        "blank artwork": ([photo, "--artwork", str(folder / "plain.png"), *size], "blank"),
        "cmyk": ([photo, "--artwork", str(folder / "cmyk.tif"), *size], "CMYK"),
        "other picture": ([photo, "--artwork", str(folder / "other.png"), *size], ""),
        "size of another shape": ([photo, "--artwork", art, "--size", "160x160mm"], "proportions"),
        "round needs one diameter": ([photo, "--artwork", art, *size, "--shape", "round"], "one diameter"),
        "cut off": ([str(folder / "cut.jpg"), "--artwork", art, *size], "cut off"),
        "blank frame with a piece": ([photo, "--artwork", art, *size, "--blank-frame", photo], "no blank frame"),
        "before is no inspection": ([photo, "--artwork", art, *size, "--before", art], ""),
        "no profile": ([photo, "--artwork", art, *size, "--profile", art], "profile"),
        "result over the photo": ([photo, "--artwork", art, *size, "--json", photo, "--overwrite"], "is read"),
    }


def test_bad_input_gets_one_clear_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    if not (folder / "good.jpg").exists():
        shoot(folder, "good.jpg", piece(folder, v.Faults()))
    before = (folder / "good.jpg").read_bytes()
    for what, (args, part) in _bad(folder).items():
        capsys.readouterr()
        assert main(["inspect", *args, "--quiet"]) == 2, what
        err = capsys.readouterr().err
        assert err.startswith("colorcheck: "), what
        assert err.count("\n") == 1, what
        assert part in err, (what, err)
    assert (folder / "good.jpg").read_bytes() == before


# --- colours known from a reading or a profile ------------------------------------------------------


@pytest.fixture(scope="module")
def reading(folder: Path) -> Path:
    """A target pressed on the same coat, photographed by the same phone in the same light, and read."""
    target, picture, scale = scenes.sheet("square")
    pressed = v.press_sheet(picture, scale, size_mm=target.size_mm, shape=target.shape, seed=4)
    pose = v.Pose.megapixels(2.5, fill=0.8, rotation_deg=3, tilt_deg=4)
    v.save_photo(v.photograph(pressed, scene=CARD, pose=pose, seed=4), folder / "target.jpg", quality=92)
    taken_with("Phone A", folder / "target.jpg")
    out = folder / "reading.json"
    assert main(["read", str(folder / "target.jpg"), "--json", str(out), "--quiet"]) == 0
    return out


def mean_error(result: dict[str, Any]) -> tuple[float, str]:
    (reason,) = [r for r in result["verdict"]["reasons"] if r["measure"] == "profile-mean"]
    return float(reason["value"]), str(reason["outcome"])


def test_colours_are_judged_against_a_reading_of_the_same_glass(
    folder: Path, reading: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    art = np.asarray(Image.open(folder / "art.png"))
    good = v.press_sheet(art, 5.0, size_mm=SIZE, seed=1)
    shoot(folder, "true.jpg", good)
    taken_with("Phone A", folder / "true.jpg")
    result = run(folder, capsys, "true.jpg", reading=str(reading))
    assert result["verdict"]["action"] == "accept"
    assert mean_error(result)[0] < 1.75
    off = v.press_sheet(art, 5.0, size_mm=SIZE, printer=v.Printer(gamma=(1.25, 1.0, 0.85)), seed=1)
    shoot(folder, "off.jpg", off)
    for camera, said in (("Phone B", "another camera"), ("", "not known")):
        taken_with(camera, folder / "off.jpg")
        result = run(folder, capsys, "off.jpg", reading=str(reading))
        assert mean_error(result)[1] == "undecided"
        assert said in json.dumps(result["verdict"])
        assert result["verdict"]["action"] == "accept"
    taken_with("Phone A", folder / "off.jpg")
    result = run(folder, capsys, "off.jpg", reading=str(reading))
    true = float(np.nanmean(v.delta_e00(off.lab_grid(4.0), good.lab_grid(4.0))))
    value, outcome = mean_error(result)
    assert outcome == "fail"
    assert abs(value - true) < 0.3 * true
    assert result["verdict"]["action"] == "change-profile"


def test_a_pale_centre_in_a_picture_of_rings_is_found_with_a_reading(
    folder: Path, reading: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the photo alone it cannot be told from the picture's own colours; then that is said."""
    h, w = round(SIZE[1] * 5), round(SIZE[0] * 5)
    y, x = np.mgrid[:h, :w]
    r = np.clip(np.hypot((x - w / 2) / (w / 2), (y - h / 2) / (h / 2)) / 1.4, 0, 1)[..., None]
    art = (np.array([70, 120, 150]) * (1 - r) + np.array([190, 120, 80]) * r).astype(np.uint8)
    art[:, : w // 40] = art[:, -(w // 40) :] = 40  # a border, so that the picture can be placed
    art[: w // 40] = art[-(w // 40) :] = 40
    sub = folder / "rings"
    sub.mkdir()
    Image.fromarray(art).save(sub / "art.png")
    strength = v.pale_strength(7.0, device_rgb=(100, 120, 130))
    pressed = v.press_sheet(
        art, 5.0, size_mm=SIZE, faults=v.Faults(pale_centre=strength, pale_centre_mm=(85, 70)), seed=1
    )
    shoot(sub, "rings.jpg", pressed)
    alone = run(sub, capsys, "rings.jpg")
    # no photo settles it, so none is asked for: the headline says what was not judged
    assert alone["verdict"]["action"] == "accept"
    assert alone["verdict"]["undecided"] == ["broad-colour"]
    assert "pale middle could hide" in alone["verdict"]["headline"]
    assert alone["lighting"]["settle_by"] == "reading"
    assert "--reading" in json.dumps(alone["verdict"])
    known = run(sub, capsys, "rings.jpg", reading=str(reading))
    broad = [f for f in known["findings"] if f["kind"] in ("pale", "pale-centre")]
    assert broad
    assert np.hypot(broad[0]["x_mm"] - 80, broad[0]["y_mm"] - 60) < 15
    assert broad[0]["diameter_mm"] > 40
    assert known["lighting"]["settle_by"] != "reading"


def test_a_profile_gives_colours_but_no_verdict_on_an_unknown_phone(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """LittleCMS reads the profile; what it says of device colours is checked against the sRGB formula."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    (folder / "printer.icc").write_bytes(profile.tobytes())
    codes = np.array([[255, 255, 255], [128, 128, 128], [200, 60, 40], [20, 90, 180]])
    expected = srgb_to_linear(codes / 255.0)
    np.testing.assert_allclose(colours_of_profile(folder / "printer.icc")(codes), expected, atol=0.012)
    spot = v.Spot(60.0, 70.0, 20.0, v.pale_strength(8.0))
    shoot(folder, "profiled.jpg", piece(folder, v.Faults(spots=(spot,))))
    result = run(folder, capsys, "profiled.jpg", profile=str(folder / "printer.icc"))
    assert mean_error(result)[1] != "fail"
    (found,) = [f for f in result["findings"] if f["kind"] == "pale"]
    assert np.hypot(found["x_mm"] - 60, found["y_mm"] - 70) < 4


def test_blank_frames_and_photos_that_do_not_belong_are_refused(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pressed = piece(folder, v.Faults())
    photo = shoot(folder, "mine.jpg", pressed, camera=v.Camera(exposure_ev=-1.2))
    white = v.photograph_blank(SIZE, photo=photo)
    brighter = replace(photo.camera.locked(photo), gain=photo.gain * 1.8)
    v.save_photo(v.photograph_blank(SIZE, photo=replace(photo, gain=photo.gain * 1.8)), folder / "bright.jpg")
    v.save_photo(white, folder / "white.jpg")
    other = v.press_sheet(artworks.plaque(SIZE, 5.0, seed=9), 5.0, size_mm=SIZE, seed=3)
    shoot(folder, "other.jpg", other, camera=brighter)
    art = str(folder / "art.png")
    for args, part in (
        ([str(folder / "mine.jpg"), "--blank-frame", str(folder / "bright.jpg")], "exposure"),
        ([str(folder / "mine.jpg"), "--blank-frame", str(folder / "other.jpg")], "no blank frame"),
        ([str(folder / "mine.jpg"), str(folder / "other.jpg")], "other.jpg"),
    ):
        capsys.readouterr()
        assert main(["inspect", *args, "--artwork", art, "--size", "160x120mm", "--quiet"]) == 2, part
        err = capsys.readouterr().err
        assert err.count("\n") == 1, err
        assert part in err, err
