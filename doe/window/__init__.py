"""Deciding: chance of meeting every specification, the best setting, and the ranges that hold.

May import study, designs, quality, bench, fits and virtual.
"""

from doe.window.finding import find_window
from doe.window.result import Window

__all__ = ["Window", "find_window"]
