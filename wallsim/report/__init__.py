"""The result folder: tables, figures, one self-contained HTML report, a terminal summary."""

from wallsim.report.folder import render, save, save_answer
from wallsim.report.summary import summary

__all__ = ["render", "save", "save_answer", "summary"]
