"""Every error that the program can raise, listed from its source: each says how to mend it, in a full sentence.

Findings are in `tests/test_guide.py`. Texts are followed through names, choices and helpers of the same module; what
stands for a value is shown as `...`.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from pathlib import Path

import pytest

import analyze
from analyze import cli_options
from analyze.errors import AnalyzeError
from analyze.guide import text_on

SOURCE = Path(analyze.__file__).parent
KINDS = {kind.__name__: kind for kind in AnalyzeError.__subclasses__()}
#: A finding's words, which have an entry of their own in the guide.
OF_A_FINDING = "first.detail"
#: A full sentence; or what is to be typed, after a colon.
SENTENCE = re.compile(r"[A-Z`.].*([.?]|: [a-z].*[^.,;: ])", re.DOTALL)


@dataclass(frozen=True)
class Raised:
    """A place where an error is made; `scopes` : the functions around it and its module, innermost first."""

    module: str
    line: int
    call: ast.Call
    scopes: tuple[ast.AST, ...]

    @property
    def what(self) -> tuple[str, str]:
        return self.module, ast.unparse(self.call.args[0])

    @property
    def mend(self) -> ast.expr | None:
        named = [keyword.value for keyword in self.call.keywords if keyword.arg == "mend"]
        return (self.call.args[1:2] + named or [None])[0]


def raised_in(node: ast.AST, module: str, scopes: tuple[ast.AST, ...]) -> Iterator[Raised]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Call) and isinstance(child.func, ast.Name) and child.func.id in KINDS:
            yield Raised(module, child.lineno, child, scopes)
        inside = (child, *scopes) if isinstance(child, ast.FunctionDef) else scopes
        yield from raised_in(child, module, inside)


@lru_cache
def raised() -> tuple[Raised, ...]:
    sources = {path: path.read_text(encoding="utf-8") for path in sorted(SOURCE.rglob("*.py"))}
    trees = {path: ast.parse(text) for path, text in sources.items() if any(f"{kind}(" in text for kind in KINDS)}
    return tuple(
        one
        for path, tree in trees.items()
        if path.name != "errors.py"
        for one in raised_in(tree, path.relative_to(SOURCE).as_posix(), (tree,))
    )


def texts(node: ast.AST, scopes: tuple[ast.AST, ...]) -> list[str]:
    """What an expression may say."""
    match node:
        case ast.Constant(value=str(text)):
            return [text]
        case ast.JoinedStr(values=parts):
            return ["".join(some) for some in product(*(texts(part, scopes) for part in parts))]
        case ast.FormattedValue(value=ast.Name() as name):
            return texts(name, scopes) if assigned(name.id, scopes[:1]) else ["..."]
        case ast.IfExp(body=one, orelse=other):
            return texts(one, scopes) + texts(other, scopes)
        case ast.BoolOp(values=some):
            return [text for one in some for text in texts(one, scopes) if text]
        case ast.Name(id=name):
            return [text for value in assigned(name, scopes) for text in texts(value, scopes)]
        case ast.Call(func=ast.Name(id="next"), args=[ast.GeneratorExp() as choice, other]):
            in_table = [
                text for mend in second_column(choice.generators[0].iter, scopes) for text in texts(mend, scopes)
            ]
            return in_table + texts(other, scopes)
        case ast.Call(func=ast.Name(id=helper)):
            return [text for value in returned(helper, scopes) for text in texts(value, scopes) if text]
        case ast.Attribute() if ast.unparse(node) == OF_A_FINDING:
            return ["A finding."]
        case _:
            return ["..."]


def assigned(name: str, scopes: tuple[ast.AST, ...]) -> list[ast.expr]:
    """What a name is given in the innermost scope that gives it anything."""
    for scope in scopes:
        body = scope.body if isinstance(scope, ast.Module) else list(ast.walk(scope))
        found = [
            node.value
            for node in body
            if isinstance(node, ast.Assign) and any(ast.unparse(target) == name for target in node.targets)
        ]
        if found:
            return found
    return []


def second_column(table: ast.AST, scopes: tuple[ast.AST, ...]) -> list[ast.expr]:
    """Of a table of pairs that a name of the module stands for."""
    (value,) = assigned(ast.unparse(table), scopes)
    assert isinstance(value, ast.Tuple)
    return [row.elts[1] for row in value.elts if isinstance(row, ast.Tuple)]


def returned(helper: str, scopes: tuple[ast.AST, ...]) -> list[ast.expr]:
    functions = [node for node in ast.walk(scopes[-1]) if isinstance(node, ast.FunctionDef) and node.name == helper]
    nodes = [node for function in functions for node in ast.walk(function)]
    return [node.value for node in nodes if isinstance(node, ast.Return) and node.value is not None]


@pytest.mark.parametrize("one", raised(), ids=lambda one: f"{one.module}:{one.line}")
def test_every_error_says_how_to_mend_it(one: Raised) -> None:
    assert one.mend is not None, f"{one.module}:{one.line} says no mend: {ast.unparse(one.call)}"
    said = texts(one.mend, one.scopes)
    assert said
    for text in said:
        assert SENTENCE.fullmatch(text), f"{one.module}:{one.line}: {text!r} is no full sentence"


def test_the_list_is_not_empty() -> None:
    assert len(raised()) > 90
    assert {one.call.func.id for one in raised() if isinstance(one.call.func, ast.Name)} == set(KINDS)


@pytest.mark.parametrize(
    ("call", "is_good"),
    [
        ('DescriptionError("a", "Correct it.")', True),
        ('DescriptionError("a", f"Install it: pip install {what}")', True),
        ('DescriptionError("a", "correct it.")', False),
        ('DescriptionError("a", "Correct it")', False),
        ('DescriptionError("a", "")', False),
        ('DescriptionError("a", "Do." if x else "not")', False),
        ('DescriptionError("a", _M)', False),
    ],
)
def test_a_bad_mend_is_seen(call: str, is_good: bool) -> None:
    tree = ast.parse(f'_M = "no"\ndef f():\n    raise {call}\n')
    (one,) = raised_in(tree, "made_up.py", (tree,))
    assert one.mend is not None
    assert all(SENTENCE.fullmatch(text) for text in texts(one.mend, one.scopes)) is is_good


def test_every_exit_code_is_in_the_guide() -> None:
    codes = {kind.exit_code for kind in KINDS.values()}
    codes |= {0, 1, 130, cli_options.UNDECIDED, cli_options.CHANGED, cli_options.DAMAGED, cli_options.SOME_FAILED}
    in_guide = [int(code) for code in re.findall(r"^\| (\d+) \|", text_on("exit codes"), re.MULTILINE)]
    assert in_guide == sorted(codes)
