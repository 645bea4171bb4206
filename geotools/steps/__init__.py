"""The steps: one folder each, with declaration (step.py), kernel (kernel.py) and manual (README.md)."""
