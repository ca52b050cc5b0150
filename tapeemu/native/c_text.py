"""From typed functions to readable C99: statements and expressions."""

import ast
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from tapeemu.native.c_names import (
    comment,
    constant_kind,
    constant_name,
    function_name,
    literal,
    local_name,
    signature,
    type_name,
    view_name,
    wrapped,
)
from tapeemu.native.subset import (
    CASTS,
    DOUBLE,
    INDEX,
    INT32,
    INT64,
    REAL,
    SINGLE,
    TRUTH,
    UINT64,
    UNSIGNED_INDEX,
    Array,
    Function,
    Record,
    Scalar,
    Type,
    Unit,
)

__all__ = ["function_lines"]

_COMPARISONS = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!="}
_ATOM, _UNARY, _PRODUCT, _SUM, _COMPARISON, _AND, _OR, _CHOICE = 15, 13, 12, 11, 9, 4, 3, 2
"""Precedence of kinds of expressions in C."""
_OPERATORS: dict[type[ast.operator], tuple[str, int]] = {
    ast.Mult: ("*", _PRODUCT),
    ast.Div: ("/", _PRODUCT),
    ast.FloorDiv: ("/", _PRODUCT),
    ast.Mod: ("%", _PRODUCT),
    ast.Add: ("+", _SUM),
    ast.Sub: ("-", _SUM),
    ast.LShift: ("<<", 10),
    ast.RShift: (">>", 10),
    ast.BitAnd: ("&", 7),
    ast.BitXor: ("^", 6),
    ast.BitOr: ("|", 5),
}
_LANES = {"eight_lanes": REAL, "eight_precise_lanes": DOUBLE}
_LANE_COUNT = 8
_MATHEMATICS = {
    "math.sqrt": "square_root",
    "math.floor": "floor_of",
    "math.ceil": "ceiling_of",
    "np.floor": "floor_of",
}
_SUFFIX = {
    REAL: "",
    SINGLE: "_single",
    DOUBLE: "_double",
    INDEX: "_integer",
    UNSIGNED_INDEX: "_unsigned",
    INT64: "_integer_64",
    UINT64: "_unsigned_64",
}


@dataclass(frozen=True)
class _Text:
    """C text of an expression, its type, and how tightly it binds."""

    text: str
    kind: Type
    binding: int = _ATOM
    constant: Any = None  # value of a literal integer or real, which takes the type of its neighbour
    symbol: str = ""  # name of a constant of the file, in its own type
    soft: bool = False  # made of integers and literals alone: in double, until a real number stands beside it

    def within(self, binding: int) -> str:
        return self.text if self.binding >= binding else f"({self.text})"


class _Body:
    """One function on its way to C."""

    def __init__(self, unit: Unit, function: Function) -> None:
        self.unit = unit
        self.function = function
        self.kinds: dict[str, Type] = dict(function.parameters)
        self.counters: set[str] = set()
        self.in_lanes: set[str] = set()
        self.temporaries = 0
        self.declared: dict[str, ast.stmt | None] = {}
        self.told: set[int] = set()
        self.names: dict[str, list[ast.Name]] = {}
        for each in ast.walk(function.node):
            if isinstance(each, ast.Name):
                self.names.setdefault(each.id, []).append(each)
        first = function.node.body[1:] if function.doc else function.node.body
        self.statements = first

    # --- statements ---------------------------------------------------------------------------------

    def lines(self) -> list[str]:
        inner = self.block(self.statements)
        hoisted = [f"{self.declaration(name)} = {self.zero(name)};" for name in self.hoisted()]
        unused = [f"(void){local_name(name)};" for name in self.function.parameters if not self.uses(name)]
        body = [f"    {line}" if line else "" for line in [*unused, *hoisted, *inner]]
        return [signature(self.unit, self.function), "{", *body, "}"]

    def hoisted(self) -> list[str]:
        return [name for name, place in self.declared.items() if place is None]

    def zero(self, name: str) -> str:
        kind = self.kinds[name]
        return literal(0, kind) if isinstance(kind, Scalar) else "{0}"

    def declaration(self, name: str) -> str:
        return f"{type_name(self.kinds[name])} {local_name(name)}"

    def block(self, statements: Sequence[ast.stmt]) -> list[str]:
        lines: list[str] = []
        for statement in statements:
            lines += self.comment_lines(statement)
            lines += self.statement(statement, statements)
        return lines

    def comment_lines(self, statement: ast.stmt) -> list[str]:
        """Comments that stand above a statement or behind its first line, each once."""
        found = []
        line = statement.lineno - 1
        while line in self.unit.comments and line not in self.told and self.alone(line):
            found.append(line)
            line -= 1
        found = found[::-1]
        if statement.lineno in self.unit.comments and statement.lineno not in self.told:
            found.append(statement.lineno)
        self.told.update(found)
        return [f"/* {self.unit.comments[line]} */" for line in found]

    def alone(self, line: int) -> bool:
        return all(node.lineno != line for node in ast.walk(self.function.node) if isinstance(node, ast.stmt))

    def statement(self, node: ast.stmt, siblings: Sequence[ast.stmt]) -> list[str]:
        match node:
            case ast.Assign(targets=[target], value=value):
                return self.assign(node, target, value, siblings)
            case ast.AnnAssign(target=ast.Name() as target, value=ast.expr() as value):
                wanted = CASTS.get(ast.unparse(node.annotation))
                if wanted is None:
                    wanted = {"Precise": DOUBLE, "bool": TRUTH}.get(ast.unparse(node.annotation))
                if wanted is None:
                    raise self.unit.refuse(node, "the annotation is no number of the subset", "use int or float")
                given = replace(self.converted(self.expression(value), wanted, node), soft=False)
                return self.store(node, target, given, siblings)
            case ast.AugAssign(target=target, op=op, value=value):
                return self.augment(node, target, op, value)
            case ast.For(target=ast.Name() as target, iter=ast.Call(func=ast.Name(id="range")) as call, orelse=[]):
                return self.count(node, target, call)
            case ast.While(test=test, body=body, orelse=[]):
                head = f"while ({self.expression(test).text}) {{"
                return [head, *self.indented(body), "}"]
            case ast.If():
                return self.choose(node)
            case ast.Return(value=value):
                return self.give_back(node, value)
            case ast.Expr(value=ast.Call() as call):
                return [f"{self.expression(call).text};"]
            case ast.Continue():
                return ["continue;"]
            case ast.Break():
                return ["break;"]
            case ast.Pass():
                return []
        raise self.unit.refuse(
            node, f"{type(node).__name__} is not of the subset", "write it with loops and conditions"
        )

    def indented(self, body: Sequence[ast.stmt]) -> list[str]:
        return [f"    {line}" for line in self.block(body)]

    def choose(self, node: ast.If) -> list[str]:
        lines = [f"if ({self.expression(node.test).text}) {{", *self.indented(node.body)]
        rest = node.orelse
        while len(rest) == 1 and isinstance(rest[0], ast.If):
            lines += [f"}} else if ({self.expression(rest[0].test).text}) {{", *self.indented(rest[0].body)]
            rest = rest[0].orelse
        if rest:
            lines += ["} else {", *self.indented(rest)]
        return [*lines, "}"]

    def give_back(self, node: ast.Return, value: ast.expr | None) -> list[str]:
        wanted = self.function.returns
        if value is None or wanted is None:
            if value is not None or wanted is not None:
                raise self.unit.refuse(node, "what is returned is not what is declared", "correct the annotation")
            return ["return;"]
        if isinstance(wanted, Record):
            if not isinstance(value, ast.Tuple) or len(value.elts) != len(wanted.fields):
                raise self.unit.refuse(node, "a group is returned in one piece", "return its members one by one")
            members = [
                self.converted(self.expression(member), kind, node).text
                for member, (_, kind) in zip(value.elts, wanted.fields, strict=True)
                if isinstance(kind, Scalar)
            ]
            return [f"return ({wanted.name}){{{', '.join(members)}}};"]
        assert isinstance(wanted, Scalar)
        return [f"return {self.converted(self.expression(value), wanted, node).text};"]

    def assign(self, node: ast.stmt, target: ast.expr, value: ast.expr, siblings: Sequence[ast.stmt]) -> list[str]:
        if isinstance(target, ast.Tuple):
            return self.unpack(node, target, value, siblings)
        if isinstance(target, ast.Subscript):
            place = self.expression(target)
            if not isinstance(place.kind, Scalar):
                raise self.unit.refuse(node, "a part of an array is written at once", "write a loop over it")
            return [f"{place.text} = {self.converted(self.expression(value), place.kind, node).text};"]
        if not isinstance(target, ast.Name):
            raise self.unit.refuse(
                node, "only names and elements of arrays can be assigned to", "use a local name"
            )
        lanes = _LANES.get(ast.unparse(value.func)) if isinstance(value, ast.Call) else None
        if lanes is not None:
            return self.lanes(node, target.id, lanes, siblings)
        return self.store(node, target, self.expression(value), siblings)

    def lanes(self, node: ast.stmt, name: str, element: Scalar, siblings: Sequence[ast.stmt]) -> list[str]:
        """Declare eight zeros in the function, and the array that has the name."""
        if name in self.kinds or self.changed(name) or not self.contained(name, node, siblings):
            raise self.unit.refuse(node, "lanes have one name in one block", "use another name")
        kind = Array(element, 1)
        self.kinds[name] = kind
        self.declared[name] = node
        self.in_lanes.add(name)
        held = f"{local_name(name)}_lanes"
        return [
            f"{element.name} {held}[{_LANE_COUNT}] = {{0}};",
            f"const {type_name(kind)} {local_name(name)} = {{{held}, {_LANE_COUNT}}};",
        ]

    def fills_lanes(self, node: ast.stmt, counter: str) -> bool:
        """Whether a statement of a loop changes the lane that the loop has come to."""
        target = node.target if isinstance(node, ast.AugAssign) else None
        return (
            isinstance(target, ast.Subscript)
            and isinstance(target.value, ast.Name)
            and target.value.id in self.in_lanes
            and ast.unparse(target.slice) == counter
        )

    def unpack(
        self, node: ast.stmt, target: ast.Tuple, value: ast.expr, siblings: Sequence[ast.stmt]
    ) -> list[str]:
        names = [each for each in target.elts if isinstance(each, ast.Name)]
        if len(names) != len(target.elts):
            raise self.unit.refuse(node, "several values are unpacked into elements", "unpack into local names")
        if isinstance(value, ast.Attribute) and value.attr == "shape":
            array = self.expression(value.value)
            if not isinstance(array.kind, Array) or array.kind.rank != len(names):
                raise self.unit.refuse(node, "the array has another number of dimensions", "unpack as many")
            parts = [_Text(f"{array.text}.n{axis}", INDEX) for axis in range(len(names))]
            return [
                line
                for name, part in zip(names, parts, strict=True)
                for line in self.store(node, name, part, siblings)
            ]
        if isinstance(value, ast.Tuple) and len(value.elts) == len(names):
            earlier: set[str] = set()
            lines = []
            for name, each in zip(names, value.elts, strict=True):
                if earlier & {inner.id for inner in ast.walk(each) if isinstance(inner, ast.Name)}:
                    raise self.unit.refuse(
                        node, "a value uses a name that is assigned beside it", "assign in turn"
                    )
                lines += self.store(node, name, self.expression(each), siblings)
                earlier.add(name.id)
            return lines
        given = self.expression(value)
        if not isinstance(given.kind, Record) or len(given.kind.fields) != len(names):
            raise self.unit.refuse(node, "what is unpacked has another number of members", "unpack as many")
        self.temporaries += 1
        held = f"result_{self.temporaries}"
        lines = [f"const {given.kind.name} {held} = {given.text};"]
        for name, (member, kind) in zip(names, given.kind.fields, strict=True):
            if any(isinstance(use.ctx, ast.Load) for use in self.uses(name.id)):
                lines += self.store(node, name, _Text(f"{held}.{member}", kind), siblings)
        return lines

    def store(self, node: ast.stmt, target: ast.Name, given: _Text, siblings: Sequence[ast.stmt]) -> list[str]:
        name = target.id
        if name in self.counters:
            raise self.unit.refuse(node, f"{name} counts a loop and is changed", "use another name")
        known = self.kinds.get(name)
        if known is None:
            given = self.settled(given)
            self.kinds[name] = given.kind
            if self.contained(name, node, siblings):
                self.declared[name] = node
                constant = "" if self.changed(name) or isinstance(given.kind, Array) else "const "
                return [f"{constant}{self.declaration(name)} = {given.text};"]
            self.declared[name] = None
        elif isinstance(known, Scalar):
            given = self.kept(given, known, node)
        elif given.kind != known:
            raise self.unit.refuse(node, f"{name} changes its type", "use another name")
        return [f"{local_name(name)} = {given.text};"]

    def settled(self, given: _Text) -> _Text:
        """A literal gets the type it has by itself, as does what is made of integers and literals."""
        if given.soft:
            return _Text(f"(real){given.within(_UNARY)}", REAL, _UNARY)
        if given.constant is None or not isinstance(given.kind, Scalar):
            return given
        return given if given.symbol else _Text(literal(given.constant, given.kind), given.kind)

    def kept(self, given: _Text, known: Scalar, node: ast.AST) -> _Text:
        if isinstance(given.kind, Scalar) and given.kind.sort != known.sort and given.constant is None:
            raise self.unit.refuse(
                node,
                f"a name of type {known.name} is given a "
                + ("real number" if given.kind.sort == "real" else given.kind.name),
                "convert it, or use another name",
            )
        if isinstance(given.constant, float) and known.sort != "real":
            raise self.unit.refuse(node, f"a name of type {known.name} is given a real number", "start it as 0.0")
        return self.converted(given, known, node)

    def contained(self, name: str, node: ast.stmt, siblings: Sequence[ast.stmt]) -> bool:
        """Whether all uses of a name lie in this block, behind its first assignment or in it."""
        here = {id(inner) for statement in siblings for inner in ast.walk(statement)}
        return all(id(inner) in here for inner in self.uses(name))

    def uses(self, name: str) -> list[ast.Name]:
        return self.names.get(name, [])

    def changed(self, name: str) -> bool:
        return sum(isinstance(use.ctx, ast.Store) for use in self.uses(name)) > 1

    def augment(self, node: ast.AugAssign, target: ast.expr, op: ast.operator, value: ast.expr) -> list[str]:
        loaded: ast.expr
        if isinstance(target, ast.Name):
            if target.id in self.counters:
                raise self.unit.refuse(node, f"{target.id} counts a loop and is changed", "use another name")
            loaded = ast.copy_location(ast.Name(target.id, ast.Load()), target)
        elif isinstance(target, ast.Subscript):
            loaded = ast.copy_location(ast.Subscript(target.value, target.slice, ast.Load()), target)
        else:
            raise self.unit.refuse(node, "only names and elements of arrays can be changed", "use a local name")
        place = self.expression(loaded)
        if not isinstance(place.kind, Scalar):
            raise self.unit.refuse(node, "a part of an array is changed at once", "write a loop over it")
        result = self.expression(ast.copy_location(ast.BinOp(loaded, op, value), node))
        sign = _OPERATORS.get(type(op))
        if result.kind == place.kind and sign is not None and type(op) not in (ast.FloorDiv, ast.Mod):
            return [f"{place.text} {sign[0]}= {self.beside(self.expression(value), place.kind, node).text};"]
        return [f"{place.text} = {self.kept(result, place.kind, node).text};"]

    def count(self, node: ast.For, target: ast.Name, call: ast.Call) -> list[str]:
        parts = [self.expression(argument) for argument in call.args]
        step = 1
        if len(parts) == 3:
            given = parts.pop().constant
            if not isinstance(given, int) or given == 0:
                raise self.unit.refuse(node, "the step of a loop is no constant", "write a while loop")
            step = int(given)
        start, stop = parts if len(parts) == 2 else (_Text("0", INDEX, constant=0), parts[0])
        kind = start.kind if start.constant is None else self.settled(stop).kind
        if not isinstance(kind, Scalar) or kind.sort not in ("signed", "unsigned"):
            raise self.unit.refuse(node, "a loop counts what is no integer", "give range integers")
        if target.id in self.kinds and target.id not in self.counters:
            raise self.unit.refuse(node, f"{target.id} counts a loop and is used elsewhere", "use another name")
        inside = {id(inner) for inner in ast.walk(node)}
        loops = [
            n
            for n in ast.walk(self.function.node)
            if isinstance(n, ast.For) and ast.unparse(n.target) == target.id
        ]
        within = {id(inner) for loop in loops for inner in ast.walk(loop)}
        if any(id(use) not in within for use in self.uses(target.id)):
            raise self.unit.refuse(node, f"{target.id} is used behind its loop", "keep it under another name")
        lines = []
        limit = self.beside(stop, kind, node)
        if not self.steady(call.args[-1 if len(call.args) < 3 else 1], inside):
            self.temporaries += 1
            lines.append(f"const {kind.name} stop_{self.temporaries} = {limit.text};")
            limit = _Text(f"stop_{self.temporaries}", kind)
        name = local_name(target.id)
        self.kinds[target.id] = kind
        outer = target.id in self.counters
        self.counters.add(target.id)
        first = self.beside(start, kind, node).text
        sign = "<" if step > 0 else ">"
        move = f"{name}++" if step == 1 else f"{name} {'+' if step > 0 else '-'}= {abs(step)}"
        if any(self.fills_lanes(inner, target.id) for inner in node.body):
            lines.append("IN_LANES")
        lines.append(f"for ({kind.name} {name} = {first}; {name} {sign} {limit.within(_COMPARISON)}; {move}) {{")
        lines += [*self.indented(node.body), "}"]
        if not outer:
            self.counters.discard(target.id)
            del self.kinds[target.id]
        return lines

    def steady(self, stop: ast.expr, inside: set[int]) -> bool:
        """Whether the end of a loop cannot change while it runs: constants, sizes, names it does not assign."""
        for inner in ast.walk(stop):
            if isinstance(inner, ast.Call | ast.Subscript) and not (
                isinstance(inner, ast.Subscript) and isinstance(inner.value, ast.Attribute)
            ):
                return (
                    isinstance(inner, ast.Call)
                    and ast.unparse(inner.func) in CASTS
                    and self.steady(inner.args[0], inside)
                )
            if isinstance(inner, ast.Name) and any(
                isinstance(use.ctx, ast.Store) and id(use) in inside for use in self.uses(inner.id)
            ):
                return False
        return True

    # --- expressions --------------------------------------------------------------------------------

    def expression(self, node: ast.expr) -> _Text:
        match node:
            case ast.Constant(value=bool() as value):
                return _Text(literal(value, TRUTH), TRUTH)
            case ast.Constant(value=int() as value):
                return _Text(literal(value, INDEX), INDEX, constant=value)
            case ast.Constant(value=float() as value):
                return _Text(literal(value, REAL), REAL, constant=value)
            case ast.Name(id=name):
                return self.name(node, name)
            case ast.UnaryOp(op=ast.USub(), operand=operand):
                inner = self.expression(operand)
                if inner.constant is not None:
                    assert isinstance(inner.kind, Scalar)
                    if inner.symbol:
                        return _Text(f"-{inner.text}", inner.kind, _UNARY)
                    return _Text(literal(-inner.constant, inner.kind), inner.kind, _UNARY, -inner.constant)
                return _Text(f"-{inner.within(_UNARY)}", inner.kind, _UNARY, soft=inner.soft)
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                return _Text(f"!{self.expression(operand).within(_UNARY)}", TRUTH, _UNARY)
            case ast.BinOp(left=left, op=op, right=right):
                return self.binary(node, self.expression(left), op, self.expression(right))
            case ast.Compare():
                return self.comparison(node)
            case ast.BoolOp(op=op, values=values):
                sign, binding = ("&&", _AND) if isinstance(op, ast.And) else ("||", _OR)
                parts = [self.expression(value) for value in values]
                if any(part.kind != TRUTH for part in parts):
                    raise self.unit.refuse(node, "and and or join what is no condition", "compare with a number")
                return _Text(f" {sign} ".join(part.within(binding + 1) for part in parts), TRUTH, binding)
            case ast.IfExp(test=test, body=body, orelse=orelse):
                one, other = self.together(node, self.expression(body), self.expression(orelse))
                condition = self.expression(test).within(_CHOICE + 1)
                soft = one.kind == DOUBLE and one.soft and other.soft
                return _Text(
                    f"{condition} ? {one.within(_CHOICE + 1)} : {other.within(_CHOICE)}",
                    one.kind,
                    _CHOICE,
                    soft=soft,
                )
            case ast.Subscript():
                return self.subscript(node)
            case ast.Attribute():
                return self.attribute(node)
            case ast.Call():
                return self.call(node)
        raise self.unit.refuse(
            node, f"{type(node).__name__} is not of the subset", "use numbers, arrays and calls"
        )

    def name(self, node: ast.Name, name: str) -> _Text:
        if name in self.kinds:
            return _Text(local_name(name), self.kinds[name])
        if name in self.unit.constants:
            value = self.unit.constants[name]
            kind = constant_kind(value)
            symbol = constant_name(self.unit, name)
            return _Text(symbol, kind, constant=value if kind in (INDEX, REAL) else None, symbol=symbol)
        raise self.unit.refuse(node, f"{name} is no name of the kernel", "define it in this file or pass it in")

    def attribute(self, node: ast.Attribute) -> _Text:
        if ast.unparse(node) in ("math.pi", "np.pi"):
            return _Text(literal(np.pi, REAL), REAL, constant=float(np.pi))
        if ast.unparse(node) in ("math.inf", "np.inf", "math.nan", "np.nan"):
            return _Text("INFINITE" if node.attr == "inf" else "NO_NUMBER", REAL)
        base = self.expression(node.value)
        if isinstance(base.kind, Array) and node.attr == "size":
            text = " * ".join(f"{base.text}.n{axis}" for axis in range(base.kind.rank))
            return _Text(text, INDEX, _ATOM if base.kind.rank == 1 else _OPERATORS[ast.Mult][1])
        if isinstance(base.kind, Record):
            kinds = dict(base.kind.fields)
            if node.attr in kinds:
                arrow = "->" if base.text in map(local_name, self.function.parameters) else "."
                return _Text(f"{base.text}{arrow}{local_name(node.attr)}", kinds[node.attr])
        raise self.unit.refuse(
            node, f"the attribute {node.attr} is not of the subset", "use .shape[k], .size or a field"
        )

    def subscript(self, node: ast.Subscript) -> _Text:
        if isinstance(node.value, ast.Attribute) and node.value.attr == "shape":
            array = self.expression(node.value.value)
            if isinstance(array.kind, Array) and isinstance(node.slice, ast.Constant):
                axis = node.slice.value
                if isinstance(axis, int) and 0 <= axis < array.kind.rank:
                    return _Text(f"{array.text}.n{axis}", INDEX)
            raise self.unit.refuse(node, "the array has no such dimension", "count them from 0")
        base = self.expression(node.value)
        if not isinstance(base.kind, Array):
            raise self.unit.refuse(node, "only arrays have elements", "pass an array")
        index = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
        if len(index) > base.kind.rank:
            raise self.unit.refuse(node, f"the array has {base.kind.rank} dimension(s)", "use as many indices")
        place, sizes = self.place(node, base, index)
        if not sizes:
            return _Text(f"{base.text}.at[{place}]", base.kind.element)
        view = Array(base.kind.element, len(sizes))
        start = f"{base.text}.at" if place == "0" else f"{base.text}.at + {place}"
        return _Text(f"({view_name(view)}){{{', '.join([start, *sizes])}}}", view)

    def place(self, node: ast.Subscript, base: _Text, index: Sequence[ast.expr]) -> tuple[str, list[str]]:
        """Offset of an element or a part, and the sizes of the part; only whole trailing dimensions may be cut."""
        assert isinstance(base.kind, Array)
        terms: list[str] = []
        sizes: list[str] = []
        for axis in range(base.kind.rank):
            given = index[axis] if axis < len(index) else ast.Slice(None, None, None)
            extent = f"{base.text}.n{axis}"
            if not isinstance(given, ast.Slice):
                if sizes:
                    raise self.unit.refuse(
                        node, "a part of an array is not contiguous", "cut the last dimension only"
                    )
                terms.append(self.offset(base, axis, self.whole(given)))
                continue
            if given.step is not None:
                raise self.unit.refuse(node, "a part of an array has a step", "write a loop")
            if sizes and (given.lower is not None or given.upper is not None):
                raise self.unit.refuse(node, "a part of an array is not contiguous", "cut the last dimension only")
            lower = None if given.lower is None else self.whole(given.lower)
            upper = _Text(extent, INDEX) if given.upper is None else self.whole(given.upper)
            if lower is not None and lower.constant != 0:
                terms.append(self.offset(base, axis, lower))
                sizes.append(f"{upper.within(_SUM)} - {lower.within(_PRODUCT)}")
            else:
                sizes.append(upper.text)
        return " + ".join(term for term in terms if term != "0") or "0", sizes

    def whole(self, node: ast.expr) -> _Text:
        given = self.expression(node)
        if not isinstance(given.kind, Scalar) or given.kind.sort not in ("signed", "unsigned"):
            raise self.unit.refuse(node, "an index is no integer", "convert it with int()")
        if isinstance(given.constant, int) and given.constant < 0:
            raise self.unit.refuse(node, "an index counts from the end", "subtract it from the size")
        if given.kind == INDEX:
            return given
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
            # Summand by summand: compilers do not see that a sum of unsigned numbers grows by one with the loop.
            left, right = self.whole(node.left), self.whole(node.right)
            if isinstance(node.op, ast.Add):
                return _Text(f"{left.within(_SUM)} + {right.within(_SUM)}", INDEX, _SUM)
            return _Text(f"{left.within(_SUM)} - {right.within(_PRODUCT)}", INDEX, _SUM)
        return _Text(f"(ix){given.within(_UNARY)}", INDEX, _UNARY)

    def offset(self, base: _Text, axis: int, given: _Text) -> str:
        assert isinstance(base.kind, Array)
        later = [f"{base.text}.n{k}" for k in range(axis + 1, base.kind.rank)]
        if not later:
            return given.within(_SUM)
        if given.constant == 0:
            return "0"
        return " * ".join([given.within(_PRODUCT), *later])

    def comparison(self, node: ast.Compare) -> _Text:
        values = [self.expression(value) for value in (node.left, *node.comparators)]
        parts = []
        for (left, right), op in zip(pairwise(values), node.ops, strict=True):
            if type(op) not in _COMPARISONS:
                raise self.unit.refuse(node, f"{type(op).__name__} is not of the subset", "compare numbers")
            one, other = self.together(node, left, right)
            sign = _COMPARISONS[type(op)]
            parts.append(f"{one.within(_COMPARISON + 1)} {sign} {other.within(_COMPARISON + 1)}")
        if len(parts) > 1 and any(
            isinstance(n, ast.Call) for value in node.comparators[:-1] for n in ast.walk(value)
        ):
            raise self.unit.refuse(
                node, "a chain of comparisons would call a function twice", "keep its result first"
            )
        return _Text(" && ".join(parts), TRUTH, _COMPARISON if len(parts) == 1 else _AND)

    def binary(self, node: ast.expr, left: _Text, op: ast.operator, right: _Text) -> _Text:
        if type(op) not in _OPERATORS:
            raise self.unit.refuse(node, f"the operator {type(op).__name__} is not of the subset", "write it out")
        one, other = self.together(node, left, right)
        kind = one.kind
        assert isinstance(kind, Scalar)
        soft = kind == DOUBLE and self.is_soft(left) and self.is_soft(right)
        whole = kind.sort in ("signed", "unsigned")
        sign, binding = _OPERATORS[type(op)]
        if left.constant is not None and right.constant is not None:
            value = self.folded(op, left.constant, right.constant)
            if value is not None:
                folded = INDEX if isinstance(value, int) else REAL
                return _Text(literal(value, folded), folded, _UNARY if value < 0 else _ATOM, value)
        if isinstance(op, ast.Div) and whole:
            one, other = self.converted(one, DOUBLE, node), self.converted(other, DOUBLE, node)
            kind, soft = DOUBLE, True
        elif isinstance(op, ast.FloorDiv | ast.Mod):
            if not whole:
                raise self.unit.refuse(node, "// and % are for integers", "divide and round down by math.floor")
            if kind.sort == "signed":
                function = "floor_division" if isinstance(op, ast.FloorDiv) else "floor_remainder"
                suffix = "_64" if kind == INT64 else ""
                return _Text(f"{function}{suffix}({one.text}, {other.text})", kind)
        elif (
            isinstance(op, ast.LShift | ast.RShift | ast.BitAnd | ast.BitXor | ast.BitOr)
            and kind.sort != "unsigned"
        ):
            raise self.unit.refuse(node, "bits of a signed number are moved", "use np.uint64")
        text = f"{one.within(binding)} {sign} {other.within(binding + 1)}"
        return _Text(text, kind, binding, soft=soft)

    @staticmethod
    def is_soft(given: _Text) -> bool:
        """Whether a part is an integer or a literal, or made of such."""
        whole = isinstance(given.kind, Scalar) and given.kind.sort in ("signed", "unsigned")
        return given.soft or whole or given.constant is not None

    @staticmethod
    def folded(op: ast.operator, left: Any, right: Any) -> Any:
        """Arithmetic between constants is worked out as Python does it, so that only its result is rounded."""
        whole = isinstance(left, int) and isinstance(right, int)
        match op:
            case ast.Add():
                return left + right
            case ast.Sub():
                return left - right
            case ast.Mult():
                return left * right
            case ast.Div() if right:
                return left / right
            case ast.FloorDiv() if whole and right:
                return left // right
            case ast.Mod() if whole and right:
                return left % right
        return None

    def together(self, node: ast.expr, left: _Text, right: _Text) -> tuple[_Text, _Text]:
        """Two numbers in the type that both fit in; integers and unsigned ones never meet by themselves."""
        one, other = left.kind, right.kind
        if not isinstance(one, Scalar) or not isinstance(other, Scalar):
            raise self.unit.refuse(node, "an array is used as a number", "write a loop over its elements")
        if left.constant is not None and right.constant is None:
            kind = other if other.sort == "real" or isinstance(left.constant, int) else DOUBLE
        elif right.constant is not None and left.constant is None:
            kind = one if one.sort == "real" or isinstance(right.constant, int) else DOUBLE
        elif left.soft != right.soft and "signed" not in (one.sort, other.sort):
            kind = other if left.soft else one
        elif one.sort == other.sort:
            kind = one if one.width >= other.width else other
        elif "real" in (one.sort, other.sort):
            kind = one if one.sort == "real" else other
        else:
            raise self.unit.refuse(
                node,
                f"a {one.name} meets a {other.name}",
                "convert one of them, so that it is plain which is meant",
            )
        return self.beside(left, kind, node), self.beside(right, kind, node)

    def beside(self, given: _Text, kind: Scalar, node: ast.AST) -> _Text:
        """A number in the type of its neighbour; a literal is written in that type."""
        if given.symbol and given.kind == kind:
            return given
        if given.constant is not None:
            if isinstance(given.constant, int) and given.constant < 0 and kind.sort == "unsigned":
                raise self.unit.refuse(node, "a negative number meets an unsigned one", "convert the unsigned one")
            return _Text(
                literal(given.constant, kind), kind, _UNARY if given.constant < 0 else _ATOM, given.constant
            )
        if given.kind == kind:
            return given
        return _Text(f"({kind.name}){given.within(_UNARY)}", kind, _UNARY)

    def converted(self, given: _Text, kind: Scalar, node: ast.AST) -> _Text:
        if not isinstance(given.kind, Scalar):
            raise self.unit.refuse(node, "an array is used as a number", "take an element of it")
        if given.constant is not None and not (isinstance(given.constant, float) and kind.sort != "real"):
            return self.beside(given, kind, node)
        if given.kind == kind:
            return given
        return _Text(f"({kind.name}){given.within(_UNARY)}", kind, _UNARY)

    def call(self, node: ast.Call) -> _Text:
        called = ast.unparse(node.func)
        if node.keywords or any(isinstance(argument, ast.Starred) for argument in node.args):
            raise self.unit.refuse(node, "arguments are passed by name or unpacked", "pass them one by one")
        if called in self.unit.functions:
            return self.own(node, self.unit, self.unit.functions[called])
        if called in self.unit.imported:
            return self.own(node, *self.unit.imported[called])
        if called in self.unit.groups:
            return self.grouped(node, self.unit.groups[called])
        if called == "settings_may_move":
            return _Text("SETTINGS_MAY_MOVE", TRUTH)
        arguments = [self.expression(argument) for argument in node.args]
        if called in CASTS and len(arguments) == 1:
            return self.converted(arguments[0], CASTS[called], node)
        if called in ("min", "max") and len(arguments) == 2:
            one, other = self.together(node, *arguments)
            assert isinstance(one.kind, Scalar)
            function = {"min": "smaller", "max": "larger"}[called]
            if one.kind not in _SUFFIX:
                one, other = self.converted(one, INDEX, node), self.converted(other, INDEX, node)
            soft = one.kind == DOUBLE and all(map(self.is_soft, arguments))
            text = f"{function}{_SUFFIX[one.kind]}({one.text}, {other.text})"  # type: ignore[index]
            return _Text(text, one.kind, soft=soft)
        if called == "abs" and len(arguments) == 1 and isinstance(arguments[0].kind, Scalar):
            kind = arguments[0].kind
            if kind.sort == "real":
                text = f"magnitude{_SUFFIX[kind]}({arguments[0].text})"
                return _Text(text, kind, soft=arguments[0].soft)
            if kind in (INDEX, INT64, INT32):
                return _Text(f"magnitude_of_integer{'_64' if kind == INT64 else ''}({arguments[0].text})", kind)
        if called in _MATHEMATICS and len(arguments) == 1:
            soft = self.is_soft(arguments[0])
            wanted = DOUBLE if soft else REAL
            given = arguments[0]
            if given.constant is not None or given.kind not in (SINGLE, REAL, DOUBLE):
                given = self.converted(given, wanted, node)
            assert isinstance(given.kind, Scalar)
            result = f"{_MATHEMATICS[called]}{_SUFFIX[given.kind]}({given.text})"
            # math.floor gives an integer, np.floor a real number.
            if called in ("math.floor", "math.ceil"):
                return _Text(f"(ix){result}", INDEX, _UNARY)
            return _Text(result, given.kind, soft=soft)
        raise self.unit.refuse(
            node, f"{called} is not of the subset", "call kernels of this file, min, max, abs, floor, ceil or sqrt"
        )

    def own(self, node: ast.Call, unit: Unit, function: Function) -> _Text:
        """A call of another kernel; groups are passed by their address."""
        kinds = list(function.parameters.items())
        given = self.members(node, function.name, kinds)
        for place, (_, kind) in enumerate(kinds):
            if isinstance(kind, Record):
                given[place] = given[place][1:] if given[place].startswith("*") else f"&{given[place]}"
        back: Type = function.returns if function.returns is not None else Record("void", ())
        return _Text(f"{function_name(unit, function)}({', '.join(given)})", back)

    def grouped(self, node: ast.Call, record: Record) -> _Text:
        """A group made of its members."""
        return _Text(f"({record.name}){{{', '.join(self.members(node, record.name, record.fields))}}}", record)

    def members(self, node: ast.Call, name: str, kinds: Sequence[tuple[str, Type]]) -> list[str]:
        if len(node.args) != len(kinds):
            raise self.unit.refuse(node, f"{name} takes {len(kinds)} arguments", "pass as many")
        given = []
        for argument, (member, kind) in zip(node.args, kinds, strict=True):
            value = self.expression(argument)
            if isinstance(kind, Scalar):
                counted = isinstance(value.kind, Scalar) and value.kind.sort == "signed"
                fits = kind.sort == "real" and counted  # an integer where a real number is wanted
                given.append((self.converted if fits else self.kept)(value, kind, node).text)
            elif value.kind != kind:
                raise self.unit.refuse(node, f"{member} is another sort of array", "pass what its annotation says")
            elif isinstance(kind, Record) and value.text in map(local_name, self.function.parameters):
                given.append(f"*{value.text}")
            else:
                given.append(value.text)
        return given


def function_lines(unit: Unit, function: Function) -> list[str]:
    """A kernel in C: its docstring as a comment, its declaration, its body.

    Raises
    ------
    SubsetError
        Where the kernel leaves the subset.
    """
    return [*comment(function.doc), *wrapped(_Body(unit, function).lines())]
