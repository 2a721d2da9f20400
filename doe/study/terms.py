"""Model terms as text: "1", "A", "A:B", "A^2", "A^2:B"; a name that is not a plain identifier stands in backticks."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from doe.study.errors import StudyError, nearest

# a term as whole powers over the factors, in the study's factor order; () is the constant
Term = tuple[tuple[str, int], ...]

_TOKEN = re.compile(r"\s*(?:`(?P<quoted>[^`]+)`|(?P<name>[^\W\d]\w*)|(?P<number>\d+)|(?P<mark>\S))")


def quoted(name: str) -> str:
    """A name as it stands inside terms and constraints: in backticks unless it is a plain identifier."""
    return name if name.isidentifier() else f"`{name}`"


def term_text(term: Term) -> str:
    """A term as canonical text."""
    if not term:
        return "1"
    return ":".join(quoted(name) + (f"^{power}" if power > 1 else "") for name, power in term)


def _tokens(text: str) -> Iterator[tuple[str, str]]:
    at = 0
    while text[at:].strip():
        match = _TOKEN.match(text, at)
        assert match is not None  # `mark` takes any visible character
        at = match.end()
        for kind, value in match.groupdict().items():
            if value is not None:
                yield kind, value


def parse_term(text: object, names: Sequence[str]) -> Term:
    """Read one term.

    Parameters
    ----------
    text : str
        Names joined by ":", each with an optional whole power "^2".
    names : sequence of str
        The factor names, whose order the result follows.

    Returns
    -------
    tuple of (str, int)
        Name and power of every factor in the term; empty for "1".

    Raises
    ------
    StudyError
        If it is no term, or names no factor of the study.
    """
    if not isinstance(text, str) or not text.strip():
        raise StudyError("model: term", text, 'a text such as "A", "A:B" or "A^2"', "write each term as a text")
    where = f"model: term {text!r}"
    allowed = 'names joined by ":" with whole powers, such as "A:B" or "A^2:B"'
    if text.strip() == "1":
        return ()
    powers: dict[str, int] = {}
    tokens = list(_tokens(text))
    at = 0
    while True:
        if at >= len(tokens) or tokens[at][0] not in ("name", "quoted"):
            found = tokens[at][1] if at < len(tokens) else "the end"
            raise StudyError(where, found, allowed, "put a factor's name there")
        name = tokens[at][1]
        if name not in names:
            raise StudyError(where, name, "a factor of the study", nearest(name, names))
        at += 1
        power = 1
        if at < len(tokens) and tokens[at] == ("mark", "^"):
            if at + 1 >= len(tokens) or tokens[at + 1][0] != "number" or int(tokens[at + 1][1]) < 1:
                found = tokens[at + 1][1] if at + 1 < len(tokens) else "the end"
                raise StudyError(where, found, "a whole power from 1", 'write a square as "A^2"')
            power = int(tokens[at + 1][1])
            at += 2
        powers[name] = powers.get(name, 0) + power
        if at == len(tokens):
            break
        if tokens[at] != ("mark", ":"):
            mend = 'join the names by ":" and list parents as terms of their own'
            raise StudyError(where, tokens[at][1], allowed, mend)
        at += 1
    return tuple((name, powers[name]) for name in names if name in powers)
