"""Text that others wrote, on screens and in file names."""

from __future__ import annotations

import pytest

from geotools.cli.screen import Screen
from geotools.errors import InputError, counted, file_part, shown, unprintable


def test_plain_names_stay() -> None:
    for name in ("F01-Z001", "a", "North_7.b"):
        assert file_part(name) == name


@pytest.mark.parametrize(
    "name",
    ["../../x", "/etc/passwd", "C:\\x", "a/b", "", "..", ".", " ", "CON", "nul.txt", "a b", "é", "x" * 300, "\x00"],
)
def test_every_name_gives_a_part_of_a_path_and_no_more(name: str) -> None:
    part = file_part(name)
    assert part.isascii()
    assert not set(part) & set("/\\ :;'\"<>|?*\x00")
    assert part.strip(".") == part
    assert 0 < len(part) <= 80
    assert part.split(".")[0].lower() not in {"con", "nul"}


def test_names_that_differ_in_marks_alone_stay_apart() -> None:
    assert len({file_part(name) for name in ("a/b", "a;b", "a-b", "a b", "ä-b")}) == 5


# XML 1.0, fifth edition, section 2.2: the characters a document may hold
@pytest.mark.parametrize("code", [0x0, 0x8, 0xB, 0xC, 0x1F, 0xD800, 0xDFFF, 0xFFFE, 0xFFFF])
def test_what_xml_cannot_hold_is_found(code: int) -> None:
    assert unprintable(f"a{chr(code)}b") == f"U+{code:04X}"


@pytest.mark.parametrize("text", ["plain", "a\tb\nc", "Łódź, 東京, שלום", "\U0001f600", "<b>&'\"", ""])
def test_what_xml_can_hold_may_stand(text: str) -> None:
    assert unprintable(text) is None
    assert shown(text) == text


def test_an_error_never_steers_a_terminal() -> None:
    problem = InputError("a\x1b]0;owned\x07", where="\x9b2J", found="\u202egpj.exe", expected="\udcff", mend="\r\x08")
    assert not set(str(problem)) & set("\x1b\x07\x9b\u202e\udcff\r\x08")
    assert "\\x1b" in str(problem)


def test_the_screen_is_not_steered_and_takes_no_markup(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen()
    screen.say("[/b] [red]name\x1b[2J \udcff")
    screen.warn("[/b]\x9b2J")
    said = capsys.readouterr()
    assert said.out == "[/b] [red]name\\x1b[2J \\udcff\n"
    assert said.err == "[/b]\\x9b2J\n"


def test_so_many_of_something_agrees_with_its_number():
    assert counted(0, "pond") == "0 ponds" and counted(1, "pond") == "1 pond" and counted(2, "pond") == "2 ponds"
    assert counted(1, "beam stands", "beams stand") == "1 beam stands"
    assert counted(3, "beam stands", "beams stand") == "3 beams stand"
