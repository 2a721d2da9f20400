"""How good a plan is before anyone weighs anything: what it can tell apart, what change it would see, how precise it is where.

May import from study and designs only.
"""
