"""Finds where a person could crawl under the microwave beams of a perimeter, and what to do about it."""

__version__ = "0.1.0"
