"""Which faults may be put into a module, and a sample of them; the operators are those of cosmic-ray.

Of each operator's replacements one stands for all (`_TAKEN`): a plus becomes a minus. Those that any test would notice,
such as a comparison made an identity, would only swell the count; those that no test can notice, such as ``<`` for
``<=`` between real numbers, would hide what is missed.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import islice

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import MutationVisitor
from cosmic_ray.operators.provider import OperatorProvider

from tests.mutants.trying import path_of

__all__ = ["Mutant", "acts", "places", "sample"]

_TAKEN = (
    *(f"ReplaceBinaryOperator_{one}" for one in ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "Pow_Mul", "Mod_Add")),
    *(f"ReplaceBinaryOperator_{one}" for one in ("FloorDiv_Mul", "BitAnd_BitOr", "BitOr_BitAnd")),
    *(f"ReplaceComparisonOperator_{one}" for one in ("Lt_Gt", "LtE_GtE", "Gt_Lt", "GtE_LtE", "Eq_NotEq", "NotEq_Eq")),
    *("ReplaceComparisonOperator_Is_IsNot", "ReplaceComparisonOperator_IsNot_Is"),
    *(f"ReplaceUnaryOperator_{one}" for one in ("Delete_USub", "Delete_Invert", "Delete_Not")),
    *("ReplaceAndWithOr", "ReplaceOrWithAnd", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "NumberReplacer"),
    *("ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ZeroIterationForLoop"),
)


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


class _Acting(ast.NodeTransformer):
    """Leaves out what does nothing when a module runs: annotations and docstrings."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)


@cache
def _acting(source: str) -> str:
    return ast.dump(_Acting().visit(ast.parse(source)))
