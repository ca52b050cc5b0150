"""Comparisons as files: a page to listen with, a Markdown page of several stems, and the renders."""

from tapeemu.report.html_page import write_report
from tapeemu.report.markdown_page import page_files, page_text, write_page
from tapeemu.report.render_files import unnamed_renders, write_renders
from tapeemu.report.wording import value_text

__all__ = [
    "page_files",
    "page_text",
    "unnamed_renders",
    "value_text",
    "write_page",
    "write_renders",
    "write_report",
]
