"""A record in the place of a sound check: refused with the way to its recordings."""

from __future__ import annotations

import shutil

import pytest
from histories_making import KEPT_RECORD

from analyze.archive.refusing import refuse_what_is_made
from analyze.errors import DescriptionError


def test_a_record_is_no_sound_check_and_says_where_its_recordings_are(tmp_path):
    record = shutil.copytree(KEPT_RECORD, tmp_path / "old hall")
    shutil.rmtree(record / "data" / "audio", ignore_errors=True)
    for asked in (record, record / "data" / "audio"):
        with pytest.raises(DescriptionError) as refused:
            refuse_what_is_made(asked)
        assert "is a record" in refused.value.what
        assert refused.value.mend.startswith("It was made without --with-audio and holds no recordings")
    (record / "data" / "audio").mkdir()
    with pytest.raises(DescriptionError) as refused:
        refuse_what_is_made(record)
    mend = f"Its recordings are in it: analyze run '{record / 'data' / 'audio'}' --out 'reports/old hall_again'"
    assert refused.value.mend == mend
    refuse_what_is_made(record / "data" / "audio")  # which is one


def test_a_report_is_refused_too_and_anything_else_goes_on(tmp_path):
    with pytest.raises(DescriptionError, match="is a report"):
        refuse_what_is_made(KEPT_RECORD / "data" / "report")
    refuse_what_is_made(tmp_path)
    refuse_what_is_made(tmp_path / "none")
