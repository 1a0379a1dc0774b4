"""The forward model must itself be right before anything is judged by it."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from tests import virtual as v
from tests.virtual import spectral

GREY = (128, 128, 128)


def sheet(size_mm: float = 100.0, cell_mm: float = 10.0, px_per_mm: float = 8.0) -> np.ndarray:
    """A chequered grey artwork, cells of 10 mm."""
    i = (np.arange(int(size_mm * px_per_mm)) / (cell_mm * px_per_mm)).astype(int)
    return np.where(((i[:, None] + i[None, :]) % 2)[..., None], 200, 70).astype(np.uint8).repeat(3, axis=2)


def even(rgb: tuple[int, int, int], size_mm: float = 60.0) -> np.ndarray:
    return np.full((int(size_mm * 4), int(size_mm * 4), 3), rgb, np.uint8)


def pressed(art: np.ndarray, **fields: object) -> v.PressedPiece:
    """A piece at 4 px/mm: coarse, for speed."""
    return v.press_sheet(art, 4.0, raster_px_per_mm=4.0, **fields)


def plain(**fields: object) -> v.Faults:
    return v.Faults(mottle=0.0, grain=0.0, **fields)


def corners_near(grey: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Corners as OpenCV finds them, started from whole pixels."""
    start = np.ascontiguousarray(np.round(places), np.float32).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    return cv2.cornerSubPix(grey, start, (6, 6), (-1, -1), stop).reshape(-1, 2)


# --- press ----------------------------------------------------------------------------------------


def test_dye_densities_add_on_a_coat_without_floor() -> None:
    coat = v.Substrate(floor=0.0)
    parts = np.array([[0.7, 0, 0, 0], [0, 0.4, 0, 0], [0, 0, 0.9, 0], [0, 0, 0, 0.2]], np.float32)
    piece = pressed(even((255, 255, 255), 10), substrate=coat, faults=plain())

    def density(amounts: np.ndarray) -> np.ndarray:
        laid = replace(piece, amounts=np.broadcast_to(amounts, (*piece.mask.shape, 4)).astype(np.float32))
        return -np.log10(laid.response(np.eye(spectral.BANDS))[0, 0] / piece.coat)

    single = [density(p) for p in parts]
    np.testing.assert_allclose(density(parts.sum(axis=0)), np.sum(single, axis=0), atol=2e-4)
    np.testing.assert_allclose(single[0], 0.7 * spectral.dye_densities("clean")[0], atol=2e-4)


def test_the_floor_limits_the_density() -> None:
    piece = pressed(even((0, 0, 0), 10), substrate=v.Substrate(floor=0.02), faults=plain())
    assert 1.5 < piece.true_density([[2, 2, 6, 6]])[0] < -np.log10(0.02)


@pytest.mark.parametrize("name", v.SUBSTRATES)
def test_bare_coat_is_the_white_of_relative_lab(name: str) -> None:
    piece = pressed(even((255, 255, 255), 30), substrate=v.SUBSTRATES[name])
    np.testing.assert_allclose(piece.true_lab([[5, 5, 20, 20]]), [[100, 0, 0]], atol=2e-3)
    assert piece.true_lab([[5, 5, 20, 20]], absolute=True)[0, 0] < 97


def test_d50_lab_agrees_with_colour_science() -> None:
    # colour-science, tristimulus integration at its own interval, of a coat with ink on it
    colour = spectral.colour_science()
    piece = v.press_sheet(even((40, 110, 90), 10), 8.0, substrate=v.SUBSTRATES["warm film"], faults=plain())
    spectrum = piece.response(np.eye(spectral.BANDS))[20, 20]
    sd = colour.SpectralDistribution(spectrum, spectral.WAVELENGTHS)
    with np.errstate(all="ignore"):
        shape = colour.SpectralShape(380, 730, 10)
        cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
        xyz = colour.sd_to_XYZ(sd, cmfs, colour.SDS_ILLUMINANTS["D50"].copy().align(shape), method="Integration")
    lab = spectral.xyz_to_lab(xyz / 100)
    assert spectral.delta_e00(lab, piece.true_lab([[1, 1, 8, 8]], absolute=True)[0]) < 0.3


def test_formulae_of_the_model_agree_with_colour_science() -> None:
    colour = spectral.colour_science()
    xyz = np.random.default_rng(1).uniform(0.001, 0.9, (40, 3))
    d50_xy = spectral.D50_XYZ[:2] / spectral.D50_XYZ.sum()
    np.testing.assert_allclose(spectral.xyz_to_lab(xyz), colour.XYZ_to_Lab(xyz, d50_xy), atol=1e-3)
    np.testing.assert_allclose(spectral.lab_to_xyz(spectral.xyz_to_lab(xyz)), xyz, atol=1e-9)
    for ours, theirs in (("srgb", "sRGB"), ("display-p3", "Display P3")):
        expected = colour.RGB_COLOURSPACES[theirs].matrix_RGB_to_XYZ
        np.testing.assert_allclose(spectral.rgb_to_xyz(ours), expected, atol=6e-4)


@pytest.mark.parametrize("dyes", ["clean", "dull", "soft"])
@pytest.mark.parametrize("name", ["bright", "satin"])
def test_a_profiled_printer_meets_its_aim_and_a_raw_one_does_not(dyes: str, name: str) -> None:
    coat, axis = v.SUBSTRATES[name], np.linspace(0, 255, 6)
    rgb = np.stack(np.meshgrid(axis, axis, axis), -1).reshape(-1, 3).astype(np.uint8)
    error = {}
    for kind in (True, False):
        printer = v.Printer(dyes=dyes, profiled=kind)
        lab = v.lab_of_amounts(printer.amounts(rgb, coat), dyes, coat)
        error[kind] = v.delta_e00(lab, v.aim_lab(rgb, printer, coat)).mean()
    assert error[True] < 2.0
    assert error[False] > 5.0


@pytest.mark.parametrize("wanted", [1.5, 4.0, 10.0])
def test_a_spot_of_a_requested_difference_has_it(wanted: float) -> None:
    pale = v.pale_strength(wanted, device_rgb=GREY)
    dark = v.pale_strength(wanted, device_rgb=GREY, dark=True)
    spots = (v.Spot(30, 30, 22, pale), v.Spot(90, 90, 22, dark))
    piece = pressed(even(GREY, 120), faults=v.Faults(spots=spots), seed=5)
    core = piece.true_delta([[29, 29, 2, 2], [89, 89, 2, 2]])
    np.testing.assert_allclose(core, wanted, rtol=0.05)
    change = piece.true_delta_map(1.0)
    np.testing.assert_allclose(change[[30, 90], [30, 90]], core, rtol=0.05)
    assert change[30, 90] < 1e-6
    assert 0.4 * wanted < change[30, 30 + 11] < 0.65 * wanted  # half width at half height
    assert piece.true_lab([[29, 29, 2, 2]])[0, 0] > piece.true_lab([[89, 89, 2, 2]])[0, 0]


def test_under_pressing_tints_and_scorch_yellows_bare_coat() -> None:
    good, poor = (pressed(even(GREY), faults=plain(under_press=u)) for u in (0.0, 0.3))
    shift = poor.true_lab([[20, 20, 20, 20]]) - good.true_lab([[20, 20, 20, 20]])
    assert shift[0, 0] > 3
    assert np.hypot(*shift[0, 1:]) > 1
    burnt = v.Faults(scorch=(v.Scorch(v.scorch_strength(4.0)),))
    lab = pressed(even((255, 255, 255)), faults=burnt).true_lab([[20, 20, 20, 20]])
    assert lab[0, 2] == pytest.approx(4.0, abs=0.05)


def test_scattering_glass_lightens_a_dark_cell_in_white_more_than_a_dark_field() -> None:
    art = even((255, 255, 255))
    art[100:140, 100:140] = 0
    coat = v.SUBSTRATES["thick glass"]
    alone = pressed(art, substrate=coat, faults=plain()).true_lab([[25, 25, 10, 10]])
    field = pressed(even((0, 0, 0)), substrate=coat, faults=plain()).true_lab([[25, 25, 10, 10]])
    assert alone[0, 0] > field[0, 0] + 3


def test_every_fault_is_local_to_its_place() -> None:
    art = even(GREY, 80)
    faults = {
        "edge": (v.Faults(edges=(v.EdgeBand("left", 8, 0.4),)), (20, 1), (40, 60)),
        "speck": (v.Faults(specks=(v.Speck(20.5, 20.5, 3.0),)), (20, 20), (40, 60)),
        "dot": (v.Faults(specks=(v.Speck(20.5, 20.5, 3.0, dye="cyan"),)), (20, 20), (40, 60)),
        "hair": (
            v.Faults(hairs=(v.Hair(20.5, 20.5, bend=0.0, angle_deg=0, width_mm=1.0),)),
            (20, 18),
            (40, 60),
        ),
        "centre": (v.Faults(pale_centre=0.3, pale_centre_mm=(30, 20)), (40, 40), (2, 2)),
    }
    for name, (fault, hit, miss) in faults.items():
        change = pressed(art, faults=fault).true_delta_map()
        assert change[hit] > 1.5, name
        assert change[miss] < 0.01, name


def test_ghost_banding_and_missing_ink() -> None:
    art = even((255, 255, 255), 80)
    art[160:240, 160:240] = 0
    ghost = pressed(art, faults=plain(ghost=v.Ghost(5, 0, 0.2)))
    assert ghost.true_delta([[61, 45, 3, 10]])[0] > 5
    assert ghost.true_delta([[35, 45, 3, 10]])[0] < 0.1
    lines = v.press_sheet(even(GREY, 80), 8.0, faults=plain(banding=v.Banding(period_mm=2.0, amplitude=0.3)))
    profile = lines.xyz_map()[:, 100:200, 1].mean(axis=1)
    spectrum = np.abs(np.fft.rfft(profile - profile.mean()))
    assert spectrum.argmax() / (profile.size / lines.px_per_mm) == pytest.approx(1 / 2.0, rel=0.05)
    greenish = pressed(even(GREY), faults=v.Faults(missing=("magenta",))).true_lab([[20, 20, 20, 20]])
    assert greenish[0, 1] < -10


def test_round_blank_and_bleed() -> None:
    piece = v.press_sheet(sheet(112), 8.0, size_mm=(100, 100), shape="round")
    assert piece.mask.mean() == pytest.approx(np.pi / 4, abs=0.002)
    assert np.isnan(piece.lab_grid()[2, 2]).all()
    # 6 mm hang over on each side, so the first cell seen is 4 mm wide
    row = piece.xyz_map()[round(47 * piece.px_per_mm), :, 1]
    assert np.abs(np.diff(row)).argmax() / piece.px_per_mm % 10 == pytest.approx(4, abs=0.2)


# --- camera and scene -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "pose",
    [
        v.Pose(1200, 900, tilt_deg=25, tilt_axis_deg=30, rotation_deg=14, roll_deg=7, distortion=-0.02),
        v.Pose(1200, 900, tilt_deg=-12, tilt_axis_deg=80, distortion=0.02, shift_mm=(12, -8), mirrored=True),
        v.Pose(700, 900, rotation_deg=90, fill=0.9),
    ],
)
def test_corners_of_a_chequered_piece_lie_where_the_truth_says(pose: v.Pose) -> None:
    piece = v.press_sheet(sheet(), 8.0)
    photo = v.photograph(piece, scene=v.Scene(vignetting=0.1), pose=pose)
    at = np.arange(10.0, 91.0, 10.0)
    truth = photo.mm_to_px(np.stack(np.meshgrid(at, at), -1).reshape(-1, 2))
    assert photo.rgb.shape == (pose.height_px, pose.width_px, 3)
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    found = corners_near(grey, truth)
    off = np.hypot(*(found - truth).T)
    assert off.max() < 0.2
    assert np.abs((found - truth).mean(axis=0)).max() < 0.03


def test_the_lighting_truth_explains_the_photo_of_a_bare_piece() -> None:
    piece = pressed(even((255, 255, 255), 200), faults=plain())
    scene = v.Scene(lamps=(v.Lamp(-250, -100, 300),), ambient=0.05, vignetting=0.25)
    camera = v.Camera(flare=0.0, noise=0.002, exposure_ev=-0.3)
    photo = v.photograph(piece, scene=scene, camera=camera, pose=v.Pose(900, 900, fill=0.85, tilt_deg=10))
    light = photo.lighting_map(10.0)
    assert light.min() < 0.5
    mm = np.stack(np.meshgrid(np.arange(5.0, 200, 10), np.arange(5.0, 200, 10)), -1)
    px = np.round(photo.mm_to_px(mm)).astype(int)
    linear = cv2.blur(spectral.decode_srgb(photo.rgb / 255.0).astype(np.float32), (9, 9))
    seen = linear[px[..., 1], px[..., 0], 1]
    ratio = seen / light
    assert ratio.std() / ratio.mean() < 0.005


def test_turning_moves_spots_with_the_piece_and_leaves_glare_with_the_lamp() -> None:
    piece = pressed(even((0, 0, 0), 80), faults=plain())
    scene = v.Scene(glare=(v.Glare(20, -15, 12, 0.5),))
    first = v.photograph(piece, scene=scene, pose=v.Pose(600, 600, 0.7))
    second = v.photograph(piece, scene=scene, camera=first.camera.locked(first), pose=first.turned(90.0, (3.0, 0.0)))
    brightest = [cv2.GaussianBlur(p.rgb[..., 1], (0, 0), 4)[150:450, 150:450] for p in (first, second)]
    places = [np.array(np.unravel_index(b.argmax(), b.shape)) for b in brightest]
    assert np.abs(places[0] - places[1]).max() <= 3
    assert second.gain == first.gain
    assert np.abs(second.mm_to_px([80, 0]) - first.mm_to_px([80, 80])).max() > 3  # turned, then shifted by 3 mm
    mm = np.stack(np.meshgrid(np.arange(2.5, 80, 5), np.arange(2.5, 80, 5)), -1)
    px = np.round(second.mm_to_px(mm)).astype(int)
    linear = cv2.blur(spectral.decode_srgb(second.rgb / 255.0), (5, 5))[px[..., 1], px[..., 0], 1]
    np.testing.assert_allclose(linear / second.gain, second.glare_map(5.0), atol=0.02)


def test_a_phone_photo_is_near_but_not_equal_to_the_truth() -> None:
    rgb = np.random.default_rng(7).integers(30, 220, (8, 8, 3)).astype(np.uint8)
    piece = v.press_sheet(rgb.repeat(80, 0).repeat(80, 1), 8.0)
    boxes = np.array([[10 * j, 10 * i, 10, 10] for i in range(8) for j in range(8)], float)
    truth = piece.true_lab(boxes)
    errors = {}
    for sensor in ("phone-1", "phone-2", "phone-3", "measured-1"):
        camera = v.Camera(sensitivities=sensor)
        scene = v.Scene(lamps=(), ambient=1.0, vignetting=0.0, card_texture=0)
        photo = v.photograph(piece, scene=scene, camera=camera, pose=v.Pose(900, 900))
        px = np.round(photo.mm_to_px(boxes[:, :2] + 5)).astype(int)
        linear = cv2.blur(spectral.decode_srgb(photo.rgb / 255.0), (15, 15))[px[:, 1], px[:, 0]]
        white = spectral.encode_srgb(photo.gain)  # a perfect white under the lamp
        linear = linear / spectral.decode_srgb(white)
        xyz = linear @ spectral.rgb_to_xyz("srgb").T @ spectral.adaptation(spectral.D65_XYZ, spectral.D50_XYZ).T
        coat = piece.coat @ spectral.xyz_weights()
        errors[sensor] = v.delta_e00(spectral.xyz_to_lab(xyz / coat * spectral.D50_XYZ), truth).mean()
    assert all(0.3 < e < 5.0 for e in errors.values()), errors


def test_noise_is_what_was_asked_for() -> None:
    piece = pressed(even((118, 118, 118)), faults=plain())
    camera = v.Camera(noise=0.01, denoise_px=0, gain=0.9, flare=0, bits=16)
    scene = v.Scene(lamps=(), ambient=1.0, vignetting=0.0)
    photo = v.photograph(piece, scene=scene, camera=camera, pose=v.Pose(400, 400, blur_px=0))
    green = spectral.decode_srgb(photo.rgb[150:250, 150:250, 1] / 65535.0)
    assert 0.008 < green.std() / green.mean() < 0.016


def test_mixed_light_hides_and_locks() -> None:
    piece = pressed(even(GREY, 200))
    lamps = (v.Lamp(-300, 0, 300), v.Window(0.0, 1.5, illuminant="D65"))
    mixed = v.photograph(piece, scene=v.Scene("LED-B1", lamps), pose=v.Pose(400, 300))
    row = mixed.rgb[150, 140:260].astype(int)
    assert (row[-20:, 2] - row[-20:, 0]).mean() > (row[:20, 2] - row[:20, 0]).mean() + 2  # bluer towards the window
    piece = pressed(even(GREY))
    finger = v.Scene(occluders=(v.Occluder(30, 55, 15, 60, 90),))
    hidden = v.photograph(piece, scene=finger, pose=v.Pose(400, 300))
    x, y = np.round(hidden.mm_to_px([30, 57])).astype(int)
    assert hidden.rgb[y, x, 0] > hidden.rgb[y, x, 2] + 30
    blank = v.photograph_blank(mixed.size_mm, photo=mixed)
    assert blank.rgb[130:170, 180:220].max(axis=2).mean() > 200


def test_a_white_sheet_shows_the_light_that_lay_on_the_piece() -> None:
    piece = pressed(even(GREY, 120))
    photo = v.photograph(piece, scene=v.Scene(card_texture=0), pose=v.Pose(600, 450), camera=v.Camera(noise=0.003))
    blank = v.photograph_blank(piece.size_mm, photo=photo)
    mm = np.stack(np.meshgrid(np.arange(10.0, 120, 20), np.arange(10.0, 120, 20)), -1)
    px = np.round(blank.mm_to_px(mm)).astype(int)
    linear = cv2.blur(spectral.decode_srgb(blank.rgb / 255.0), (9, 9))[px[..., 1], px[..., 0], 1]
    ratio = linear / photo.lighting_at(mm)
    assert ratio.std() / ratio.mean() < 0.01


@pytest.mark.parametrize("shape", ["rect", "round"])
def test_a_glass_edge_frames_the_coat_and_leaves_the_middle_alone(shape: str) -> None:
    photos = []
    for rim in (0.0, 2.0):
        piece = pressed(even((255, 255, 255)), shape=shape, substrate=v.Substrate(rim_mm=rim), faults=plain())
        photos.append(v.photograph(piece, camera=v.Camera(gain=0.7, noise=0), pose=v.Pose(400, 300)))
    x, y = np.round(photos[1].mm_to_px([59.0, 30.0])).astype(int)
    assert photos[1].rgb[y, x].mean() < photos[0].rgb[y, x].mean() - 40
    x, y = np.round(photos[1].mm_to_px([54.0, 30.0])).astype(int)
    np.testing.assert_array_equal(photos[1].rgb[y, x], photos[0].rgb[y, x])


# --- files ----------------------------------------------------------------------------------------


def test_saved_photos_open_upright_with_their_profile(tmp_path) -> None:
    piece = pressed(even(GREY))
    pose = v.Pose(320, 240, shift_mm=(15, 5))
    photo = v.photograph(piece, camera=v.Camera(space="display-p3"), pose=pose)
    for orientation in range(1, 9):
        path = v.save_photo(photo, tmp_path / f"{orientation}.jpg", exif_orientation=orientation)
        with Image.open(path) as image:
            assert image.getexif()[274] == orientation
            upright = np.asarray(ImageOps.exif_transpose(image))
            profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        assert upright.shape == photo.rgb.shape
        assert np.abs(upright.astype(int) - photo.rgb).mean() < 3
        assert "p3" in ImageCms.getProfileDescription(profile).lower()


@pytest.mark.parametrize("space", ["srgb", "display-p3"])
def test_the_matrix_profiles_mean_what_they_say(space: str) -> None:
    # second opinion: LittleCMS
    profile = ImageCms.ImageCmsProfile(io.BytesIO(v.matrix_profile(space)))
    rgb = np.array([[[255, 255, 255], [128, 128, 128], [200, 60, 40], [30, 90, 180]]], np.uint8)
    to_lab = ImageCms.buildTransform(profile, ImageCms.createProfile("LAB"), "RGB", "LAB", 1)
    found = np.asarray(ImageCms.applyTransform(Image.fromarray(rgb), to_lab)).astype(int)[0]
    adapt = spectral.adaptation(spectral.D65_XYZ, spectral.D50_XYZ)
    lab = spectral.xyz_to_lab(spectral.decode_srgb(rgb[0] / 255.0) @ (adapt @ spectral.rgb_to_xyz(space)).T)
    np.testing.assert_allclose(found[:, 0] / 2.55, lab[:, 0], atol=0.7)
    np.testing.assert_allclose((found[:, 1:] + 128) % 256 - 128, lab[:, 1:], atol=1.0)


def test_scan_is_square_on_in_16_bit(tmp_path) -> None:
    piece = v.press_sheet(sheet(60), 8.0)
    scanned = v.scan(piece, dpi=200, rotation_deg=0.6)
    assert scanned.rgb.dtype == np.uint16
    truth = scanned.mm_to_px(np.array([[10.0, 10], [50, 10], [50, 50], [30, 30]]))
    assert np.hypot(*(truth[1] - truth[0])) == pytest.approx(40 / 25.4 * 200, rel=1e-6)
    grey = (scanned.rgb[..., 1] >> 8).astype(np.uint8)
    found = corners_near(grey, truth)
    assert np.hypot(*(found - truth).T).max() < 0.2
    path = v.save_photo(scanned, tmp_path / "scan.tif")
    back = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert back.dtype == np.uint16
    np.testing.assert_array_equal(back[..., ::-1], scanned.rgb)
    with Image.open(v.save_photo(scanned, tmp_path / "scan.png")) as image:
        assert round(image.info["dpi"][0]) == 200
