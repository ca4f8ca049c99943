"""Feeds and microphones on different clocks: what their arrivals still say.

The offset between two recorders is found from the sound itself, so the time of flight hides in it: on such a pair
arrivals compare between outputs that share the offset, and mean nothing by themselves. All of one capture do; captures
whose player and recorder were started in step share it too, once what was found for each is put back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analyze.audio.recording import Recording
from analyze.description import Capture


@dataclass(frozen=True)
class OwnClock:
    """A feed and a microphone on different clocks.

    shares : arrivals compare between outputs for which this is the same
    offset_s : how much earlier than the feed's recorder the microphone's was started, as found in this capture
    """

    shares: str
    offset_s: float


def own_clocks(recording: Recording, capture: Capture) -> Mapping[tuple[str, str], OwnClock]:
    """Per (output, position) of a recording whose clocks differ, what is not known of them."""
    found = {}
    tracks = list(zip(recording.places, recording.clock_of, recording.offset_s, strict=True))
    for feed, feed_clock, feed_offset_s in tracks:
        for mic, mic_clock, mic_offset_s in tracks:
            if feed.kind == "feed" and mic.kind == "mic" and feed_clock != mic_clock:
                take = "in step" if capture.same_start else capture.name
                shares = f"{take} / {feed_clock} / {mic_clock}"
                found[feed.name, mic.name] = OwnClock(shares, mic_offset_s - feed_offset_s)
    return found
