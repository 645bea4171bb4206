"""Names of what a plan holds: each made of what it belongs to, in one place. A name shows a person where to look."""

from __future__ import annotations

__all__ = [
    "beam_id",
    "crossing_id",
    "fence_id",
    "head_id",
    "junction_id",
    "of_threat",
    "on_first_post",
    "point_id",
    "post_id",
    "spot_id",
    "zone_id",
]


def fence_id(number: int) -> str:
    """Name of a fence line, ``F01``; ``number`` counts from 1."""
    return f"F{number:02d}"


def zone_id(fence: str, number: int) -> str:
    """Name of a zone, ``F01-Z003``; ``number`` counts along the fence line from 1."""
    return f"{fence}-Z{number:03d}"


def junction_id(fence: str, number: int) -> str:
    """Name of the place where two zones meet, ``F01-J003``; ``number`` is that of the zone before it."""
    return f"{fence}-J{number:03d}"


def post_id(zone: str, at_start: bool) -> str:
    """Name of a post, ``F01-Z003-A``: A is met first along the fence line, B last."""
    return f"{zone}-{'A' if at_start else 'B'}"


def on_first_post(post: str) -> bool:
    """Whether the post of that name is the one met first along the fence line."""
    return post.endswith("-A")


def head_id(zone: str, level: str, *, transmitter: bool) -> str:
    """Name of a head, ``F01-Z003-TX-low``."""
    return f"{zone}-{'TX' if transmitter else 'RX'}-{level}"


def beam_id(zone: str, level: str) -> str:
    """Name of a beam, ``F01-Z003-low``."""
    return f"{zone}-{level}"


def of_threat(owner: str, threat: str) -> str:
    """Name of what one threat meets there, ``F01-Z003-crawl``; a threat's name is written without blanks."""
    return f"{owner}-{threat.replace(' ', '_')}"


def spot_id(zone: str, threat: str, number: int) -> str:
    """Name of a dead spot, ``F01-Z003-crawl-02``; ``number`` counts the threat's spots in the zone from 1."""
    return f"{of_threat(zone, threat)}-{number:02d}"


def crossing_id(zone: str, number: int) -> str:
    """Name of a crossing of water, ``F01-Z003-W02``; ``number`` counts from 1."""
    return point_id(zone, "W", number)


def point_id(zone: str, kind: str, number: int, digits: int = 2) -> str:
    """Name of one of many things of a kind in a zone, ``F01-Z003-P02``.

    Parameters
    ----------
    zone : str
        The zone's name.
    kind : str
        A letter: P pond, W crossing of water, G graded point, S point to survey, X area out of tolerance.
    number : int
        Its number, from 1.
    digits : int
        How many digits are written at least.
    """
    return f"{zone}-{kind}{number:0{digits}d}"
