"""Write the evidence page; ends with 1 where a check is not met."""

from __future__ import annotations

import platform
import sys
from pathlib import Path

import numpy
import scipy

from geotools import __version__
from tests.evidence.calibration import calibration
from tests.evidence.closed import knife_edge, spread_and_radius, two_ray
from tests.evidence.crossing import crossing
from tests.evidence.cylinder import cylinder
from tests.evidence.defaults import defaults
from tests.evidence.invariants import invariants
from tests.evidence.laws import laws
from tests.evidence.shapes import shapes
from tests.evidence.staircase import second_solver
from tests.evidence.trade import gap_table, mirror, picture_of_a_field, trade
from tests.evidence.wedge import wedge

HEAD = """# Evidence for the beam model

Made by `python -m tests.evidence docs` (needs the `test` extra), version {version}, Python {python},
numpy {numpy}, scipy {scipy}. Every figure below comes from that run; it ends with an error where a check is not
met. The model itself: paraxial equation over the ground on the beam line, reciprocity, people as opaque screens
(see the manual of the step `gaps`).
"""

LIMITS = """## Where the model should not be believed

- **Within a few metres of a head**, and wherever rays run steeper than about 0.35 to the line of the heads: the
  equation is paraxial. Ground steeper than that is closed at that slope for the field, and taken as dark below.
- **In a deep null.** Real ground is no perfect mirror, so modulation is related to at least 0.3 of the
  free-space signal; a beam that stands below -10 dB is reported, and should be moved rather than calculated.
  Ask a polarised beam (Fresnel's coefficients) how deep its null is; wet ground mirrors otherwise than dry.
- **Behind a crest that blocks the line of the heads.** The signal is small there and hangs on centimetres of
  the crest.
- **Across the beam**, the field is that of the heads in free space times the field over the beam line's own
  ground, turned by its cross slope: a bank or a wall beside the line is not in it (see the table of shapes), save
  where `gaps` asks the field in three dimensions for a second opinion. The
  person stands on the ground of the place; the beam does not know that ground.
- **Fences, gates, vehicles, poles, drain covers, snow, long or wet grass, puddles** are not in it at all.
- **A person is no rectangle.** The threshold 0.20 stands for a receiver set up as the trade does; another
  setting is another answer (see the `sensitivity` table of a plan).
- **The terrain model decides.** A crawl gap is centimetres; read `certainty` and survey the `resurvey` points.

A model is no acceptance: walk-test every zone.
"""


def main(folder: Path) -> int:
    """Make the page and its pictures in ``folder``; the number of checks that are not met."""
    pictures = folder / "evidence"
    pictures.mkdir(parents=True, exist_ok=True)
    makers = (
        trade,
        laws,
        gap_table,
        knife_edge,
        two_ray,
        wedge,
        cylinder,
        spread_and_radius,
        mirror,
        invariants,
        second_solver,
        shapes,
        crossing,
        calibration,
        defaults,
        picture_of_a_field,
    )
    sections = []
    for maker in makers:
        sections.append(maker(pictures))
        for check in sections[-1].checks:
            print(f"{'met    ' if check.met else 'NOT MET'} {check.what}: {check.value:.3g} {check.unit}")
    checks = [(section.title, check) for section in sections for check in section.checks]
    versions = {
        "version": __version__,
        "python": platform.python_version(),
        "numpy": numpy.__version__,
        "scipy": scipy.__version__,
    }
    failed = sum(not check.met for _, check in checks)
    summary = f"{len(checks)} checks, {len(checks) - failed} met."
    text = "\n\n".join([HEAD.format(**versions), summary, *(section.markdown() for section in sections), LIMITS])
    (folder / "evidence.md").write_text(text, encoding="utf-8")
    print(summary)
    return failed


if __name__ == "__main__":
    sys.exit(1 if main(Path(sys.argv[1] if len(sys.argv) > 1 else "docs")) else 0)
