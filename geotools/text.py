"""Text that others wrote, made harmless for a screen and for a file's name; and what no document can hold."""

from __future__ import annotations

import hashlib
import re
import unicodedata

__all__ = ["file_part", "shown", "unprintable"]

#: What XML 1.0 (section 2.2) cannot hold, and C1 controls, which terminals obey; a line's end and a tab may stand.
_BARRED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
#: The same, and what turns the order of the letters round (Unicode Standard Annex 9): one name looks like another.
_NOT_SHOWN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff\u202a-\u202e\u2066-\u2069]")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?$", re.IGNORECASE)


def unprintable(text: str) -> str | None:
    """The first character that XML, a spreadsheet or a page cannot hold, as its code; None where there is none."""
    found = _BARRED.search(text)
    return None if found is None else f"U+{ord(found.group()):04X}"


def shown(text: str) -> str:
    """The text as it may go to a terminal: characters that would steer it stand as their codes."""
    return _NOT_SHOWN.sub(lambda found: found.group().encode("unicode_escape").decode("ascii"), text)


def file_part(name: str) -> str:
    """A part of a file's name for any text, without path parts, spaces or reserved words.

    What is plain already stays; else a code of the whole text keeps names apart that look alike without their marks.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", plain).strip("-.")[:60].strip("-.")
    if safe and safe == name and not _RESERVED.match(safe):
        return safe
    code = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"x-{safe}-{code}" if safe else f"x-{code}"
