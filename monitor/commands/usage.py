"""What was typed wrongly, in a sentence of ours: what was found, what is accepted, where the help is."""

from __future__ import annotations

import math
import os
from typing import Any

import click


class Number(click.ParamType[float | int]):
    """A number within bounds, both included; `above`: the lower one is not. Converts to int where `whole`."""

    name = "number"

    def __init__(self, low: float, high: float = math.inf, *, above: bool = False, whole: bool = False) -> None:
        self.low, self.high, self.above, self.whole = low, high, above, whole

    @property
    def accepted(self) -> str:
        kind = "a whole number" if self.whole else "a number"
        if math.isfinite(self.high):
            return f"{kind} from {self.low:g} to {self.high:g}"
        return f"{kind} above {self.low:g}" if self.above else f"{kind}, at least {self.low:g}"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | int:
        try:
            number = int(value) if self.whole else float(value)
            good = math.isfinite(number) and self.low <= number <= self.high and not (self.above and number == self.low)
        except (ValueError, OverflowError):
            good = False
        if not good:
            self.fail(f"found {value}; accepted: {self.accepted}", param, ctx)
        return number


class TakesFolders(click.Command):
    """A command whose option `--history` takes any number of folders after it. What else follows is no value of it."""

    folders = "--history"

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spread: list[str] = []
        within = False
        for arg in args:
            if arg.startswith("-"):
                within = arg == self.folders
            elif within and spread[-1] != self.folders:
                within = os.path.isdir(arg)
                spread += [self.folders] if within else []
            spread.append(arg)
        return super().parse_args(ctx, spread)


def explained(error: click.ClickException) -> str:
    """The sentence for what click found."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError) or not isinstance(error, click.UsageError):
        return error.format_message()
    context = error.ctx
    place = context.command_path if context is not None else "bagwright"
    within = place.removeprefix("bagwright").strip()
    return f"{within + ': ' if within else ''}{_fault(error)}; `{place} --help` says what can be typed"


def _fault(error: click.UsageError) -> str:
    match error:
        case click.exceptions.NoSuchCommand():
            return f"no such command: {error.command_name}{_meant(error.possibilities)}"
        case click.NoSuchOption():
            return f"no such option: {error.option_name}{_meant(error.possibilities)}"
        case click.MissingParameter(param=click.Parameter() as missing):
            return f"{_typed(missing)} is missing"
        case click.BadParameter(param=click.Parameter() as wrong):
            return f"{_typed(wrong)}: {_begun(error.message)}"
    return _begun(error.format_message())


def _typed(parameter: click.Parameter) -> str:
    """A parameter as it is typed."""
    return parameter.opts[-1] if isinstance(parameter, click.Option) else parameter.make_metavar(_NOWHERE)


def _meant(possibilities: list[str] | None) -> str:
    return f" (did you mean {' or '.join(possibilities)}?)" if possibilities else ""


def _begun(sentence: str) -> str:
    """A sentence as the part of another."""
    return sentence[:1].lower() + sentence[1:].rstrip(".")


_NOWHERE = click.Context(click.Command("bagwright"))
