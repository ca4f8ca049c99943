"""What the program itself computes of settings to try on the page."""

from __future__ import annotations

import numpy as np

from analyze.alignment.cells import find_cells
from analyze.alignment.score import efficiency_db, mean_score, trusted, with_changes


def expected(analysis, settings):
    """Responses (output, position, line) at settings, and the score of their sum, by the program's own arithmetic."""
    responses, outputs = analysis.responses, list(analysis.sound_check.outputs.values())
    changes, gains = {}, []
    for output, (delay_ms, polarity, level_db, mute) in zip(outputs, settings, strict=True):
        sign = 1.0 if polarity == output.setting.polarity else -1.0
        changes[output.name] = (sign, delay_ms - output.setting.delay_ms)
        gains.append(0.0 if mute else 10.0 ** (level_db / 20.0))
    weights = [p.weight * (p.zone == "audience") for p in analysis.sound_check.positions.values()]
    cells = find_cells(responses, weights)
    low = with_changes(trusted(responses), responses.frequency_hz, responses.outputs, changes)
    low *= np.array(gains)[:, None, None]
    return low, float(mean_score(efficiency_db(low, cells), cells))


def part(page, name):
    return page.locator(f'[data-part="{name}"]')
