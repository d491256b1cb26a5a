from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from burnin.report.words import counted, css_string, listed, plain_name, shortened, shown_text


@given(st.text())
def test_shown_text_is_one_line_without_control_or_direction_characters(text):
    safe = shown_text(text)
    assert not [
        char for char in safe if ord(char) < 32 or 0x7F <= ord(char) < 0xA0 or 0xD800 <= ord(char) < 0xE000
    ]
    assert not set(safe) & set(
        "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200b\ufeff"
    )
    assert shown_text(safe) == safe
    safe.encode("utf-8")


def test_hidden_characters_are_named():
    assert shown_text("AB\u200bC") == "AB[U+200B]C"
    assert shown_text(" a\n\tb ") == "a b"


@given(st.text(), st.integers(2, 40))
def test_shortened_is_never_longer_and_marks_the_cut(text, longest):
    cut = shortened(text, longest)
    assert len(cut) <= longest
    assert cut == shown_text(text) or cut.endswith("\u2026")


@given(st.text())
def test_a_css_string_cannot_end_early(text):
    inner = css_string(text)[1:-1]
    assert not set(inner) & set("\"'<>{};\n")
    assert inner.isascii()


def test_small_words():
    assert counted(1, "waiver") == "1 waiver"
    assert counted(2, "waiver") == "2 waivers"
    assert counted(2, "match", "matches") == "2 matches"
    assert listed(()) == ""
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert plain_name("no_wrong-result") == "no wrong result"
