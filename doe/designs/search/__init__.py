"""The search for optimal plans, at array level: regions, moves, compiled kernels, chains of searches and the continuous design.

Arrays only: imports numpy, scipy and (late) numba, nothing of the other rooms.
"""
