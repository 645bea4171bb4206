"""Which steps have to run before a step, so that what it reads is there and stands on the edits that were made."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from geotools.engine.step import Step, discover
from geotools.errors import InputError

__all__ = ["PlanOrder"]

#: Layers whose edits are taken up by their own step: other layers of that step are made anew from them.
KEPT = {"heads": "layout", "cameras": "cameras"}

Params = Mapping[str, Any]


class PlanOrder:
    """What a call has to run first.

    Parameters
    ----------
    edited : collection of str
        Layers whose frames a caller edited.
    held : mapping of str to mapping
        Steps whose results are there, with their parameters.
    stale : collection of str
        Steps among them whose results are out of date.
    """

    def __init__(self, edited: Collection[str], held: Mapping[str, Params], stale: Collection[str] = ()) -> None:
        self._steps = discover()
        self._edited = set(edited)
        self._held = held
        self._stale = set(stale)
        self._maker = {
            out.schema.name: step for step in self._steps.values() for out in step.outputs if not out.updates
        }
        self._anew: dict[str, Params] = {}

    def before(self, step: Step) -> list[tuple[str, Params]]:
        """Names and parameters of the steps to run first, in order.

        A required layer is made where it is missing, with the step's defaults, and made anew with the parameters it
        had where it stands on a layer that was edited. Edited heads and cameras stay as they are: their own step
        takes them up with ``keep``.
        """
        self._anew = {}
        self._need(step, (step.name,))
        return list(self._anew.items())

    def _need(self, step: Step, above: tuple[str, ...]) -> None:
        for read in step.inputs:
            name = read.schema.name
            maker = self._maker.get(name)
            there = maker is not None and maker.name in self._held
            if maker is None or maker.name in above or maker.name in self._anew or not (read.required or there):
                continue
            keeps = [layer for layer, keeper in KEPT.items() if keeper == maker.name and layer in self._edited]
            if keeps:
                self._refuse_both(maker, keeps[0])
                self._need_of(maker, above)
                self._anew[maker.name] = {"keep": True}
            elif name not in self._edited:
                self._need_of(maker, above)
                if not there or maker.name in self._stale or self._stands_on_edits(maker):
                    self._anew[maker.name] = self._held.get(maker.name, {})

    def _need_of(self, maker: Step, above: tuple[str, ...]) -> None:
        self._need(maker, (*above, maker.name))

    def _stands_on_edits(self, maker: Step) -> bool:
        own = {out.schema.name for out in maker.outputs}
        read = {i.schema.name for i in maker.inputs} - own
        return bool(read & (self._edited | self._layers_of(self._anew)))

    def _layers_of(self, names: Collection[str]) -> set[str]:
        return {out.schema.name for name in names for out in self._steps[name].outputs if not out.updates}

    def stale_after(self, ran: Collection[str]) -> tuple[str, ...]:
        """The steps whose results are out of date once the steps ``ran`` have run: they stand on what changed."""
        stale = self._stale - set(ran)
        changed = self._edited | self._layers_of(ran) | self._layers_of(stale)
        for name in self._steps:
            if name not in self._held or name in ran:
                continue
            own = {out.schema.name for out in self._steps[name].outputs}
            if ({i.schema.name for i in self._steps[name].inputs} - own) & changed:
                stale.add(name)
                changed |= self._layers_of([name])
        return tuple(name for name in self._steps if name in stale)

    def _refuse_both(self, maker: Step, kept: str) -> None:
        """InputError where a layer was edited that is made anew from another edited one."""
        lost = self._edited & {out.schema.name for out in maker.outputs} - {i.schema.name for i in maker.inputs}
        if lost:
            raise InputError(
                "two layers were edited of which one follows from the other",
                where=f"plan.{kept} and plan.{min(lost)}",
                found=f"both edited; {maker.name} makes {min(lost)} from {kept}",
                expected="edits in one of them",
                mend=f"edit {kept}, run geotools.{maker.name}(site, plan, keep=True), then edit {min(lost)}",
            )
