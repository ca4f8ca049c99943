"""Help that begins with an example, and a hint where a word was misspelt."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

import click

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
