"""The palette, as people with other eyes see it."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from shaping.report.figures.style import DARK, LIGHT

ROLES = ("ink", "thinning", "feedback", "ring")

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model for simulation
# of color vision deficiency", IEEE TVCG 15(6), 2009: matrices of severity 1.0 (from memory).
EYES = {
    "typical": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}
# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ (D65).
XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)


def linear(colour):
    c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    x = XYZ @ np.clip(rgb, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(x > 216 / 24389, np.cbrt(x), (24389 / 27 * x + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a, b):
    """WCAG 2.2, contrast ratio."""
    dark, light = sorted((XYZ[1] @ linear(a), XYZ[1] @ linear(b)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("eye", EYES)
def test_roles_differ_for_every_eye(colours, eye):
    for a, b in itertools.combinations(ROLES, 2):
        seen = [lab(EYES[eye] @ linear(getattr(colours, role))) for role in (a, b)]
        assert np.linalg.norm(seen[0] - seen[1]) > 14, (a, b)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_roles_differ_in_greyscale(colours):
    for a, b in itertools.combinations(ROLES, 2):
        greys = [lab(linear(getattr(colours, role)))[0] for role in (a, b)]
        assert abs(greys[0] - greys[1]) > 8, (a, b)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_with_the_paper(colours):
    """Source of the limits: WCAG 2.2, 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1)."""
    for role in ("ink", "quiet"):
        assert contrast(getattr(colours, role), colours.paper) >= 4.5, role
    for role in ("thinning", "feedback", "ring", "good"):
        assert contrast(getattr(colours, role), colours.paper) >= 3.0, role


def test_no_two_roles_share_a_colour():
    """A page swaps each light colour for the theme's by its value."""
    values = [getattr(LIGHT, name) for name in LIGHT.__dataclass_fields__]
    assert len(set(values)) == len(values)
