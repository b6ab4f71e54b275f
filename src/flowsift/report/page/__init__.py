"""The report page: one file that opens from disk, with text, tables and pictures of one home's account."""

from flowsift.report.page.build import page_html, write_page

__all__ = ["page_html", "write_page"]
