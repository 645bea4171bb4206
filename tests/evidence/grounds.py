"""Grounds and head pairs that the checks run over."""

from __future__ import annotations

import numpy as np

LENGTH = 100.0
X = np.linspace(0.0, LENGTH, 201)

HEADS = [("10 GHz", 0.91), ("10 GHz", 0.30), ("24 GHz", 0.30), ("24 GHz", 0.91), ("10 GHz", 2.44)]

GROUNDS = {
    "flat": lambda x: 0.0 * x,
    "waves 5 cm, 8 to 60 m": lambda x: sum(
        0.025 * np.sin(2 * np.pi * x / wave + i) for i, wave in enumerate(np.geomspace(8, 60, 8))
    ),
    "survey noise 1.4 cm": lambda x: np.interp(x, np.arange(201.0), np.random.default_rng(5).normal(0, 0.014, 201)),
    "dip 0.4 m, narrow": lambda x: -0.4 * np.exp(-(((x - 40) / 3) ** 2)),
    "ditch 0.6 m, sides 34 deg": lambda x: -np.clip(1.0 - np.abs(x - 40) / 1.5, 0, 0.6),
    "crest 0.6 m": lambda x: 0.6 * np.exp(-(((x - 60) / 8) ** 2)),
    "crest 0.9 m, grazed": lambda x: 0.9 * np.exp(-(((x - 50) / 12) ** 2)),
    "valley 1.5 m": lambda x: -1.5 * np.exp(-(((x - 60) / 15) ** 2)),
}
