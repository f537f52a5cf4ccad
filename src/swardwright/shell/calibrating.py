"""``swardwright calibrate``: each kind of calibration lives in a module of its own, loaded when it is called."""

from __future__ import annotations

from typing import ClassVar

import click

from swardwright.shell.command_line import Commands


class _Calibrations(Commands):
    elsewhere: ClassVar = {}


@click.group("calibrate", cls=_Calibrations)
def calibrate_group() -> None:
    r"""Calibrate camera, mount and aim.

    \b
    Example: swardwright calibrate --help
    """
