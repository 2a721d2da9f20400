"""What the commands `plan` and `record` do, apart from the words on the line: a plan chosen and its page, returned sheets taken up.

May import from every room below: study, designs, quality, bench, fits, virtual, window, store, plots, report.
"""

from doe.commands.choosing import Chosen, chosen_plan, write_check_page
from doe.commands.returned import Recorded, answers_from, recorded

__all__ = ["Chosen", "Recorded", "answers_from", "chosen_plan", "recorded", "write_check_page"]
