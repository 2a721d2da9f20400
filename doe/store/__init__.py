"""Keeping: studies, plans, records, recipes and results in a database, with their history.

May import from every room below: study, designs, quality, bench, fits, virtual, window.
"""

from doe.store.contents import Kept
from doe.store.keeping import Store
from doe.store.results import History, Saved

__all__ = ["History", "Kept", "Saved", "Store"]
