"""The portable part of the XLSForm expression language: text -> tree -> SQL predicate, or a verdict in Python.

One sentence judges on the phone and in the office, so only what every form engine understands alike is let
through; anything else is refused with its place and a way out. Blank answers follow XPath: a blank text is
'', a blank number makes every comparison false except `!=`.

Source of the grammar: the specification of XLSForm, and of the XForms profile that XLSForm compiles to (XPath 1.0
with functions); of the exclusions: runs in three independent form engines, which disagree on them.
"""

from __future__ import annotations

import datetime as dt
import math
import operator
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from formpack.words import either, marked, tr, trn

Kind = Literal["number", "text", "bool", "date"]
_KINDS = {"number": marked("a number"), "text": marked("a text"), "bool": marked("a verdict"), "date": marked("a day")}


class ExpressionError(ValueError):
    """An expression outside the portable subset. `str()` says what, where and what to write instead."""


class _Nothing(ExpressionError):
    """A comparison has nothing on its left."""


@dataclass(frozen=True)
class Number:
    text: str


@dataclass(frozen=True)
class Text:
    value: str


@dataclass(frozen=True)
class Answer:
    """`${name}`, or `.` (then `name` is None)."""

    name: str | None


@dataclass(frozen=True)
class Lookup:
    """A path into a list on the phone, `instance('groups')/root/item[...]/col`: only the phone can follow it."""

    source: str


@dataclass(frozen=True)
class Call:
    function: str
    arguments: tuple[Node, ...]


@dataclass(frozen=True)
class Operation:
    operator: str
    left: Node
    right: Node


Node = Number | Text | Answer | Lookup | Call | Operation
ALONE = (Number, Text, Answer, Lookup)

_TOKEN = re.compile(
    r"""\s*(?:(?P<number>\d+(?:\.\d+)?)|(?P<text>'[^']*'|"[^"]*")|\$\{\s*(?P<ref>[A-Za-z_][\w]*)\s*\}"""
    r"""|(?P<name>[A-Za-z_][\w-]*(?::[A-Za-z_][\w-]*)?)|(?P<mark><=|>=|!=|\.\.|//|[=<>+\-*/()\[\],.@]))""",
    re.ASCII,
)
_LEVELS: tuple[tuple[str, ...], ...] = (
    ("or",),
    ("and",),
    ("=", "!="),
    ("<", "<=", ">", ">="),
    ("+", "-"),
    ("*", "div", "mod"),
)
_INSTEAD = {
    "floor": "int()",
    "ceiling": marked("int() or round()"),
    "substring": marked("substr(), which counts from 0"),
    "upper-case": "translate()",
    "lower-case": "translate()",
    "pulldata": "instance('LIST')/root/item[code = ${x}]/COLUMN",
    "boolean": marked("a comparison such as ${x} != ''"),
    "string": "concat()",
    "last-saved": marked("a default"),
    "now": "today()",
}


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def _number(value: Any) -> float:
    if value is None or isinstance(value, dt.date):
        return math.nan
    if isinstance(value, (int, float)):
        return float(value)
    return float(value) if re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", value.strip()) else math.nan


def _days(value: Any) -> float:
    if isinstance(value, str) and value:
        value = dt.date.fromisoformat(value)
    return float((value - dt.date(1970, 1, 1)).days) if value else math.nan


def _round(value: Any, places: Any = 0) -> float:
    number, scale = _number(value), 10 ** int(_number(places))
    return number if math.isnan(number) else math.floor(number * scale + 0.5) / scale


def _item(value: Any, position: Any) -> str:
    words, at = _text(value).split(), int(_number(position))
    return words[at] if 0 <= at < len(words) else ""


def _translate(value: Any, old: Any, new: Any) -> str:
    table = {ord(c): (new[i] if i < len(new) else None) for i, c in reversed(list(enumerate(old)))}
    return _text(value).translate(table)


def _int(value: Any) -> float:
    number = _number(value)
    return number if math.isnan(number) else float(math.trunc(number))


@dataclass(frozen=True)
class _Function:
    """A function of the subset: what it takes and gives, how SQL says it, how Python does it."""

    takes: tuple[Kind, ...]
    gives: Kind
    sql: str
    run: Callable[..., Any]
    optional: int = 0


_FUNCTIONS: dict[str, _Function] = {
    "not": _Function(("bool",), "bool", "(NOT {0})", lambda x: not x),
    "string-length": _Function(("text",), "number", "length({0})", len),
    "translate": _Function(("text", "text", "text"), "text", "translate({0}, {1}, {2})", _translate),
    "normalize-space": _Function(
        ("text",), "text", "trim(regexp_replace({0}, '[ \\t\\r\\n]+', ' ', 'g'))", lambda x: " ".join(x.split())
    ),
    "contains": _Function(("text", "text"), "bool", "contains({0}, {1})", lambda x, y: y in x),
    "starts-with": _Function(("text", "text"), "bool", "starts_with({0}, {1})", lambda x, y: x.startswith(y)),
    "substring-before": _Function(
        ("text", "text"),
        "text",
        "(CASE WHEN contains({0}, {1}) THEN split_part({0}, {1}, 1) ELSE '' END)",
        lambda x, y: x.partition(y)[0] if y in x else "",
    ),
    "substring-after": _Function(
        ("text", "text"),
        "text",
        "(CASE WHEN contains({0}, {1}) THEN substr({0}, strpos({0}, {1}) + length({1})) ELSE '' END)",
        lambda x, y: x.partition(y)[2],
    ),
    "substr": _Function(
        ("text", "number", "number"),
        "text",
        "substr({0}, ({1})::BIGINT + 1, ({2})::BIGINT - ({1})::BIGINT)",
        lambda x, a, b=None: x[int(a) : None if b is None else int(b)],
        optional=1,
    ),
    "regex": _Function(
        ("text", "text"), "bool", "regexp_full_match({0}, {1})", lambda x, p: re.fullmatch(p, x, re.ASCII) is not None
    ),
    "selected": _Function(
        ("text", "text"), "bool", "list_contains(string_split({0}, ' '), {1})", lambda x, y: y in x.split(" ")
    ),
    "selected-at": _Function(("text", "number"), "text", "coalesce(string_split({0}, ' ')[({1})::BIGINT + 1], '')", _item),
    "count-selected": _Function(
        ("text",),
        "number",
        "len(regexp_extract_all({0}, '[^ ]+'))",
        lambda x: float(len(x.split())),
    ),
    "number": _Function(("text",), "number", "TRY_CAST({0} AS DOUBLE)", _number),
    "int": _Function(("number",), "number", "trunc({0})", _int),
    "round": _Function(("number", "number"), "number", "round({0}, ({1})::INTEGER)", _round, optional=1),
    "abs": _Function(("number",), "number", "abs({0})", lambda x: abs(_number(x))),
    "decimal-date-time": _Function(("date",), "number", "CAST({0} - DATE '1970-01-01' AS DOUBLE)", _days),
    "date": _Function(("text",), "date", "TRY_CAST({0} AS DATE)", lambda x: dt.date.fromisoformat(x) if x else None),
    "today": _Function((), "date", "{today}", lambda: None),
}
_SPECIAL = {"if", "coalesce", "concat"}
_PHONE_ONLY = {
    "format-date",
    "format-date-time",
    "jr:choice-name",
    "once",
    "uuid",
    "digest",
    "count",
    "sum",
    "max",
    "min",
    "position",
    "join",
    "pow",
    "sqrt",
    "ends-with",
}


class _Parser:
    def __init__(self, source: str, of_list: bool) -> None:
        self.source, self.at, self.tokens = source, 0, list(self._split(source))
        self.of_list = of_list

    @staticmethod
    def _split(source: str) -> Iterator[tuple[str, str, int]]:
        at, end = 0, len(source.rstrip())
        while at < end:
            found = _TOKEN.match(source, at)
            if not found:
                raise ExpressionError(tr("cannot read {text} at character {at}", text=repr(source[at : at + 12]), at=at + 1))
            kind = found.lastgroup or ""
            yield kind, found.group(kind), found.start(kind)
            at = found.end()

    def peek(self) -> tuple[str, str, int]:
        return self.tokens[self.at] if self.at < len(self.tokens) else ("end", "the end", len(self.source))

    def take(self, word: str | None = None) -> tuple[str, str, int]:
        kind, value, place = token = self.peek()
        if kind == "end" or (word is not None and value != word):
            if word is None:
                raise ExpressionError(tr("something is missing at character {at}", at=place + 1))
            raise ExpressionError(tr("{text} is missing at character {at}", text=repr(word), at=place + 1))
        self.at += 1
        return token

    def whole(self) -> Node:
        tree = self.level(0)
        kind, value, place = self.peek()
        if kind != "end":
            raise ExpressionError(tr("{text} at character {at} does not belong there", text=repr(value), at=place + 1))
        return tree

    def level(self, depth: int) -> Node:
        if depth == len(_LEVELS):
            return self.single()
        left = self.level(depth + 1)
        while self.peek()[1] in _LEVELS[depth] and self.peek()[0] in ("name", "mark"):
            _, sign, place = self.take()
            left = Operation(sign, left, self.level(depth + 1))
            if sign in ("and", "or"):
                self.compared(left.left, sign, place)
                self.compared(left.right, sign, place)
        return left

    def single(self) -> Node:
        kind, value, place = self.take()
        if kind == "number":
            return Number(value)
        if kind == "text":
            return Text(value[1:-1])
        if kind == "ref":
            return Answer(value)
        if value == ".":
            return Answer(None)
        if value == "-":
            return Operation("-", Number("0"), self.single())
        if value == "(":
            inside = self.level(0)
            self.take(")")
            return inside
        if kind == "name" and self.peek()[1] == "(":
            return self.call(value, place)
        if kind == "name" and self.of_list:
            return Lookup(value)
        if kind == "name":
            said = tr("{text} at character {at} is no number and has no quotation marks", text=repr(value), at=place + 1)
            said = tr("{said}; write {other} instead", said=said, other=either([f"'{value}'", f"${{{value}}}"]))
            raise ExpressionError(said)
        if value in _COMPARISONS:
            raise _Nothing(tr("{text} at character {at} has nothing before it", text=repr(value), at=place + 1))
        raise ExpressionError(
            tr("{text} at character {at} is not in the portable subset of XLSForm", text=repr(value), at=place + 1)
        )

    def compared(self, node: Node, word: str, place: int) -> None:
        if isinstance(node, ALONE):
            said = marked(
                "{text} at character {at} has an answer alone beside it, and engines differ in whether that is true; write a"
                " comparison"
            )
            raise ExpressionError(tr(said, text=repr(word), at=place + 1))

    def call(self, function: str, place: int) -> Node:
        self.take("(")
        arguments: list[Node] = []
        while self.peek()[1] != ")":
            arguments.append(self.level(0))
            if self.peek()[1] != ")":
                self.take(",")
        self.take(")")
        if function == "instance":
            return self.lookup(place)
        if function in _SPECIAL | _PHONE_ONLY:
            if function == "if" and len(arguments) != 3:
                raise ExpressionError(tr("if() at character {at} takes three arguments", at=place + 1))
            if function == "if":
                self.compared(arguments[0], function, place)
            return Call(function, tuple(arguments))
        if function not in _FUNCTIONS:
            said = tr("{function}() at character {at} is not in the portable subset", function=function, at=place + 1)
            if function in _INSTEAD:
                said = tr("{said}; write {other} instead", said=said, other=tr(_INSTEAD[function]))
            raise ExpressionError(said)
        known = _FUNCTIONS[function]
        if not len(known.takes) - known.optional <= len(arguments) <= len(known.takes):
            said = trn(
                "{function}() at character {at} takes {n} argument",
                "{function}() at character {at} takes {n} arguments",
                len(known.takes),
                function=function,
                at=place + 1,
            )
            raise ExpressionError(said)
        if function == "regex" and not (
            isinstance(arguments[1], Text) and arguments[1].value[:1] == "^" and arguments[1].value[-1:] == "$"
        ):
            raise ExpressionError(tr("the pattern of regex() at character {at} must stand between ^ and $", at=place + 1))
        if function == "not":
            self.compared(arguments[0], function, place)
        return Call(function, tuple(arguments))

    def lookup(self, place: int) -> Node:
        depth = 0
        while self.peek()[0] != "end":
            value = self.peek()[1]
            if value in ("//", "..", "@"):
                said = tr(
                    "{text} at character {at} is not portable: write the full path", text=repr(value), at=self.peek()[2] + 1
                )
                raise ExpressionError(said)
            if depth == 0 and value not in ("/", "[") and self.tokens[self.at - 1][1] != "/":
                break
            depth += (value == "[") - (value == "]")
            self.at += 1
        return Lookup(self.source[place : self.peek()[2]].strip())


_SLIPS = (
    ("[\u2018\u2019\u201a\u201c\u201d\u201e\u00b4`]", marked("straight quotation marks ('yes')")),
    ("[\u2264\u2265]|=[<>]", marked(">= or <=")),
    ("==", "="),
    ("<>|\u2260", "!="),
    (r"&|\||\b(?!and\b|or\b)(?i:and|or)\b", marked("and, or in small letters")),
    (r"[0-9],[0-9]", marked("a decimal point (0.5)")),
    (r"\$(?!\{)|(?<!\$)\{|\$\{[^}]*[^\w}]", marked("the name of the question as ${name}")),
)
"""What people type that cannot be read -> what they mean."""


_LEFT_OUT = re.compile(r"(^\s*|\(\s*|\b(?:and|or)\s+)(?=[<>=!])")


def parse(source: str, of_list: bool = False, answer: str = ".") -> Node:
    """As `_parsed`; where it cannot be read and holds a common slip, the error says that too. `answer` is what most likely
    should stand on the left of a comparison."""
    try:
        return _parsed(source, of_list)
    except ExpressionError as wrong:
        plain = re.sub(r"'[^']*'|\"[^\"]*\"", "''", source)
        meant = next((meant for slip, meant in _SLIPS if re.search(slip, plain)), None)
        if meant is None and isinstance(wrong, _Nothing):
            meant = _LEFT_OUT.sub(lambda found: f"{found[1]}{answer} ", source).strip()
        if meant is None:
            raise
        raise ExpressionError(tr("{said}; write {other} instead", said=str(wrong), other=tr(meant))) from None


def _parsed(source: str, of_list: bool) -> Node:
    """The tree of an expression; in one that is `of_list` (`choice_filter`) a plain name is a column. Raises ExpressionError
    outside the portable subset."""
    parser = _Parser(source, of_list)
    if len(parser.tokens) > _LONGEST:
        raise ExpressionError(
            tr(
                "it has {n} words and marks, more than {most}; write it as several calculations",
                n=len(parser.tokens),
                most=_LONGEST,
            )
        )
    try:
        return parser.whole()
    except RecursionError:
        raise ExpressionError(tr("its brackets are nested too deeply; write it as several calculations")) from None


_LONGEST = 600


def walk(node: Node) -> Iterator[Node]:
    """Every node of the tree, the root first."""
    yield node
    if isinstance(node, Call):
        for argument in node.arguments:
            yield from walk(argument)
    elif isinstance(node, Operation):
        yield from walk(node.left)
        yield from walk(node.right)


def is_verdict(node: Node) -> bool:
    """Whether it comes to true or false."""
    if isinstance(node, Operation):
        return node.operator in (*_COMPARISONS, "and", "or")
    if not isinstance(node, Call):
        return False
    if node.function == "if":
        return all(is_verdict(part) for part in node.arguments[1:])
    return node.function == "ends-with" or (node.function in _FUNCTIONS and _FUNCTIONS[node.function].gives == "bool")


def span(node: Node) -> tuple[str, str] | None:
    """(least, most) where numbers are written as `10-100`, which is a difference."""
    match node:
        case Operation("-", Number(low), Number(high)):
            return low, high
    return None


def compared_with(node: Node) -> Iterator[tuple[str | None, str]]:
    """Each answer (None for `.`) that is held against a text, with the text; blanks are left out."""
    for part in walk(node):
        match part:
            case (
                Operation("=" | "!=", Answer(name), Text(value))
                | Operation("=" | "!=", Text(value), Answer(name))
                | Call("selected", (Answer(name), Text(value)))
            ) if value:
                yield name, value


def is_phone_only(node: Node) -> bool:
    """Whether only the phone can work it out: it looks into a list or uses a function with no office side."""
    return any(isinstance(n, Lookup) or (isinstance(n, Call) and n.function in _PHONE_ONLY) for n in walk(node))


def conjuncts(node: Node) -> list[Node]:
    """The parts of a chain of `and`, left to right."""
    if isinstance(node, Operation) and node.operator == "and":
        return conjuncts(node.left) + conjuncts(node.right)
    return [node]


def limit(node: Node) -> tuple[str, float] | None:
    """(operator, number) when the node is a plain limit such as `. >= 0`, else None."""
    if isinstance(node, Operation) and node.left == Answer(None) and node.operator in ("<", "<=", ">", ">="):
        sign, bound = 1, node.right
        if isinstance(bound, Operation) and bound.operator == "-" and bound.left == Number("0"):
            sign, bound = -1, bound.right
        if isinstance(bound, Number):
            return node.operator, sign * float(bound.text)
    return None


Scope = Mapping[str | None, "tuple[str, Kind] | Node"]
"""Name of a question (None for `.`) -> its SQL and kind, or the tree of a calculation to put in its place."""


def _quote(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def to_sql(node: Node, scope: Scope, today: str = "received_on") -> tuple[str, Kind]:
    """The SQL of a tree and its kind. A predicate is never NULL. `today` is the SQL of the day meant by today()."""

    def say(part: Node, kind: Kind) -> str:
        sql, found = to_sql(part, scope, today)
        if found == kind:
            return f"coalesce({sql}, '')" if kind == "text" and not isinstance(part, Text) else sql
        if kind == "text":
            return f"coalesce(CAST({sql} AS VARCHAR), '')"
        if kind == "number" and found == "text":
            return f"TRY_CAST({sql} AS DOUBLE)"
        if kind == "date" and found == "text":
            return f"TRY_CAST({sql} AS DATE)"
        why = tr(
            "{found} stands where {wanted} is wanted; write a comparison or a conversion",
            found=tr(_KINDS[found]),
            wanted=tr(_KINDS[kind]),
        )
        raise ExpressionError(why)

    match node:
        case Number(text):
            return text, "number"
        case Text(value):
            return _quote(value), "text"
        case Lookup(source):
            why = tr("only the phone can look up {source}; give that calculate a unit so that it is sent", source=source)
            raise ExpressionError(why)
        case Answer(name):
            if name not in scope:
                raise ExpressionError(tr("there is no question named {name}", name=repr(name)))
            meant = scope[name]
            return meant if isinstance(meant, tuple) else to_sql(meant, scope, today)
        case Call("if", (condition, yes, no)):
            kind = to_sql(yes, scope, today)[1]
            kind = kind if to_sql(no, scope, today)[1] == kind else "text"
            return f"(CASE WHEN {say(condition, 'bool')} THEN {say(yes, kind)} ELSE {say(no, kind)} END)", kind
        case Call("coalesce", arguments):
            kind = to_sql(arguments[-1], scope, today)[1]
            parts = [say(a, kind) for a in arguments]
            parts = [f"nullif({p}, '')" for p in parts] if kind == "text" else parts
            return f"coalesce({', '.join(parts)})", kind
        case Call("concat", arguments):
            return "(" + " || ".join(say(a, "text") for a in arguments) + ")", "text"
        case Call(function, arguments):
            if function not in _FUNCTIONS:
                raise ExpressionError(tr("{function}() has no meaning in the office", function=function))
            known = _FUNCTIONS[function]
            said = [say(a, k) for a, k in zip(arguments, known.takes, strict=False)]
            if function in ("round", "substr") and len(said) < len(known.takes):
                said.append("0" if function == "round" else "100000")
            return known.sql.format(*said, today=today), known.gives
        case Operation("and" | "or" as word, left, right):
            return f"({say(left, 'bool')} {word.upper()} {say(right, 'bool')})", "bool"
        case Operation("+" | "-" | "*" | "div" | "mod" as sign, left, right):
            a, b = say(left, "number"), say(right, "number")
            if sign in ("div", "mod"):
                b, sign = f"nullif({b}, 0)", {"div": "/", "mod": "%"}[sign]
            return f"({a} {sign} {b})", "number"
        case Operation(sign, left, right):
            kinds = to_sql(left, scope, today)[1], to_sql(right, scope, today)[1]
            if Text("") in (left, right) and set(kinds) != {"text"}:
                other = to_sql(left if right == Text("") else right, scope, today)[0]
                return f"({other} IS {'' if sign == '=' else 'NOT '}NULL)", "bool"
            if "date" in kinds:
                raise ExpressionError(tr("engines compare dates differently: put both sides in decimal-date-time()"))
            kind = "text" if set(kinds) == {"text"} else "number"
            sql = f"{say(left, kind)} {'<>' if sign == '!=' else sign} {say(right, kind)}"
            return f"coalesce({sql}, {str(sign == '!=').lower()})", "bool"
    raise AssertionError(node)


_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {
    "=": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


def _compare(sign: str, left: Any, right: Any, with_blank: bool) -> bool:
    """As texts where both sides are texts or one is the literal '', otherwise as numbers."""
    are_texts = all(x is None or isinstance(x, str) for x in (left, right))
    as_kind: Callable[[Any], Any] = _text if are_texts or with_blank else _number
    return _COMPARISONS[sign](as_kind(left), as_kind(right))


def evaluate(node: Node, answers: Mapping[str | None, Any], today: dt.date) -> Any:
    """What the tree comes to for one submission.

    `answers` maps names (None for `.`) to values (int, float, str, date; None is blank) or to the tree of a
    calculation. Numbers come back as float, nan where there is none.
    """

    def work(part: Node) -> Any:
        return evaluate(part, answers, today)

    match node:
        case Number(text):
            return float(text)
        case Text(value):
            return value
        case Lookup(source):
            raise ExpressionError(tr("only the phone can look up {source}", source=source))
        case Answer(name):
            meant = answers.get(name)
            return work(meant) if isinstance(meant, Node) else meant
        case Call("if", (condition, yes, no)):
            return work(yes) if work(condition) else work(no)
        case Call("coalesce", arguments):
            return next((v for a in arguments if (v := work(a)) not in (None, "")), None)
        case Call("concat", arguments):
            return "".join(_text(work(a)) for a in arguments)
        case Call("today", _):
            return today
        case Call(function, arguments):
            known = _FUNCTIONS[function]
            values = [work(a) for a in arguments]
            cast = [_text(v) if k == "text" else v for v, k in zip(values, known.takes, strict=False)]
            return known.run(*cast)
        case Operation("and", left, right):
            return bool(work(left)) and bool(work(right))
        case Operation("or", left, right):
            return bool(work(left)) or bool(work(right))
        case Operation("+" | "-" | "*" | "div" | "mod" as sign, left, right):
            a, b = _number(work(left)), _number(work(right))
            if sign in ("div", "mod"):
                return math.nan if not b or math.isnan(a + b) else (a / b if sign == "div" else math.fmod(a, b))
            return a + b if sign == "+" else a - b if sign == "-" else a * b
        case Operation(sign, left, right):
            return _compare(sign, work(left), work(right), Text("") in (left, right))
    raise AssertionError(node)
