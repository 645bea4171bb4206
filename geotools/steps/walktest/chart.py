"""Results of a walk test laid over the predicted modulation."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullLocator, StrMethodFormatter

from geotools.plan.schema.style import BLACK, BLUE, GREY, PALE, VERMILION
from geotools.steps.walktest.kernel import ThresholdEstimate

__all__ = ["results_chart"]

_FAINTEST = 0.01


def results_chart(
    modulation: npt.NDArray[np.float64], detected: npt.NDArray[np.bool_], estimate: ThresholdEstimate, site_m0: float
) -> bytes:
    """PNG: one mark a crossing, missed below and detected above, with the fitted curve and both thresholds.

    modulation : (n,) predicted, above 0. detected : (n,). site_m0 : threshold of the site file.
    """
    figure = Figure(figsize=(7.2, 3.4), layout="constrained")
    ax = figure.subplots()
    # a fixed spread apart keeps marks of equal prediction from hiding each other, the same in every run
    # somebody wholly hidden has a modulation of next to nothing: drawn at the edge, or the axis would be all emptiness
    modulation = np.maximum(modulation, _FAINTEST)
    spread = 0.07 * np.sin(2.399963 * np.arange(len(modulation)))
    ax.plot(modulation[detected], 1 + spread[detected], "o", ms=4, mfc="none", mec=BLUE, label="detected")
    ax.plot(modulation[~detected], spread[~detected], "x", ms=5.5, color=VERMILION, label="missed")
    low, high = 0.9 * min(modulation.min(), site_m0), 1.25 * max(modulation.max(), site_m0)
    ax.axvline(site_m0, color=BLACK, ls=":", lw=1.3, label=f"threshold of the site file, {site_m0:.2f}")
    if np.isfinite(estimate.m0):
        shown = f"threshold from the results, {estimate.m0:.2f}"
        ax.axvline(estimate.m0, color=GREY, ls="--", lw=1.3, label=shown)
        ax.axvspan(max(estimate.low, low), min(estimate.high, high), color=PALE, zorder=0)
    if estimate.kind == "fitted":
        m = np.geomspace(low, high, 200)
        ax.plot(m, 1 / (1 + (m / estimate.m0) ** (-1 / estimate.spread)), color=GREY, lw=1.2, label="fitted curve")
    ax.set_xscale("log")
    ax.set_xlim(low, high)
    ticks = [t for t in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5) if low <= t <= high]
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:g}"))
    ax.set_yticks([0, 1], ["missed", "detected"])
    ax.set_ylim(-0.25, 1.25)
    ax.set_xlabel(f"predicted modulation of the crossing (smaller ones drawn at {_FAINTEST:g})")
    ax.spines[["top", "right"]].set_visible(False)
    figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=8)
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=150, metadata={"Software": None})
    return stream.getvalue()
