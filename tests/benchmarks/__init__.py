"""Measurements anyone can run: `python -m tests.benchmarks.NAME`. Figures are printed, never asserted."""
