"""Tables against the published contract: columns and their order, decimals, CSV as RFC 4180."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
import re
from types import SimpleNamespace

import pandas as pd
import pytest

from analyze.alignment.rows import Pair, Prediction, Recommendation, Robustness
from analyze.findings import Finding
from analyze.reports.columns import ARRIVALS, INPUTS, QUALITY, RECOMMENDATIONS, TABLES, table
from analyze.reports.tables import cell, csv_bytes, csv_tables, frames, records, value
from analyze.responses.rows import Arrival, Band, InputPair, Wiring

# The published contract, column by column.
HEADERS = {
    "recommendations": "output,kind,group,setting_delay_ms,setting_polarity,recommended_delay_ms,recommended_polarity,"
    "delay_change_ms,polarity_change,decision,confidence,polarity_confidence,cost_if_wrong_db,gain_db,worst_position,"
    "worst_gain_db,overlap_low_hz,overlap_high_hz,alternative,reason",
    "wiring": "output,polarity,confidence,positions,positions_agreeing,reason",
    "arrivals": "capture,output,position,zone,arrival_ms,arrival_std_ms,distance_m,polarity,polarity_confidence,"
    "own_polarity,own_confidence,level_db,band_low_hz,band_high_hz,coherence,averages",
    "bands": "capture,output,position,zone,band_hz,band_low_hz,band_high_hz,level_db,phase_deg,phase_std_deg,"
    "group_delay_ms,coherence,averages",
    "pairs": "position,zone,output,other,band_hz,relative_delay_ms,relative_phase_deg,level_difference_db,sum_db,"
    "flipped_sum_db,recommended_sum_db,coherence,usable",
    "prediction": "position,zone,band_hz,present_db,recommended_db,change_db,cell,present_std_db,recommended_std_db",
    "robustness": "scenario,position,zone,present_db,recommended_db,advantage_db",
    "inputs": "capture,input,against,relative_delay_ms,relative_delay_std_ms,polarity,polarity_confidence,"
    "recommended_delay_ms,recommended_polarity,gain_db,decision,reason",
    "quality": "capture,track,file,channel,finding,severity,value,unit,at_s,detail",
}
ROWS = {
    "recommendations": Recommendation,
    "wiring": Wiring,
    "arrivals": Arrival,
    "bands": Band,
    "pairs": Pair,
    "prediction": Prediction,
    "robustness": Robustness,
    "inputs": InputPair,
    "quality": Finding,
}

# 1.23456789 with the decimals of the contract: ms 4, Hz and degrees 2, dB 3, probabilities 3.
PRINTED = {"ms": "1.2346", "hz": "1.23", "deg": "1.23", "db": "1.235", "m": "1.23", "s": "1.235"}
PROBABILITIES = {"confidence", "polarity_confidence", "own_confidence", "coherence"}


@pytest.mark.parametrize("name", HEADERS)
def test_columns_are_those_of_the_contract_and_of_the_rows(name):
    assert [column.name for column in table(name).columns] == HEADERS[name].split(",")
    assert {one.name for one in dataclasses.fields(ROWS[name])} == set(HEADERS[name].split(","))


def test_every_table_of_the_contract_is_declared():
    assert [one.name for one in TABLES] == list(HEADERS)


@pytest.mark.parametrize(
    "column",
    [pytest.param(column, id=f"{one.name}-{column.name}") for one in TABLES for column in one.columns if column.unit]
    + [ARRIVALS.column(name) for name in ("coherence", "averages", "own_confidence", "polarity_confidence")]
    + [RECOMMENDATIONS.column("confidence"), QUALITY.column("value")],
)
def test_decimals_of_every_number(column):
    if column.name in PROBABILITIES:
        expected = "1.235"
    elif column.name in ("averages", "value"):
        expected = {"averages": "1.2", "value": "1.23457"}[column.name]
    else:
        expected = PRINTED[column.name.rsplit("_", 1)[1]]
    assert cell(column, 1.23456789) == expected
    assert cell(column, math.nan) == ""
    assert not cell(column, -1e-9).startswith("-0.0")


def test_integers_and_large_figures():
    assert cell(QUALITY.column("channel"), 3) == "3"
    assert cell(QUALITY.column("channel"), None) == ""
    assert cell(QUALITY.column("value"), 1234567.0) == "1.23457e+06"
    assert cell(QUALITY.column("value"), -0.0) in ("0", "-0")
    assert value(INPUTS.column("gain_db"), math.inf) is None


@pytest.mark.parametrize("text", ["=1+1", "+1", "-x", "@a", "\ta", "\ra", "\na", "'=1", "''@"])
def test_formulas_are_defused_and_can_be_restored(text):
    written = cell(RECOMMENDATIONS.column("reason"), text)
    assert written == "'" + text
    assert re.sub(r"^'(?='*[=+\-@\t\r\n])", "", written) == text


@pytest.mark.parametrize("text", ["sub left", "'quoted'", "a=b", "−3 dB", " +1"])
def test_other_text_stays_as_it_is(text):
    assert cell(RECOMMENDATIONS.column("reason"), text) == text


def test_csv_is_rfc_4180(hostile):
    for name, content in csv_tables(hostile).items():
        text = content.decode("utf-8")
        assert not text.startswith("\ufeff")
        assert text.endswith("\r\n")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
        assert rows[0] == HEADERS[name.removesuffix(".csv")].split(",")
        assert {len(row) for row in rows} == {len(rows[0])}
        outside = re.sub(r'"(?:[^"]|"")*"', "", text)
        assert "\n" not in outside.replace("\r\n", "")


def test_a_table_without_rows_is_its_header():
    for one in TABLES:
        assert csv_bytes(one, ()).decode() == HEADERS[one.name] + "\r\n"


def test_names_survive_the_way_through_csv(hostile):
    content = csv_tables(hostile)["wiring.csv"]
    read = pd.read_csv(io.BytesIO(content), keep_default_na=False, na_values=[""])
    restored = [re.sub(r"^'(?='*[=+\-@\t\r\n])", "", name) for name in read["output"]]
    controls = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")  # what no name of a description holds
    assert restored == [controls.sub("\ufffd", row.output) for row in hostile.wiring]


def test_pandas_reads_every_table_as_its_frame(analysis):
    tables, whole = csv_tables(analysis), frames(analysis)
    for one in TABLES:
        read = pd.read_csv(io.BytesIO(tables[one.path]))
        assert list(read.columns) == list(whole[one.name].columns)
        assert len(read) == len(whole[one.name])
        for column in (column for column in one.columns if column.type == "number" and column.decimals is not None):
            expected = whole[one.name][column.name].astype(float).round(column.decimals)
            pd.testing.assert_series_equal(read[column.name].astype(float), expected, rtol=1e-9, atol=1e-9)


def test_records_hold_what_the_csv_holds(analysis):
    for one in TABLES:
        text = csv_tables(analysis)[one.path].decode("utf-8")
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        for row, record in zip(rows, records(analysis, one), strict=True):
            for column in one.columns:
                known = record[column.name]
                if known is None:
                    assert row[column.name] == ""
                elif column.type == "string":
                    assert row[column.name] == known
                else:
                    assert float(row[column.name]) == known


def test_nul_does_not_reach_the_csv():
    row = SimpleNamespace(**{column.name: None for column in QUALITY.columns} | {"detail": "a\x00b"})
    assert csv_bytes(QUALITY, (row,)).endswith("a\ufffdb\r\n".encode())
