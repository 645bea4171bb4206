"""Faults put into the numerics on purpose, and whether the tests notice: `python -m tests.mutants`."""
