"""The few colours there are can be read and told apart, also by those who see red and green alike."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from django.conf import settings

SHEET = Path(settings.BASE_DIR) / "reports/static/reports/almanac.css"
LEAST_CONTRAST = 4.5  # WCAG 2.2, 1.4.3, for text
LEAST_OF_MARKS = 3.0  # WCAG 2.2, 1.4.11, for what is drawn
# Far beyond what the eye just tells apart in CIE 1976 L*a*b*: 2.3, Mahy et al. 1994, from memory, unverified.
CLEARLY_APART = 20.0

# Machado, Oliveira, Fernandes 2009, severity 1.0, on linear RGB; from memory of its table, unverified.
# The rows add to one, as they must for white to stay white.
SEEN = {
    "by most": np.eye(3),
    "with protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "with deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
}


def palette(night: bool) -> dict[str, np.ndarray]:
    """The colours of the day, or those of the night, as linear RGB."""
    blocks = re.findall(r":root \{(.*?)\}", SHEET.read_text(), re.DOTALL)
    found: dict[str, str] = {}
    for block in blocks[: 2 if night else 1]:
        found |= dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))
    return {name: linear(code) for name, code in found.items()}


def linear(code: str) -> np.ndarray:
    """sRGB to linear RGB, IEC 61966-2-1."""
    part = np.array([int(code[n : n + 2], 16) / 255 for n in (1, 3, 5)])
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def luminance(rgb: np.ndarray) -> float:
    return float(np.array([0.2126, 0.7152, 0.0722]) @ np.clip(rgb, 0, 1))


def contrast(one: np.ndarray, other: np.ndarray) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* for the white D65 of sRGB."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    part = to_xyz @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(part > (6 / 29) ** 3, np.cbrt(part), part / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("seen", SEEN)
@pytest.mark.parametrize("night", [False, True], ids=["by day", "by night"])
def test_text_and_marks_stand_out_from_what_they_lie_on(seen, night):
    colours = {name: SEEN[seen] @ rgb for name, rgb in palette(night).items()}
    for ink, ground in product(("ink", "quiet", "accent"), ("paper", "tint")):
        assert contrast(colours[ink], colours[ground]) >= LEAST_CONTRAST, (ink, ground)
    assert contrast(colours["damp"], colours["paper"]) >= LEAST_OF_MARKS


@pytest.mark.parametrize("seen", SEEN)
@pytest.mark.parametrize("night", [False, True], ids=["by day", "by night"])
def test_dry_and_damp_are_told_apart_and_both_from_the_ink(seen, night):
    colours = {name: lab(SEEN[seen] @ rgb) for name, rgb in palette(night).items()}
    for one, other in (("accent", "damp"), ("accent", "ink"), ("damp", "ink")):
        assert float(np.linalg.norm(colours[one] - colours[other])) >= CLEARLY_APART, (one, other)


def test_a_white_sheet_stays_white_to_everybody():
    for matrix in SEEN.values():
        assert matrix @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-5)


def test_colours_are_named_in_one_place():
    """Only paper, which is white, and what is drawn as it is in the world have colours of their own."""
    elsewhere = [
        path.name
        for folder in ("fleet", "scheduling", "reports")
        for path in (Path(settings.BASE_DIR) / folder / "static").rglob("*.css")
        if path != SHEET and path.name not in {"print.css", "labels.css", "doors.css", "week.css"}
        if re.search(r"#[0-9a-f]{3,8}\b", re.sub(r"url\([^)]*\)", "", path.read_text()))
    ]
    assert elsewhere == []
