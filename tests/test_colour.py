"""Colour against the published CIEDE2000 test pairs, colour-science and scikit-image."""

from __future__ import annotations

import ast
import inspect
import warnings

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, lab2rgb, rgb2lab

from grainmatch.colour import delta_e_2000, lab_to_linear, linear_to_srgb, srgb_to_lab, srgb_to_linear


def published_pairs() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The 34 pairs of Sharma, Wu & Dalal (2005), table 1, as colour-science carries them in its own test.

    Read from that test's source, for it keeps them inside a function: three arrays of numbers. It keeps
    the 14th pair as a comment only, because platforms round its hue differently; it is added back here.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns about packages for plots that it does not find
        from colour.difference.tests import test_delta_e

    source = inspect.getsource(test_delta_e)
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and node.name == "test_delta_E_CIE2000_Sharma2004":
            arrays = []
            for call in ast.walk(node):
                if isinstance(call, ast.Call) and getattr(call.func, "attr", "") == "array":
                    arrays.append(np.array(ast.literal_eval(call.args[0]), dtype=np.float64))
            first, second = (a for a in arrays if a.ndim == 2)
            differences = next(a for a in arrays if a.ndim == 1)
            if len(differences) == 33:
                first = np.insert(first, 13, [50.0, -0.0010, 2.4900], axis=0)
                second = np.insert(second, 13, [50.0, 0.0010, -2.4900], axis=0)
                differences = np.insert(differences, 13, 4.8045)
            return first, second, differences
    raise AssertionError("colour-science has moved the published pairs")


def test_ciede2000_gives_the_published_differences() -> None:
    first, second, differences = published_pairs()
    assert len(differences) == 34
    np.testing.assert_allclose(delta_e_2000(first, second), differences, atol=5e-5)


@pytest.mark.parametrize(
    ("lab_1", "lab_2", "difference"),
    [
        # First and last row of table 1, typed from the paper's values as a guard on the reading above.
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_ciede2000_on_rows_typed_by_hand(lab_1, lab_2, difference) -> None:  # type: ignore[no-untyped-def]
    assert delta_e_2000(np.array(lab_1), np.array(lab_2)) == pytest.approx(difference, abs=5e-5)


def test_ciede2000_is_symmetric_and_zero_on_itself() -> None:
    first, second, _ = published_pairs()
    np.testing.assert_allclose(delta_e_2000(first, second), delta_e_2000(second, first), atol=1e-12)
    np.testing.assert_allclose(delta_e_2000(first, first), 0, atol=1e-12)


def test_lab_and_its_differences_agree_with_scikit_image() -> None:
    rgb = np.random.default_rng(1).integers(0, 256, (60, 60, 3), dtype=np.uint8)
    ours, theirs = srgb_to_lab(rgb), rgb2lab(rgb)
    np.testing.assert_allclose(ours, theirs, atol=2e-3)
    their_difference = deltaE_ciede2000(theirs[:30], theirs[30:])  # type: ignore[no-untyped-call]
    assert np.abs(delta_e_2000(theirs[:30], theirs[30:]) - their_difference).max() < 1e-4


def test_lab_goes_back_to_the_same_srgb() -> None:
    rgb = np.random.default_rng(2).integers(0, 256, (500, 3), dtype=np.uint8)
    lab = rgb2lab(rgb[None])[0]
    back = linear_to_srgb(lab_to_linear(lab))
    assert np.abs(back.astype(int) - rgb).max() <= 1
    theirs = np.rint(lab2rgb(lab[None])[0] * 255)
    assert np.abs(back - theirs).max() <= 1


def test_every_grey_level_survives_linear_light() -> None:
    levels = np.arange(256, dtype=np.uint8)
    np.testing.assert_array_equal(linear_to_srgb(srgb_to_linear(levels)), levels)
