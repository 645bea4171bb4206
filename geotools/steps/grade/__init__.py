"""Grading: the least earthwork, its design surface, and everything an engineer needs to have it built."""
