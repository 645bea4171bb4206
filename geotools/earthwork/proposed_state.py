"""The proposed state from Python: what a remedy recommends as a site and a plan of its own."""

from __future__ import annotations

from typing import NamedTuple

from geotools.earthwork.applied import apply_proposal
from geotools.engine.calls import functions
from geotools.engine.result import Plan, open_plan
from geotools.io.private_folder import PrivateFolder
from geotools.plan.schema import PROPOSED_HEADS
from geotools.site import Site, open_site

__all__ = ["ProposedState", "apply"]


class ProposedState(NamedTuple):
    """A site with the proposed ground and settings, and the plan of its zones and heads."""

    site: Site
    plan: Plan


def apply(site: Site, plan: Plan) -> ProposedState:
    """Make the state that `geotools.remedy` recommends a site of its own, on which every step runs.

    Parameters
    ----------
    site : Site
        The site as it stands.
    plan : Plan
        What `geotools.remedy` gave back. Where it holds no proposal, or an outdated one, remedy is run first.

    Returns
    -------
    ProposedState
        ``site``: settings and fence of the site, the ground as proposed; ``plan``: fence, zones, heads and beams as
        proposed, without results of the existing state. Both are there as long as the site is.

    Raises
    ------
    InputError
        The site's files or the plan cannot be read.

    Notes
    -----
    What the detection finds there is the model's answer for ground built exactly as drawn: walk-test every zone.

    Examples
    --------
    >>> proposed = geotools.apply(site, plan)
    >>> after = geotools.gaps(proposed.site, proposed.plan)
    >>> "dead_spots" in after, "dead_spots" in proposed.plan
    (True, False)
    """
    if PROPOSED_HEADS.name not in plan or "remedy" in plan.stale or plan.edited():
        plan = functions()["remedy"](site, plan)
    folder = PrivateFolder()
    try:
        job = plan.to_folder(folder.path / "job")
        made = apply_proposal(site, job, folder.path / "proposed")
        proposed = open_site(made.site_file)
        result = ProposedState(proposed, open_plan(made.plan))
    except BaseException:
        folder.close()
        raise
    proposed.hold(folder)
    return result
