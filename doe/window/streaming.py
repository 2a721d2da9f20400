"""More draws than are held at once: drawn piece by piece, counted, and let go; large tables shared out among workers elsewhere.

A piece is drawn by its number alone and settings are counted in blocks of one size, so that neither the order nor who does it has a say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from doe.study.workers import offered, shared_out
from doe.window.chance import Draws
from doe.window.counting import HELD, Tally
from doe.window.folding import Floats, Terms

PIECE = 1 << 16  # draws held at once; no default asks for as many
FAR = 1 << 28  # settings times draws, below which they are counted here whatever workers are offered


class Streamed:
    """Draws in pieces of bounded size, each made anew whenever it is asked for; only the last one is kept.

    Parameters
    ----------
    piece : callable
        Gives the draws of a piece by its number and size.
    draws : int
        How many there are in all.
    """

    def __init__(self, piece: Callable[[int, int], Draws], draws: int) -> None:
        self._piece, self.draws = piece, draws
        self._last: tuple[int, Draws] | None = None

    def __getstate__(self) -> dict[str, Any]:
        """A worker elsewhere draws for itself: sending takes longer."""
        return self.__dict__ | {"_last": None}

    @property
    def pieces(self) -> int:
        """How many pieces there are."""
        return -(-self.draws // PIECE)

    def piece(self, number: int) -> Draws:
        """The draws of one piece."""
        last = self._last
        if last is None or last[0] != number:
            self._last = None  # before the next one is made: two of them need not be held
            last = self._last = (number, self._piece(number, min(PIECE, self.draws - number * PIECE)))
        return last[1]


def pieces_of(draws: Draws | Streamed) -> int:
    """How many pieces draws come in."""
    return draws.pieces if isinstance(draws, Streamed) else 1


def piece_of(draws: Draws | Streamed, number: int) -> Draws:
    """One piece of them."""
    return draws.piece(number) if isinstance(draws, Streamed) else draws


def counted(Z: Floats, monomials: Terms, onto: Floats, draws: Draws | Streamed, each: bool = False) -> Tally:
    """Count the draws inside every limit at given settings; arguments as for `Tally`.

    Where a `joblib.parallel_config` offers workers and there is much to count, they count blocks of settings on pieces of the draws.
    """
    tally = Tally(Z, monomials, onto, each)
    blocks, pieces = -(-len(Z) // HELD), pieces_of(draws)
    if blocks * pieces == 1 or len(Z) * draws.draws < FAR or offered() == 1:
        for number in range(pieces):
            tally.add(piece_of(draws, number))
        return tally
    found: dict[int, float] = {}
    # one piece after the other, so that a worker often goes on with the piece that it has
    places = [(number, block * HELD) for number in range(pieces) for block in range(blocks)]
    tasks = _Blocks(Z, places)
    for place, (counts, size, effective) in shared_out("probability", _Counting(monomials, onto, draws, each), tasks):
        number, first = places[place]
        tally.put(first, counts)
        found.setdefault(number, effective)
        tally.draws += size if first == 0 else 0
    tally.effective = float(sum(found[number] for number in range(pieces)))
    return tally


class _Blocks(Sequence[tuple[int, Floats]]):
    """Tasks made as they are sent: the settings of every block once would be as many copies as there are pieces."""

    def __init__(self, Z: Floats, places: list[tuple[int, int]]) -> None:
        self._Z, self._places = Z, places

    def __len__(self) -> int:
        return len(self._places)

    @overload
    def __getitem__(self, place: int) -> tuple[int, Floats]: ...
    @overload
    def __getitem__(self, place: slice) -> list[tuple[int, Floats]]: ...
    def __getitem__(self, place: int | slice) -> Any:
        if isinstance(place, slice):
            return [self[k] for k in range(len(self))[place]]
        number, first = self._places[place]
        return number, np.ascontiguousarray(self._Z[first : first + HELD])


@dataclass(frozen=True)
class _Counting:
    """Counts one block of settings on one piece of the draws."""

    monomials: Terms
    onto: Floats
    draws: Draws | Streamed
    each: bool

    def __call__(self, task: tuple[int, Floats]) -> tuple[NDArray[np.int64], int, float]:
        """Counts, how many draws there were, and what they are worth."""
        number, Z = task
        tally = Tally(Z, self.monomials, self.onto, self.each).add(piece_of(self.draws, number))
        return tally.counts, tally.draws, tally.effective
