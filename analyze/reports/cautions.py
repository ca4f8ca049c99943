"""What may hurt somebody, in one text for page, checklist and guide.

Exposure: NIOSH 1998, recommended limit of 85 dBA over 8 hours, halved for every 3 dB (from memory).
"""

from __future__ import annotations

CAUTIONS = (
    "Hearing: 85 dBA is the most for eight hours, and every 3 dB more halves the time, so 100 dBA for a quarter of an "
    "hour (NIOSH 1998). Local law comes first. Nobody who need not be there stays in the room; the others wear "
    "protection.",
    "Fade up from nothing every time. Noise and sweeps move cones further than music does: high-pass filters and "
    "limiters stay in, nothing is boosted below what the box plays.",
    "Turn down before you change a polarity or a delay: a change can raise the level by several decibels and harm "
    "people and loudspeakers. Change one output or group at a time, and listen as it comes back.",
    "Mains and flown loads are for licensed people. Local codes and licensed practice decide over anything written "
    "here.",
    "A prediction is no measurement: listen, and measure again, before the audience comes in.",
)
