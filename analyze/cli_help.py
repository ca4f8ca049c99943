"""Help that begins with an example, and a hint where a word was misspelt."""

from __future__ import annotations

import difflib
import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from analyze.errors import printable

_LOOK_ALIKE = 0.6


class ExampleCommand(click.Command):
    """A command whose help begins with an example; `example` is a line as it is typed."""

    def __init__(self, *arguments: Any, example: str, **keywords: Any) -> None:
        super().__init__(*arguments, **keywords)
        self.example = example

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The example before everything else."""
        formatter.write(f"Example: {self.example}\n\n")
        super().format_help(ctx, formatter)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """The arguments; where some are too many, words that are one name with blanks are put into quotes."""
        words = [word for word in args if not word.startswith("-")]
        try:
            return super().parse_args(ctx, args)
        except click.UsageError as error:
            if "unexpected extra" not in error.message:
                raise
            meant = next(filter(_is_there, (" ".join(words[:n]) for n in range(len(words), 1, -1))), "")
            mend = f"Did you mean {printable(shlex.quote(meant))}?" if meant else "A name with blanks needs quotes."
            raise click.UsageError(f"{error.message.removesuffix('.')}. {mend}", ctx) from error


def _is_there(name: str) -> bool:
    """Whether a file or folder is called so."""
    try:
        return Path(name).exists()
    except OSError:  # as of a name too long for the disk
        return False


class OrAnother(ExampleCommand):
    """A command whose first word may be one of `others`: `archive REPORT`, `archive verify RECORD...`."""

    def __init__(self, *arguments: Any, others: Mapping[str, click.Command], **keywords: Any) -> None:
        super().__init__(*arguments, **keywords)
        self.others = others

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        """The context of the other command where its word stands first."""
        word = args[0] if args else ""
        if word in self.others:
            return self.others[word].make_context(f"{info_name} {word}", args[1:], parent, **extra)
        meant = difflib.get_close_matches(word, self.others, n=1, cutoff=_LOOK_ALIKE)
        if meant and len(args) > 1 and not args[1].startswith("-"):
            raise click.UsageError(f"No such command {word!r}. Did you mean {meant[0]!r}?")
        return super().make_context(info_name, args, parent, **extra)


class Commands(ExampleCommand, click.Group):
    """All commands."""

    command_class = ExampleCommand

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command of the first word; where a folder or description stands instead, how it is analysed."""
        word = args[0]
        if self.get_command(ctx, word) is None and not ctx.resilient_parsing:
            path = Path(word)
            what = "folder" if path.is_dir() else "description" if path.suffix == ".toml" and path.is_file() else ""
            if what:
                meant = printable(shlex.quote(word))
                raise click.UsageError(f"{word!r} is a {what}, no command. To analyse it: analyze run {meant}", ctx)
        return super().resolve_command(ctx, args)
