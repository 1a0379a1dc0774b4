"""Camera characterisation: published spectra, colour-science, held-out scenes, bad files."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from colorcheck.colour.teachcamera import match
from colorcheck.flows.characterise import characterise, characterise_result
from colorcheck.flows.requests import CameraRequest
from colorcheck.ground.cielab import delta_e00, lab_to_xyz, xyz_to_lab
from colorcheck.ground.errors import ColorcheckError, DataError, FileError
from colorcheck.ground.limits import load_limits
from colorcheck.ground.records import CellFlag, CellKind, Cells
from colorcheck.photo.camera import (
    apply_camera,
    compare_light,
    estimate_veil,
    fit_camera,
    linearise,
    model_error,
    other_light_error,
    refer_cells,
    relative_light,
    root_terms,
)
from colorcheck.photo.camerafile import CameraFile, camera_from_dict, camera_to_dict, load_camera, save_camera
from colorcheck.photo.decode import decode
from colorcheck.photo.rectify import lay_flat, sample_cells
from colorcheck.photo.toneguard import check_local_tone
from colorcheck.sheet.draw import render
from colorcheck.sheet.exchange import measurements_from_lab, write_measurements
from colorcheck.sheet.locate import locate
from colorcheck.sheet.onephoto import refer, work_photo
from colorcheck.sheet.target import make_target, to_dict
from tests import virtual as v
from tests.virtual import press, spectral
from tests.virtual.camera import _tone_of, colour_matrix

Array = Any
TARGET = make_target(size_mm=(200, 200), patches="standard", seed=1)
WHITE = TARGET.kind == CellKind.WHITE


# ---- cells without a picture ------------------------------------------------------------------------------


@lru_cache(maxsize=32)
def reflectances(substrate: str, dyes: str = "clean") -> Array:
    """Reflectance (n, 36) of every cell of the target on this substrate."""
    sub = v.SUBSTRATES[substrate]
    amounts = v.Printer(dyes=dyes).amounts(TARGET.device_rgb.astype(np.uint8), sub)
    passed = sub.floor + (1 - sub.floor) * np.exp(-(amounts @ press._natural_densities(dyes, sub)))
    return passed * sub.white()


def cells_of(
    substrate: str = "bright",
    *,
    sensor: str = "phone-1",
    light: str = "LED-B3",
    dyes: str = "clean",
    noise: float = 0.004,
    flare: float = 0.003,
    tone: float = 0.0,
    level: float = 0.7,
    shade: float = 0.0,
    seed: int = 0,
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0),
    matrix_for: str | None = None,
) -> dict[str, Array]:
    """What `read` would take from a photo: coat-relative camera colour, coat signal, truth."""
    rng = np.random.default_rng(seed)
    camera = v.Camera(sensitivities=sensor)
    matrix = colour_matrix(sensor, matrix_for or light, "srgb") @ np.diag(balance)
    refl, coat = reflectances(substrate, dyes), v.SUBSTRATES[substrate].white()
    card = spectral.surface("white card")

    def seen(r: Array) -> Array:
        linear = np.clip((r @ camera.response_weights(light) + flare) @ matrix.T, 0, None)
        return linear / ((coat @ camera.response_weights(light) + flare) @ matrix.T).max() * level

    def photo(x: Array) -> Array:
        if not tone:
            return x
        curve = _tone_of("phone", tone)
        return spectral.decode_srgb(np.interp(x, np.linspace(0, 1, len(curve)), curve))

    place = shade * rng.standard_normal(len(refl)) / 3  # what the lighting model missed
    signal = photo(seen(refl) * np.exp(place)[:, None])
    signal = signal + rng.standard_normal(signal.shape) * noise * np.sqrt(np.maximum(signal, 1e-3) * 0.18)
    white = photo(seen(coat))
    to_xyz = spectral.xyz_weights()
    return {
        "rgb": signal / white,
        "coat_rgb": white,
        "card_rgb": photo(seen(card)) / white,
        "xyz": refl @ to_xyz * 100,
        "white_xyz": coat @ to_xyz * 100,
        "lab": xyz_to_lab(refl @ to_xyz / (coat @ to_xyz), np.ones(3)),
        "lab_absolute": xyz_to_lab(refl @ to_xyz),
        "u": 100 * noise * np.ones(len(refl)) * 0.5,
    }


def fitted(c: dict[str, Array], **kw: Any) -> Any:
    usable = kw.pop("usable", np.ones(len(c["rgb"]), bool))
    device = kw.pop("device", TARGET.device_rgb)
    return fit_camera(c["rgb"], c["u"], usable, device, c["xyz"], c["white_xyz"], c["coat_rgb"], **kw)


def error(model: Any, c: dict[str, Array], *, card: bool = False) -> Array:
    out = apply_camera(model, c["rgb"], coat_rgb=c["coat_rgb"], card_rgb=c["card_rgb"] if card else None)
    return delta_e00(xyz_to_lab(out.xyz), c["lab"])


@lru_cache(maxsize=32)
def known(sensor: str = "phone-1", light: str = "LED-B3", tone: float = 0.0) -> Any:
    c = cells_of(sensor=sensor, light=light, tone=tone)
    return fitted(c, card_rgb=c["card_rgb"])


# ---- published data ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("sensor", ["measured-1", "measured-2"])
@pytest.mark.parametrize("light", ["D50", "LED-B3"])
def test_published_reflectances_stay_within_the_limit_of_metamerism(sensor: str, light: str) -> None:
    """99 reflectances of CIE 224:2017 and two measured sensitivities, all shipped with colour-science.

    Limits: mean ΔE00 of 0.6–2.1 for half as many test colours as here train, found by simulation for this
    project; no published figure for this split is known.
    """
    refl = spectral.test_reflectances()
    camera = v.Camera(sensitivities=sensor)
    rgb, xyz = refl @ camera.response_weights(light), refl @ spectral.xyz_weights()
    white = spectral.xyz_weights().sum(axis=0)
    test = np.arange(99) % 3 == 0
    dummy = np.stack([np.arange(99), np.zeros(99), np.ones(99)], axis=1)
    model = fit_camera(
        rgb[~test],
        np.full(66, 0.1),
        np.ones(66, bool),
        dummy[~test],
        xyz[~test] * 100,
        white * 100,
        np.full(3, 0.7),
        tone=False,
    )
    out = apply_camera(model, rgb[test])
    de = delta_e00(xyz_to_lab(out.xyz), xyz_to_lab(xyz[test] / white, np.ones(3)))
    assert de.mean() < 2.1
    assert np.percentile(de, 95) < 5.0


@pytest.mark.parametrize("degree", [2, 3, 4])
def test_terms_are_those_of_colour_science(degree: int) -> None:
    """Finlayson, Mackiewicz & Hurlbert (2015) as colour-science computes it."""
    colour = spectral.colour_science()
    rgb = np.random.default_rng(1).uniform(0.01, 1, (50, 3))
    ours = np.column_stack([rgb[:, 1], root_terms(rgb, degree)])
    theirs = colour.characterisation.polynomial_expansion_Finlayson2015(rgb, degree, root_polynomial_expansion=True)
    assert ours.shape == theirs.shape
    np.testing.assert_allclose(np.sort(ours, axis=1), np.sort(theirs, axis=1), rtol=1e-9)


def test_least_squares_on_the_terms_equals_colour_science() -> None:
    colour = spectral.colour_science()
    rng = np.random.default_rng(2)
    rgb, xyz = rng.uniform(0.01, 1, (60, 3)), rng.uniform(0.01, 1, (60, 3))
    theirs = colour.characterisation.colour_correction_Finlayson2015(rgb, rgb, xyz, degree=2)
    a = np.column_stack([rgb[:, 1], root_terms(rgb, 2)])
    ours = a @ np.linalg.lstsq(a, xyz, rcond=None)[0]
    np.testing.assert_allclose(ours, theirs, atol=1e-8)


# ---- properties -------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(1e-4, 1.0), min_size=3, max_size=3),
    st.floats(0.05, 20.0),
    st.integers(1, 4),
)
def test_more_light_scales_every_term(rgb: list[float], k: float, degree: int) -> None:
    x = np.array([rgb])
    np.testing.assert_allclose(root_terms(k * x, degree), k * root_terms(x, degree), rtol=1e-9)


def test_the_coat_stays_the_coat_to_the_last_digit() -> None:
    for model in (known(), known("phone-2", "D50"), known(tone=0.35)):
        bare = replace(model, offset=0.0)
        lab = xyz_to_lab(apply_camera(bare, np.ones((1, 3)), coat_rgb=bare.coat_rgb).xyz)
        np.testing.assert_allclose(lab, [[100, 0, 0]], atol=1e-9)
        linked = apply_camera(bare, np.ones((1, 3)), coat_rgb=bare.coat_rgb, card_rgb=np.array([1.1, 1.0, 0.9]))
        np.testing.assert_allclose(xyz_to_lab(linked.xyz), [[100, 0, 0]], atol=1e-9)


def test_caller_arrays_are_not_changed() -> None:
    c = cells_of()
    before = {k: np.copy(a) for k, a in c.items()}
    apply_camera(fitted(c), c["rgb"], coat_rgb=c["coat_rgb"], card_rgb=c["card_rgb"])
    for k, a in c.items():
        np.testing.assert_array_equal(a, before[k])


@pytest.mark.parametrize("contrast", [0.1, 0.35])
def test_a_known_tone_curve_is_recovered(contrast: float) -> None:
    """The S-curve of the virtual phone, undone: linear within 2 % of white over the range of the ramp."""
    model = known(tone=contrast)
    assert len(model.tone) > 0
    x = np.linspace(0.02, 0.7, 30)
    curve = _tone_of("phone", contrast)
    bent = spectral.decode_srgb(np.interp(x, np.linspace(0, 1, len(curve)), curve))
    back = linearise(bent, model.tone)
    back = back / back[-1] * x[-1]
    before = bent / bent[-1] * x[-1]
    assert np.abs(back - x).max() < 0.02
    assert np.abs(back - x).max() < 0.35 * np.abs(before - x).max()
    assert (np.diff(linearise(np.linspace(-0.1, 1.3, 500), model.tone)) > 0).all()


def test_a_linear_photo_gets_no_curve() -> None:
    for sensor, light in (("phone-1", "LED-B3"), ("phone-2", "D50")):
        model = known(sensor, light)
        assert len(model.tone) == 0
        np.testing.assert_array_equal(relative_light(model, np.full((2, 3), 0.3)), 0.3)


def test_another_exposure_of_a_bent_curve_still_reads_true() -> None:
    model = known("phone-2", tone=0.3)
    for level in (0.45, 0.6, 0.75):
        c = cells_of(sensor="phone-2", tone=0.3, level=level, seed=3)
        assert error(model, c).mean() < 0.9
        # without the coat's level the curve is entered at the wrong place
    c = cells_of(sensor="phone-2", tone=0.3, level=0.45, seed=3)
    blind = delta_e00(xyz_to_lab(apply_camera(model, c["rgb"]).xyz), c["lab"])
    assert error(model, c).mean() < 0.7 * blind.mean()


def test_five_percent_wrong_cells_do_no_harm() -> None:
    rng = np.random.default_rng(5)
    c = cells_of()
    clean = error(fitted(c), cells_of("warm film", seed=9)).mean()
    bad = dict(c)
    bad["xyz"] = c["xyz"].copy()
    wrong = rng.choice(np.flatnonzero(~WHITE), round(0.05 * len(c["xyz"])), replace=False)
    bad["xyz"][wrong] = c["xyz"][rng.permutation(wrong)] * [1.0, 1.25, 0.8]
    model = fitted(bad)
    assert error(model, cells_of("warm film", seed=9)).mean() < 1.15 * clean + 0.1
    assert model.bad_cells >= 0.6 * len(wrong)


def test_few_cells_get_a_simple_model_and_too_few_are_refused() -> None:
    c = cells_of(noise=0.02)
    colours = np.unique(TARGET.device_rgb, axis=0)

    def only(count: int) -> Array:
        some = colours[np.random.default_rng(3).permutation(len(colours))[:count]]
        return np.array([(row == some).all(axis=1).any() for row in TARGET.device_rgb])

    assert fitted(c, usable=only(16)).degree == 1
    assert fitted(c, usable=only(40)).degree <= 2
    assert fitted(cells_of(sensor="phone-2")).degree >= 2
    with pytest.raises(DataError, match="12 are needed"):
        fitted(c, usable=only(8))
    with pytest.raises(DataError, match="only 0 measured colours"):
        fitted(c, usable=np.zeros(len(c["rgb"]), bool))


def test_values_of_another_piece_are_not_believed() -> None:
    """Shuffled values: refused as soon as most cells do not fit, else the stated error says it."""
    c = cells_of()
    good = fitted(c)
    c["xyz"] = np.random.default_rng(1).permutation(c["xyz"])
    mixed = fitted(c)
    assert mixed.cv_mean > 10 > 10 * good.cv_mean


def test_replicates_do_not_leak_into_their_own_test() -> None:
    """Many copies of few colours must not look better in cross-validation than they are."""
    c = cells_of(sensor="measured-2")
    single = fitted(c)
    n = len(c["rgb"])
    twice = {k: np.concatenate([a, a]) if len(a) == n else a for k, a in c.items()}
    double = fitted(twice, device=np.tile(TARGET.device_rgb, (2, 1)))
    assert double.cv_mean == pytest.approx(single.cv_mean, rel=0.1)
    assert single.fit_mean < single.cv_mean


# ---- uncertainty ------------------------------------------------------------------------------------------


@pytest.mark.scenes
def test_stated_uncertainty_covers_the_truth() -> None:
    """90–99 % of cells within twice the stated value, over seeds, substrates, sensors and lights.

    Cells of one photo share their error, so the photos are the sample: 95 % of the means of photos drawn anew
    with replacement (B. Efron, Ann. Statist. 7(1), 1–26, 1979) must lie within 90–99 %.
    """
    shares = []
    for k in range(60):
        rng = np.random.default_rng(500 + k)
        sensor = ("phone-1", "phone-2")[k % 2]
        model = known(sensor, ("LED-B3", "D50")[k // 4 % 2])
        c = cells_of(
            ("warm film", "satin", "bluish")[k % 3],
            sensor=sensor,
            light=("LED-B3", "D50")[k // 4 % 2],
            noise=0.01,
            flare=float(rng.uniform(0.002, 0.005)),
            level=float(rng.uniform(0.45, 0.8)),
            shade=0.015,
            seed=900 + k,
        )
        out = apply_camera(model, c["rgb"], coat_rgb=c["coat_rgb"], card_rgb=c["card_rgb"] if k // 2 % 2 else None)
        light = 0.6 * 116 / 3 * 0.015 / 3 * np.cbrt(np.maximum(c["rgb"].mean(axis=1), 1e-3))
        u = np.sqrt(out.u**2 + c["u"] ** 2 + light**2)
        shares.append(float((delta_e00(xyz_to_lab(out.xyz), c["lab"]) < 2 * u)[~WHITE].mean()))
    draws = np.random.default_rng(0).choice(shares, (4000, len(shares))).mean(axis=1)
    low, high = np.percentile(draws, [2.5, 97.5])
    assert low > 0.90
    assert high < 0.99
    assert np.percentile(shares, 10) > 0.85


def test_doubt_is_larger_where_nothing_was_trained() -> None:
    model = known()
    inside, out_in = model_error(model, model.train_lab)
    outside, out_out = model_error(model, np.array([[60.0, 120.0, -110.0], [40.0, -120.0, 90.0]]))
    assert not out_in.any()
    assert out_out.all()
    assert outside.min() > 1.5 * inside.max()
    assert outside.min() > 3 * np.median(inside)


def test_other_light_is_noticed_by_the_card_and_by_the_coat() -> None:
    model = known()
    same = cells_of("bluish", seed=2)
    assert not compare_light(model, same["coat_rgb"], same["card_rgb"]).other
    # the same locked camera under daylight: what the balance of the first light makes of it
    shift = v.Camera(sensitivities="phone-1").tint("D65", "LED-B3")
    moved = cells_of("bluish", light="D65", matrix_for="LED-B3", balance=tuple(shift.astype(float)))
    change = compare_light(model, moved["coat_rgb"], moved["card_rgb"])
    assert change.other
    assert change.by == "card"
    assert change.blue > 1.1 > change.red
    assert compare_light(model, moved["coat_rgb"]).by == "coat"
    assert compare_light(model, moved["coat_rgb"]).other


@pytest.mark.scenes
def test_other_light_is_paid_for_in_the_stated_uncertainty() -> None:
    shares, ratio = [], []
    for sensor in ("phone-1", "phone-2"):
        for trained, used in (("LED-B3", "D65"), ("LED-B3", "D50"), ("D50", "LED-B3"), ("D50", "D65")):
            shift = v.Camera(sensitivities=sensor).tint(used, trained).astype(float)
            c = cells_of("bluish", sensor=sensor, light=used, matrix_for=trained, balance=tuple(shift), seed=4)
            model = known(sensor, trained)
            n = len(c["rgb"])
            cells = Cells(
                rgb_rel=c["rgb"],
                lab=c["lab"],
                lab_absolute=None,
                density=np.zeros(n),
                u_noise=c["u"],
                u_system=np.zeros(n),
                uncertainty=c["u"],
                flags=np.zeros(n, int),
                centre_px=np.zeros((n, 2)),
                photos=1,
            )
            out, change, _ = refer_cells(cells, model, c["coat_rgb"], c["card_rgb"])
            assert change.other
            de = delta_e00(out.lab, c["lab"])[~WHITE]
            shares.append(float((de < 2 * out.uncertainty[~WHITE]).mean()))
            ratio.append(float(other_light_error(out.lab).mean()))
    assert np.mean(shares) > 0.85
    assert max(ratio) < 3.5


# ---- veil and absolute values -----------------------------------------------------------------------------


def test_the_veil_is_found_and_taken_off() -> None:
    for flare in (0.0, 0.004, 0.012):
        model = fitted(cells_of(flare=flare))
        assert model.offset == pytest.approx(flare / 0.9, abs=0.0015)
    black = TARGET.kind == CellKind.BLACK
    c = cells_of("satin", flare=0.004, seed=1)
    d = fitted(cells_of(flare=0.004))
    lab = xyz_to_lab(apply_camera(d, c["rgb"], coat_rgb=c["coat_rgb"]).xyz)
    assert np.median(lab[black, 0]) == pytest.approx(np.median(c["lab"][black, 0]), abs=0.8)


@pytest.mark.parametrize("veil", [0.0, 0.01, 0.03])
def test_the_veil_of_one_photo_shows_in_uneven_light(veil: float) -> None:
    pulls = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        light = np.exp(rng.uniform(-0.4, 0.4, len(TARGET.ids)))
        rel = np.where(TARGET.kind == CellKind.BLACK, 0.03, 0.5) * np.exp(rng.normal(0, 0.03, len(light)))
        signal = rel * light + veil
        found, std = estimate_veil(signal, light, TARGET.device_rgb, np.ones(len(light), bool))
        pulls.append((found - veil) / std)
    assert np.mean(np.abs(pulls) < 2) > 0.8
    assert abs(np.mean(pulls)) < 0.8
    even = estimate_veil(np.full(len(TARGET.ids), 0.03), np.ones(len(TARGET.ids)), TARGET.device_rgb, ~WHITE)
    assert even == (0.0, np.inf)


def test_the_card_links_photos_of_unlike_exposure() -> None:
    model = known()
    for substrate in ("warm film", "satin", "bluish"):
        for level in (0.5, 0.8):
            c = cells_of(substrate, level=level, seed=7)
            out = apply_camera(model, c["rgb"], coat_rgb=c["coat_rgb"], card_rgb=c["card_rgb"])
            assert out.coat_xyz is not None
            assert out.xyz_absolute is not None
            coat = delta_e00(xyz_to_lab(out.coat_xyz / 100), xyz_to_lab(c["white_xyz"] / 100))
            assert coat < 1.2
            assert delta_e00(xyz_to_lab(out.xyz_absolute / 100), c["lab_absolute"]).mean() < 0.9
            # the coat's own tint known: better than without
            assert error(model, c, card=True).mean() < error(model, c).mean() + 0.05
    alone = apply_camera(model, c["rgb"], coat_rgb=c["coat_rgb"])
    assert alone.xyz_absolute is None
    no_card = replace(model, card_rgb=np.full(3, np.nan))
    assert apply_camera(no_card, c["rgb"], card_rgb=c["card_rgb"]).xyz_absolute is None


def test_cells_out_of_range_are_flagged() -> None:
    c = cells_of()
    chroma = np.hypot(*c["lab"][:, 1:].T)
    model = fitted(c, usable=chroma < 25)
    n = len(c["rgb"])
    zero = np.zeros(n)
    cells = Cells(c["rgb"], c["lab"], None, zero, c["u"], zero, c["u"], np.zeros(n, int), np.zeros((n, 2)), 1)
    out, _, _ = refer_cells(cells, model, c["coat_rgb"])
    flagged = (out.flags & CellFlag.OUT_OF_RANGE) > 0
    assert flagged[chroma > 60].all()
    assert out.uncertainty[chroma > 60].min() > 2 * np.median(out.uncertainty[chroma < 20])
    assert not flagged[chroma < 20].any()


# ---- files ------------------------------------------------------------------------------------------------


def a_file(model: Any = None) -> CameraFile:
    return CameraFile(model or known(), "a phone", "desk lamp", "2031-05-04", "plaque", ({"file": "a.jpg"},), ("note",))


def test_a_camera_file_comes_back_unchanged(tmp_path: Any) -> None:
    for model in (known(), known(tone=0.35), replace(known(), card_rgb=np.full(3, np.nan))):
        save_camera(tmp_path / "c.json", a_file(model))
        back = load_camera(tmp_path / "c.json")
        c = cells_of("satin")
        np.testing.assert_array_equal(
            apply_camera(back.model, c["rgb"], coat_rgb=c["coat_rgb"], card_rgb=c["card_rgb"]).u,
            apply_camera(model, c["rgb"], coat_rgb=c["coat_rgb"], card_rgb=c["card_rgb"]).u,
        )
        assert (back.device, back.light, back.date, back.target) == (
            "a phone",
            "desk lamp",
            "2031-05-04",
            "plaque",
        )
        assert back.photos == ({"file": "a.jpg"},)
        assert camera_to_dict(back) == camera_to_dict(a_file(model))
    assert [p.name for p in tmp_path.iterdir()] == ["c.json"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.pop("schema"), "no camera file"),
        (lambda d: d.update(schema="colorcheck-camera/9"), "another version"),
        (lambda d: d.update(schema="colorcheck-reading/1"), "no camera file"),
        (lambda d: d.pop("model"), "lacks 'model'"),
        (lambda d: d.update(model=[1, 2]), "'model': expected a table, got a list"),
        (lambda d: d["model"].pop("tone"), "lacks 'model.tone'"),
        (lambda d: d["model"].update(degree=7), "'model.degree': expected a whole number, at most 4"),
        (lambda d: d["model"].update(degree=2.5), "whole number"),
        (lambda d: d["model"].update(degree=True), "whole number, got true or false"),
        (lambda d: d["model"].update(coefficients=[[1, 2, 3]]), "do not belong"),
        (lambda d: d["model"].update(coefficients="x"), "'model.coefficients': expected a list, got text"),
        (lambda d: d["model"]["coefficients"][0].__setitem__(0, None), "expected a number, got nothing"),
        (lambda d: d["model"].update(coat_rgb=[1, 2]), "coat_rgb': expected a list of length 3"),
        (lambda d: d["model"].update(coat_rgb=[0, 1, 1]), "coat_rgb"),
        (lambda d: d["model"].update(coat_xyz=[9e9, 1, 1]), "coat_xyz"),
        (lambda d: d["model"]["train_lab"].pop(), "incomplete"),
        (lambda d: d["model"].update(tone=[1e6]), "model.tone"),
        (lambda d: d["model"].update(offset=5), "model.offset"),
        (lambda d: d.update(photos="x"), "photos"),
    ],
)
def test_damaged_camera_files_get_one_line(tmp_path: Any, change: Any, says: str) -> None:
    data = json.loads(json.dumps(camera_to_dict(a_file())))
    change(data)
    path = tmp_path / "c.json"
    path.write_text(json.dumps(data))
    with pytest.raises(DataError, match=says) as caught:
        load_camera(path)
    assert "\n" not in caught.value.message


def test_what_is_no_camera_file_gets_one_line(tmp_path: Any) -> None:
    with pytest.raises(FileError, match="there is no file"):
        load_camera(tmp_path / "none.json")
    with pytest.raises(FileError, match="is a folder"):
        load_camera(tmp_path)
    for k, content in enumerate((b"", b"{", b"\xff\xfe\x00", b"[1]", b"null", b"[" * 100000)):
        path = tmp_path / f"{k}.json"
        path.write_bytes(content)
        with pytest.raises(DataError, match="not a camera file"):
            load_camera(path)
    for junk in (None, 3, "x", [], {}):
        with pytest.raises(DataError):
            camera_from_dict(junk)


def test_a_failed_save_keeps_what_was_there(tmp_path: Any, monkeypatch: Any) -> None:
    path = tmp_path / "c.json"
    save_camera(path, a_file())
    before = path.read_bytes()
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left")))
    with pytest.raises(ColorcheckError, match="cannot be written"):
        save_camera(path, a_file(known("phone-2")))
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["c.json"]


# ---- pictures ---------------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def piece(substrate: str) -> Any:
    return v.press_sheet(
        render(TARGET, dpi=150),
        150 / 25.4,
        size_mm=TARGET.size_mm,
        shape=TARGET.shape,
        substrate=v.SUBSTRATES[substrate],
    )


def shot(folder: Path, substrate: str, *, seed: int = 0, mp: float = 2.2, **kw: Any) -> tuple[Path, Any]:
    scene = kw.pop("scene", v.Scene(illuminant="LED-B3"))
    pose = v.Pose.megapixels(mp, rotation_deg=15.0 * seed, tilt_deg=6, fill=0.76)
    photo = v.photograph(
        piece(substrate), scene=scene, camera=v.Camera(sensitivities="phone-2", **kw), pose=pose, seed=seed
    )
    path = folder / f"{substrate}-{seed}.jpg"
    v.save_photo(photo, path, quality=93)
    return path, photo


def oracle(photo: Any, truth: Array) -> Array:
    """ΔE00 of the best degree-2 root-polynomial on this very photo, told geometry and lighting."""
    image = spectral.decode_srgb(photo.rgb / 255.0)
    share = np.linspace(0.2, 0.8, 9)
    rgb = []
    for x, y, w, h in TARGET.box_mm:
        px = np.rint(photo.mm_to_px(np.stack(np.meshgrid(x + w * share, y + h * share), -1))).astype(int)
        rgb.append(image[px[..., 1], px[..., 0]].mean(axis=(0, 1)))
    flat = np.array(rgb) / photo.lighting_at(TARGET.box_mm[:, :2] + TARGET.box_mm[:, 2:] / 2)[:, None]
    flat /= flat[WHITE].mean(axis=0)
    wanted = lab_to_xyz(truth, np.ones(3))
    a = root_terms(flat, 2) - flat[:, 1:2]
    guess = wanted
    for _ in range(8):  # re-weighted towards the scale of the eye
        weight = np.cbrt(np.maximum(guess, 0.003)) ** -2
        x = [
            np.linalg.lstsq(a * weight[:, [c]], (wanted[:, c] - flat[:, 1]) * weight[:, c], rcond=None)[0]
            for c in range(3)
        ]
        guess = flat[:, 1:2] + a @ np.stack(x, axis=1)
    return delta_e00(xyz_to_lab(guess, np.ones(3)), truth)


@pytest.fixture(scope="module")
def measured_camera(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    """A camera characterised by the whole flow on the bright substrate, with the file of values."""
    folder = tmp_path_factory.mktemp("camera")
    path, _ = shot(folder, "bright")
    values = folder / "values.txt"
    lab = piece("bright").true_lab(TARGET.box_mm, absolute=True)
    write_measurements(values, measurements_from_lab(TARGET.ids, lab, device_rgb=TARGET.device_rgb))
    return characterise(asked(path, values, light="desk lamp")), values


def asked(photo: Path, values: Path, **more: Any) -> CameraRequest:
    layout = photo.with_name("layout.json")
    layout.write_text(json.dumps(to_dict(TARGET)), encoding="utf-8")
    return CameraRequest(photos=(str(photo),), target=str(layout), measured=str(values), **more)


@pytest.mark.scenes
def test_held_out_substrates_and_lamp(measured_camera: tuple[Any, Path], tmp_path: Path) -> None:
    camera, _ = measured_camera
    covered, bare = [], []
    for k, (substrate, x, y, level) in enumerate(
        [("warm film", 300, -200, -0.3), ("satin", -200, 350, 0.0), ("bluish", 100, 400, 0.1)], start=1
    ):
        scene = v.Scene(illuminant="LED-B3", lamps=(v.Lamp(x_mm=x, y_mm=y, height_mm=650),))
        path, photo = shot(tmp_path, substrate, seed=k, scene=scene, exposure_ev=level)
        worked = work_photo(decode(path), TARGET, limits=load_limits())[1]
        result = worked.result
        assert worked.card.ok
        cells, change = refer(result.cells, camera.model, [worked])
        truth = piece(substrate).true_lab(TARGET.box_mm)
        de = delta_e00(cells.lab, truth)[~WHITE]
        assert not change.other
        assert de.mean() <= 2.5
        assert np.percentile(de, 95) <= 5.0
        best = oracle(photo, truth)[~WHITE].mean()
        assert de.mean() <= 1.15 * best
        # without the card the coat's own raw colour stands in for it
        alone, _ = refer(result.cells, camera.model, [replace(worked, card=replace(worked.card, ok=False))])
        assert alone.lab_absolute is None
        bare.append(float(delta_e00(alone.lab, truth)[~WHITE].mean() / best))
        assert de.mean() < 0.6 * delta_e00(result.cells.lab, truth)[~WHITE].mean()
        assert cells.lab_absolute is not None
        absolute = delta_e00(cells.lab_absolute, piece(substrate).true_lab(TARGET.box_mm, absolute=True))
        assert absolute.mean() < 2.0
        covered.append(float((de < 2 * cells.uncertainty[~WHITE]).mean()))
    assert 0.9 <= np.mean(covered) <= 1.0
    assert np.mean(bare) <= 1.15


def test_the_result_says_how_good_the_camera_is(measured_camera: tuple[Any, Path]) -> None:
    camera, _ = measured_camera
    data = characterise_result(camera, "c.json")
    json.dumps(data, allow_nan=False)
    assert data["quality"]["white_card"] is True
    assert 0 < data["quality"]["mean_delta_e00"] < data["quality"]["p95_delta_e00"] < 4
    assert data["light"] == "desk lamp"
    assert "model" not in data


def test_values_that_do_not_belong_get_one_line(measured_camera: tuple[Any, Path], tmp_path: Path) -> None:
    lab = piece("bright").true_lab(TARGET.box_mm, absolute=True)

    def tried(ids: Any, lab: Array, rgb: Array | None, says: str) -> None:
        m = measurements_from_lab(ids, lab, device_rgb=rgb)
        with pytest.raises(DataError, match=says) as caught:
            match(TARGET, m, "values.txt")
        assert "\n" not in caught.value.message

    tried([f"Z{i}" for i in range(len(lab))], lab, None, "only 0 of")
    tried(TARGET.ids, lab, np.roll(TARGET.device_rgb, 5, axis=0), "another target")
    tried(TARGET.ids, lab, TARGET.device_rgb / 2.55, "RGB from 0 to 100")
    tried(TARGET.ids[:8], lab[:8], None, "are needed")
    tried(np.array(TARGET.ids)[~WHITE].tolist(), lab[~WHITE], None, "no white cell")
    # the right names with another sheet's values
    _, values = measured_camera
    wrong = tmp_path / "wrong.txt"
    mixed = np.random.default_rng(1).permutation(lab)
    mixed[WHITE] = lab[WHITE]
    write_measurements(wrong, measurements_from_lab(TARGET.ids, mixed))
    with pytest.raises(DataError, match="do not go with the photo"):
        characterise(asked(values.parent / "bright-0.jpg", wrong))
    # a matrix could turn any hue into any other: columns exchanged or negated are told by the photo
    for change in (lab[:, [0, 2, 1]] * [1, 0.4, 0.4], lab * [1, 0.4, -0.4]):
        write_measurements(wrong, measurements_from_lab(TARGET.ids, change))
        with pytest.raises(DataError, match="does not go with the colours"):
            characterise(asked(values.parent / "bright-0.jpg", wrong))


# ---- local tone mapping -----------------------------------------------------------------------------------


@pytest.mark.scenes
def test_local_tone_mapping_is_noticed_and_nothing_else(tmp_path: Path) -> None:
    """Two of many: over 80 random scenes see the module's figures; here one of each kind, wood and card."""
    for k, (strength, tone, card) in enumerate(
        [
            (0.0, "phone", "wood"),
            (0.0, "srgb", "white card"),
            (0.2, "phone", "white card"),
            (0.35, "srgb", "dark table"),
        ]
    ):
        lamp = v.Lamp(x_mm=-250, y_mm=200 * (-1) ** k, height_mm=600)
        scene = v.Scene(illuminant="LED-B3", lamps=(lamp,), card=card)
        path, _ = shot(tmp_path, "bright", seed=k, mp=1.6, scene=scene, tone=tone, local_tone=strength)
        found = locate(decode(path), TARGET)
        samples = sample_cells(lay_flat(found.image, found.pose, TARGET.size_mm), found.pose, TARGET, found.image)
        out = check_local_tone(found.image, found.pose, TARGET, samples.rgb, samples.flags == 0)
        assert out.noticed is (strength > 0)
        assert out.strength == pytest.approx(strength, abs=max(3 * out.std, 0.08))
