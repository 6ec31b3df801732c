"""
The report: one self-contained HTML file over one or several records, like the first pages of a data sheet.

How the files stack; each imports only from those before it: digits, palette, layout, reasons, conventions -> source (a record,
read) -> reading, drawing, checks, rows -> sheet, timeline, drift, cautions, title, method, bench_table -> details, highlights,
verdicts, conditions, plots, key, and what sets one beside the other (options, curves, imported_order, imported_touchstone,
imported, population, channels, agreement_rows, agreement_plots, occasions, against -> many) -> shell (what every page is wrapped
in) -> page, agreement (the page of compare and repeat) -> write; timeline_picture -> pictures; datasheet.
templates/ holds the page: HTML, style, script.
"""

from benchkit.report.datasheet import export_datasheet
from benchkit.report.pictures import export_figures
from benchkit.report.write import write_report

__all__ = ["export_datasheet", "export_figures", "write_report"]
