"""
The report: one self-contained HTML file over one or several records, like the first pages of a data sheet.

How the files stack; each imports only from those before it: digits, palette, layout, reasons, conventions -> source (a record,
read) -> reading, drawing, checks, rows -> sheet, timeline, cautions, title, method, bench_table -> details, highlights, plots ->
page -> write. templates/ holds the page: HTML, style, script.
"""

from benchkit.report.write import write_report

__all__ = ["write_report"]
