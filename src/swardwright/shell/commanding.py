"""What all commands share: how they are found, how they speak, and how an error is told."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import click

from swardwright.domain.errors import SwardwrightError

if TYPE_CHECKING:
    from swardwright.shell.open_site import OpenSite
    from swardwright.shell.saying import Said

# The matrices here are many and small. Where other work keeps the cores busy, threads that wait for each other made
# merging up to sixty times slower than one thread; set before NumPy is loaded, and left alone where it is set already.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_AS_JSON = "swardwright.json"


class _ToldError(click.ClickException):
    """An error as the command line tells it: one sentence, the remedy, an exit status."""

    def __init__(self, sentence: str, remedy: str | None, status: int, data: dict[str, Any] | None) -> None:
        super().__init__(sentence)
        vars(self)["exit_code"] = status  # click declares it for the class
        self._remedy = remedy
        self._data = data

    def show(self, file: Any = None) -> None:
        """Print to standard error; the same as data to standard output with ``--json``."""
        click.echo(f"swardwright: {self.message}", err=True)
        if self._remedy:
            click.echo(f"To mend it: {self._remedy}.", err=True)
        if self._data is not None:
            from swardwright.shell.saying import json_line

            click.echo(json_line(self._data))


class Commands(click.Group):
    """A group that knows some commands without loading them, and tells every error in one sentence."""

    elsewhere: ClassVar[dict[str, tuple[str, str, str]]] = {}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return [*self.commands, *self.elsewhere]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, loading one that lives elsewhere."""
        if cmd_name in self.elsewhere:
            module, name, _ = self.elsewhere[cmd_name]
            command: click.Command = getattr(importlib.import_module(module), name)
            return command
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading those that live elsewhere."""
        rows = [(name, command.get_short_help_str(90)) for name, command in self.commands.items()]
        rows += [(name, text) for name, (_, _, text) in self.elsewhere.items()]
        with formatter.section("Commands"):
            formatter.write_dl(rows)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; turn errors into one sentence with a remedy."""
        try:
            return super().invoke(ctx)
        except SwardwrightError as error:
            data = error.as_dict() if ctx.meta.get(_AS_JSON) else None
            remedy = error.remedy or "mend what the sentence names, then run this again"
            raise _ToldError(error.sentence(), remedy, error.exit_status, data) from error
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except BrokenPipeError as error:  # whoever read the output has seen enough, as `head` does
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise click.exceptions.Exit(141) from error
        except KeyboardInterrupt as error:
            sentence = "stopped; what was not finished was not stored"
            raise _ToldError(sentence, None, 130, None) from error
        except (MemoryError, Exception) as error:
            if os.environ.get("SWARDWRIGHT_TRACEBACK"):
                raise
            sentence = f"a fault of this program ({type(error).__name__}: {str(error)[:200]}); nothing was stored"
            remedy = "report it with the output of the same command after: export SWARDWRIGHT_TRACEBACK=1"
            raise _ToldError(sentence, remedy, 1, None) from error


def _remember_json(ctx: click.Context, _: click.Parameter, value: bool) -> bool:
    if value:
        ctx.meta[_AS_JSON] = True
    return value


json_option = click.option("--json", "as_json", is_flag=True, expose_value=False, callback=_remember_json,
                           help="Print one JSON object on standard output.")  # fmt: skip
site_argument = click.argument("site", type=click.Path(path_type=Path), default=".")
EXISTING = click.Path(path_type=Path)


def say(said: Said) -> None:
    """Print what a command has to say: its lines, or with ``--json`` its data."""
    context = click.get_current_context()
    if context.meta.get(_AS_JSON):
        from swardwright.shell.saying import json_line

        click.echo(json_line(said.data))
        return
    for line in said.lines:
        click.echo(line)


def show(line: str) -> None:
    """Print a line of a running step to standard error."""
    click.echo(f"  {line}", err=True)


def with_site(site: Path, do: Callable[[OpenSite], Said], *, write: bool = True) -> None:
    """Open a site folder, do something with it, and print what that has to say."""
    from swardwright.shell.open_site import opened

    with opened(site, write=write) as at:
        said = do(at)
    say(said)
