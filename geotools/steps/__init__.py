"""The steps: one folder each, with declaration (step.py), kernel (kernel.py) and manual (README.md).

Importing a part of a package puts it under its name into the package: this module takes the place of the function
:func:`geotools.steps` once a step is loaded. Called, it therefore answers as the function does.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from geotools.engine.step import Step


class _CallableModule(ModuleType):
    """A package of modules that can be called."""

    def __call__(self) -> dict[str, Step]:
        """Every step by name, built-in ones first.

        Returns
        -------
        dict of str to Step, as :func:`geotools.steps`.
        """
        from geotools.engine.step import discover

        return dict(discover())


sys.modules[__name__].__class__ = _CallableModule
