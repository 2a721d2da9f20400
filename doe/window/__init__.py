"""Deciding: chance of meeting every specification, the best setting, and the ranges that hold.

May import study, designs, quality, bench, fits and virtual.
"""

from doe.window.compromise import Compromise, desirability
from doe.window.confirming import Confirmation, Verdict, confirm
from doe.window.finding import find_window
from doe.window.rehearsal import Rehearsal, rehearse
from doe.window.result import Window

__all__ = [
    "Compromise",
    "Confirmation",
    "Rehearsal",
    "Verdict",
    "Window",
    "confirm",
    "desirability",
    "find_window",
    "rehearse",
]
