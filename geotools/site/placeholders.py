"""Which defaults a result rests on that only the user can know: head types, heights, prices, maintenance."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from geotools.site import Site
from geotools.site.base import PLACEHOLDER, SiteSection
from geotools.site.stacks import called_rules
from geotools.site.template import Setting, section_settings, subsections

__all__ = ["placeholders", "price_mark"]


def placeholders(site: Site, sections: Collection[str] | None = None) -> tuple[str, ...]:
    """Every placeholder among the settings that were not given, in words.

    Parameters
    ----------
    site : Site
        The site.
    sections : collection of str, optional
        Settings and sections of the site file that count; all where not given.

    Returns
    -------
    tuple of str
        One text for each head type, the stack, the maintenance tasks and each section with placeholders in it.
    """
    return tuple(_all(site, frozenset(type(site).model_fields) if sections is None else frozenset(sections)))


def price_mark(site: Site, *names: str) -> str:
    """What must stand beside a sum of money: whether the prices in it are the site's own.

    Parameters
    ----------
    site : Site
        The site.
    names : str
        Prices in the sum, ``section.name`` of the site file; those of 0 add nothing and do not count.

    Returns
    -------
    str
        Empty where the site file states every one of them, else "at placeholder prices" or "partly at ...".
    """
    pairs = [name.split(".") for name in names]
    paid = [(section, name) for section, name in pairs if getattr(getattr(site, section), name)]
    left = [name for section, name in paid if name not in getattr(site, section).model_fields_set]
    if not left:
        return ""
    return "at placeholder prices" if len(left) == len(paid) else "partly at placeholder prices"


def _all(site: Site, read: Collection[str]) -> Iterator[str]:
    if "head_types" in read:
        yield from _head_types(site)
    if "movers" in read:
        standing = [name for name in site.all_movers if name not in site.movers]
        if standing:
            yield f"movers: sizes of {', '.join(standing)}"
    if "stack_rules" in read and not site.stack:
        # a head at the fence's top stands at a height that was given
        rules = [rule for rule in called_rules(site.threats, site.stack_rules) if not rule.at_fence_top]
        open_ = sorted((rule for rule in rules if rule.source == PLACEHOLDER), key=lambda rule: rule.height_m)
        levels = [f"{one.level} {one.height_m:g} m" for one in open_]
        if levels:
            yield f"stack_rules: heads at {', '.join(levels)}"
    tasks = [task.name for task in site.maintenance if task.source == PLACEHOLDER]
    if "maintenance" in read and tasks:
        yield f"maintenance: intervals, times and material of {', '.join(tasks)}"
    for one in _marked(Site):
        if one.name in read and one.name not in site.model_fields_set:
            yield f"{one.name} {one.default}"
    for name, _, section in subsections(Site):
        given = getattr(site, name)
        left = [s for s in _marked(section) if s.name not in given.model_fields_set] if name in read else []
        if left:
            yield f"{name}: {', '.join(f'{s.name} {s.default}' for s in left)}"


def _head_types(site: Site) -> Iterator[str]:
    standing = site.stack or called_rules(site.threats, site.stack_rules)
    for name in sorted({level.head_type for level in standing}):
        kind = site.all_head_types[name]
        own = site.head_types.get(name)
        if own is None:
            yield (
                f"head type {name}: beamwidths {kind.beamwidth_az_deg:g} and {kind.beamwidth_el_deg:g} degrees, "
                f"range {kind.min_range_m:g} to {kind.max_range_m:g} m, fitting"
            )
        elif left := [s.name for s in _marked(type(own)) if s.name not in own.model_fields_set]:
            yield f"head type {name}: {', '.join(left)}"


def _marked(section: type[SiteSection]) -> list[Setting]:
    return [s for s in section_settings(section) if s.source == PLACEHOLDER]
