"""Damage to valid files: the same damage for the same number, in bytes or in words."""

from __future__ import annotations

import random
import re

#: Values that readers trip over: the ends of the integer types, huge and tiny counts.
EDGES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x10000000)
#: Text that harms where it is pasted unguarded: SQL, HTML, spreadsheets, shells, paths, addresses, numbers.
WORDS = (
    "nan", "-inf", "1e308", "-1", "0", "99999999999999999999", "1e-320", "true", "null", "",
    '"', "'", ";", "\\", "{", "]",
    "'; DROP TABLE fence; --", '"><script>alert(1)</script>', "=cmd|' /C calc'!A0", "$(touch pwned)", "../../outside",
    "/etc/passwd", "/vsicurl/http://127.0.0.1:9/x.tif", "/vsizip/a.zip/b", "http://127.0.0.1:9/x", "EPSG:4326",
    "EPSG:999999", "A" * 5000, "\u202e\u0000", "\ud7ff\U0001f600", "%s%n%x", "&lol;", "CON", "a/b", "\n\n",
)  # fmt: skip
_NUMBER = re.compile(rb"-?\d+(\.\d+)?([eE][+-]?\d+)?")
_TOKEN = re.compile(rb"[A-Za-z_][\w:.]*|\"[^\"\n]*\"")


def _flip(data: bytearray, rng: random.Random) -> None:
    for _ in range(rng.choice((1, 1, 2, 4, 16, 64))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def _overwrite(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    size = rng.choice((1, 4, 16, 256))
    data[at : at + size] = rng.randbytes(min(size, len(data) - at))


def _edge(data: bytearray, rng: random.Random) -> None:
    size = rng.choice((1, 2, 4, 8))
    at = rng.randrange(max(len(data) - size, 1))
    if rng.random() < 0.5:  # headers decide more than bodies
        at = rng.randrange(min(len(data), 512))
    value = rng.choice(EDGES) & ((1 << 8 * size) - 1)
    data[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))


def _truncate(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(len(data)) :]


def _remove(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    del data[at : at + rng.choice((1, 2, 8, 100, 4096))]


def _repeat(data: bytearray, rng: random.Random) -> None:
    at = rng.randrange(len(data))
    piece = bytes(data[at : at + rng.choice((1, 8, 64, 1000))])
    data[at:at] = piece * rng.choice((1, 2, 50))


def _number(data: bytearray, rng: random.Random) -> None:
    _replace(data, _NUMBER, rng)


def _token(data: bytearray, rng: random.Random) -> None:
    _replace(data, _TOKEN, rng)


def _replace(data: bytearray, what: re.Pattern[bytes], rng: random.Random) -> None:
    found = list(what.finditer(data))
    if not found:
        _flip(data, rng)
        return
    chosen = rng.choice(found)
    data[chosen.start() : chosen.end()] = rng.choice(WORDS).encode("utf-8", "surrogatepass")


BINARY = (_flip, _flip, _overwrite, _edge, _edge, _edge, _truncate, _remove, _repeat)
TEXT = (_flip, _overwrite, _truncate, _remove, _repeat, _number, _number, _number, _token, _token, _token)


def mutated(original: bytes, seed: int, *, text: bool) -> bytes:
    """The bytes with one to three pieces of damage, decided by ``seed`` alone."""
    rng = random.Random(seed)
    data = bytearray(original)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        if not data:
            break
        rng.choice(TEXT if text else BINARY)(data, rng)
    return bytes(data)
