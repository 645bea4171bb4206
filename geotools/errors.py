"""The errors a user can meet: one shape for all of them.

Every message says what is wrong, where, what was found, what was expected and how to mend it. The command line
prints them without a traceback and ends with the error's own exit code; a Python caller can read the parts. Text that
others wrote is quoted here, so making it harmless for a screen, a file's name and a document lives here too.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata

__all__ = [
    "CancelledError",
    "GeotoolsError",
    "GeotoolsWarning",
    "InfeasibleError",
    "InputError",
    "NumericInputError",
    "OutputError",
    "SiteError",
    "StepError",
    "counted",
    "file_part",
    "place_words",
    "shown",
    "unprintable",
]


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


class GeotoolsError(Exception):
    """A problem the user can understand and mend.

    Parameters
    ----------
    what : one sentence that names the problem.
    where : file, layer, feature, field or parameter it was found in.
    found, expected : the value met, and what would have been right, units included.
    mend : what the user can do about it.
    """

    exit_code = 1

    def __init__(
        self,
        what: str,
        *,
        where: object = None,
        found: object = None,
        expected: object = None,
        mend: str | None = None,
    ) -> None:
        # files of others are quoted here, and the message goes to a terminal
        self.what = shown(what)
        self.where = None if where is None else shown(str(where))
        self.found = None if found is None else shown(str(found))
        self.expected = None if expected is None else shown(str(expected))
        self.mend = None if mend is None else shown(mend)
        super().__init__(str(self))

    def parts(self) -> dict[str, str]:
        """The message as name and text, in the order it is printed; parts that were not given are left out."""
        named = {
            "error": self.what,
            "where": self.where,
            "found": self.found,
            "expected": self.expected,
            "mend": self.mend,
        }
        return {name: text for name, text in named.items() if text is not None}

    def __str__(self) -> str:
        return "\n".join(
            text if name == "error" else f"  {name + ':':<10}{text}" for name, text in self.parts().items()
        )


class InputError(GeotoolsError):
    """A file or layer that was handed in cannot be used."""

    exit_code = 3


class SiteError(GeotoolsError):
    """The site file, or a parameter of a step, says an invalid setting."""

    exit_code = 4


class NumericInputError(GeotoolsError, ValueError):
    """Arrays handed to a numeric kernel do not describe a physical situation."""

    exit_code = 3


class InfeasibleError(GeotoolsError):
    """There is no answer inside the limits; the message names the limit and the place."""

    exit_code = 5


class OutputError(GeotoolsError):
    """A result could not be written; what stood there before is untouched."""

    exit_code = 6


class StepError(GeotoolsError):
    """A step cannot run: a layer it needs is missing, or a plug-in step breaks the contract."""

    exit_code = 7


class CancelledError(GeotoolsError):
    """The user stopped the work; what stood there before is untouched."""

    exit_code = 130


class GeotoolsWarning(UserWarning):
    """Something that weakens an answer: issued by `warnings.warn` in the Python call, so that a caller can filter it.

    Parameters
    ----------
    what : str
        What weakens the answer, in words.
    where : object, optional
        Step, layer or file it concerns.
    """

    def __init__(self, what: str, *, where: object = None) -> None:
        self.what = shown(what)
        self.where = None if where is None else shown(str(where))
        super().__init__(self.what if self.where is None else f"{self.where}: {self.what}")

    def parts(self) -> dict[str, str]:
        """The message as name and text, as an error gives it; parts that were not given are left out."""
        return {name: text for name, text in (("warning", self.what), ("where", self.where)) if text is not None}


def counted(number: int, noun: str, several: str = "") -> str:
    """So many of something in words: ``1 pond``, ``2 ponds``; ``several`` where an s is not all it takes."""
    return f"{number} {noun if number == 1 else several or noun + 's'}"


def place_words(chainage_m: float, offset_m: float | None = None, *, zone: str = "") -> str:
    """A place beside a beam line in words, one wording everywhere.

    Parameters
    ----------
    chainage_m : float
        Along the line, m.
    offset_m : float, optional
        Beside it, positive to the left, m.
    zone : str
        Name of the zone, where it is not plain.

    Returns
    -------
    str
        As "zone F01-Z003, chainage 12.5 m, offset -1.0 m".
    """
    words = [f"zone {zone}"] if zone else []
    words.append(f"chainage {chainage_m:.1f} m")
    if offset_m is not None:
        words.append(f"offset {offset_m:+.1f} m")
    return ", ".join(words)
