"""Deciding: chance of meeting every specification, the best setting, and the ranges that hold.

May import study, designs, quality, bench, fits and virtual.
"""

from doe.window.cheapening import Cheapest, cheapest
from doe.window.compromise import Compromise, desirability
from doe.window.confirming import Confirmation, Verdict, confirm
from doe.window.finding import find_window
from doe.window.rehearsal import Rehearsal, rehearse
from doe.window.result import Window
from doe.window.sharpening import next_batches

__all__ = [
    "Cheapest",
    "Compromise",
    "Confirmation",
    "Rehearsal",
    "Verdict",
    "Window",
    "cheapest",
    "confirm",
    "desirability",
    "find_window",
    "next_batches",
    "rehearse",
]
