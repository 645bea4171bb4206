"""Makes the evidence page: `python -m tests.evidence docs` writes evidence.md and its pictures from a fresh run."""
