"""report.html: one page that works offline, on a phone and on paper.

Three views of one site: the crew lead's, the surveyor's and the office's, with a plan. The
views are plain data (`tieup.write.page.view`); the templates only lay them out. All text is
escaped by the template engine; numbers have the digits of the CSV files.
"""

from tieup.write.page.render import page_text

__all__ = ["page_text"]
