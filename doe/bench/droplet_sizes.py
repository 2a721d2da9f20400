"""Droplet sizes: the mean sizes and percentiles of counted droplets, with the error that the count leaves, for one sample of one batch."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from doe.bench.grids import letters, read_grids
from doe.bench.intake import SPLIT
from doe.bench.numerals import DoubtError, decimal_mark, is_blank, number_from
from doe.bench.problems import COLUMNS, Problems, cell_text
from doe.study import Section, Shown, StudyError
from doe.study.factors import as_number
from doe.study.shown import number_text

Floats = NDArray[np.float64]

WEIGHTS = {"number": 0, "volume": 3}  # r of ISO 9276: the power of the diameter by which a droplet counts
PERCENTS = (10, 50, 90)
ENOUGH = 200  # droplets, below which percentiles and d32 are rough (common practice, no source)
HEAVY = (
    0.1  # share of the volume in the largest droplet beyond which it decides the volume-weighted figures (our choice)
)
MICROMETRES = {"µm": 1.0, "um": 1.0, "μm": 1.0, "micron": 1.0, "microns": 1.0, "mm": 1000.0, "nm": 0.001}
HEADS = ("diameter", "diameters", "droplet diameter", "droplet size", "size", "d")
MOST_DIAMETER = 20_000.0  # µm: no droplet of a suspension under the microscope


@dataclass(frozen=True, repr=False, eq=False)
class DropletSizes(Shown):
    """Sizes of the droplets counted in one sample, in µm.

    Made by `droplets` or `read_droplets`. The errors are those of drawing so many droplets from this sample: they say nothing of how
    samples or batches differ, and droplets of one batch are not batches made again.

    Attributes
    ----------
    diameters : array, shape (n,)
        Sorted, µm.
    table : DataFrame
        One row a figure: figure, weighted by, value, std_error, low, high (µm).
    level : float
        Of the intervals.
    problems : DataFrame
        Cells of a file that were not taken: sheet, cell, found, allowed, mend.
    """

    diameters: Floats
    table: pd.DataFrame
    level: float
    problems: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(COLUMNS), dtype=object))

    @property
    def count(self) -> int:
        """How many droplets were measured."""
        return len(self.diameters)

    @property
    def mean(self) -> float:
        """Arithmetic mean by number, D[1,0], µm."""
        return moment_mean(self.diameters, 1, 0)

    @property
    def median(self) -> float:
        """Median by number, µm."""
        return self.percentile(50, "number")

    @property
    def d32(self) -> float:
        """Sauter mean, D[3,2]: volume over surface, µm."""
        return moment_mean(self.diameters, 3, 2)

    @property
    def d43(self) -> float:
        """Mean by volume, D[4,3], µm."""
        return moment_mean(self.diameters, 4, 3)

    def percentile(self, percent: float, weighted: str) -> float:
        """Diameter below which `percent` of the droplets, or of their volume, lies.

        Parameters
        ----------
        percent : float
            Above 0 and below 100.
        weighted : {"number", "volume"}
            Whether every droplet counts alike, or by its volume.

        Returns
        -------
        float
            µm. Each droplet stands in the middle of its own share of the sum; between droplets the line is straight.

        Raises
        ------
        StudyError
            If the percentage is not between 0 and 100, or the weighting is another.
        """
        share = as_number("percent", percent, "%")
        if not 0 < share < 100:
            raise StudyError("percent", share, "above 0 and below 100", "10, 50 and 90 are usual")
        if weighted not in WEIGHTS:
            raise StudyError("weighted", weighted, 'one of "number", "volume"', "say by what the droplets count")
        return float(_percentiles(self.diameters, np.array([share]), self.diameters ** WEIGHTS[weighted])[0])

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before one of the figures is used."""
        out = []
        if self.count < ENOUGH:
            out.append(f"{self.count} droplets are few: {ENOUGH} to 300 are usually counted.")
        largest = float(self.diameters[-1] ** 3 / np.sum(self.diameters**3))
        if largest > HEAVY and self.count > 1:
            out.append(
                f"The largest droplet holds {100 * largest:.0f} % of the volume: d32, d43 and what is weighted by volume hang on it, "
                "and their errors are too small. Count more droplets."
            )
        return tuple(out)

    def _sections(self) -> list[Section]:
        shown = self.table.astype(object)
        for column in ("value", "std_error", "low", "high"):
            shown[column] = [
                number_text(v, e if np.isfinite(e) else None)
                for v, e in zip(self.table[column], self.table["std_error"], strict=True)
            ]
        note = (
            f"{100 * self.level:g} % intervals by resampling the droplets: the error of the count in this sample, not of batches. "
            "d10, d50, d90: below them lie 10, 50, 90 % of the droplets or of their volume, as it says; d32 is volume over surface (Sauter)."
        )
        sections = [Section(f"Sizes of {self.count} droplets, in µm", shown, "\n".join([note, *self.cautions]))]
        if len(self.problems):
            title = f"Cells not taken ({len(self.problems)})"
            sections.append(Section(title, self.problems, "The figures above are without them."))
        return sections


def droplets(
    diameters: ArrayLike, unit: str = "µm", seed: int = 0, resamples: int = 2000, level: float = 0.95
) -> DropletSizes:
    """Mean sizes and percentiles of the droplets of one sample.

    Parameters
    ----------
    diameters : array_like, shape (n,)
        One a droplet.
    unit : str
        Of the diameters: "µm" (or "um"), "mm" or "nm". Results are in µm.
    seed : int
        Of the resampling from which errors come.
    resamples : int
        How often the droplets are drawn anew, 100 or more.
    level : float
        Of the intervals, which are percentiles of the resampled figures.

    Returns
    -------
    DropletSizes
        Count; median and mean by number; d32 and d43; d10, d50, d90 by number and by volume, each named so.

    Raises
    ------
    StudyError
        If there are no diameters, one is no number above 0 or beyond 20 mm, or another argument cannot be used.

    References
    ----------
    ISO 9276-2:2014, Representation of results of particle size analysis, part 2: calculation of average particle sizes (mean sizes
    D[p,q] as ratios of moments) and part 1 (cumulative distributions), from memory. Efron, B. and Tibshirani, R. J. (1993). An
    introduction to the bootstrap, ch. 6 and 13. Chapman & Hall.

    Examples
    --------
    >>> round(droplets([1.0, 2.0, 3.0]).d32, 3)
    2.571
    """
    if unit not in MICROMETRES:
        raise StudyError("droplets: unit", unit, 'one of "µm", "mm", "nm"', "say in what unit the diameters are")
    if isinstance(resamples, bool) or not isinstance(resamples, int | np.integer) or resamples < 100:
        raise StudyError("droplets: resamples", resamples, "a whole number from 100", "2000 is usual")
    level = as_number("droplets: level", level)
    if not 0.5 <= level < 1:
        raise StudyError("droplets: level", level, "from 0.5 to below 1", "0.95 is usual")
    given = _checked(diameters, unit)
    return _sized(np.sort(given * MICROMETRES[unit]), seed, int(resamples), level)


def read_droplets(
    path: str | os.PathLike[str], unit: str = "µm", seed: int = 0, resamples: int = 2000, level: float = 0.95
) -> DropletSizes:
    """Sizes of droplets whose diameters stand in a file.

    Parameters
    ----------
    path : str or path
        A .csv, .txt or .xlsx file (its first sheet): one diameter a row, under a head such as "diameter" where there are several columns.
    unit, seed, resamples, level
        As for `droplets`; a unit in the head, "diameter (mm)", goes before `unit`.

    Returns
    -------
    DropletSizes
        Cells that hold no diameter stand in `problems` and are left out.

    Raises
    ------
    StudyError
        If the file cannot be read, it is not clear which column is meant, or no cell of it holds a diameter.
    """
    if unit not in MICROMETRES:
        raise StudyError("droplets: unit", unit, 'one of "µm", "mm", "nm"', "say in what unit the diameters are")
    where = f"file {str(path)!r}"
    grid = read_grids(path, lambda row: sum(_head(cell) is not None for cell in row))[0]
    rows = [(i, row) for i, row in enumerate(grid.rows) if not all(is_blank(c) or _remark(c) for c in row)]
    header = next((i for i, row in rows if any(_head(c) is not None for c in row)), None)
    if header is None:
        wide = max((len(row) for _, row in rows), default=0)
        used = {p for _, row in rows for p in range(len(row)) if not is_blank(row[p])}
        if wide and len(used) != 1:
            raise StudyError(
                f"{where}: columns",
                f"{len(used)} without the head 'diameter'",
                "one, or one headed 'diameter'",
                "write the head over the column that is meant (over all of it where decimal commas parted one column in two)",
            )
        column = next(iter(used), 0)
    else:
        named = [(p, text) for p, c in enumerate(grid.rows[header]) if (text := _head(c)) is not None]
        if len(named) > 1:
            raise StudyError(
                f"{where}: columns", len(named), "one headed 'diameter'", "rename those that are not meant"
            )
        column, told = named[0]
        unit = told or unit
    problems = Problems(grid.sheet)
    body = [(i, row) for i, row in rows if header is None or i > header]
    width = len(grid.rows[header]) if header is not None and grid.delimiter else 0
    if width == 1:  # under one head there is one column: what parts its cells is a decimal comma
        body = [(i, [grid.delimiter.join(map(str, row))]) for i, row in body]
    mark = decimal_mark(row[column] for _, row in body if column < len(row))
    found = []
    for i, row in body:
        cell = row[column] if column < len(row) else None
        allowed = f"a diameter in {unit} above 0 and at most {MOST_DIAMETER / MICROMETRES[unit]:g}"
        name = f"{letters(column)}{i + 1}"
        if width and not all(is_blank(c) for c in row[width:]):
            problems.add(f"row {i + 1}", f"{len(row)} cells", f"{width} cells, one a column", f"left out; {SPLIT}")
            continue
        try:
            value = math.nan if is_blank(cell) else number_from(cell, unit, mark)
        except DoubtError as doubt:
            problems.add(name, cell, allowed, f"left out; {doubt.mend}")
            continue
        if not 0 < value * MICROMETRES[unit] <= MOST_DIAMETER:
            problems.add(name, cell, allowed, "left out; correct it, or delete it if it is no droplet")
            continue
        found.append(value)
    if not found:
        first = problems.frame()["found"]
        said = cell_text(first.iloc[0]) if len(first) else "none"
        raise StudyError(f"{where}: diameters", said, "at least one number above 0", "check that it is the right file")
    out = droplets(found, unit, seed, resamples, level)
    return DropletSizes(out.diameters, out.table, out.level, problems.frame())


# ---- arrays


def moment_mean(diameters: Floats, p: int, q: int) -> float:
    """Mean size D[p,q], the (p − q)-th root of the p-th over the q-th moment by number; ISO 9276-2."""
    return float((np.sum(diameters**p) / np.sum(diameters**q)) ** (1.0 / (p - q)))


def _percentiles(diameters: Floats, percents: Floats, weight: Floats) -> Floats:
    """Diameters below which so many percent of the weight lies; `diameters` sorted."""
    total = np.cumsum(weight)
    return np.interp(percents / 100.0 * total[-1], total - 0.5 * weight, diameters)


def _figures(diameters: Floats, powers: Floats) -> list[float]:
    """Mean, d32, d43, percentiles by number and by volume; `powers` (n, 5) holds the diameters to the powers 0 to 4."""
    sums = powers.sum(axis=0)
    percents = np.array(PERCENTS, dtype=float)
    shares = [float(v) for k in WEIGHTS.values() for v in _percentiles(diameters, percents, powers[:, k])]
    return [float(sums[1] / sums[0]), float(sums[3] / sums[2]), float(sums[4] / sums[3]), *shares]


def _sized(diameters: Floats, seed: int, resamples: int, level: float) -> DropletSizes:
    n = len(diameters)
    names = [("mean", "number"), ("d32", "volume over surface"), ("d43", "volume")]
    names += [(f"d{percent}", weight) for weight in WEIGHTS for percent in PERCENTS]
    powers = diameters[:, None] ** np.arange(5)
    values = np.array(_figures(diameters, powers))
    errors, low, high = (np.full(len(values), np.nan) for _ in range(3))
    if n > 1:
        rng = np.random.default_rng(seed)
        drawn = np.empty((resamples, len(values)))
        for i in range(resamples):
            # drawn with replacement and in ascending order
            sample = np.repeat(np.arange(n), np.bincount(rng.integers(n, size=n), minlength=n))
            drawn[i] = _figures(diameters[sample], powers[sample])
        errors = drawn.std(axis=0, ddof=1)
        low, high = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2], axis=0)
    table = pd.DataFrame(names, columns=["figure", "weighted by"])
    table["value"], table["std_error"], table["low"], table["high"] = values, errors, low, high
    return DropletSizes(diameters, table, level)


def _checked(diameters: ArrayLike, unit: str) -> Floats:
    allowed = f"numbers above 0 and at most {MOST_DIAMETER / MICROMETRES[unit]:g} {unit}"
    if isinstance(diameters, str):
        raise StudyError("droplets: diameters", diameters, allowed, "for a file use doe.bench.read_droplets")
    try:
        items = list(diameters) if isinstance(diameters, Iterable) else [diameters]
        given = np.array([as_number(f"droplets: diameter {i}", v, unit) for i, v in enumerate(items, start=1)])
    except TypeError as problem:
        raise StudyError("droplets: diameters", diameters, allowed, "give one a droplet") from problem
    if not len(given):
        raise StudyError("droplets: diameters", [], "at least one number", "give one a droplet")
    bad = np.flatnonzero((given <= 0) | (given * MICROMETRES[unit] > MOST_DIAMETER))
    if len(bad):
        place = int(bad[0])
        raise StudyError(
            f"droplets: diameter {place + 1}",
            float(given[place]),
            f"above 0 and at most {MOST_DIAMETER / MICROMETRES[unit]:g} {unit}",
            "leave out what is no droplet, or check the unit",
        )
    return given


def _head(cell: object) -> str | None:
    """The unit that a head of diameters names ("" where it names none); None where the cell is no such head."""
    if not isinstance(cell, str):
        return None
    text = " ".join(cell.split()).casefold()
    name, bracket, rest = text.partition("(")
    if not bracket:
        name, bracket, rest = text.partition("[")
    if not bracket:
        name, bracket, rest = text.partition(",")
    if name.strip().replace("_", " ") not in HEADS:
        return None
    unit = rest.strip(" )]")
    return unit if unit in MICROMETRES else "" if not unit else None


def _remark(cell: object) -> bool:
    return isinstance(cell, str) and cell.strip().startswith("#")
