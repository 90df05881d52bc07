"""The result folder: tables, figures, one self-contained HTML report, a terminal summary."""

from wallsim.report.folder import render, save
from wallsim.report.summary import summary

__all__ = ["render", "save", "summary"]
