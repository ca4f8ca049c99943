"""`results.json`: complete, strict JSON, the same as what is returned."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import math
import platform

import numpy as np
import pytest
import soundfile

from analyze.reports import results_object
from analyze.reports.columns import TABLES
from analyze.reports.wav import wav_bytes
from analyze.responses.transfer import ImpulseResponse


def refuse(name: str) -> float:
    raise ValueError(name)


def test_the_file_is_the_object_in_strict_json(analysis, report):
    text = (report / "results.json").read_text("utf-8")
    assert json.loads(text, parse_constant=refuse) == json.loads(json.dumps(results_object(analysis)))


def test_keys_are_sorted(report):
    def check(pairs: list[tuple[str, object]]) -> dict[str, object]:
        assert [key for key, _ in pairs] == sorted(key for key, _ in pairs)
        return dict(pairs)

    json.loads((report / "results.json").read_text("utf-8"), object_pairs_hook=check)


def test_everything_is_in_it(analysis):
    result = results_object(analysis)
    assert {one.name for one in TABLES} <= set(result)
    assert [row["output"] for row in result["recommendations"]] == [row.output for row in analysis.recommendations]
    program = result["program"]
    assert (program["name"], program["version"]) == ("analyze", "0.1.0")
    assert program["libraries"]["numpy"] == np.__version__
    assert program["libraries"]["python"] == platform.python_version()
    assert result["options"] == {"bands_per_octave": 3}
    assert [one["sha256"] for one in result["input_files"]] == ["ab" * 32, "cd" * 32]
    assert result["score"] == {"present_db": -3.4, "recommended_db": -1.6}
    assert len(result["delay_scans"][0]["normal_db"]) == len(analysis.delay_scans[0].delay_ms)
    assert result["monitor_tricks"][0]["output"] == "wedge"
    assert result["sound_check"]["captures"][0]["feeds"]["mains"] == {"file": "take1.wav", "channel": 1}


def test_the_description_stands_in_the_report_as_it_was_read(analysis, report):
    described = results_object(analysis)["description_file"]
    content = (report / described["path"]).read_bytes()
    assert content == analysis.sound_check.source == b"format = 1\n"
    assert (described["n_bytes"], described["sha256"]) == (len(content), hashlib.sha256(content).hexdigest())


def test_what_is_not_known_is_null(analysis):
    result = results_object(dataclasses.replace(analysis, score_present_db=math.nan))
    assert result["score"]["present_db"] is None
    assert result["recommendations"][0]["confidence"] is None
    assert result["recommendations"][0]["alternative"] is None
    assert result["sound_check"]["outputs"]["mains"]["latency_ms"] is None


def test_it_says_nothing_of_where_the_recordings_lie(analysis):
    assert "nowhere" not in json.dumps(results_object(analysis))


def test_names_map_to_the_files_of_the_responses(hostile, hostile_report):
    files = results_object(hostile)["responses"]
    assert set(files) == set(hostile.sound_check.outputs)
    paths = [path for positions in files.values() for path in positions.values()]
    assert len(set(paths)) == len(hostile.impulse_responses)
    for path in paths:
        samples, rate = soundfile.read(hostile_report / path, dtype="float32", always_2d=True)
        assert (rate, samples.shape) == (48000, (480, 1))
        assert np.flatnonzero(samples).tolist() == [24]


@pytest.mark.parametrize("n_frames", [1, 480, 481])
def test_the_bytes_of_a_response_hold_no_clock(n_frames):
    samples = np.linspace(-1.5, 1.0, n_frames, dtype=np.float32)
    one = ImpulseResponse("mains", "mix", 44100, samples)
    content = wav_bytes(one)
    at = content.index(b"PEAK")
    assert content[at + 12 : at + 16] == bytes(4)
    assert content == wav_bytes(one)
    read, rate = soundfile.read(io.BytesIO(content), dtype="float32")
    assert rate == 44100
    np.testing.assert_array_equal(read, samples)


def test_plots_are_listed_with_their_words(analysis, report):
    for plot in results_object(analysis)["plots"]:
        assert (report / plot["svg"]).is_file()
        assert (report / plot["png"]).is_file()
        assert plot["title"]
        assert plot["text"].endswith(".")


def test_short_takes_are_told_with_their_outputs(analysis):
    """For `analyze plan`, which judges none itself."""
    assert results_object(analysis)["short_takes"] == []
    feed = next(one for one in analysis.waveforms if one.kind == "feed")
    brief = dataclasses.replace(feed, low=feed.low[:1], high=feed.high[:1], column_s=2.0)
    short = dataclasses.replace(analysis, waveforms=(brief,))
    assert results_object(short)["short_takes"] == [
        {"capture": feed.capture, "outputs": [feed.name], "is_at_once": False, "is_of_several": False}
    ]
