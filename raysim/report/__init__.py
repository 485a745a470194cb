"""The report: drawings, curves and tables of a result on one page."""

from raysim.report.page import write_report

__all__ = ["write_report"]
