"""What to record at a sound check: the shortest list of takes that lets everything be decided.

As a list to take along, and as a description that names the files before they are there.
"""

from __future__ import annotations

from analyze.planning.asked import Asked, plan_for
from analyze.planning.folder import check_target, write_plan
from analyze.planning.takes import Plan, Take

__all__ = ["Asked", "Plan", "Take", "check_target", "plan_for", "write_plan"]
