"""Every single mistake a description can hold: one message, with line, key, what was found, and what was meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.description_example import MEND, edited, refusal, write_files

OUTPUTS = "mains | sub left | sub right | tower | wedge"
KEYS = (
    "format | title | date | temperature_c | reference | venue | engineer | notes | humidity_percent | outputs | "
    "positions | captures"
)
OUTPUT_KEYS = (
    "kind | group | delay_ms | polarity | feed_tap | adjust | min_delay_ms | max_delay_ms | delay_step_ms | can_invert"
    " | latency_ms | align_at | later_ms | device | channel | preset"
)
POSITION_KEYS = "zone | weight | polarity | distance_m | microphone | serial | calibration | measured_by"
CAPTURE_KEYS = (
    "name | playing | start_s | end_s | feeds | mics | unsynced | settings | temperature_c | same_start | inputs | "
    "against"
)
#: What is replaced in the example, by what (<here> marks the line at fault), and the message behind the place.
MISTAKES = [
    (
        'kind = "main"',
        'kind = "sup"',
        "outputs.mains.kind: unknown kind"
        " (found 'sup', expected main | sub | fill | tower | monitor). Did you mean 'sub'?",
    ),
    *(
        (
            'kind = "main"',
            f'kind = "{word}"',
            f"outputs.mains.kind: unknown kind (found '{word}', expected main | sub | fill | tower | monitor)."
            f" Write '{kind}'.",
        )
        for word, kind in (("wedge", "monitor"), ("delay", "tower"), ("Front Fill", "fill"), ("line array", "main"))
    ),
    (
        'zone = "audience"',
        'zone = "foh"',
        "positions.mix.zone: unknown zone (found 'foh', expected audience | stage). Write 'audience'.",
    ),
    (
        'feed_tap = "after"',
        'feed_tap = "post-processor"',
        "outputs.mains.feed_tap: unknown feed_tap (found 'post-processor', expected before | after). Write 'after'.",
    ),
    (
        'adjust = "delay"',
        "adjust = false",
        "outputs.mains.adjust: unknown adjust (found false, expected both | polarity | delay | none). Write 'none'.",
    ),
    (
        'polarity = "inverted"',
        "polarity = 180",
        "positions.mix.polarity: unknown polarity (found 180, expected normal | inverted). Write 'inverted'.",
    ),
    (
        'zone = "audience"',
        'zone = "Audience"',
        "positions.mix.zone: unknown zone (found 'Audience', expected audience | stage). Did you mean 'audience'?",
    ),
    (
        'feed_tap = "after"',
        'feed_tap = "afte"',
        "outputs.mains.feed_tap: unknown feed_tap (found 'afte', expected before | after). Did you mean 'after'?",
    ),
    (
        'adjust = "delay"',
        "adjust = 3",
        "outputs.mains.adjust: unknown adjust (found 3, expected both | polarity | delay | none).",
    ),
    (
        'polarity = "inverted"',
        'polarity = ""',
        "positions.mix.polarity: unknown polarity (found '', expected normal | inverted).",
    ),
    (
        '[outputs.mains]\nkind = "main"',
        "[outputs.mains]<here>",
        "outputs.mains.kind: missing (expected main | sub | fill | tower | monitor).",
    ),
    (
        '[positions.drums]\nzone = "stage"',
        "[positions.drums]<here>",
        "positions.drums.zone: missing (expected audience | stage).",
    ),
    (
        'feed_tap = "after"',
        'feed_tab = "after"',
        f"outputs.mains.feed_tab: unknown key (found 'feed_tab', expected {OUTPUT_KEYS}). Did you mean 'feed_tap'?",
    ),
    (
        'venue = "Harbour hall"',
        "Venue = 1",
        f"Venue: unknown key (found 'Venue', expected {KEYS}). Did you mean 'venue'?",
    ),
    (
        "weight = 2",
        "wait = 2",
        f"positions.mix.wait: unknown key (found 'wait', expected {POSITION_KEYS}). Did you mean 'weight'?",
    ),
    ("start_s = 0.5", "begin = 0.5", f"captures[1].begin: unknown key (found 'begin', expected {CAPTURE_KEYS})."),
    (
        '{ polarity = "inverted" }',
        "{ delay = 1 }",
        'captures[2].settings."sub left".delay: unknown key'
        " (found 'delay', expected delay_ms | polarity). Did you mean 'delay_ms'?",
    ),
    (
        "temperature_c = 21.0",
        "temperature_c = -30.1",
        "temperature_c: out of range (found -30.1, expected -30 to 50 degrees Celsius).",
    ),
    (
        "temperature_c = 17.0",
        "temperature_c = 123",  # nor is it one in Fahrenheit
        "captures[2].temperature_c: out of range (found 123, expected -30 to 50 degrees Celsius).",
    ),
    (
        "temperature_c = 21.0",
        'temperature_c = "21"',
        "temperature_c: wrong type (found '21', expected a number). Take the quotes away: 21.",
    ),
    (
        "delay_ms = 1.5",
        "delay_ms = '15.64 ms'",
        "outputs.mains.delay_ms: wrong type (found '15.64 ms', expected a number)."
        " Write 15.64, without unit and quotes.",
    ),
    (
        "delay_ms = 1.5",
        "delay_ms = '1,5ms'",
        "outputs.mains.delay_ms: wrong type (found '1,5ms', expected a number). Write 1.5, without unit and quotes.",
    ),
    # in seconds it is another number
    (
        "delay_ms = 1.5",
        "delay_ms = '0.1 s'",
        "outputs.mains.delay_ms: wrong type (found '0.1 s', expected a number).",
    ),
    (
        "temperature_c = 21.0",
        "temperature_c = '21 °C'",
        "temperature_c: wrong type (found '21 °C', expected a number). Write 21, without unit and quotes.",
    ),
    (
        "mains = 24.5",
        "mains = '24.5 m'",
        "positions.mix.distance_m.mains: wrong type (found '24.5 m', expected a number)."
        " Write 24.5, without unit and quotes.",
    ),
    ("delay_ms = 1.5", "delay_ms = true", "outputs.mains.delay_ms: wrong type (found true, expected a number)."),
    (
        "delay_ms = 1.5",
        "delay_ms = nan",
        "outputs.mains.delay_ms: not a finite number (found nan, expected a finite number).",
    ),
    (
        "latency_ms = 1.3",
        "latency_ms = inf",
        "outputs.mains.latency_ms: not a finite number (found inf, expected a finite number).",
    ),
    (
        "latency_ms = 1.3",
        "latency_ms = -0.1",
        "outputs.mains.latency_ms: out of range (found -0.1, expected a number of at least 0).",
    ),
    (
        "delay_step_ms = 0.02",
        "delay_step_ms = 0",
        "outputs.mains.delay_step_ms: out of range (found 0, expected a number of at least 0.0001).",
    ),
    (
        "later_ms = 12.0",
        "later_ms = 12000.0",
        "outputs.tower.later_ms: out of range (found 12000, expected a number of at most 10000).",
    ),
    (
        "weight = 2",
        "weight = 0.0",
        "positions.mix.weight: out of range (found 0, expected a number of at least 0.001).",
    ),
    (
        "mains = 24.5",
        "mains = -1",
        "positions.mix.distance_m.mains: out of range (found -1, expected a number of at least 0.001).",
    ),
    (
        "can_invert = false",
        'can_invert = "no"',
        "outputs.mains.can_invert: wrong type (found 'no', expected true or false).",
    ),
    ("title = ", "title = true # ", "title: not text (found true, expected text in quotes)."),
    (
        "title = ",
        'title = "\\u0007" # ',
        "title: control character in a text (found '\\x07', expected printable text).",
    ),
    ("date = 2026-05-14", 'date = "14 May"', "date: not a day (found '14 May', expected a day such as 2026-05-14)."),
    (
        "date = 2026-05-14",
        "date = 2026-05-14T10:00:00",
        "date: not a day (found 2026-05-14T10:00:00, expected a day such as 2026-05-14).",
    ),
    (
        "delay_ms = 1.5",
        "delay_ms = 0.4",
        "outputs.mains.delay_ms: out of range (found 0.4, expected 0.5 to 400, what the device offers).",
    ),
    (
        'settings = { "sub left" = { polarity = "inverted" } }',
        "settings.mains.delay_ms = 400.5",
        "captures[2].settings.mains.delay_ms: out of range (found 400.5, expected 0.5 to 400, what the device offers).",
    ),
    (
        "min_delay_ms = 0.5",
        "min_delay_ms = 401",
        "outputs.mains.min_delay_ms: range of delays is empty (found 401, expected at most max_delay_ms, 400).",
    ),
    (
        'reference = "mains"',
        'reference = "mians"',
        f"reference: unknown output (found 'mians', expected {OUTPUTS}). Did you mean 'mains'?",
    ),
    (
        'align_at = ["lawn"]',
        'align_at = [\n"mix",\n<here>"lwan"]',
        "outputs.tower.align_at[2]: unknown position (found 'lwan', expected mix | lawn | drums). Did you mean 'lawn'?",
    ),
    (
        'align_at = ["lawn"]',
        'align_at = ["drums"]',
        "outputs.tower.align_at[1]: not an audience position"
        " (found 'drums', expected positions with zone = 'audience').",
    ),
    (
        'align_at = ["lawn"]',
        'align_at = ["lawn", "lawn"]',
        "outputs.tower.align_at[2]: stands twice in this list (found 'lawn').",
    ),
    (
        "{ mains = 24.5 }",
        "{ wedgs = 24.5 }",
        f"positions.mix.distance_m.wedgs: unknown output (found 'wedgs', expected {OUTPUTS}). Did you mean 'wedge'?",
    ),
    (
        '{ mains = "take1.wav:1" }',
        '{ towr = "take1.wav:1" }',
        f"captures[1].feeds.towr: unknown output (found 'towr', expected {OUTPUTS}). Did you mean 'tower'?",
    ),
    (
        '{ mix = "take1.wav:2"',
        '{ mxi = "take1.wav:2"',
        "captures[1].mics.mxi: unknown position (found 'mxi', expected mix | lawn | drums). Did you mean 'mix'?",
    ),
    (
        'playing = ["mains"]',
        'playing = ["mains", "sub lefft"]',
        f"captures[1].playing[2]: unknown output (found 'sub lefft', expected {OUTPUTS}). Did you mean 'sub left'?",
    ),
    (
        'playing = ["mains"]',
        'playing = ["mains", "mains"]',
        "captures[1].playing[2]: stands twice in this list (found 'mains').",
    ),
    (
        'playing = ["mains"]',
        "playing = []",
        "captures[1].playing: empty list (expected the outputs that sounded, or no such key).",
    ),
    (
        '{ "sub left" = {',
        "{ xxxxxxxx = {",
        f"captures[2].settings.xxxxxxxx: unknown output (found 'xxxxxxxx', expected {OUTPUTS}).",
    ),
    (
        '= "kick in" }',
        '= "kick inn" }',
        'captures[3].against."kick out": unknown input'
        " (found 'kick inn', expected kick in | kick out). Did you mean 'kick in'?",
    ),
    (
        '{ "kick out" = "kick in" }',
        '{ "snare" = "kick in" }',
        "captures[3].against.snare: unknown input (found 'snare', expected kick in | kick out).",
    ),
    (
        '= "kick in" }',
        '= "kick out" }',
        'captures[3].against."kick out": an input against itself'
        " (found 'kick out', expected another input of this capture).",
    ),
    ("end_s = 30", "end_s = 0.5", "captures[1].end_s: out of range (found 0.5, expected more than start_s, 0.5)."),
    ("start_s = 0.5", "start_s = -1", "captures[1].start_s: out of range (found -1, expected a number of at least 0)."),
    (
        'name = "drum kit"',
        'name = "capture 2"',
        "captures[3].name: capture 2 has this name too (found 'capture 2', expected another name).",
    ),
    (
        'name = "drum kit"',
        'name = " "',
        "captures[3].name: empty name (found ' ', expected at least one visible character).",
    ),
    (
        'name = "drum kit"',
        'name = "a\\nb"',
        "captures[3].name: control character in a name (found 'a\\nb', expected printable text on one line).",
    ),
    (
        '"kick_in.wav", "kick out"',
        '"kick_in.wav", "kick\\tin" = "kick_in.wav:2", "kick out"',
        'captures[3].inputs."kick\\tin": control character in a name'
        " (found 'kick\\tin', expected printable text on one line).",
    ),
    (
        'name = "drum kit"',
        'name = "a\\u2028b"',
        "captures[3].name: control character in a name (found 'a\\u2028b', expected printable text on one line).",
    ),
    (
        '"drum kit"',
        f'"{"n" * 201}"',
        f"captures[3].name: name of 201 characters (found '{'n' * 80}'..., expected at most 200).",
    ),
    (
        'group = "subs"',
        'group = ""',
        "outputs.\"sub left\".group: empty name (found '', expected at least one visible character).",
    ),
    (
        "[outputs.wedge]",
        '[outputs."é"]\nkind = "sub"\n[outputs."é"]\nkind = "sub"\n[outputs.wedge]',
        "outputs.\"é\": two keys that read the same (found 'é', expected only one of them).",
    ),
    (
        'feeds = { mains = "take2.wav:1", "sub left" = "./take2.wav:2" }',
        "feeds = {}",
        "captures[2].feeds: missing (expected at least one track, or playing if no feed was recorded).",
    ),
    (
        'against = { "kick out" = "kick in" }',
        "[[captures]]",
        "captures[4]: capture without tracks (expected feeds and mics, or inputs).",
    ),
    (
        'lawn = "take1.wav:3"',
        'lawn = "take1.wav"',
        "captures[1].mics.lawn: same track as 'mains' (found 'take1.wav', expected another track).",
    ),
    (
        '"kick_out.wav"',
        '"./kick_in.wav:1"',
        "captures[3].inputs.\"kick out\": same track as 'kick in' (found './kick_in.wav:1', expected another track).",
    ),
    (
        'unsynced = [["handheld.wav"], ',
        'unsynced = [["handheld.wav"], "handhold.wav", ',
        "captures[2].unsynced[2]: not a file of this capture"
        " (found 'handhold.wav', expected take2.wav | handheld.wav | more/take3.wav). Did you mean 'handheld.wav'?",
    ),
    (
        'unsynced = [["handheld.wav"], ',
        'unsynced = [["handheld.wav"], "./handheld.wav", ',
        "captures[2].unsynced[2]: stands twice in this list (found './handheld.wav').",
    ),
    (
        'unsynced = [["handheld.wav"], ',
        "unsynced = [[], ",
        "captures[2].unsynced: wrong type"
        " (found a list, expected a list of files, those that share one clock in a list of their own).",
    ),
    ("same_start = true", "same_start = 1", "captures[2].same_start: wrong type (found 1, expected true or false)."),
    (
        "[outputs.wedge]",
        "[[positions.wedge]]\n[outputs.wedge]",
        "positions.wedge: wrong type (found a list, expected a table).",
    ),
    ('"kick_in.wav"', "3", 'captures[3].inputs."kick in": wrong type (found 3, expected text in quotes).'),
    (
        'playing = ["mains"]',
        'playing = "mains"',
        "captures[1].playing: wrong type (found 'mains', expected a list). Put it in brackets: [\"mains\"].",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES)
def test_one_mistake(tmp_path: Path, old: str, new: str, message: str) -> None:
    text, line = edited(old, new)
    assert refusal(write_files(tmp_path), text) == [f"soundcheck.toml:{line}: {message}", MEND]
