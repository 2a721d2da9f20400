"""Formulas of derived responses: "viscosity[4 wk] / viscosity[24 h]", worked out from readings; read by a grammar of their own, never run."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.study.errors import StudyError

Floats = NDArray[np.float64]
Values = Mapping[str, Floats]
Node = Callable[[Values], Floats]

_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)"
    r"|(?P<name>(?:`[^`]+`|[^\W\d]\w*)(?:\s*\[[^\]]*\])?)"
    r"|(?P<mark>\*\*|[-+*/^()])|(?P<other>\S))"
)
_FUNCTIONS: dict[str, Callable[[Floats], Floats]] = {"log": np.log, "log10": np.log10, "sqrt": np.sqrt, "abs": np.abs}
_ALLOWED = "responses (with their time in brackets), numbers, + − * / ^, brackets, log, log10, sqrt and abs"


@dataclass(frozen=True)
class Formula:
    """A formula over responses.

    Attributes
    ----------
    text : str
    needs : tuple of str
        What it is worked out from, "viscosity[4 wk]" each, as they were written (backticks off), in order of first use.
    """

    text: str
    needs: tuple[str, ...]
    _value: Node

    def value(self, values: Values) -> Floats:
        """Worked out batch by batch.

        Parameters
        ----------
        values : mapping of str -> ndarray, shape (n,)
            One array for each of `needs`; NaN where a batch has no reading.

        Returns
        -------
        ndarray, shape (n,)
            NaN where something is missing or has no value (a division by zero, the logarithm of a negative number).
        """
        with np.errstate(all="ignore"):
            out = np.asarray(self._value(values), dtype=float)
        return np.where(np.isfinite(out), out, np.nan)


def parse_formula(text: object, where: str) -> Formula:
    """Read a formula.

    Parameters
    ----------
    text : str
        Responses, numbers, + − * / ^ and brackets, log (natural), log10, sqrt, abs. A response read at several times carries the one meant in
        square brackets; a name that is not a plain identifier stands in backticks.
    where : str
        What it belongs to, in an error.

    Returns
    -------
    Formula

    Raises
    ------
    StudyError
        If it is not such a formula.
    """
    if not isinstance(text, str) or not text.strip():
        raise StudyError(f"{where}: formula", text, _ALLOWED, 'write "viscosity[4 wk] / viscosity[24 h]"')
    tokens: list[tuple[str, str]] = []
    at = 0
    while text[at:].strip():
        match = _TOKEN.match(text, at)
        assert match is not None  # `other` takes any visible character
        at = match.end()
        kind = match.lastgroup or "other"
        tokens.append((kind, match[kind]))
    reader = _Reader(tokens, f"{where}: formula {text!r}")
    value = reader.sum()
    if reader.at < len(tokens):
        raise reader.wrong("put an operator between the two, or drop it")
    if not reader.needs:
        raise StudyError(f"{where}: formula", text, "a formula with at least one response", "name what it comes from")
    return Formula(text, tuple(dict.fromkeys(reader.needs)), value)


class _Reader:
    """Recursive descent over the tokens; depth is bounded, so that no formula exhausts the stack."""

    def __init__(self, tokens: list[tuple[str, str]], where: str) -> None:
        self.tokens, self.where, self.at, self.depth = tokens, where, 0, 0
        self.needs: list[str] = []

    def wrong(self, mend: str) -> StudyError:
        found = self.tokens[self.at][1] if self.at < len(self.tokens) else "the end"
        return StudyError(self.where, found, _ALLOWED, mend)

    def taken(self, *marks: str) -> str | None:
        if self.at < len(self.tokens) and self.tokens[self.at][0] == "mark" and self.tokens[self.at][1] in marks:
            self.at += 1
            return self.tokens[self.at - 1][1]
        return None

    def sum(self) -> Node:
        value = self.product()
        while mark := self.taken("+", "-"):
            value = _joined(np.add if mark == "+" else np.subtract, value, self.product())
        return value

    def product(self) -> Node:
        value = self.signed()
        while mark := self.taken("*", "/"):
            value = _joined(np.multiply if mark == "*" else np.divide, value, self.signed())
        return value

    def signed(self) -> Node:
        self.depth += 1
        if self.depth > 50:
            raise StudyError(self.where, "nested more than 50 deep", "a shorter formula", "simplify it")
        try:
            if self.taken("-"):
                inner = self.signed()
                return lambda values: -inner(values)
            return self.power()
        finally:
            self.depth -= 1

    def power(self) -> Node:
        value = self.atom()
        if self.taken("^", "**"):
            value = _joined(np.power, value, self.signed())
        return value

    def atom(self) -> Node:
        if self.taken("("):
            return self.closed()
        if self.at == len(self.tokens):
            raise self.wrong("finish the formula")
        kind, text = self.tokens[self.at]
        if kind == "number":
            self.at += 1
            number = np.float64(text)
            return lambda values: np.asarray(number)
        if kind != "name":
            raise self.wrong("put a response or a number there")
        following = self.tokens[self.at + 1] if self.at + 1 < len(self.tokens) else None
        if following == ("mark", "("):
            if text not in _FUNCTIONS:
                raise self.wrong("use log, log10, sqrt or abs")
            function = _FUNCTIONS[text]
            self.at += 2
            inner = self.closed()
            return lambda values: function(inner(values))
        self.at += 1
        name = text.replace("`", "")
        self.needs.append(name)
        return lambda values: np.asarray(values[name], dtype=float)

    def closed(self) -> Node:
        inner = self.sum()
        if not self.taken(")"):
            raise self.wrong("close the bracket")
        return inner


def _joined(operation: Callable[..., Floats], left: Node, right: Node) -> Node:
    return lambda values: np.asarray(operation(left(values), right(values)))
