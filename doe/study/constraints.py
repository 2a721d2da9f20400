"""Constraints as text, linear in natural units: "carbomer + crosspolymer <= 1.0", "0.2 <= a + b <= 1", "oil / emulsifier <= 4".

A text is read by a small recursive-descent parser, in exact rational arithmetic, and never evaluated as code:

    constraint  =  sum  relation  sum  [ relation  sum ]          relation: <=  >=  ==
    sum         =  product  { ("+" | "-")  product }
    product     =  signed  { ("*" | "/")  signed }                a product may hold one part with factors, a divisor none or
    signed      =  ("+" | "-")  signed  |  part                   (once, a / b) one that stays above zero on the region
    part        =  number  |  name  |  "`" any name "`"  |  "("  sum  ")"
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from doe.study.errors import StudyError, nearest
from doe.study.terms import quoted

_RELATIONS = ("<=", ">=", "==")
_TOKEN = re.compile(
    r"\s*(?:`(?P<quoted>[^`]+)`"
    r"|(?P<number>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
    r"|(?P<name>[^\W\d]\w*)"
    r"|(?P<relation><=|>=|==)"
    r"|(?P<power>\*\*|\^)"
    r"|(?P<mark>\S))"
)
_LINEAR = 'linear in the factors, such as "2*a + b <= 1.5" or "a / b <= 4"'
_DEPTH = 40  # brackets and signs inside one another; keeps a hostile text from exhausting the stack
_MENDS = {
    "<": 'write "<=" (settings on the boundary are allowed)',
    ">": 'write ">=" (settings on the boundary are allowed)',
    "=": 'write "==" for equal, "<=" for at most, ">=" for at least',
    "≤": 'write "<="',
    "≥": 'write ">="',
    "≠": 'write "==", "<=" or ">="',
    "!": 'write "==", "<=" or ">="',
    ",": "write decimals with a point (1.5), and each constraint as a text of its own",
    "%": "leave units out: figures are in the factors' own units",
    "×": "write * for times",
    "·": "write * for times",
    "÷": "write / for divided by",
    "−": "write the plain minus sign -",
    "`": "close the name with a second backtick",
}


@dataclass(frozen=True)
class LinearConstraint:
    """One comparison in normal form: the sum of coefficient × factor, `sense`, `bound`.

    Attributes
    ----------
    text : str
        The whole text as the user wrote it.
    part : str
        The comparison meant, which differs from `text` in a chain such as "0.2 <= a + b <= 1".
    coefficients : tuple of (str, float)
        Factor name and coefficient, in the study's order, none zero; natural units.
    sense : str
        "<=", ">=" or "==".
    bound : float
        The right-hand side.
    divisor : tuple of (str, float)
        Coefficients of the divisor of a ratio; empty where there is none. Multiplying by it is right only where the divisor,
        `divisor_constant` included, is above zero.
    divisor_constant : float
        Its constant part.
    """

    text: str
    part: str
    coefficients: tuple[tuple[str, float], ...]
    sense: str
    bound: float
    divisor: tuple[tuple[str, float], ...] = ()
    divisor_constant: float = 0.0


@dataclass(frozen=True)
class _Sum:
    """Exact coefficients by factor, and a constant."""

    of: Mapping[str, Fraction]
    constant: Fraction

    @property
    def is_number(self) -> bool:
        return not self.of

    def plus(self, other: _Sum, times: Fraction = Fraction(1)) -> _Sum:
        names = [*self.of, *(n for n in other.of if n not in self.of)]
        total = {n: self.of.get(n, Fraction(0)) + times * other.of.get(n, Fraction(0)) for n in names}
        return _Sum({n: c for n, c in total.items() if c}, self.constant + times * other.constant)

    def scaled(self, times: Fraction) -> _Sum:
        return _Sum({n: c * times for n, c in self.of.items() if times}, self.constant * times)


_ONE = _Sum({}, Fraction(1))


@dataclass(frozen=True)
class _Value:
    """A sum, or a sum over another that holds factors."""

    over: _Sum
    under: _Sum = _ONE


@dataclass(frozen=True)
class _Token:
    kind: str
    value: str
    start: int
    end: int


def marked(text: str, start: int, end: int) -> str:
    """The text as written, with one place marked: "polymer + ⟨polymmer⟩ <= 1.0"."""
    return f"{text[:start]}⟨{text[start:end]}⟩{text[end:]}"


class _Reader:
    def __init__(self, text: str, names: Sequence[str], refused: Mapping[str, str], where: str) -> None:
        self.text, self.names, self.refused, self.where = text, names, refused, where
        self.named = False
        self.depth = 0
        self.at = 0
        self.tokens: list[_Token] = []
        place = 0
        while text[place:].strip():
            match = _TOKEN.match(text, place)
            assert match is not None  # `mark` takes any visible character
            assert match.lastgroup is not None
            place = match.end()
            start, end = match.span(match.lastgroup)
            quote = match.lastgroup == "quoted"
            self.tokens.append(_Token(match.lastgroup, match[match.lastgroup], start - quote, end + quote))
        self.tokens.append(_Token("end", "", len(text), len(text)))

    @property
    def token(self) -> _Token:
        return self.tokens[self.at]

    def error(self, token: _Token, allowed: str, mend: str) -> StudyError:
        return StudyError(self.where, marked(self.text, token.start, token.end), allowed, mend)

    def take(self, *marks: str) -> _Token | None:
        token = self.token
        if token.kind in ("mark", "relation") and token.value in marks:
            self.at += 1
            return token
        return None

    def unexpected(self) -> StudyError:
        """The sentence for a token that fits nowhere."""
        token = self.token
        if token.kind == "power":
            return self.error(token, _LINEAR, "leave powers of factors out; a power of a number is written out")
        if token.kind == "mark" and token.value in _MENDS:
            return self.error(token, _LINEAR, _MENDS[token.value])
        before = self.tokens[self.at - 1] if self.at else None
        if before is not None and (token.kind in ("number", "name", "quoted") or token.value == "("):
            spaced = self._unquoted(token) if token.kind == "name" else None
            if spaced is not None:
                return self.error(token, _LINEAR, f"write {quoted(spaced)} in backticks")
            return self.error(token, _LINEAR, "put + - * or / before it (2*a, not 2 a)")
        if token.kind == "end":
            return self.error(token, _LINEAR, "finish the text: a number or a factor is missing there")
        if token.value == ")":
            return self.error(token, _LINEAR, "take this bracket out or open it before")
        return self.error(token, _LINEAR, "put a number or a factor before it, or take it out")

    def _unquoted(self, token: _Token) -> str | None:
        """A factor whose name is no plain identifier and stands at this place without its backticks."""
        for name in sorted(self.names, key=len, reverse=True):
            if not name.isidentifier():
                begin = self.text.find(name)
                while begin >= 0:
                    if begin <= token.start and token.end <= begin + len(name):
                        return name
                    begin = self.text.find(name, begin + 1)
        return None

    def part(self) -> _Value:
        token = self.token
        if token.kind == "number":
            self.at += 1
            digits = re.search(r"[eE][+-]?(\d+)", token.value)
            if (digits and int(digits[1]) > 300) or len(token.value) > 400:
                raise self.error(token, "made of numbers that a computer can hold", "write a smaller exponent")
            return _Value(_Sum({}, Fraction(token.value)))
        if token.kind in ("name", "quoted"):
            self.at += 1
            name = token.value
            if name in self.refused:
                mend = "leave it out; a constraint holds for every level alike"
                raise self.error(
                    token, f"made of numeric factors and components ({name} is {self.refused[name]})", mend
                )
            if name not in self.names:
                spaced = self._unquoted(token)
                if spaced is not None:
                    raise self.error(token, "made of factors of the study", f"write {quoted(spaced)} in backticks")
                if self.token.value == "(" and token.kind == "name":
                    raise self.error(token, _LINEAR, "leave functions out, and write * before a bracket")
                raise self.error(token, "made of factors of the study", nearest(name, self.names))
            self.named = True
            return _Value(_Sum({name: Fraction(1)}, Fraction(0)))
        opened = self.take("(")
        if opened is not None:
            inner = self.sum()
            if self.take(")") is None:
                if self.token.kind in ("end", "relation"):
                    raise self.error(opened, _LINEAR, "close this bracket before the comparison")
                raise self.unexpected()
            return inner
        raise self.unexpected()

    def signed(self) -> _Value:
        self.depth += 1
        if self.depth > _DEPTH:
            raise self.error(self.token, "simpler", f"nest no more than {_DEPTH} brackets and signs")
        sign = self.take("+", "-")
        value = self.part() if sign is None else self.signed()
        self.depth -= 1
        if sign is not None and sign.value == "-":
            value = replace(value, over=value.over.scaled(Fraction(-1)))
        return value

    def product(self) -> _Value:
        value = self.signed()
        while True:
            mark = self.take("*", "/")
            if mark is None:
                return value
            first = self.tokens[self.at]
            other = self.signed()
            span = _Token("span", "", first.start, self.tokens[self.at - 1].end)
            if mark.value == "*":
                numbers = [v for v in (value, other) if v.over.is_number and v.under is _ONE]
                if not numbers:
                    raise self.error(span, _LINEAR, "leave products of factors out")
                times = numbers[0].over.constant
                kept = other if numbers[0] is value else value
                value = replace(kept, over=kept.over.scaled(times))
            elif other.under is not _ONE or (value.under is not _ONE and not other.over.is_number):
                raise self.error(span, _LINEAR, "divide once by factors, not twice")
            elif not other.over.is_number:
                value = _Value(value.over, other.over)
            elif other.over.constant == 0:
                raise self.error(span, "divided by something other than zero", "correct the divisor")
            else:
                value = replace(value, over=value.over.scaled(1 / other.over.constant))

    def sum(self) -> _Value:
        start = self.token
        value = self.product()
        while True:
            mark = self.take("+", "-")
            if mark is None:
                return value
            other = self.product()
            span = _Token("span", "", start.start, self.tokens[self.at - 1].end)
            value = self.combined(value, other, Fraction(1 if mark.value == "+" else -1), span)

    def combined(self, left: _Value, right: _Value, times: Fraction, span: _Token) -> _Value:
        """Left + times × right, on a common divisor."""
        if left.under == right.under:
            return _Value(left.over.plus(right.over, times), left.under)
        for one, other, a, b in ((left, right, Fraction(1), times), (right, left, times, Fraction(1))):
            if one.under is not _ONE and other.under is _ONE and other.over.is_number:
                return _Value(one.over.scaled(a).plus(one.under, b * other.over.constant), one.under)
        raise self.error(span, _LINEAR, "add only numbers to a ratio: multiply the constraint out by hand")

    def constraint(self) -> list[tuple[_Value, str, int, int]]:
        """Every comparison: left minus right, the sense, and where it stands."""
        if self.token.kind == "end":
            raise StudyError(
                self.where, self.text, 'a comparison such as "a + b <= 1.0"', "write it out, or leave it out"
            )
        sides: list[tuple[_Value, int, int]] = []
        relations: list[_Token] = []
        while True:
            start = self.token.start
            sides.append((self.sum(), start, self.tokens[self.at - 1].end))
            relation = self.take(*_RELATIONS)
            if relation is None:
                break
            relations.append(relation)
        if self.token.kind != "end":
            raise self.unexpected()
        if not relations:
            raise self.error(self.token, "a comparison", 'say what it is compared with: "<=", ">=" or "=="')
        if len(relations) > 2:
            raise self.error(relations[2], "a chain of at most two comparisons", "write two constraints")
        if len(relations) == 2 and (relations[0].value == "==" or relations[0].value != relations[1].value):
            mend = "let both comparisons point the same way, or write two constraints"
            raise self.error(relations[1], 'a chain such as "0.2 <= a + b <= 1"', mend)
        out = []
        for relation, left, right in zip(relations, sides, sides[1:], strict=False):
            span = _Token("span", "", left[1], right[2])
            out.append((self.combined(left[0], right[0], Fraction(-1), span), relation.value, left[1], right[2]))
        return out


def _held(exact: Fraction) -> float:
    """The nearest float, unless the number is too large for one or so small that it would vanish."""
    value = float(exact)
    if exact and not value:
        raise OverflowError("underflow")
    return value


def parse_constraint(
    text: object, names: Sequence[str], refused: Mapping[str, str] | None = None, where: str = "constraint"
) -> tuple[LinearConstraint, ...]:
    """Read one constraint.

    Parameters
    ----------
    text : str
        Linear in natural units, with <=, >= or ==; two comparisons in a chain; `a / b <= c` for a ratio.
    names : sequence of str
        Factors that have a number: numeric factors and components, in the study's order.
    refused : mapping of str to str, optional
        Other factors, with what they are ("a categorical factor").
    where : str
        What the constraint is called in an error.

    Returns
    -------
    tuple of LinearConstraint
        One, or two for a chain; a ratio is multiplied out, which its `divisor` makes conditional.

    Raises
    ------
    StudyError
        If it is not linear, names no factor or an unknown one, or cannot be read; the place is marked in the text.
    """
    if not isinstance(text, str):
        raise StudyError(where, text, 'a text such as "a + b <= 1.0"', "put it in quotation marks")
    reader = _Reader(text, names, refused or {}, where)
    out = []
    for value, sense, start, end in reader.constraint():
        if not value.over.of:
            why = "its factors cancel out" if reader.named else "it compares numbers only"
            raise reader.error(_Token("span", "", start, end), "about at least one factor", f"{why}: name a factor")
        try:
            over, under = ({n: _held(c) for n, c in part.of.items()} for part in (value.over, value.under))
            bound, constant = _held(-value.over.constant), _held(value.under.constant)
        except OverflowError as problem:
            mend = "write numbers nearer to 1"
            raise reader.error(
                _Token("span", "", start, end), "made of numbers that a computer can hold", mend
            ) from problem
        out.append(
            LinearConstraint(
                text=text,
                part=text[start:end],
                coefficients=tuple((n, over[n]) for n in names if over.get(n)),
                sense=sense,
                bound=bound,
                divisor=tuple((n, under[n]) for n in names if under.get(n)),
                divisor_constant=constant if under else 0.0,
            )
        )
    return tuple(out)
