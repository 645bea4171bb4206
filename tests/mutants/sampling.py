"""Which faults may be put into a module, and a sample of them; the operators are those of cosmic-ray.

Of each operator's replacements one stands for all (`_TAKEN`): a plus becomes a minus. Those that any test would notice,
such as a comparison made an identity, would only swell the count; those that no test can notice, such as ``<`` for
``<=`` between real numbers, would hide what is missed.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import MutationVisitor
from cosmic_ray.operators.provider import OperatorProvider

from tests.mutants.trying import path_of

__all__ = ["Mutant", "acts", "places", "sample", "standing"]

_TAKEN = (
    *(f"ReplaceBinaryOperator_{one}" for one in ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "Pow_Mul", "Mod_Add")),
    *(f"ReplaceBinaryOperator_{one}" for one in ("FloorDiv_Mul", "BitAnd_BitOr", "BitOr_BitAnd")),
    *(f"ReplaceComparisonOperator_{one}" for one in ("Lt_Gt", "LtE_GtE", "Gt_Lt", "GtE_LtE", "Eq_NotEq", "NotEq_Eq")),
    *("ReplaceComparisonOperator_Is_IsNot", "ReplaceComparisonOperator_IsNot_Is"),
    *(f"ReplaceUnaryOperator_{one}" for one in ("Delete_USub", "Delete_Invert", "Delete_Not")),
    *("ReplaceAndWithOr", "ReplaceOrWithAnd", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "NumberReplacer"),
    *("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ZeroIterationForLoop"),
)


#: How many places of the same kind may have come or gone before a fault, for it to be found again.
_AWAY = 40


@dataclass(frozen=True)
class Mutant:
    """One fault: the module, the operator and which of its places in it."""

    module: str
    operator: str
    occurrence: int

    def source(self) -> str:
        """The module's source with the fault in it."""
        return _changed(self)

    def where(self) -> tuple[int, str, str]:
        """Number of the first line that differs, as it is and as it is made."""
        right = _right(self.module).splitlines()
        for number, (one, other) in enumerate(zip(right, self.source().splitlines(), strict=False), 1):
            if one != other:
                return number, one.strip(), other.strip()
        return len(right), "", ""


@cache
def _right(module: str) -> str:
    return path_of(module).read_text(encoding="utf-8")


@cache
def _changed(mutant: Mutant) -> str:
    changed = MutationVisitor.mutate_code(
        _right(mutant.module), OperatorProvider()[mutant.operator](), mutant.occurrence
    )
    if changed is None:
        raise ValueError(f"{mutant.module} has no place {mutant.occurrence} for {mutant.operator}")
    return str(changed)


def places(module: str) -> list[Mutant]:
    """Every place of a module that an operator knows; some of them may change nothing."""
    tree = get_ast(_right(module))
    nodes = list(ast_nodes(tree))
    found = []
    for name in _TAKEN:
        operator = OperatorProvider()[name]()
        count = sum(len(list(operator.mutation_positions(node))) for node in nodes)
        found += [Mutant(module, name, k) for k in range(count)]
    return found


def acts(mutant: Mutant) -> bool:
    """Whether the module does anything else with the fault in it."""
    try:
        return _acting(mutant.source()) != _acting(_right(mutant.module))
    except SyntaxError:
        return False


def sample(modules: Sequence[str], count: int, seed: int) -> list[Mutant]:
    """So many faults that act, the same for the same seed and code; every place is as likely as any other."""
    every = [one for module in modules for one in places(module)]
    random.Random(seed).shuffle(every)
    return list(islice((one for one in every if acts(one)), count))


def standing(one: Mutant, before: str, after: str) -> Mutant | None:
    """The same fault in the code as it stands, None where that line is no more.

    Parameters
    ----------
    one : as it was drawn; code before it in its module may have come or gone since.
    before, after : the line as it was and as the fault made it.
    """
    for away in sorted(range(-_AWAY, _AWAY + 1), key=abs):
        tried = replace(one, occurrence=one.occurrence + away)
        with suppress(ValueError):
            if tried.occurrence >= 0 and tried.where()[1:] == (before, after):
                return tried
    return None


class _Acting(ast.NodeTransformer):
    """Leaves out what changes no result, by rule.

    Annotations and docstrings do nothing when a module runs; decorators here only say that a value is frozen or kept;
    what stands in a ``raise`` is the text of an error; a star in a signature only says how arguments may be named;
    ``strict`` of a zip only guards against lengths that differ; any negative length in a ``reshape`` stands for what is
    left.
    """

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        default = dict(zip((one.arg for one in node.kwonlyargs), node.kw_defaults, strict=True))
        plain = [*node.posonlyargs, *node.args]
        default |= dict(zip((one.arg for one in plain[len(plain) - len(node.defaults) :]), node.defaults, strict=True))
        every = [*plain, *node.kwonlyargs]
        given = [default.get(one.arg) for one in every]
        merged = ast.arguments([], [], node.vararg, every, given, node.kwarg, [])
        return self.generic_visit(merged)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns, node.decorator_list = None, []
        return self.generic_visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.decorator_list = []
        return self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> ast.AST:
        node.keywords = [one for one in node.keywords if one.arg != "strict"]
        if isinstance(node.func, ast.Attribute) and node.func.attr == "reshape":
            node.args = [ast.Constant("left") if isinstance(one, ast.UnaryOp) else one for one in node.args]
        return self.generic_visit(node)

    def visit_Raise(self, node: ast.Raise) -> ast.AST:
        node.exc = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
        return self.generic_visit(node)


@cache
def _acting(source: str) -> str:
    return ast.dump(_Acting().visit(ast.parse(source)))
