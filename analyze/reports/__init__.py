"""What a person and other programs get from an analysis: tables, plots, the page, the settings on the terminal.

Public: `check_target`, `reserved`, `write_report`, `drawing_processes`, `results_object`, `print_summary`. Loading this
package loads none of the plotting, table and template libraries; the first report does.
"""

from analyze.reports.drawing import drawing_processes
from analyze.reports.folder import check_folder as check_target
from analyze.reports.folder import reserved
from analyze.reports.results import results_object
from analyze.reports.terminal import print_summary
from analyze.reports.writer import write_report

__all__ = ["check_target", "drawing_processes", "print_summary", "reserved", "results_object", "write_report"]
