"""Colours that colour-blind readers can tell apart, and a ramp that is even to the eye."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from rehit.report.figures import DASHES, INK, PAPER, SERIES, ramp_colours

# Machado, Oliveira and Fernandes 2009, IEEE TVCG 15:1291, severity 1.0 (from memory; rows sum to 1)
BLINDNESS = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}


def _linear(colour: str) -> np.ndarray:
    v = np.array(to_rgb(colour))
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _lab(linear: np.ndarray) -> np.ndarray:
    """CIELAB (CIE 15) of linear sRGB, D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                    [0.0193, 0.1192, 0.9505]]) @ np.clip(linear, 0, 1)
    t = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("kind", ["normal", *BLINDNESS])
def test_series_can_be_told_apart(kind: str) -> None:
    matrix = np.array(BLINDNESS.get(kind, np.eye(3)))
    np.testing.assert_allclose(matrix.sum(axis=1), 1, atol=2e-6)
    labs = [_lab(matrix @ _linear(c)) for c in SERIES[:5]]
    gaps = [np.linalg.norm(a - b) for a, b in itertools.combinations(labs, 2)]
    assert min(gaps) > 11


def test_colour_is_never_the_sole_carrier() -> None:
    assert len(set(map(str, DASHES))) == len(DASHES) == len(SERIES)


@pytest.mark.parametrize("kind", ["normal", *BLINDNESS])
def test_ramp_darkens_in_even_steps_for_every_eye(kind: str) -> None:
    matrix = np.array(BLINDNESS.get(kind, np.eye(3)))
    lightness = np.array([_lab(matrix @ _linear(c))[0] for c in ramp_colours(9)])
    steps = -np.diff(lightness)
    assert (steps > 0).all()
    assert steps.max() / steps.min() < 1.6


def _contrast(a: str, b: str) -> float:
    """Contrast ratio of WCAG 2.2."""
    light, dark = sorted((float(np.dot([0.2126, 0.7152, 0.0722], _linear(c))) for c in (a, b)),
                         reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_text_meets_wcag_contrast() -> None:
    assert _contrast(INK, PAPER) > 7
    for colour in ("#4f5c66", "#0b6b67", "#8f5200"):
        assert _contrast(colour, "#f4f2ec") > 4.5
