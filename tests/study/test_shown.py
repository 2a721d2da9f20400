"""How figures are written where they are shown."""

import pytest

from doe.study.shown import chance_text


@pytest.mark.parametrize(
    ("chance", "places", "text"),
    [
        (0.98764, 4, "0.9876"),
        (0.98764, 3, "0.988"),
        (0.99994, 4, "0.9999"),
        (0.99996, 4, "more than 0.9999"),  # would round to 1, which no share of draws can show
        (1.0, 2, "more than 0.99"),
        (0.00004, 4, "less than 0.0001"),
        (0.0, 3, "less than 0.001"),
        (0.0006, 3, "0.001"),
    ],
)
def test_a_chance_is_never_rounded_to_0_or_1(chance, places, text):
    assert chance_text(chance, places) == text
