"""Commissioning: a page for every head, and what its fields say once they are filled in."""
