import math

import pytest

from sidetap.errors import BadInput
from sidetap.panel import Screen


def test_a_declared_screen_of_15_6_inches_is_345_mm_wide() -> None:
    # a 16:9 rectangle by Pythagoras: width = diagonal × 16 / √(16² + 9²)
    width_mm = 15.6 * 25.4 * 16 / math.sqrt(337)
    assert Screen.parse("15.6 in").px_per_mm == pytest.approx(1920 / width_mm, rel=1e-9)


def test_twice_the_screen_has_half_the_pixels_to_a_millimetre() -> None:
    assert Screen.parse("31.2 in").px_per_mm == pytest.approx(Screen.parse("15.6 in").px_per_mm / 2, rel=1e-9)


@pytest.mark.parametrize("text", ["0 in", "-3 in"])
def test_a_screen_without_a_size_is_refused(text: str) -> None:
    with pytest.raises((ValueError, BadInput)):
        Screen.parse(text)


def test_the_stylesheet_carries_the_scale() -> None:
    assert Screen.parse("15.6 in").stylesheet() == ":root { --mm: 5.559527px; }\n"
