"""Grading: the least earthwork, its design surface, and everything an engineer needs to build it from."""
