"""Help begins with an example that works, misspelt words are answered with what was meant, shells complete them."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from analyze.cli import commands
from analyze.cli_help import ExampleCommand
from analyze.cli_records import verify

ALL = {"": commands, **{name: command for name, command in commands.commands.items()}, "archive verify": verify}


def called(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "analyze", *arguments]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=60, env={**os.environ, **environment}
    )


@pytest.mark.parametrize("name", ALL)
def test_help_begins_with_an_example(name: str) -> None:
    shown = CliRunner().invoke(commands, [*name.split(), "--help"], prog_name="analyze")
    command = ALL[name]
    assert shown.exit_code == 0
    assert isinstance(command, ExampleCommand)
    assert shown.output.startswith(f"Example: {command.example}\n\nUsage: analyze {name}".rstrip())
    assert command.example.startswith(f"analyze {name}".rstrip())


def test_a_folder_in_place_of_a_command_is_answered_with_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "first night").mkdir()
    (tmp_path / "soundcheck.toml").touch()
    for word, said in (
        ("first night", "'first night' is a folder, no command. To analyse it: analyze run 'first night'"),
        (
            "soundcheck.toml",
            "'soundcheck.toml' is a description, no command. To analyse it: analyze run soundcheck.toml",
        ),
        ("second night", "No such command 'second night'."),
    ):
        done = CliRunner().invoke(commands, [word])
        assert done.exit_code == 2
        assert said in done.output


def test_a_name_with_blanks_is_put_into_quotes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "first night").mkdir()
    for words, said in (
        (["inspect", "first", "night"], "Did you mean 'first night'?"),
        (["run", "first", "night", "--quiet"], "Did you mean 'first night'?"),
        (["run", "second", "night"], "A name with blanks needs quotes."),
    ):
        done = CliRunner().invoke(commands, words)
        assert done.exit_code == 2
        assert f"unexpected extra argument (night). {said}" in " ".join(done.output.split())


@pytest.mark.parametrize("name", ALL)
def test_the_example_can_be_called(name: str) -> None:
    command = ALL[name]
    assert isinstance(command, ExampleCommand)
    words = shlex.split(command.example)[1:]
    called_command = ALL[words[0]]
    assert called_command.make_context(words[0], words[1:]).params  # a wrong word or option would be refused


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("rnu", "sample_audio"), "Did you mean 'run'?"),
        (("verify-setings", "a", "b"), "Did you mean 'verify-settings'?"),
        (("run", "--forze", "sample_audio"), "--force"),
        (("archive", "verfy", "records/a"), "Did you mean 'verify'?"),
        (("guide", "polarty"), "Did you mean polarity"),
    ],
)
def test_what_was_meant(words: tuple[str, ...], meant: str) -> None:
    done = called(*words)
    assert (done.returncode, done.stdout) == (2, "")
    assert meant in done.stderr


def test_a_report_may_be_called_anything() -> None:
    with pytest.raises(click.UsageError, match="Missing parameter"):
        ALL["archive"].make_context("archive", [])
    context = ALL["archive"].make_context("archive", ["verifying", "--with-audio"])
    assert str(context.params["report"]) == "verifying"


@pytest.mark.parametrize(("typed", "offered"), [("analyze ver", "verify-settings"), ("analyze run --ba", "--bands")])
def test_a_shell_completes(typed: str, offered: str) -> None:
    asked = {"COMP_WORDS": typed, "COMP_CWORD": str(len(typed.split()) - 1)}
    assert f"plain,{offered}\n" in called(_ANALYZE_COMPLETE="bash_complete", **asked).stdout
