"""The laboratory: run sheets out, records in.

Floor 3: imports study and designs, nothing above; not quality, its neighbour.
"""

from doe.bench.records import Records
from doe.bench.sheets import read_sheet, write_sheet
from doe.bench.tables import read_table

__all__ = ["Records", "read_sheet", "read_table", "write_sheet"]
