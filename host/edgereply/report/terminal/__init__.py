"""What people read while and after measuring: the only package that knows rich. Imported when something is shown.

Everything goes to stderr unless a console is given; stdout belongs to `--json`.
"""

from edgereply.report.terminal.bars import histogram_lines
from edgereply.report.terminal.console import stderr_console
from edgereply.report.terminal.live import LiveView
from edgereply.report.terminal.tables import SummaryTable, show_summary

__all__ = ["LiveView", "SummaryTable", "histogram_lines", "show_summary", "stderr_console"]
