"""Robust fits and polynomial terms, against numpy and scipy."""

from __future__ import annotations

import numpy as np
import pytest

from colorcheck.ground.robust import legendre, polynomial_terms, robust_least_squares


@pytest.mark.parametrize("degree", [1, 2, 3, 4, 7])
def test_legendre_polynomials_are_numpys(degree: int) -> None:
    """Abramowitz & Stegun, *Handbook of Mathematical Functions*, 22.7.10, as numpy evaluates it."""
    x = np.linspace(-1, 1, 101)
    ours = np.stack(legendre(x, degree), axis=-1)
    np.testing.assert_allclose(ours, np.polynomial.legendre.legvander(x, degree), atol=1e-14)
    narrow = legendre(x.astype(np.float32), degree)
    assert all(row.dtype == np.float32 for row in narrow)
    np.testing.assert_allclose(np.stack(narrow, axis=-1), ours, atol=2e-6)


def test_polynomial_terms_are_all_products_up_to_the_degree() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-1, 1, (2, 40))
    terms = polynomial_terms(x, y, 2)
    other = [np.ones(40), y, x, 1.5 * y * y - 0.5, x * y, 1.5 * x * x - 0.5]
    np.testing.assert_allclose(terms, np.stack(other, axis=-1), atol=1e-14)


def test_a_robust_fit_without_outliers_is_the_plain_one_and_outliers_hardly_move_it() -> None:
    rng = np.random.default_rng(2)
    a = np.column_stack([np.ones(200), rng.uniform(-1, 1, (200, 2))])
    truth = np.array([0.3, -1.0, 2.0])
    b = a @ truth + rng.normal(0, 0.01, 200)
    weights = rng.uniform(0.5, 2.0, 200)
    x, robust, scale = robust_least_squares(a, b, weights=weights)
    plain = np.linalg.lstsq(a * np.sqrt(weights)[:, None], b * np.sqrt(weights), rcond=None)[0]
    np.testing.assert_allclose(x, plain, atol=0.002)
    assert 0.007 < scale < 0.014
    wild = b.copy()
    wild[:40] += 5.0
    moved, robust, _ = robust_least_squares(a, wild, weights=weights)
    np.testing.assert_allclose(moved, truth, atol=0.01)
    assert robust[:40].max() == 0.0
    assert np.median(robust[40:]) > 0.8
