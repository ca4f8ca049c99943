"""What the user should know but need not stop for: the rows of `quality.csv`.

Every stage of the pipeline returns its findings beside its result; `pipeline.py` gathers them in order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "warning", "error"]


@dataclass(frozen=True)
class Finding:
    """One thing found, with the figure behind it and what to do about it.

    `track` is the label of the output, position or input concerned; `file` is relative to the description; `channel`
    counts from 1. Numbers that do not apply are NaN (an empty cell in the table).
    """

    finding: str
    severity: Severity
    detail: str
    capture: str = ""
    track: str = ""
    file: str = ""
    channel: int | None = None
    value: float = math.nan
    unit: str = ""
    at_s: float = math.nan
