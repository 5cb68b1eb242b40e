"""Colours of our own choosing, told apart by colour-blind readers, never the sole carrier.

A test simulates the three kinds of colour blindness and holds the distances.
"""

from __future__ import annotations

import numpy as np
from matplotlib.colors import LinearSegmentedColormap, to_rgb

INK = "#1c2b36"
QUIET = "#5a6772"
LINE = "#c9d0d4"
PAPER = "#ffffff"
TEAL = "#0b6b67"
OCHRE = "#b86a00"
PLUM = "#6b3a78"
SKY = "#5aa9d6"
RUST = "#9c2f1f"
SAND = "#d8c48a"

#: In the order in which series take them; each also gets its own line style.
SERIES = (TEAL, OCHRE, PLUM, SKY, RUST, SAND, INK)
DASHES = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (7, 2, 1.5, 2)), (0, (3, 1.5)),
          (0, (9, 1.5, 1, 1.5, 1, 1.5)), (0, (1, 3)))

_RAMP_LIGHT = (0.96, 0.02, 95.0)
_RAMP_DARK = (0.36, 0.10, 195.0)


def ramp_colours(steps: int) -> list[str]:
    """Return `steps` colours from light sand to dark teal, evenly spaced in perceived lightness.

    Lightness, chroma and hue go in straight lines in Oklab's polar form.

    References
    ----------
    Ottosson (2020), A perceptual color space for image processing (Oklab), whose matrices these
    are.
    """
    share = np.linspace(0.0, 1.0, steps)[:, None]
    points = np.array(_RAMP_LIGHT) * (1 - share) + np.array(_RAMP_DARK) * share
    light, chroma, hue = points[:, 0], points[:, 1], np.radians(points[:, 2])
    rgb = _oklab_to_srgb(np.column_stack([light, chroma * np.cos(hue), chroma * np.sin(hue)]))
    return ["#" + "".join(f"{round(float(v) * 255):02x}" for v in row) for row in rgb]


def ink_on(colour: tuple[float, float, float, float]) -> str:
    """Return the dark or the white ink, whichever stands out more from a background.

    References
    ----------
    W3C, Web Content Accessibility Guidelines 2.2, relative luminance and contrast ratio.

    Examples
    --------
    >>> ink_on((1.0, 1.0, 1.0, 1.0)) == INK, ink_on((0.0, 0.2, 0.2, 1.0)) == PAPER
    (True, True)
    """
    def luminance(rgb: tuple[float, ...]) -> float:
        v = np.array(rgb[:3])
        linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    back, dark = luminance(colour), luminance(to_rgb(INK))
    return INK if (back + 0.05) / (dark + 0.05) >= 1.05 / (back + 0.05) else PAPER


def ramp() -> LinearSegmentedColormap:
    """Return the ramp as a matplotlib colour map."""
    return LinearSegmentedColormap.from_list("rehit_ramp", ramp_colours(33))


def _oklab_to_srgb(lab: np.ndarray) -> np.ndarray:
    to_lms = np.array([[1.0, 0.3963377774, 0.2158037573],
                       [1.0, -0.1055613458, -0.0638541728],
                       [1.0, -0.0894841775, -1.2914855480]])
    to_rgb = np.array([[4.0767416621, -3.3077115913, 0.2309699292],
                       [-1.2684380046, 2.6097574011, -0.3413193965],
                       [-0.0041960863, -0.7034186147, 1.7076147010]])
    linear = np.clip((lab @ to_lms.T) ** 3 @ to_rgb.T, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
