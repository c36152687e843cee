"""The Markdown summary: read by a CommonMark reader, nothing that came from a file is more than text."""

from __future__ import annotations

import re

import pytest
from markdown_it import MarkdownIt

from lint.report import markdown
from lint.terms import Report
from tests.reports import broke_report, finding, full_report, part_report

READER = MarkdownIt("commonmark", {"html": True}).enable("table")


def html(report: Report) -> str:
    return READER.render(markdown.render(report))


def test_names_and_messages_are_only_text() -> None:
    shown = html(full_report())
    assert "<a " not in shown
    assert "<b>" not in shown
    assert "<code>" not in shown
    assert "<em>" not in shown
    assert "&lt;b&gt;" in shown
    assert not re.search(r"@\w", shown), "nobody is called"
    assert not re.search(r"#\w", shown), "no other issue is named"
    assert "\x1b" not in shown


NASTY = ["a | b", "*x*", "_x_", "`x`", "<!-- x", "[x](y)", "![x](y)", "http://a.example", "# x", "- x", "1. x", "a\nb", "~~x~~", "&copy;",
         "\\", "@user", "x@y.example", "$x$", "www.a.example", "GH-12"]  # fmt: skip


@pytest.mark.parametrize("text", NASTY)
def test_escaped_text_reads_as_it_was(text: str) -> None:
    tokens = READER.parse(f"- {markdown.escaped(text)}")
    inline = next(t for t in tokens if t.type == "inline")
    assert [t.type for t in tokens] == ["bullet_list_open", "list_item_open", "paragraph_open", "inline", "paragraph_close",
                                        "list_item_close", "bullet_list_close"]  # fmt: skip
    kinds = {c.type for c in inline.children or ()}
    assert kinds <= {"text", "html_inline", "text_special"}
    assert all(c.content == "<!-- -->" for c in inline.children or () if c.type == "html_inline")
    assert "".join(c.content for c in inline.children or () if c.type != "html_inline") == text.replace("\n", "\\x0a")
    row = READER.render(f"| a | b |\n|---|---|\n| {markdown.escaped(text)} | end |")
    assert row.count("<td>") == 2


def test_the_summary_counts_and_names() -> None:
    text = markdown.render(full_report("a.stl"))
    assert text.startswith("## buckwright: 6 stops, 1 caution and 2 notes\n")
    assert "| a.stl | 6 | 1 | 2 | 2 |" in text
    assert "| bad a.stl | not judged | | | |" in text
    assert "and 2 more" in text
    assert text.count("\n- **stop**") == 2
    assert "accepted" in text
    assert "clean.stl" not in text.split("###", 1)[1], "a clean part has no chapter"


def test_broke_and_empty() -> None:
    assert "**broke**, rule 4" in markdown.render(broke_report())
    assert "no part was found" in markdown.render(Report((), 1, "0"))
    assert "exit 0" in markdown.render(Report((part_report(findings=(finding(13),)),), 1, "0"))
