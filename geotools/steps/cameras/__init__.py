"""Cameras: whether each zone can be assessed, and from where."""
