"""A picture of the wrong thing is refused in one sentence, before anything is drawn."""

import pytest

from doe import StudyError, plots


@pytest.mark.parametrize(
    "name",
    [
        *("factor_effects", "main_effects", "interactions", "residuals", "making_order", "contours"),
        *("traces", "ternary_response"),
    ],
)
def test_only_a_fit_is_drawn(name):
    words = ("a", "b") if name == "contours" else ()
    with pytest.raises(StudyError) as caught:
        getattr(plots, name)(3, *words)
    assert (
        str(caught.value)
        == f"plots.{name}: fit is 'int' but must be a Fit: give one of doe.fit_all's: fits['viscosity']."
    )


@pytest.mark.parametrize("name", ["probability_map", "probability_by_response"])
def test_only_a_window_is_drawn(name):
    with pytest.raises(StudyError) as caught:
        getattr(plots, name)(None, "a", "b")
    assert (
        str(caught.value)
        == f"plots.{name}: win is 'NoneType' but must be a Window: make it with doe.find_window(fits)."
    )
