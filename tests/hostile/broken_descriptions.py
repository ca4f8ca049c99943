"""Descriptions that are wrong in every way a file can be, each built by code: name -> bytes."""

from __future__ import annotations

from collections.abc import Iterator

from tests.description_example import EXAMPLE
from tests.hostile.folders import GOOD_TAKE, HEAD

CAPTURE = f"[[captures]]\n{GOOD_TAKE}\n"
GOOD = HEAD + CAPTURE


def corpus() -> dict[str, bytes]:
    """Every description that must be refused."""
    return dict([*_bytes(), *_syntax(), *_keys(), *_numbers(), *_names(), *_tracks()])


def _bytes() -> Iterator[tuple[str, bytes]]:
    """Files that are no text."""
    good = GOOD.encode()
    yield "no byte", b""
    yield "NUL bytes", bytes(100)
    yield "a NUL byte inside", good.replace(b"main", b"ma\0in", 1)
    yield "Latin-1", good.replace(b"[positions", 'title = "Süd"\n[positions'.encode("latin-1"), 1)
    yield "UTF-16", GOOD.encode("utf-16")
    yield "UTF-32", GOOD.encode("utf-32")
    yield "two byte-order marks", b"\xef\xbb\xbf" * 2 + good
    yield "overlong UTF-8", good + b"# \xc0\xaf\n"
    yield "a surrogate in UTF-8", good + b"# \xed\xa0\x80\n"
    yield "carriage returns alone", good.replace(b"\n", b"\r")
    yield "random bytes", bytes(range(256)) * 20
    yield "an audio file", b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(100)
    yield "larger than a description may be", good + b"# more\n" * 200_000
    yield "a line of a megabyte", good + b"#" * 1_000_000


def _syntax() -> Iterator[tuple[str, bytes]]:
    """What no parser reads, or reads for hours."""
    for name, text in (
        ("lists nested deeply", "x = " + "[" * 2000 + "]" * 2000),
        ("tables nested deeply", "x = " + "{a=" * 1000 + "1" + "}" * 1000),
        ("lists that are not closed", "x = " + "[" * 4000),
        ("a list nested over lines", "x = " + "[\n" * 50_000 + "]\n" * 50_000),
        ("a key of many parts", ".".join("a" * 1000) + " = 1"),
        ("many keys of many parts", "\n".join(".".join(f"k{n}" for _ in range(14)) + " = 1" for n in range(3000))),
        ("a header of many parts", "[" + ".".join("a" * 1000) + "]"),
        ("one key twice", 'title = "a"\ntitle = "b"'),
        ("one table twice", "[outputs.main]"),
        ("a table and a value", "outputs = 1"),
        ("text that is not closed", 'title = "' + "a" * 3000),
        ("a day that is none", "date = 2026-02-30"),
        ("an escape that is none", 'title = "\\q"'),
        ("a surrogate as an escape", 'title = "\\ud800"'),
        ("a tag", "title = <script>alert(1)</script>"),
    ):
        yield name, f"{text}\n{GOOD}".encode() if name != "one table twice" else f"{GOOD}{text}\n".encode()


def _keys() -> Iterator[tuple[str, bytes]]:
    """Keys that are wrong: all of them, those that read alike, those that hold what acts on a terminal."""
    wrong = [f"wrong_{line}" if " = " in line and not line.startswith("[") else line for line in EXAMPLE.split("\n")]
    yield "every key wrong", "\n".join(wrong).encode()
    values = [f"{line.partition(' = ')[0]} = [nan]" if " = " in line else line for line in EXAMPLE.split("\n")]
    yield "every value wrong", "\n".join(["format = 1", *values[1:]]).encode()
    yield "one key in two Unicode forms", f'{HEAD}[outputs."é"]\nkind = "sub"\n[outputs."e\u0301"]\n{CAPTURE}'.encode()
    yield "a key of terminal escapes", f'"\\u001b[31m\\u0007" = 1\n{GOOD}'.encode()
    yield "a key of tags", f'"<script>" = 1\n{GOOD}'.encode()
    yield "an empty key", f'"" = 1\n{GOOD}'.encode()
    yield "a very long key", f"{'k' * 4000} = 1\n{GOOD}".encode()
    yield "ten thousand wrong keys", (GOOD + "\n".join(f"k{n} = 1" for n in range(10_000))).encode()
    yield "no captures", HEAD.encode()
    yield "captures that are no tables", f"captures = [1, 2]\n{HEAD}".encode()
    yield "no tables at all", b"format = 1\n"
    yield "another format", GOOD.replace("format = 1", "format = 99").encode()


def _numbers() -> Iterator[tuple[str, bytes]]:
    """Numbers that no device, room or clock has."""
    large = ("1e308", "-1e308", "inf", "-inf", "nan", "9" * 4000, "0x" + "f" * 3000, "-" + "9" * 400)
    for key in ("delay_ms", "min_delay_ms", "max_delay_ms", "delay_step_ms", "latency_ms", "later_ms"):
        for n, value in enumerate((*large, *(("0", "5e-324") if key == "delay_step_ms" else ()))):
            text = GOOD.replace('kind = "main"', f'kind = "main"\n{key} = {value}')
            yield f"{key} {n}: {value[:9]}", text.encode()
    for n, value in enumerate((*large, "0", "5e-324")):
        more = f"zone = 'audience'\nweight = {value}"
        yield f"weight {n}: {value[:9]}", GOOD.replace('zone = "audience"', more).encode()
        more = f"zone = 'audience'\ndistance_m = {{ main = {value} }}"
        yield f"distance {n}: {value[:9]}", GOOD.replace('zone = "audience"', more).encode()
    for n, value in enumerate(large):
        yield f"temperature_c {n}: {value[:9]}", f"temperature_c = {value}\n{GOOD}".encode()
        yield f"start_s {n}: {value[:9]}", f"{GOOD}start_s = {value}\n".encode()
        yield f"end_s {n}: {value[:9]}", f"{GOOD}end_s = {value}\n".encode()
        yield f"format {n}: {value[:9]}", GOOD.replace("format = 1", f"format = {value}").encode()


def _names() -> Iterator[tuple[str, bytes]]:
    """Names that are no names."""
    for name in ("", " ", "\\n", "\\u0000", "\\u001b[2J", "a\\u2028b", "x" * 201, "x" * 4000):
        text = GOOD.replace("outputs.main", f'outputs."{name}"').replace("{ main =", f'{{ "{name}" =')
        yield f"output {name[:12]!r}", text.encode()
        yield f"capture {name[:12]!r}", GOOD.replace('"good"', f'"{name}"').encode()


def _tracks() -> Iterator[tuple[str, bytes]]:
    """Tracks outside the folder, or that are no files of it."""
    for track in (
        "../good.wav", "a/../../good.wav", "./../good.wav", "/etc/passwd", "/dev/zero", "//host/share/a.wav",
        "C:/a.wav", "C:\\\\a.wav", "\\\\\\\\host\\\\a.wav", "~/good.wav", "good.wav:0", "good.wav:-1", "good.wav:1025",
        "good.wav:99999999999999999999", "good.wav:x", "good.wav:", ":1", "", " ", ".", "..", "/", "good.wav/", "CON",
        "NUL.wav", "con:1", "aux.wav:1", "\\\\\\\\.\\\\COM1", "good.wav\\u0000.png", "good\\u001b[31m.wav",
        "good.wav\\n",
        "file:///etc/passwd", "http://example.com/a.wav", "${HOME}/a.wav", "$(reboot).wav", "| cat", "a" * 3000,
        "a/" * 1500 + "b.wav", "soundcheck.toml/x", "\\ufeffgood.wav", "good.wav\\u200b",
    ):  # fmt: skip
        yield f"track {track[:20]!r}", GOOD.replace('mix = "good.wav:2"', f'mix = "{track}"').encode()
