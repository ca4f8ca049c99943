"""The file of a description: paths, size, encoding, syntax, the line of every key, and text that nobody foresaw."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analyze.description import SoundCheck, load_sound_check
from analyze.description_lines import MAX_MISTAKES, index_lines, normalised
from analyze.description_text import MAX_FILE_BYTES, MAX_LINE_BYTES
from analyze.errors import DescriptionError
from tests.description_example import EXAMPLE, MEND, MEND_ALL, load, refusal, write_files

#: Values as they may stand behind a key, each with the number of lines it spans.
VALUES = (
    ('"a # b = c \\" ]"', 1),
    ("'C:\\x\\'", 1),
    ('""', 1),
    ("2026-05-14 20:00:00  # [no.table]", 1),
    ("-1.5e3", 1),
    ('"""\nx = 1\n[no.table] \\" ""\n"""', 4),
    ('"""a"""""', 1),
    ("'''\nx = 1\n[[no]]\n''''", 4),
    ("[\n  1, # one ]\n  [2, '}'],\n  { p = 3, 'q r' = [] },\n]", 5),
    ("{ a.b = 1, c = { d = ']' } }", 1),
)

#: What a hand may slip in while a description is edited.
SLIPS = (
    "",
    "\n",
    '"',
    "'",
    "[",
    "]",
    "{",
    "}",
    "=",
    ".",
    ",",
    "\\",
    "\x00",
    "\x85",
    "0",
    "-1",
    "nan",
    "1e999",
    "[[captures]]",
)


def message_of(path: Path) -> str:
    with pytest.raises(DescriptionError, match=path.name) as caught:
        load_sound_check(path)
    assert caught.value.exit_code == 2
    return str(caught.value)


def test_no_such_path(tmp_path: Path) -> None:
    (tmp_path / "friday").mkdir()
    path = tmp_path / "fridya"
    expected = "no such file or folder (expected a folder that holds soundcheck.toml, or that file)."
    assert message_of(path) == f"{path}: {expected}\nDid you mean 'friday'?"
    assert message_of(tmp_path / "zzz" / "x").endswith(f"{expected}\nCheck the path.")


def test_folder_without_description(tmp_path: Path) -> None:
    draft = "Begin one with `analyze draft FOLDER`: see `analyze guide describing`."
    assert message_of(tmp_path) == f"{tmp_path}: no soundcheck.toml in this folder.\n{draft}"
    (tmp_path / "Sound-Check.toml").touch()
    assert message_of(tmp_path).endswith("Did you mean 'Sound-Check.toml'?")


def test_recording_instead_of_description(tmp_path: Path) -> None:
    path = write_files(tmp_path) / "take1.wav"
    assert message_of(path).startswith(f"{path}: not a description (found a file ending in '.wav', expected a folder")


def test_description_under_another_name(tmp_path: Path) -> None:
    path = write_files(tmp_path) / "evening.toml"
    path.write_text(EXAMPLE)
    assert load_sound_check(path).path == path


def test_path_longer_than_the_disk_allows(tmp_path: Path) -> None:
    assert ": cannot be opened: " in message_of(tmp_path / ("a" * 300))


def test_description_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    (tmp_path / "soundcheck.toml").touch()
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(DescriptionError, match=r"soundcheck\.toml: cannot be read: Permission denied\.\n") as caught:
        load_sound_check(tmp_path)
    assert isinstance(caught.value.__cause__, PermissionError)


def test_largest_file(tmp_path: Path) -> None:
    filler = "#" * 1023 + "\n"
    text = EXAMPLE + filler * ((MAX_FILE_BYTES - len(EXAMPLE)) // 1024)
    text += "#" * (MAX_FILE_BYTES - len(text))
    assert len(load(write_files(tmp_path), text).captures) == 3
    assert refusal(tmp_path, text + "#")[0] == (
        "soundcheck.toml: larger than a description may be (expected at most 1048576 bytes)."
    )


def test_longest_line(tmp_path: Path) -> None:
    line = "#" * MAX_LINE_BYTES
    assert len(load(write_files(tmp_path), f"{EXAMPLE}{line}\n").captures) == 3
    number = EXAMPLE.count("\n") + 1
    assert refusal(tmp_path, f"{EXAMPLE}{line}#\n")[0] == (
        f"soundcheck.toml:{number}: line too long (found 4097 bytes, expected at most 4096)."
    )


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"# a\nx = '\xe9'\n", "soundcheck.toml:2: not UTF-8 (found byte 0xe9 at offset 9)."),
        (b"\xef\xbb\xbf# a\n\n\xff", "soundcheck.toml:3: not UTF-8 (found byte 0xff at offset 8)."),
        ("format = 1".encode("utf-16"), "soundcheck.toml:1: saved as UTF-16 (expected UTF-8)."),
    ],
)
def test_encoding(tmp_path: Path, data: bytes, message: str) -> None:
    assert refusal(tmp_path, data) == [message, "Save it again as UTF-8."]


@pytest.mark.parametrize("text", ["x = " + "[\n" * 2000, "x = " + "[\n" * 700 + "]\n" * 700, "x = " + "{x = " * 600])
def test_deep_nesting(tmp_path: Path, text: str) -> None:
    with pytest.raises(DescriptionError, match="nested too deeply") as caught:
        load(tmp_path, text)
    assert isinstance(caught.value.__cause__, RecursionError)


@pytest.mark.parametrize("key", [".".join("a" * 17), '"a" . ' * 16 + "a"])
@pytest.mark.parametrize("shape", ["\n{} = 1", "\n[{}]", "\n[[{}]]", "\nx = {{ {} = 1 }}", "\nx = {{ y = 2, {} = 1 }}"])
def test_long_dotted_key(tmp_path: Path, key: str, shape: str) -> None:
    message = "soundcheck.toml:2: a key has too many parts (expected at most 16)."
    assert refusal(tmp_path, "format = 1" + shape.format(key))[0] == message


@pytest.mark.parametrize(
    ("first", "message"),
    [
        ("", "format: format is missing (expected format = 1)."),
        ("formt = 1", "formt: format is missing (expected format = 1)."),
        (
            "format = 2",
            "format: unknown format (found 2, expected 1). Newer formats need a newer version of the program.",
        ),
        ("format = 0", "format: unknown format (found 0, expected 1)."),
        ("format = true", "format: unknown format (found true, expected 1)."),
        ("format = 1.0", "format: unknown format (found 1, expected 1)."),
        ('format = "1"', "format: unknown format (found '1', expected 1)."),
    ],
)
def test_format_comes_first_and_alone(tmp_path: Path, first: str, message: str) -> None:
    assert refusal(tmp_path, f'{first}\nunknown = "key"\n') == [f"soundcheck.toml:1: {message}", MEND]


def test_no_captures(tmp_path: Path) -> None:
    expected = "expected at least one table headed [[captures]]"
    hint = "Nothing is recorded yet? `analyze plan` lists what to record, and writes these tables."
    assert refusal(tmp_path, "format = 1\n") == [f"soundcheck.toml:1: captures: missing ({expected}). {hint}", MEND]
    assert refusal(tmp_path, "\nformat = 1\ncaptures = []") == [
        f"soundcheck.toml:3: captures: missing ({expected}). {hint}",
        MEND,
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[captures]",
            "captures: wrong type (found a table, expected tables headed [[captures]], with double brackets)",
        ),
        (
            "[[outputs]]\n[[captures]]\ninputs.a = 'kick_in.wav'",
            "outputs: wrong type (found a list, expected tables headed [outputs.NAME])",
        ),
    ],
)
def test_wrong_kind_of_table(tmp_path: Path, text: str, message: str) -> None:
    assert refusal(write_files(tmp_path), f"format = 1\n{text}\n") == [f"soundcheck.toml:2: {message}.", MEND]


def test_several_mistakes_are_reported_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = EXAMPLE
    for old, new in (
        ('"take1.wav:1"', '"take1.wv:1"'),
        ('kind = "tower"', 'kind = "towr"'),
        ("delay_ms = 1.5", 'delay_ms = "1.5"'),
        ('playing = ["mains"]', 'playing = ["man"]'),
        ('align_at = ["lawn"]', 'align_at = ["lawm"]'),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    *lines, last = refusal(write_files(tmp_path), text)
    assert [line.partition(" ")[2].partition(":")[0] for line in lines] == [
        "outputs.mains.delay_ms",
        "outputs.tower.kind",
        "outputs.tower.align_at[1]",
        "captures[1].playing[1]",
        "captures[1].feeds.mains",
    ]
    numbers = [int(line.split(":")[1]) for line in lines]
    assert numbers == sorted(numbers)
    assert last == MEND_ALL
    with pytest.raises(DescriptionError) as caught:
        load(tmp_path, text)
    assert (caught.value.line, caught.value.path) == (numbers[0], str(tmp_path / "soundcheck.toml"))


@pytest.mark.parametrize(("n_mistakes", "n_more"), [(MAX_MISTAKES, 0), (MAX_MISTAKES + 3, 3)])
def test_first_mistakes_are_spelt_out(tmp_path: Path, n_mistakes: int, n_more: int) -> None:
    unknown = "".join(f"key{number} = 1\n" for number in range(n_mistakes))
    lines = refusal(write_files(tmp_path), EXAMPLE.replace("format = 1\n", f"format = 1\n{unknown}"))
    assert sum("unknown key" in line for line in lines) == MAX_MISTAKES
    assert lines[MAX_MISTAKES:] == ([f"... and {n_more} more"] if n_more else []) + [MEND_ALL]


#: Edits of which the first is a mistake and the second is right, or cannot be judged, because of the first.
CONSEQUENCES = [
    (("min_delay_ms = 0.5", 'min_delay_ms = "0"'), ("delay_ms = 1.5", "delay_ms = -1")),
    (("max_delay_ms = 400", "max_delay_ms = nan"), ("delay_ms = 1.5", "delay_ms = 600")),
    (("max_delay_ms = 400", "max_delay_ms = nan"), ('"sub left" = {', "mains = { delay_ms = 600 }, 'sub left' = {")),
    (('[outputs.wedge]\nkind = "monitor"', "[outputs]\nwedge = 3"), ('playing = ["mains"]', 'playing = ["wedge"]')),
    (('[positions.lawn]\nzone = "audience"', '[positions.lawn]\nzone = "seats"'), ("", "")),
    (('{ mains = "take1.wav:1" }', "{ mains = 1 }"), ("", "")),
    (('"handheld.wav",', '"gone.wav",'), ('[["handheld.wav"], ', '["gone.wav", ')),
    (('lawn = "handheld.wav",', "lawn = 3,"), ("", "")),
]


@pytest.mark.parametrize(("mistake", "consequence"), CONSEQUENCES)
def test_what_follows_from_a_mistake_is_not_a_second_one(
    tmp_path: Path, mistake: tuple[str, str], consequence: tuple[str, str]
) -> None:
    assert mistake[0] in EXAMPLE
    assert consequence[0] in EXAMPLE
    text = EXAMPLE.replace(*mistake, 1).replace(*consequence, 1)
    assert len(refusal(write_files(tmp_path), text)) == 2


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[tuple[str, str], int]]:
    """A valid text of tables, with the line of every key."""
    text, lines = "", {}
    for table in draw(st.lists(st.text(max_size=8), min_size=1, max_size=4, unique_by=normalised)):
        text += draw(st.sampled_from(["", "\n", "# [x] = 'y'\n", " \t\n"]))
        text += f"[ {quoted(table)} ] # header\n"
        for key in draw(st.lists(st.text(max_size=8), max_size=5, unique_by=normalised)):
            text += draw(st.sampled_from(["", "\n\n", '# """\n']))
            lines[normalised(table), normalised(key)] = text.count("\n") + 1
            text += f"  {quoted(key)} = {draw(st.sampled_from(VALUES))[0]}\n"
    return text, lines


def quoted(key: str) -> str:
    """A key as a basic TOML string."""
    return '"' + "".join(c if c.isalnum() and c.isascii() else f"\\U{ord(c):08x}" for c in key) + '"'


@given(documents())
def test_line_of_every_key(case: tuple[str, dict[tuple[str, str], int]]) -> None:
    text, lines = case
    index = index_lines(text)
    assert {key: index.line_of(key) for key in lines} == lines


def test_lines_of_arrays_of_tables_dotted_keys_and_items() -> None:
    text = "a.b.c = 1\na.d = [\n 1,\n { e = 2 },\n]\n[[t]]\nx = 1\n[[t]]\n[t.u]\ny = 1\n[[t.v]]\n[[t.v]]\nz = 1\n"
    index = index_lines(text)
    expected = {
        ("a",): 1, ("a", "b", "c"): 1, ("a", "d"): 2, ("a", "d", 0): 3, ("a", "d", 1, "e"): 4, ("t",): 6,
        ("t", 0, "x"): 7, ("t", 1): 8, ("t", 1, "u", "y"): 10, ("t", 1, "v", 0): 11, ("t", 1, "v", 1, "z"): 13,
    }  # fmt: skip
    assert {key: index.line_of(key) for key in expected} == expected
    assert index.line_of(("t", 1, "u", "absent", "deeper")) == 9
    assert index.line_of(("absent",)) == 1


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_files(tmp_path_factory.mktemp("shared"))


def is_loaded_or_refused(folder: Path, data: str | bytes) -> bool:
    """Whether a description is loaded or refused with a message of ours; anything else is raised."""
    try:
        return isinstance(load(folder, data), SoundCheck)
    except DescriptionError as error:
        return str(error).startswith(str(folder))


@given(data=st.one_of(st.binary(), st.text().map(str.encode)))
@example(data=b"\xef\xbb\xbf")
@example(data=b"format = 1\nx = 0x" + b"f" * 4000)
@example(data=b"format = 1\ntemperature_c = 0x" + b"f" * 4000)
@example(data=b"format = 0x" + b"f" * 4000)
@example(data=b"format = 1\ndate = 9999-99-99")
@example(data=b"\r")
def test_any_text_is_loaded_or_refused(shared: Path, data: bytes) -> None:
    assert is_loaded_or_refused(shared, data)


@settings(max_examples=300)
@given(
    edits=st.lists(
        st.tuples(st.integers(0, len(EXAMPLE)), st.integers(0, 12), st.sampled_from(SLIPS) | st.text(max_size=3)),
        min_size=1,
        max_size=4,
    )
)
def test_any_slip_of_the_hand_is_loaded_or_refused(shared: Path, edits: list[tuple[int, int, str]]) -> None:
    text = EXAMPLE
    for at, n_deleted, inserted in edits:
        text = text[:at] + inserted + text[at + n_deleted :]
    assert is_loaded_or_refused(shared, text.encode())


SCALARS = st.sampled_from(["1", "-1", "nan", "true", '""', '"mains"', '"take1.wav:1"', "2026-01-01", "0x" + "f" * 300])
NESTED = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.lists(inner, max_size=2).map(
            lambda items: "{" + ", ".join(f"k{n} = {v}" for n, v in enumerate(items)) + "}"
        ),
    ),
    max_leaves=6,
)


@settings(max_examples=300)
@given(line=st.sampled_from([n for n, line in enumerate(EXAMPLE.split("\n")) if " = " in line]), value=NESTED)
def test_any_value_of_any_key_is_loaded_or_refused(shared: Path, line: int, value: str) -> None:
    lines = EXAMPLE.split("\n")
    lines[line] = f"{lines[line].partition(' = ')[0]} = {value}"
    assert is_loaded_or_refused(shared, "\n".join(lines))


def test_import_is_cheap() -> None:
    heavy = ("pydantic", "numpy", "scipy", "pandas", "soundfile")
    code = f"import sys, analyze.description; print([m for m in {heavy} if m in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"
