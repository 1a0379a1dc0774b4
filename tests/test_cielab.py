"""CIE formulae against published values and two independent libraries."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from colorcheck.ground import cielab

PAIRS = np.loadtxt(Path(__file__).parent / "data" / "ciede2000_pairs.txt")
LAB = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=1, max_dims=2, max_side=6).map(lambda s: (*s, 3)),
    elements=st.floats(-120, 120, allow_subnormal=False),
)
RGB = hnp.arrays(np.float64, (5, 3), elements=st.floats(-0.5, 2.0, allow_subnormal=False))


@pytest.fixture(scope="module")
def colour():
    """colour-science, with its change to numpy's print options undone."""
    before = np.get_printoptions()
    module = pytest.importorskip("colour")
    np.set_printoptions(**{k: v for k, v in before.items() if k != "override_repr"})
    return module


@pytest.fixture(scope="module")
def lab_samples():
    rng = np.random.default_rng(5)
    return np.column_stack([rng.uniform(0, 100, 3000), rng.uniform(-110, 110, (3000, 2))])


# ------------------------------------------------------------------------------------------------ CIEDE2000


@pytest.mark.parametrize("row", range(len(PAIRS)))
def test_published_pairs_both_ways_round(row):
    one, two, published = PAIRS[row, :3], PAIRS[row, 3:6], PAIRS[row, 6]
    assert cielab.delta_e00(one, two) == pytest.approx(published, abs=5.1e-5)
    assert cielab.delta_e00(two, one) == pytest.approx(published, abs=5.1e-5)


def test_all_34_pairs_are_there():
    assert PAIRS.shape == (34, 7)


def test_delta_e00_against_two_libraries(lab_samples, colour):
    skcolor = pytest.importorskip("skimage.color")
    one, two = lab_samples[:1500], lab_samples[1500:]
    ours = cielab.delta_e00(one, two)
    np.testing.assert_allclose(ours, colour.delta_E(one, two, method="CIE 2000"), atol=1e-9)
    np.testing.assert_allclose(ours, skcolor.deltaE_ciede2000(one, two), atol=1e-9)


def test_delta_e00_single_precision_is_enough(lab_samples):
    near = lab_samples + np.random.default_rng(1).normal(0, 2, lab_samples.shape)
    exact = cielab.delta_e00(lab_samples, near)
    single = cielab.delta_e00(lab_samples.astype(np.float32), near.astype(np.float32))
    assert single.dtype == np.float32
    np.testing.assert_allclose(single, exact, atol=2e-3)


def test_delta_e00_broadcasts():
    rng = np.random.default_rng(2)
    many, few = rng.uniform(0, 50, (4, 7, 3)), rng.uniform(0, 50, (7, 3))
    whole = cielab.delta_e00(many, few)
    assert whole.shape == (4, 7)
    assert whole[2, 3] == pytest.approx(cielab.delta_e00(many[2, 3], few[3]))
    assert cielab.delta_e00(many[:, None], few[None, 0]).shape == (4, 1, 7)


def test_delta_e00_of_lists_and_integers():
    assert cielab.delta_e00([50, 0, 0], [60, 0, 0]) == pytest.approx(cielab.delta_e00([50.0, 0, 0], [60.0, 0, 0]))


@given(LAB)
@settings(max_examples=60, deadline=None)
def test_equal_colours_do_not_differ(lab):
    np.testing.assert_array_equal(cielab.delta_e00(lab, lab), 0.0)


@given(LAB, st.floats(-3, 3), st.floats(-3, 3))
@settings(max_examples=60, deadline=None)
def test_delta_e00_is_symmetric_and_never_negative(lab, da, db):
    other = lab + np.array([1.0, da, db])
    forth, back = cielab.delta_e00(lab, other), cielab.delta_e00(other, lab)
    assert (forth >= 0).all()
    np.testing.assert_allclose(forth, back, atol=1e-7)


def test_nan_stays_nan():
    assert np.isnan(cielab.delta_e00([np.nan, 0, 0], [50, 0, 0]))


def test_delta_ch_ignores_lightness():
    assert cielab.delta_ch([10, 3, -1], [90, 0, 3]) == pytest.approx(5.0)


# --------------------------------------------------------------------------------------------- sRGB and XYZ


def test_transfer_function_published_constants():
    # IEC 61966-2-1:1999: 0.04045, 0.0031308, 12.92, 1.055, 2.4 (constants from memory, checked below).
    assert cielab.srgb_to_linear(0.04045) == pytest.approx(0.04045 / 12.92, abs=1e-12)
    assert cielab.srgb_to_linear(0.5) == pytest.approx(((0.5 + 0.055) / 1.055) ** 2.4, abs=1e-12)
    assert cielab.linear_to_srgb(0.0031308) == pytest.approx(0.0031308 * 12.92, abs=1e-12)
    np.testing.assert_array_equal(cielab.srgb_to_linear([0.0, 1.0]), [0.0, 1.0])
    # The two pieces meet to the rounding of the published constants.
    assert cielab.srgb_to_linear(0.0404501) - cielab.srgb_to_linear(0.0404499) < 1e-6


def test_transfer_function_against_colour_science(colour):
    v = np.linspace(0, 1, 4097)
    np.testing.assert_allclose(cielab.srgb_to_linear(v), colour.models.eotf_sRGB(v), atol=1e-12)
    np.testing.assert_allclose(cielab.linear_to_srgb(v), colour.models.eotf_inverse_sRGB(v), atol=1e-12)


@given(RGB)
@settings(max_examples=80, deadline=None)
def test_transfer_function_round_trip(rgb):
    np.testing.assert_allclose(cielab.linear_to_srgb(cielab.srgb_to_linear(rgb)), rgb, atol=4e-8)


@given(RGB)
@settings(max_examples=80, deadline=None)
def test_transfer_function_is_odd(rgb):
    np.testing.assert_array_equal(cielab.srgb_to_linear(-rgb), -cielab.srgb_to_linear(rgb))


@given(st.lists(st.floats(-1, 2), min_size=2, max_size=2, unique=True).map(sorted))
@settings(max_examples=80, deadline=None)
def test_transfer_function_never_falls(pair):
    low, high = cielab.srgb_to_linear(np.array(pair))
    assert low <= high


def test_bradford_matrix_published():
    # D65 to D50 as commonly tabulated for the Bradford transform to seven places;
    # value from memory. D65 there is (0.95047, 1, 1.08883), D50 (0.96422, 1, 0.82521).
    published = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    ours = cielab.bradford_matrix([0.95047, 1, 1.08883], [0.96422, 1, 0.82521])
    np.testing.assert_allclose(ours, published, atol=2e-6)


def test_bradford_against_colour_science(colour):
    rng = np.random.default_rng(3)
    xyz = rng.uniform(0, 1, (50, 3))
    ours = xyz @ cielab.bradford_matrix(cielab.D65_WHITE, cielab.D50_WHITE).T
    theirs = colour.adaptation.chromatic_adaptation_VonKries(
        xyz, cielab.D65_WHITE, cielab.D50_WHITE, transform="Bradford"
    )
    np.testing.assert_allclose(ours, theirs, atol=1e-12)


def test_srgb_matrix_against_published_profile_columns():
    # Colorants of the common sRGB profiles under D50 (values from memory, rounded to four places).
    published = [[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]]
    np.testing.assert_allclose(cielab.SRGB_TO_XYZ_D50, published, atol=1.1e-4)


def test_rgb_to_xyz_against_colour_science(colour):
    theirs = colour.models.normalised_primary_matrix(cielab.SRGB_PRIMARIES, np.array([0.3127, 0.3290]))
    np.testing.assert_allclose(cielab.rgb_to_xyz_matrix(cielab.SRGB_PRIMARIES, cielab.D65_WHITE), theirs, atol=1e-12)


def test_white_goes_to_white():
    np.testing.assert_allclose(cielab.linear_srgb_to_xyz([1.0, 1, 1]), cielab.D50_WHITE, atol=1e-14)
    lab = cielab.xyz_to_lab(cielab.linear_srgb_to_xyz(np.full((4, 3), 0.18)))
    np.testing.assert_allclose(lab[:, 1:], 0.0, atol=1e-11)


@given(RGB)
@settings(max_examples=80, deadline=None)
def test_rgb_xyz_lab_round_trip(rgb):
    lab = cielab.xyz_to_lab(cielab.linear_srgb_to_xyz(rgb))
    np.testing.assert_allclose(cielab.xyz_to_linear_srgb(cielab.lab_to_xyz(lab)), rgb, atol=1e-12)


@given(LAB)
@settings(max_examples=80, deadline=None)
def test_lab_xyz_round_trip(lab):
    np.testing.assert_allclose(cielab.xyz_to_lab(cielab.lab_to_xyz(lab)), lab, atol=1e-9)


def test_lab_against_colour_science(colour):
    xyz = np.random.default_rng(4).uniform(0, 1.1, (500, 3))
    xyz[:50] *= 0.01  # the straight part
    w = cielab.D50_WHITE
    theirs = colour.XYZ_to_Lab(xyz, np.array([w[0], w[1]]) / w.sum())
    np.testing.assert_allclose(cielab.xyz_to_lab(xyz), theirs, atol=1e-10)


def test_lab_against_scikit_image():
    skcolor = pytest.importorskip("skimage.color")
    xyz = np.random.default_rng(6).uniform(0.01, 1.0, (200, 3))
    white = skcolor.xyz_tristimulus_values(illuminant="D50", observer="2")
    theirs = skcolor.xyz2lab(xyz, illuminant="D50", observer="2")
    np.testing.assert_allclose(cielab.xyz_to_lab(xyz, white), theirs, atol=1e-4)  # its 7.787 is rounded


def test_srgb_to_lab_against_scikit_image_with_adaptation():
    # rgb2lab(illuminant="D50") does not adapt; under D65 without adaptation greys and lightness agree.
    skcolor = pytest.importorskip("skimage.color")
    v = np.repeat(np.linspace(0, 1, 33)[:, None], 3, axis=1)
    ours = cielab.xyz_to_lab(cielab.linear_srgb_to_xyz(cielab.srgb_to_linear(v)))
    theirs = skcolor.rgb2lab(v[None], illuminant="D65")[0]
    np.testing.assert_allclose(ours[:, 0], theirs[:, 0], atol=2e-3)


def test_hue_range():
    a, b = np.array([[0, 0], [1, -1e-20], [0, -1], [-1, 0]], float).T
    np.testing.assert_allclose(cielab._hue(b, a), [0, 0, 270, 180])


# ------------------------------------------------------------------------------------- density, black point


def test_density_by_definition():
    np.testing.assert_allclose(cielab.density_from_y([1.0, 0.1, 0.005], 0.5), np.log10([0.5, 5, 100]))
    assert cielab.density_from_y(0.8, 0.8) == 0.0


def test_density_of_no_light_is_flagged_not_hidden():
    density = cielab.density_from_y([0.0, -0.01], 1.0)
    assert np.isposinf(density[0])
    assert np.isnan(density[1])


@given(st.floats(0.01, 100))
@settings(max_examples=60, deadline=None)
def test_density_from_lightness_agrees_with_density_from_y(lightness):
    y = cielab.lab_to_xyz([lightness, 0.0, 0.0])[1]
    assert cielab.density_from_lightness(lightness) == pytest.approx(cielab.density_from_y(y, 1.0), abs=1e-9)


def test_density_from_lightness_published_form():
    # D = -3 log10((L* + 16) / 116) for L* > 8 follows from CIE 15; L* 50 is Y = 0.18419, D = 0.7347.
    assert cielab.density_from_lightness(50.0) == pytest.approx(0.7347, abs=5e-5)
    assert cielab.density_from_lightness(100.0) == 0.0


def test_black_point_ends_and_line():
    black = cielab.lab_to_xyz([18.0, 0.0, 0.0])
    xyz = np.stack([np.zeros(3), cielab.D50_WHITE, 0.5 * cielab.D50_WHITE])
    out = cielab.black_point_compensate(xyz, black)
    np.testing.assert_allclose(out[:2], [black, cielab.D50_WHITE], atol=1e-14)
    np.testing.assert_allclose(out[2], 0.5 * (black + cielab.D50_WHITE), atol=1e-14)
    back = cielab.black_point_compensate(out, np.zeros(3), source_black_xyz=black)
    np.testing.assert_allclose(back, xyz, atol=1e-12)


def test_black_point_keeps_neutrals_neutral():
    grey = np.linspace(0, 1, 11)[:, None] * cielab.D50_WHITE
    lab = cielab.xyz_to_lab(cielab.black_point_compensate(grey, cielab.lab_to_xyz([20.0, 0, 0])))
    np.testing.assert_allclose(lab[:, 1:], 0.0, atol=1e-10)
    assert (np.diff(lab[:, 0]) > 0).all()


# -------------------------------------------------------------------------------------------------- manners

ONE_ARRAY = [
    cielab.srgb_to_linear,
    cielab.linear_to_srgb,
    cielab.linear_srgb_to_xyz,
    cielab.xyz_to_linear_srgb,
    cielab.xyz_to_lab,
    cielab.lab_to_xyz,
    cielab.density_from_lightness,
]


@pytest.mark.parametrize("function", ONE_ARRAY, ids=lambda f: f.__name__)
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_type_kept_and_argument_untouched(function, dtype):
    values = np.random.default_rng(7).uniform(0.1, 0.9, (4, 5, 3)).astype(dtype)
    before = values.copy()
    values.flags.writeable = False
    assert function(values).dtype == dtype
    np.testing.assert_array_equal(values, before)


def test_import_needs_numpy_only():
    code = (
        "import sys, colorcheck.ground.cielab as c; "
        "print([m for m in ('scipy', 'cv2', 'PIL', 'colour', 'skimage') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
